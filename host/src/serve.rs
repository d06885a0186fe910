//! A store over HTTP: the fleet and the pages of the banks as the report has them, which follow the store, are filtered
//! by their address, and whose charts can be looked at closer.
//!
//! On this PC's own address anybody who uses it may look; elsewhere only who has the token. Nothing is ever changed by a
//! request, nothing is loaded from elsewhere, and no connection is opened.

mod access;
mod address;
mod bank_page;
mod connection;
mod desk;
mod fleet_page;
mod page;
mod zoom;

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use thiserror::Error;
use tokio::sync::{Notify, Semaphore};

use crate::store::StoreError;
use access::{Access, Verdict};
pub(crate) use address::address;
use desk::{Desk, Found};
use page::Page;

/// What to serve, where, to whom.
#[derive(Clone, Debug)]
pub struct Options {
    /// Folder of the store.
    pub store: PathBuf,
    /// Where to listen; port 0: a free one.
    pub listen: SocketAddr,
    /// What a reader has to know; without one only readers on this PC are let in.
    pub token: Option<String>,
    /// Names besides `localhost` by which readers may call this PC.
    pub names: Vec<String>,
}

/// A page that cannot be served.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Others could look in.
    #[error(
        "{address} can be reached from other machines, which would read the store without being asked who they are; give \
         --token, or listen on 127.0.0.1"
    )]
    NeedsToken {
        /// Where it should have listened.
        address: SocketAddr,
    },
    /// The token can be guessed, or cannot stand in an address.
    #[error(
        "the token must be {} or more letters, digits, '-' or '_', chosen at random",
        access::LEAST_TOKEN
    )]
    WeakToken,
    /// Nobody can listen there.
    #[error("{address}: {source}; name another address or port, or port 0 for a free one")]
    Listen {
        /// Where it should have listened.
        address: SocketAddr,
        /// What the system answered.
        source: std::io::Error,
    },
    /// The system has no room for it.
    #[error("cannot start: {0}; end other programs and try again")]
    Start(std::io::Error),
}

/// How long an answer may take.
const ANSWER_LIMIT: Duration = Duration::from_secs(30);
/// How long open answers may take once it is told to stop.
const STOP_LIMIT: Duration = Duration::from_secs(2);
/// Pages that are made at the same time; others wait.
const AT_ONCE: usize = 4;

/// Listens, and serves once it is run.
#[derive(Debug)]
pub struct Server {
    runtime: tokio::runtime::Runtime,
    listener: tokio::net::TcpListener,
    address: SocketAddr,
    token: Option<String>,
    shared: Arc<Shared>,
    stop: Arc<Notify>,
}

/// Stops a [`Server`].
#[derive(Clone, Debug)]
pub struct Stopper(Arc<Notify>);

impl Stopper {
    /// Stops it: also one that has not begun yet.
    pub fn stop(&self) {
        self.0.notify_one();
    }
}

/// What every request needs.
#[derive(Debug)]
struct Shared {
    access: Access,
    desk: Arc<Desk>,
    places: Arc<Semaphore>,
}

impl Server {
    /// Listens. The store is read once it runs.
    ///
    /// # Errors
    /// There is no store, the address cannot be had, or others could look in.
    pub fn bind(options: &Options) -> Result<Self, ServeError> {
        let address = options.listen;
        match &options.token {
            None if !address.ip().is_loopback() => return Err(ServeError::NeedsToken { address }),
            Some(token) if !access::is_strong(token) => return Err(ServeError::WeakToken),
            _ => {}
        }
        let desk = Arc::new(Desk::open(&options.store)?);
        // One thread for the connections; pages are made on threads of their own.
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .enable_time()
            .max_blocking_threads(AT_ONCE + 1)
            .build()
            .map_err(ServeError::Start)?;
        let listen = |source| ServeError::Listen { address, source };
        let listener = runtime.block_on(tokio::net::TcpListener::bind(address)).map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        let access = Access::new(address, options.token.as_deref(), &options.names);
        let shared = Arc::new(Shared { access, desk, places: Arc::new(Semaphore::new(AT_ONCE)) });
        let stop = Arc::new(Notify::new());
        Ok(Self { runtime, listener, address, token: options.token.clone(), shared, stop })
    }

