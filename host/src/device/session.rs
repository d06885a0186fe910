//! Asking a logger.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use wyelog_protocol::SCHEMA;
use wyelog_protocol::frame::{self, Decoder, MAX_FRAME_BYTES};
use wyelog_protocol::message::{
    Extent, FromLogger, Live, MAX_PACKET_BYTES, Replaced, Reply, Request, ToLogger,
};
use wyelog_protocol::record::{BaselineRecord, Envelope, KINDS, Record, SettingsRecord};

use super::{DeviceError, Transport};
use crate::log::DeviceIdentity;

/// How long to wait, and how often.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// For an answer. The logger may be held up by its flash for 0.4 s, and a full frame takes 0.05 s at 115200 baud.
    pub reply: Duration,
    /// Requests without any progress before it is given up.
    pub attempts: u32,
    /// Before a vanished port is opened again.
    pub pause: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { reply: Duration::from_millis(1500), attempts: 5, pause: Duration::from_millis(300) }
    }
}

/// What happened on the link so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounts {
    /// Requests sent again.
    pub retries: u32,
    /// Pieces that came and were no intact frame.
    pub damaged_frames: u32,
    /// Times the port was opened again.
    pub reconnects: u32,
    /// Bytes that came.
    pub bytes: u64,
}

/// Who the logger is, and whether it speaks exactly this version's language.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hello {
    /// Its own words.
    pub identity: DeviceIdentity,
    /// Its schema is another one: one of the two is newer. Record kinds that both know are still read.
    pub is_other_schema: bool,
    /// Kinds and versions it writes that this version does not know.
    pub unknown_kinds: Vec<(u8, u8)>,
}

/// A session with a logger.
#[derive(Debug)]
pub struct Session<T> {
    pub(super) transport: T,
    pub(super) patience: Patience,
    pub(super) counts: LinkCounts,
    /// Number of the last request.
    pub(super) number: u16,
    decoder: Decoder,
    inbox: VecDeque<u8>,
    /// Intact frames that came, and those of them that hold no message of this version.
    intact: u64,
    strange: u64,
    stop: Option<Arc<AtomicBool>>,
}

/// Longest wait without a look whether the session is to be stopped.
const LOOK: Duration = Duration::from_millis(100);

impl<T: Transport> Session<T> {
    /// A session over an open line.
    pub const fn new(transport: T, patience: Patience) -> Self {
        Self {
            transport,
            patience,
            counts: LinkCounts { retries: 0, damaged_frames: 0, reconnects: 0, bytes: 0 },
            number: 0,
            decoder: Decoder::new(),
            inbox: VecDeque::new(),
            intact: 0,
            strange: 0,
            stop: None,
        }
    }

    /// Ends whatever is under way with [`DeviceError::Stopped`] soon after `flag` has become true.
    pub fn stop_on(&mut self, flag: Arc<AtomicBool>) {
        self.stop = Some(flag);
    }

    pub(super) fn stopped(&self) -> Result<(), DeviceError> {
        match &self.stop {
            Some(flag) if flag.load(Ordering::Relaxed) => Err(DeviceError::Stopped { port: self.port() }),
            _ => Ok(()),
        }
    }

    /// What happened on the link so far.
    pub const fn counts(&self) -> LinkCounts {
        self.counts
    }

    /// Who the logger is.
    ///
    /// # Errors
    /// No answer, or a logger none of whose records this version can read.
    pub fn identify(&mut self) -> Result<Hello, DeviceError> {
        let identity = self.ask("identify", Request::Identify, |reply| match reply {
            Reply::Identity(identity) => Some(DeviceIdentity::from(&identity)),
            _ => None,
        })?;
        let is_known =
            |&(kind, version): &(u8, u8)| KINDS.iter().any(|&(k, v)| (k.number(), v) == (kind, version));
        let unknown_kinds: Vec<_> = identity.kinds.iter().copied().filter(|kind| !is_known(kind)).collect();
        if unknown_kinds.len() == identity.kinds.len() {
            return Err(DeviceError::OtherSchema { port: self.port(), schema: Some(identity.schema) });
        }
        Ok(Hello { is_other_schema: identity.schema != SCHEMA, unknown_kinds, identity })
    }

