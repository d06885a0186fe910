//! Proptest strategies: any legal record and any legal message.
//!
//! Quantities are often absent or at an end of their range, where codes are most easily wrong. Large strategies are
//! boxed: unboxed ones fill the stack of a test thread.

mod bank;
mod settings;

pub use bank::{bank_record, baseline, operation};
pub use settings::settings;

use proptest::array::{uniform3, uniform24};
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;

use wyelog_protocol::cause::{Cause, MAX_CAUSES};
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::message::{
    Extent, FromLogger, Identity, Live, MAX_RECORDS_BYTES, Replaced, Reply, Request, ToLogger,
};
use wyelog_protocol::quantity::{Quantity, Scale, Stepped};
use wyelog_protocol::record::{
    Capture, ClockSource, CrashCause, Event, Evidence, Follows, Interval, MAX_RECORD_BYTES, Moment, Polar,
    Range, Record, Reset, SettingsRecord, Spectrum, Stamp, Status, StatusRecord,
};
use wyelog_protocol::waveform::{FULL_SCALE, Packer};
use wyelog_protocol::{Text, text};

/// Any quantity of one scale, absent and the ends of its range often.
pub fn quantity<S: Scale + std::fmt::Debug>() -> impl Strategy<Value = Quantity<S>> {
    (0u8..8, S::MIN..=S::MAX).prop_map(|(sort, steps)| match sort {
        0 => Quantity::ABSENT,
        1 => Quantity::from_steps(S::MIN),
        2 => Quantity::from_steps(S::MAX),
        _ => Quantity::from_steps(steps),
    })
}

/// The harmonics of a channel: any, or such as fall off with their order.
fn harmonics<S: Scale + std::fmt::Debug>() -> impl Strategy<Value = [Stepped<S>; 24]> {
    let any = || uniform24(any::<u8>().prop_map(Stepped::from_index));
    let falling = uniform24(0u8..64)
        .prop_map(|sizes| std::array::from_fn(|order| Stepped::from_index(sizes[order] >> (order / 6))));
    prop_oneof![any(), falling]
}

/// Three of `part`, as for phases A, B, C.
fn abc<T: std::fmt::Debug>(part: impl Strategy<Value = T>) -> impl Strategy<Value = [T; 3]> {
    uniform3(part)
}

/// Any text that fits.
pub fn short_text<const N: usize>() -> impl Strategy<Value = Text<N>> {
    any::<String>().prop_map(|long| text(&long))
}

/// Any moment with its start.
pub fn stamp() -> impl Strategy<Value = Stamp> {
    (any::<u32>(), moment(), any::<bool>()).prop_map(|(boot, Moment { frame, utc_ms }, whole)| {
        // As late as a stamp may be; every other one at a whole minute.
        let utc_ms = utc_ms.map(|ms| ms >> 2).map(|ms| if whole { ms - ms % 60_000 } else { ms });
        Stamp { boot, frame, utc_ms }
    })
}

/// Any moment. Small numbers as often as large ones: varints have one to ten bytes.
pub fn moment() -> impl Strategy<Value = Moment> {
    let number = || (any::<u64>(), 0u32..64).prop_map(|(bits, shift)| bits >> shift);
    (number(), option::of(number())).prop_map(|(frame, utc_ms)| Moment { frame, utc_ms })
}

fn range<S: Scale + std::fmt::Debug>() -> impl Strategy<Value = Range<Quantity<S>>> {
    (quantity(), quantity(), quantity()).prop_map(|(rms, min, max)| Range { rms, min, max })
}

/// Any interval.
pub fn interval() -> BoxedStrategy<Interval> {
    (
        (stamp(), any::<u16>(), any::<u16>(), quantity()),
        (abc(range()), range(), quantity(), polar(), polar()),
        (quantity(), quantity(), quantity(), abc(quantity())),
        (bank::quality(), bank::state()),
    )
        .prop_map(
            |(
                (stamp, windows, flagged, frequency),
                (voltage, neutral, residual, neutral_phasor, residual_phasor),
                (u2, u0, nema, connected),
                (quality, state),
            )| {
                Interval {
                    stamp,
                    windows,
                    flagged,
                    frequency,
                    voltage,
                    neutral,
                    residual,
                    neutral_phasor,
                    residual_phasor,
                    u2,
                    u0,
                    nema,
                    connected,
                    quality,
                    state,
                }
            },
        )
        .boxed()
}

