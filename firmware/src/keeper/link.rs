//! Requests in, replies out: synchronous, polled, never waiting for the other end.

use embedded_io::{Read, ReadReady, Write, WriteReady};
use embedded_storage::nor_flash::NorFlash;
use heapless::Vec;
use wyelog_protocol::frame::{self, Decoder, MAX_FRAME_BYTES};
use wyelog_protocol::message::{
    CLOCK_RANGE_MS, FromLogger, Identity, MAX_PACKET_BYTES, MAX_RECORDS_BYTES, Reply, Request, ToLogger,
};
use wyelog_protocol::record::{ClockSource, KINDS, MAX_RECORD_BYTES, Record, SettingsRecord, Stamp};
use wyelog_protocol::{FRAMES_PER_SECOND, SCHEMA};

use super::Keeper;
use crate::VERSION;
use crate::frontend::{Input, Order};
use crate::log::{Cursor, Entry};

/// A byte pipe to a host, which never waits: nothing is read unless it is there, or written unless there is room.
pub trait Line: Read + ReadReady + Write + WriteReady {}

impl<T: Read + ReadReady + Write + WriteReady> Line for T {}

/// Most bytes taken from the line at a call, so that records are stored between.
const BYTES_PER_CALL: usize = 64;

/// State of the link.
#[derive(Debug)]
pub struct Link {
    decoder: Decoder,
    outgoing: Outgoing,
    stream: Option<Stream>,
}

/// The frame on its way out.
#[derive(Debug)]
struct Outgoing {
    bytes: [u8; MAX_FRAME_BYTES],
    length: usize,
    sent: usize,
}

/// A download under way.
#[derive(Clone, Copy, Debug)]
struct Stream {
    number: u16,
    cursor: Cursor,
    /// First sequence number not wanted.
    end: u32,
}

impl Link {
    pub const fn new() -> Self {
        Self {
            decoder: Decoder::new(),
            outgoing: Outgoing { bytes: [0; MAX_FRAME_BYTES], length: 0, sent: 0 },
            stream: None,
        }
    }
}

impl Outgoing {
    const fn idle(&self) -> bool {
        self.sent >= self.length
    }

    /// Frames a reply. One that fits no frame cannot be built: every part of it is bounded.
    fn put(&mut self, number: u16, reply: Reply<'_>) {
        let mut packet = [0; MAX_PACKET_BYTES];
        let length = FromLogger { number, reply }
            .encode(&mut packet)
            .and_then(|packet| frame::encode(packet, &mut self.bytes))
            .map_or(0, <[u8]>::len);
        self.length = length;
        self.sent = 0;
    }

    /// Writes what there is room for; returns whether anything went.
    fn flow(&mut self, line: &mut impl Line) -> bool {
        let before = self.sent;
        while let Some(rest @ [_, ..]) = self.bytes.get(self.sent..self.length) {
            if !line.write_ready().unwrap_or(false) {
                break;
            }
            match line.write(rest) {
                Ok(0) => break,
                Ok(written) => self.sent = self.sent.saturating_add(written),
                // A line that fails has lost the frame; the host asks again.
                Err(_) => self.sent = self.length,
            }
        }
        self.sent != before
    }
}

/// See [`Keeper::serve`].
pub fn serve<F: NorFlash>(keeper: &mut Keeper<F>, line: &mut impl Line) -> bool {
    let mut busy = keeper.link.outgoing.flow(line);
    for _ in 0..BYTES_PER_CALL {
        // A reply is finished before the next request is read: the line itself holds what comes meanwhile.
        if !keeper.link.outgoing.idle() || !line.read_ready().unwrap_or(false) {
            break;
        }
        let mut byte = [0];
        if !matches!(line.read(&mut byte), Ok(1)) {
            break;
        }
        busy = true;
        let [byte] = byte;
        let Some(Ok(packet)) = keeper.link.decoder.push(byte) else { continue };
        if let Ok(ToLogger { number, request }) = postcard::from_bytes(packet) {
            answer(keeper, number, request);
        } else if let Ok((number, _)) = postcard::take_from_bytes(packet) {
            // A whole packet, but no request of this version: a newer host's.
            keeper.link.outgoing.put(number, Reply::NotUnderstood);
        }
    }
    if keeper.link.outgoing.idle()
        && let Some(stream) = keeper.link.stream.take()
    {
        busy = true;
        send_records(keeper, stream);
    }
    keeper.link.outgoing.flow(line) || busy
}