    /// Which settings are in force.
    ///
    /// # Errors
    /// No answer, or one that makes no sense.
    pub fn settings(&mut self) -> Result<SettingsRecord, DeviceError> {
        let record = self.ask("read settings", Request::ReadSettings, |reply| match reply {
            Reply::Settings(bytes) => {
                Some(Envelope::parse(bytes).and_then(|(envelope, _)| envelope.decode()))
            }
            _ => None,
        })?;
        match record {
            Ok(Record::Settings(settings)) => Ok(settings),
            _ => Err(DeviceError::Nonsense { port: self.port(), what: "its settings cannot be read" }),
        }
    }

    /// What is measured now.
    ///
    /// # Errors
    /// No answer, or [`DeviceError::NotYet`] in the first moments.
    pub fn live(&mut self) -> Result<Live, DeviceError> {
        let live = self.ask("read live values", Request::ReadLive, |reply| match reply {
            Reply::Live(live) => Some(Some(live)),
            Reply::NotYet => Some(None),
            _ => None,
        })?;
        live.ok_or_else(|| DeviceError::NotYet { port: self.port() })
    }

    /// Which records there are.
    ///
    /// # Errors
    /// No answer.
    pub fn extent(&mut self) -> Result<Extent, DeviceError> {
        self.ask("read extent", Request::ReadExtent, |reply| match reply {
            Reply::Extent(extent) => Some(extent),
            _ => None,
        })
    }

    /// What the bank was like when it was commissioned.
    ///
    /// # Errors
    /// No answer, one that makes no sense, or [`DeviceError::NotYet`] where there is none.
    pub fn baseline(&mut self) -> Result<BaselineRecord, DeviceError> {
        let record = self.ask("read baseline", Request::ReadBaseline, |reply| match reply {
            Reply::Baseline(bytes) => {
                Some(Some(Envelope::parse(bytes).and_then(|(envelope, _)| envelope.decode())))
            }
            Reply::NotYet => Some(None),
            _ => None,
        })?;
        match record {
            Some(Ok(Record::Baseline(baseline))) => Ok(baseline),
            Some(_) => Err(DeviceError::Nonsense { port: self.port(), what: "its baseline cannot be read" }),
            None => Err(DeviceError::NotYet { port: self.port() }),
        }
    }

    /// Tells it to learn what its bank is like, which is healthy and closed.
    ///
    /// # Errors
    /// No answer.
    pub fn learn_baseline(&mut self) -> Result<(), DeviceError> {
        self.order("learn the baseline", Request::LearnBaseline)
    }

    /// Tells it to compare the bank with its baseline no more.
    ///
    /// # Errors
    /// No answer.
    pub fn discard_baseline(&mut self, replaced: Replaced) -> Result<(), DeviceError> {
        self.order("discard the baseline", Request::DiscardBaseline(replaced))
    }

    fn order(&mut self, name: &'static str, request: Request) -> Result<(), DeviceError> {
        self.ask(name, request, |reply| matches!(reply, Reply::Accepted).then_some(()))
    }

    pub(super) fn port(&self) -> String {
        self.transport.name().to_owned()
    }