fn polar() -> impl Strategy<Value = Polar> {
    (quantity(), quantity()).prop_map(|(size, angle)| Polar { size, angle })
}

/// Any spectrum.
pub fn spectrum() -> BoxedStrategy<Spectrum> {
    (
        (stamp(), any::<u16>(), any::<u16>()),
        (abc(harmonics()), harmonics()),
        (abc(quantity()), abc(quantity()), abc(quantity())),
    )
        .prop_map(|((stamp, windows, flagged), (voltage, neutral), (thd, current, reactive))| Spectrum {
            stamp,
            windows,
            flagged,
            voltage,
            neutral,
            thd,
            current_loading: current,
            reactive_loading: reactive,
        })
        .boxed()
}

/// Any event.
pub fn event() -> BoxedStrategy<Event> {
    (
        (stamp(), any::<u32>(), select(Condition::ALL.to_vec())),
        select(vec![Change::Detected, Change::Announced, Change::Ended]),
        (phases(), quantity(), vec(select(Cause::ALL.to_vec()), 0..=MAX_CAUSES)),
        (moment(), option::of(moment()), evidence()),
    )
        .prop_map(|((stamp, occurrence, condition), change, (phases, fraction, causes), rest)| {
            let (begin, end, evidence) = rest;
            let causes = causes.into_iter().collect();
            Event { stamp, occurrence, condition, change, phases, fraction, causes, begin, end, evidence }
        })
        .boxed()
}

/// Any set of channels.
fn phases() -> impl Strategy<Value = Phases> {
    (0u8..16).prop_map(Phases::from_bits)
}

fn evidence() -> BoxedStrategy<Evidence> {
    (abc(quantity()), quantity(), quantity(), quantity(), abc(quantity()), abc(quantity()))
        .prop_map(|(voltage, neutral, residual, residual_angle, connected_before, connected_after)| {
            Evidence { voltage, neutral, residual, residual_angle, connected_before, connected_after }
        })
        .boxed()
}

/// Any status.
pub fn status() -> BoxedStrategy<Status> {
    let reset = select(vec![Reset::Power, Reset::Crash]);
    let cause = select(vec![CrashCause::Panic, CrashCause::HardFault]);
    prop_oneof![
        (short_text(), any::<u64>(), reset, any::<u8>()).prop_map(
            |(firmware, schema, reset, torn_records)| {
                Status::Boot { firmware, schema, reset, torn_records }
            }
        ),
        (cause, any::<u32>(), any::<u64>()).prop_map(|(cause, address, schema)| Status::Crash {
            cause,
            address,
            schema
        }),
        any::<u32>().prop_map(|count| Status::FramesLost { count }),
        any::<u32>().prop_map(|count| Status::RecordsLost { count }),
        (any::<Option<u64>>(), any::<u64>(), select(ClockSource::ALL.to_vec()))
            .prop_map(|(before_ms, after_ms, source)| Status::ClockSet { before_ms, after_ms, source }),
        any::<u32>().prop_map(|count| Status::JournalFailed { count }),
        (any::<u32>(), any::<u32>(), any::<u32>())
            .prop_map(|(sectors, records, numbers)| Status::FlashFaults { sectors, records, numbers }),
        (any::<u32>(), any::<u32>()).prop_map(|(triggers, frames)| Status::CapturesLost { triggers, frames }),
    ]
    .boxed()
}

/// Samples of any size, mostly such as follow each other in a wave.
fn capture() -> BoxedStrategy<Capture> {
    let follows = select(vec![Follows::More, Follows::Nothing, Follows::Lost]);
    let samples = vec((any::<[i16; 4]>(), 0u8..8), 0..56).prop_map(|parts| {
        let mut packer = Packer::new();
        for (values, sort) in parts {
            let shift = if sort == 0 { 0 } else { 12 };
            packer.push(values.map(|value| (value >> shift).max(-FULL_SCALE)));
        }
        packer.take()
    });
    (stamp(), follows, samples)
        .prop_map(|(stamp, follows, samples)| Capture { stamp, follows, samples })
        .boxed()
}

