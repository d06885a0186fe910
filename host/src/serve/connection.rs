//! Connections that cannot tie the server up: so many at once, and none that is silent or slow for long.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep, sleep, sleep_until};

/// Connections at once; more wait.
const MOST: usize = 64;
/// From the beginning, or from the last byte of an answer that was taken, to the next one. An answer may take
/// half a minute.
const LIMIT: Duration = Duration::from_secs(60);
/// Before it is tried again when the system has no connection to give.
const PAUSE: Duration = Duration::from_millis(100);

/// Listens.
pub struct Listener {
    listener: TcpListener,
    places: Arc<Semaphore>,
}

impl Listener {
    /// At this one.
    pub fn new(listener: TcpListener) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(MOST)) }
    }
}

impl axum::serve::Listener for Listener {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        let place = Arc::clone(&self.places).acquire_owned().await.ok();
        loop {
            match self.listener.accept().await {
                Ok((stream, address)) => {
                    let limit = Box::pin(sleep(LIMIT));
                    return (Connection { stream, limit, _place: place }, address);
                }
                // Too many open files, or one who left at once.
                Err(_) => sleep(PAUSE).await,
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection with a time limit that only the taking of an answer moves: not a request that comes byte by byte.
pub struct Connection {
    stream: TcpStream,
    limit: Pin<Box<Sleep>>,
    _place: Option<OwnedSemaphorePermit>,
}

impl Connection {
    fn or_late<T>(&mut self, poll: Poll<io::Result<T>>, context: &mut Context<'_>) -> Poll<io::Result<T>> {
        if poll.is_pending() && self.limit.as_mut().poll(context).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        poll
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.or_late(poll, context)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.stream).poll_write(context, bytes);
        if matches!(poll, Poll::Ready(Ok(taken)) if taken > 0) {
            self.limit = Box::pin(sleep_until(Instant::now() + LIMIT));
        }
        self.or_late(poll, context)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_flush(context);
        self.or_late(poll, context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_shutdown(context);
        self.or_late(poll, context)
    }
}