    /// Sends `request` until `take` accepts an answer to it.
    fn ask<R>(
        &mut self,
        name: &'static str,
        request: Request,
        mut take: impl FnMut(Reply<'_>) -> Option<R>,
    ) -> Result<R, DeviceError> {
        let mut gone = None;
        for attempt in 0..self.patience.attempts.max(1) {
            if attempt > 0 {
                self.counts.retries += 1;
            }
            let outcome = self.try_once(request, &mut take);
            self.stopped()?;
            match outcome {
                Ok(Some(Some(answer))) => return Ok(answer),
                Ok(Some(None)) => {
                    return Err(DeviceError::NotUnderstood { port: self.port(), request: name });
                }
                Ok(None) => gone = None,
                Err(error) => gone = Some(self.recover(&error)?),
            }
        }
        let Patience { reply, attempts, .. } = self.patience;
        Err(gone.unwrap_or_else(|| self.no_answer(attempts.max(1), reply * attempts.max(1))))
    }

    /// `Some(None)`: the logger does not understand the request.
    #[expect(clippy::option_option, reason = "no answer, a refusal, an answer")]
    pub(super) fn try_once<R>(
        &mut self,
        request: Request,
        take: &mut impl FnMut(Reply<'_>) -> Option<R>,
    ) -> std::io::Result<Option<Option<R>>> {
        self.send(request)?;
        let deadline = self.transport.now() + self.patience.reply;
        self.receive(deadline, &mut |reply| match reply {
            Reply::NotUnderstood => Some(None),
            reply => take(reply).map(Some),
        })
    }

    /// Sends a request under a number of its own.
    pub(super) fn send(&mut self, request: Request) -> std::io::Result<()> {
        self.number = self.number.wrapping_add(1);
        let too_long = || std::io::Error::other("a request is longer than a frame");
        let (mut packet, mut bytes) = ([0; MAX_PACKET_BYTES], [0; MAX_FRAME_BYTES]);
        let message = ToLogger { number: self.number, request };
        let packet = postcard::to_slice(&message, &mut packet).map_err(|_| too_long())?;
        let frame = frame::encode(packet, &mut bytes).ok_or_else(too_long)?;
        self.transport.send(frame)
    }

    /// Gives every reply to the last request to `take` until it accepts one. `None` when the transport's clock has reached
    /// `deadline`, or the session is to be stopped.
    pub(super) fn receive<R>(
        &mut self,
        deadline: Duration,
        take: &mut impl FnMut(Reply<'_>) -> Option<R>,
    ) -> std::io::Result<Option<R>> {
        loop {
            while let Some(byte) = self.inbox.pop_front() {
                let packet = match self.decoder.push(byte) {
                    None => continue,
                    Some(Err(_)) => {
                        self.counts.damaged_frames = self.counts.damaged_frames.saturating_add(1);
                        continue;
                    }
                    Some(Ok(packet)) => packet,
                };
                self.intact += 1;
                match postcard::from_bytes::<FromLogger<'_>>(packet) {
                    Ok(message) if message.number == self.number => {
                        if let Some(answer) = take(message.reply) {
                            return Ok(Some(answer));
                        }
                    }
                    // To a request that was given up.
                    Ok(_) => {}
                    Err(_) => self.strange += 1,
                }
            }
            let left = deadline.saturating_sub(self.transport.now());
            if left.is_zero() || self.stopped().is_err() {
                return Ok(None);
            }
            let mut bytes = [0; 4096];
            let count = self.transport.receive(&mut bytes, left.min(LOOK))?;
            self.counts.bytes += count as u64;
            self.inbox.extend(bytes.iter().take(count));
            if count == 0 && self.transport.is_idle() {
                return Ok(None);
            }
        }
    }

    /// Opens the port again after `error`. Gives what to say if that does not help either.
    pub(super) fn recover(&mut self, error: &std::io::Error) -> Result<DeviceError, DeviceError> {
        self.stopped()?;
        let vanished = if self.counts.bytes == 0 && self.transport.is_turned_away(error) {
            DeviceError::Taken { port: self.port() }
        } else {
            DeviceError::Vanished { port: self.port(), why: error.to_string() }
        };
        self.inbox.clear();
        self.decoder = Decoder::new();
        for _ in 0..self.patience.attempts.max(1) {
            self.transport.pause(self.patience.pause);
            if self.transport.reopen().is_ok() {
                self.counts.reconnects += 1;
                return Ok(vanished);
            }
        }
        Err(vanished)
    }

    /// Why nothing came of all attempts.
    pub(super) fn no_answer(&self, attempts: u32, waited: Duration) -> DeviceError {
        let port = self.port();
        if self.strange > 0 && self.strange == self.intact {
            DeviceError::OtherSchema { port, schema: None }
        } else if self.intact > 0 || self.counts.bytes == 0 {
            let milliseconds = u64::try_from(waited.as_millis()).unwrap_or(u64::MAX);
            DeviceError::Silent { port, attempts, milliseconds }
        } else {
            DeviceError::Garbled { port, bytes: self.counts.bytes }
        }
    }
}