/// Any record.
pub fn record() -> BoxedStrategy<Record> {
    prop_oneof![
        interval().prop_map(Record::Interval),
        event().prop_map(Record::Event),
        spectrum().prop_map(Record::Spectrum),
        capture().prop_map(Record::Capture),
        operation().prop_map(Record::Operation),
        bank_record().prop_map(Record::Bank),
        baseline().prop_map(Record::Baseline),
        (stamp(), status()).prop_map(|(stamp, status)| Record::Status(StatusRecord { stamp, status })),
        (stamp(), settings())
            .prop_map(|(stamp, settings)| Record::Settings(SettingsRecord { stamp, settings })),
    ]
    .boxed()
}

/// Any request.
pub fn request() -> impl Strategy<Value = Request> {
    prop_oneof![
        Just(Request::Identify),
        Just(Request::ReadSettings),
        Just(Request::ReadLive),
        Just(Request::ReadExtent),
        (any::<u32>(), any::<u32>()).prop_map(|(from, limit)| Request::ReadLog { from, limit }),
        Just(Request::ReadBaseline),
        Just(Request::LearnBaseline),
        select(vec![Replaced::Link, Replaced::Unit, Replaced::Sensor]).prop_map(Request::DiscardBaseline),
        any::<u64>().prop_map(|utc_ms| Request::SetClock { utc_ms }),
    ]
}

/// Any packet from the host.
pub fn to_logger() -> impl Strategy<Value = ToLogger> {
    (any::<u16>(), request()).prop_map(|(number, request)| ToLogger { number, request })
}

fn extent() -> impl Strategy<Value = Extent> {
    any::<[u32; 4]>().prop_map(|[boot, oldest, next, refused]| Extent { boot, oldest, next, refused })
}

fn live() -> BoxedStrategy<Live> {
    (
        (stamp(), quantity(), abc(quantity()), abc(quantity()), abc(quantity())),
        (quantity(), quantity(), quantity()),
        (quantity(), quantity(), quantity(), quantity(), abc(quantity())),
    )
        .prop_map(|((stamp, frequency, voltage, voltage_fundamental, voltage_angle), neutral, rest)| {
            let (neutral, neutral_fundamental, neutral_angle) = neutral;
            let (residual, residual_angle, u2, u0, connected) = rest;
            Live {
                stamp,
                frequency,
                voltage,
                voltage_fundamental,
                voltage_angle,
                neutral,
                neutral_fundamental,
                neutral_angle,
                residual,
                residual_angle,
                u2,
                u0,
                connected,
            }
        })
        .boxed()
}

/// Bytes of whole records, at most [`MAX_RECORDS_BYTES`].
fn record_bytes() -> impl Strategy<Value = &'static [u8]> {
    vec(record(), 0..4).prop_map(|records| {
        let mut bytes = Vec::new();
        for record in &records {
            let mut room = [0; MAX_RECORD_BYTES];
            let record = record.encode(&mut room).expect("a record fits");
            if bytes.len() + record.len() <= MAX_RECORDS_BYTES {
                bytes.extend(record);
            }
        }
        // What a packet borrows; a test process is short.
        &*bytes.leak()
    })
}

fn identity() -> BoxedStrategy<Identity<'static>> {
    let name = || "[ -~]{0,16}".prop_map(|name| &*name.leak());
    (
        (any::<u64>(), name(), name(), short_text()),
        (any::<u32>(), any::<u32>(), vec(any::<(u8, u8)>(), 0..=16)),
    )
        .prop_map(|((schema, firmware, board, device), (boot, frames_per_second, kinds))| Identity {
            schema,
            firmware,
            board,
            device,
            boot,
            frames_per_second,
            kinds: kinds.into_iter().collect(),
        })
        .boxed()
}

/// Any packet from the logger.
pub fn from_logger() -> BoxedStrategy<FromLogger<'static>> {
    let reply = prop_oneof![
        identity().prop_map(Reply::Identity),
        record_bytes().prop_map(Reply::Settings),
        live().prop_map(Reply::Live),
        extent().prop_map(Reply::Extent),
        (any::<u32>(), record_bytes()).prop_map(|(first, bytes)| Reply::Records { first, bytes }),
        (any::<u32>(), any::<u32>()).prop_map(|(from, to)| Reply::Missing { from, to }),
        extent().prop_map(Reply::LogEnd),
        Just(Reply::NotYet),
        Just(Reply::NotUnderstood),
        record_bytes().prop_map(Reply::Baseline),
        Just(Reply::Accepted),
        Just(Reply::OutOfRange),
    ];
    (any::<u16>(), reply).prop_map(|(number, reply)| FromLogger { number, reply }).boxed()
}