    /// What a reader on this PC opens; the token is in it.
    pub fn url(&self) -> String {
        let token = self.token.as_ref().map(|token| format!("?token={token}")).unwrap_or_default();
        let mut address = self.address;
        // Who listens at all addresses has none that can be opened.
        match address.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => address.set_ip(Ipv4Addr::LOCALHOST.into()),
            IpAddr::V6(ip) if ip.is_unspecified() => address.set_ip(Ipv6Addr::LOCALHOST.into()),
            _ => {}
        }
        format!("http://{address}/{token}")
    }

    /// Tells it to stop.
    pub fn stopper(&self) -> Stopper {
        Stopper(Arc::clone(&self.stop))
    }

    /// Serves until it is stopped.
    ///
    /// # Errors
    /// The system takes the listening away.
    pub fn run(self) -> Result<(), ServeError> {
        let Self { runtime, listener, address, shared, stop, .. } = self;
        let watch = desk::watch(&shared.desk);
        let served = runtime.block_on(async {
            let ended = Arc::new(Notify::new());
            let end = Arc::clone(&ended);
            let serve = axum::serve(connection::Listener::new(listener), routes(shared))
                .with_graceful_shutdown(async move { end.notified().await });
            let serving = tokio::spawn(serve.into_future());
            stop.notified().await;
            ended.notify_one();
            // Who is still reading then has left the page open.
            tokio::time::timeout(STOP_LIMIT, serving).await
        });
        drop(watch);
        // A page that is still being made is of no use to anybody.
        runtime.shutdown_background();
        match served {
            Ok(Ok(Err(source))) => Err(ServeError::Listen { address, source }),
            _ => Ok(()),
        }
    }
}

fn routes(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(fleet))
        .route("/bank", get(bank))
        .route("/charts", get(charts))
        .route("/version", get(version))
        .route("/style.css", get(async || file("text/css; charset=utf-8", page::style())))
        .route("/page.js", get(async || file("text/javascript; charset=utf-8", page::SCRIPT.to_owned())))
        .route("/icon.svg", get(async || file("image/svg+xml", page::ICON.to_owned())))
        .fallback(async || Page::words(StatusCode::NOT_FOUND, "There is no such page.").into_response())
        .layer(from_fn_with_state(Arc::clone(&shared), guard))
        .with_state(shared)
}

fn file(kind: &'static str, text: String) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// Lets a request in or not, in bounded time, and says to the browser what the answer may do: load our own style, script
/// and pictures, and nothing else.
async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let verdict = shared.access.judge(request.method(), request.uri(), request.headers());
    let mut response = match verdict {
        Verdict::Welcome => match tokio::time::timeout(ANSWER_LIMIT, next.run(request)).await {
            Ok(response) => response,
            Err(_) => {
                page::wait("This takes longer than half a minute; it goes on meanwhile.").into_response()
            }
        },
        Verdict::Remember { cookie, to } => {
            let mut response = (StatusCode::SEE_OTHER, [(header::SET_COOKIE, cookie)]).into_response();
            if let Ok(to) = HeaderValue::from_str(&to) {
                response.headers_mut().insert(header::LOCATION, to);
            }
            response
        }
        Verdict::Refused { status, words } => {
            let mut response = Page::words(status, words).into_response();
            // What else comes on this connection is not looked at.
            response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
            if status == StatusCode::METHOD_NOT_ALLOWED {
                response.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET, HEAD"));
            }
            response
        }
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    response
}

const HEADERS: [(&str, &str); 7] = [
    (
        "content-security-policy",
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; \
         base-uri 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cache-control", "no-store"),
];

/// Makes a page on a thread of its own.
async fn make(shared: Arc<Shared>, work: impl Fn(&Desk) -> Result<Page, Found> + Send + 'static) -> Response {
    // It is never closed.
    let Ok(place) = Arc::clone(&shared.places).acquire_owned().await else {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    };
    let desk = Arc::clone(&shared.desk);
    match tokio::task::spawn_blocking(move || {
        // Held until it is made, also where nobody waits for it any more.
        let _place = place;
        desk.try_twice(work)
    })
    .await
    {
        Ok(page) => page.into_response(),
        Err(_) => {
            let words = "Making this page failed. Ask for another stretch of time or another bank.";
            Page::words(StatusCode::INTERNAL_SERVER_ERROR, words).into_response()
        }
    }
}

async fn fleet(State(shared): State<Arc<Shared>>, uri: Uri) -> Response {
    make(shared, move |desk| fleet_page::page(desk, &uri)).await
}

async fn bank(State(shared): State<Arc<Shared>>, uri: Uri) -> Response {
    make(shared, move |desk| bank_page::page(desk, &uri)).await
}

async fn charts(State(shared): State<Arc<Shared>>, uri: Uri) -> Response {
    make(shared, move |desk| bank_page::charts(desk, &uri)).await
}

async fn version(State(shared): State<Arc<Shared>>) -> Response {
    file("application/json", shared.desk.version_json())
}