fn answer<F: NorFlash>(keeper: &mut Keeper<F>, number: u16, request: Request) {
    // Whoever asks for something else has lost interest in the stream.
    keeper.link.stream = None;
    match request {
        Request::Identify => {
            let reply = Reply::Identity(Identity {
                schema: SCHEMA,
                firmware: VERSION,
                board: keeper.device.board,
                device: keeper.device.serial.clone(),
                boot: keeper.boot,
                frames_per_second: FRAMES_PER_SECOND,
                kinds: KINDS.iter().map(|(kind, version)| (kind.number(), *version)).collect(),
            });
            keeper.link.outgoing.put(number, reply);
        }
        Request::ReadSettings => {
            let stamp = Stamp { boot: keeper.boot, ..Stamp::default() };
            let record = SettingsRecord { stamp, settings: keeper.settings.clone() };
            let mut bytes = [0; MAX_RECORD_BYTES];
            let reply =
                Record::Settings(record).encode(&mut bytes).map_or(Reply::NotUnderstood, Reply::Settings);
            keeper.link.outgoing.put(number, reply);
        }
        Request::ReadBaseline => {
            let mut bytes = [0; MAX_RECORD_BYTES];
            let record = keeper.baseline.clone().map(Record::Baseline);
            let reply =
                record.and_then(|record| record.encode(&mut bytes)).map_or(Reply::NotYet, Reply::Baseline);
            keeper.link.outgoing.put(number, reply);
        }
        Request::LearnBaseline => accept(keeper, number, Input::Baseline(Order::Learn)),
        Request::DiscardBaseline(replaced) => {
            accept(keeper, number, Input::Baseline(Order::Discard(replaced)));
        }
        Request::SetClock { utc_ms } if CLOCK_RANGE_MS.contains(&utc_ms) => {
            accept(keeper, number, Input::Clock(utc_ms, ClockSource::Host));
        }
        Request::SetClock { .. } => keeper.link.outgoing.put(number, Reply::OutOfRange),
        Request::ReadLive => {
            keeper.link.outgoing.put(number, keeper.live.map_or(Reply::NotYet, Reply::Live));
        }
        Request::ReadExtent => {
            let extent = keeper.extent();
            keeper.link.outgoing.put(number, Reply::Extent(extent));
        }
        Request::ReadLog { from, limit } => {
            let extent = keeper.extent();
            if let Some(log) = &keeper.log {
                let end = from.saturating_add(limit).min(extent.next);
                keeper.link.stream = Some(Stream { number, cursor: log.cursor(from), end });
            } else {
                keeper.link.outgoing.put(number, Reply::LogEnd(extent));
            }
        }
    }
}

fn accept<F: NorFlash>(keeper: &mut Keeper<F>, number: u16, order: Input) {
    keeper.order = Some(order);
    keeper.link.outgoing.put(number, Reply::Accepted);
}

/// Sends the next packet of a download, and keeps the stream if more follow.
fn send_records<F: NorFlash>(keeper: &mut Keeper<F>, mut stream: Stream) {
    let Some(log) = &mut keeper.log else { return };
    let mut batch: Vec<u8, MAX_RECORDS_BYTES> = Vec::new();
    let (mut first, mut count) = (0_u32, 0_u32);
    let mut missing = None;
    // A record takes more than one byte: no more of them than bytes.
    for _ in 0..MAX_RECORDS_BYTES {
        let wanted = stream.cursor.sequence();
        if wanted >= stream.end {
            break;
        }
        let before = stream.cursor;
        match log.read(&mut stream.cursor, &mut [0; _]) {
            Entry::Record { sequence, bytes } => {
                let follows = count == 0 || first.checked_add(count) == Some(sequence);
                if follows && batch.extend_from_slice(bytes).is_ok() {
                    if count == 0 {
                        first = sequence;
                    }
                    count = count.saturating_add(1);
                } else {
                    stream.cursor = before;
                    break;
                }
            }
            Entry::End => {
                stream.end = wanted;
                break;
            }
            Entry::Missing { from, to } => missing = Some((from, to)),
        }
        if missing.is_some() {
            if count > 0 {
                // What was read goes first; the gap is found again.
                stream.cursor = before;
                missing = None;
            }
            break;
        }
    }
    let number = stream.number;
    if count > 0 {
        keeper.link.outgoing.put(number, Reply::Records { first, bytes: &batch });
    } else if let Some((from, to)) = missing {
        keeper.link.outgoing.put(number, Reply::Missing { from, to });
    } else {
        let extent = keeper.extent();
        keeper.link.outgoing.put(number, Reply::LogEnd(extent));
        return;
    }
    keeper.link.stream = Some(stream);
}
