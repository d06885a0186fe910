//! One sample of every record and packet, by name: what the golden bytes are made of.
//!
//! Every text and list is once as long as it may be and every option once present, so that nothing escapes the
//! comparison with `schema.txt`.

mod bank;
mod events;
mod settings;

use wyelog_protocol::message::{Extent, FromLogger, Identity, Live, Replaced, Reply, Request, ToLogger};
use wyelog_protocol::quantity::{
    Angle, Current, CurrentHarmonic, Distortion, Frequency, Loading, PerUnit, Percent, Quantity, Voltage,
    VoltageHarmonic,
};
use wyelog_protocol::record::{
    BankState, Basis, Capture, ClockSource, CrashCause, Follows, Interval, Polar, Quality, Range, Record,
    Reset, Spectrum, Stamp, Status, StatusRecord,
};
use wyelog_protocol::waveform::Packer;
use wyelog_protocol::{FRAMES_PER_SECOND, text};

const STAMP: Stamp = Stamp { boot: 3, frame: 1_440_000, utc_ms: Some(1_767_225_600_000) };
const SCHEMA: u64 = 0x0123_4567_89AB_CDEF;

/// Every record kind, every condition, cause, change and status.
pub fn records() -> Vec<(String, Record)> {
    let mut samples = vec![
        ("interval".to_owned(), Record::Interval(interval())),
        ("interval_absent".to_owned(), Record::Interval(absent_interval())),
    ];
    samples.extend(events::all());
    samples.push(("spectrum".to_owned(), Record::Spectrum(spectrum())));
    let statuses = statuses()
        .into_iter()
        .map(|(name, status)| (name, Record::Status(StatusRecord { stamp: STAMP, status })));
    let named = settings::all().into_iter().chain(captures()).chain(bank::all()).chain(statuses);
    samples.extend(named.map(|(name, record)| (name.to_owned(), record)));
    samples
}

fn range<S: wyelog_protocol::quantity::Scale>(rms: f32, min: f32, max: f32) -> Range<Quantity<S>> {
    Range { rms: Quantity::quantise(rms), min: Quantity::quantise(min), max: Quantity::quantise(max) }
}

fn interval() -> Interval {
    Interval {
        stamp: STAMP,
        windows: 300,
        flagged: 2,
        frequency: Frequency::quantise(60.0123),
        voltage: [range(7214.3, 7190.1, 7230.8), range(7205.5, 7201.0, 7211.9), range(7187.2, 0.0, 7195.4)],
        neutral: range(1.234, 1.001, 99_999.0),
        residual: PerUnit::quantise(0.0123),
        neutral_phasor: Polar { size: PerUnit::quantise(0.0456), angle: Angle::quantise(-170.25) },
        residual_phasor: Polar { size: PerUnit::quantise(0.0119), angle: Angle::quantise(12.5) },
        u2: Percent::quantise(0.85),
        u0: Percent::quantise(0.312),
        nema: Percent::quantise(1000.0),
        connected: [1.02, -0.0001, 1.0].map(PerUnit::quantise),
        quality: Quality {
            difference_sigma: PerUnit::quantise(0.0012),
            common_sigma: PerUnit::quantise(0.0433),
            common_basis: Basis::Nameplate,
        },
        state: BankState::Closed,
    }
}

fn spectrum() -> Spectrum {
    let of = |order: usize, size: f32| size * (1.0 + order as f32);
    Spectrum {
        stamp: STAMP,
        windows: 3000,
        flagged: 1,
        voltage: [0.001, 0.05, 1.0]
            .map(|size| std::array::from_fn(|n| VoltageHarmonic::quantise(of(n, size)))),
        neutral: std::array::from_fn(|n| match n {
            0 => CurrentHarmonic::ABSENT,
            n => CurrentHarmonic::quantise(of(n, 0.32)),
        }),
        thd: [1.234, 0.0, 99.0].map(Distortion::quantise),
        current_loading: [101.5, 135.0, 98.7].map(Loading::quantise),
        reactive_loading: [102.0, 135.1, 97.0].map(Loading::quantise),
    }
}

fn absent_interval() -> Interval {
    Interval {
        stamp: Stamp::default(),
        windows: 0,
        flagged: 0,
        frequency: Frequency::ABSENT,
        voltage: [Range::default(); 3],
        neutral: Range::default(),
        residual: PerUnit::ABSENT,
        neutral_phasor: Polar::default(),
        residual_phasor: Polar::default(),
        u2: Percent::ABSENT,
        u0: Percent::ABSENT,
        nema: Percent::ABSENT,
        connected: [PerUnit::ABSENT; 3],
        quality: Quality::default(),
        state: BankState::Unknown,
    }
}

/// What follows in every way; one has as many bytes as there may be, one has values at both ends.
fn captures() -> Vec<(&'static str, Record)> {
    let capture = |follows, samples: &[[i16; 4]]| {
        let mut packer = Packer::new();
        assert!(samples.iter().all(|sample| packer.push(*sample)), "they fit");
        Record::Capture(Capture { stamp: STAMP, follows, samples: packer.take() })
    };
    let full: Vec<[i16; 4]> = (0..55).map(|n| [n % 3, -n, n, 0]).collect();
    let ends = [[i16::MAX, -i16::MAX, 0, -1], [-i16::MAX, i16::MAX, 0, -1], [i16::MAX, -i16::MAX, 12_345, 0]];
    vec![
        ("capture_more", capture(Follows::More, &full)),
        ("capture_end", capture(Follows::Nothing, &ends)),
        ("capture_lost", capture(Follows::Lost, &ends[..1])),
    ]
}

fn statuses() -> Vec<(&'static str, Status)> {
    let boot = |reset, torn_records| Status::Boot {
        firmware: text("0.1.0-as-long-as"),
        schema: SCHEMA,
        reset,
        torn_records,
    };
    let crash = |cause| Status::Crash { cause, address: 0x0800_1234, schema: SCHEMA };
    let clock_set = |before_ms, source| Status::ClockSet { before_ms, after_ms: 1_767_225_600_000, source };
    vec![
        ("status_boot_power", boot(Reset::Power, 0)),
        ("status_boot_crash", boot(Reset::Crash, 1)),
        ("status_boot_many_torn", boot(Reset::Power, 255)),
        ("status_crash_panic", crash(CrashCause::Panic)),
        ("status_crash_hard_fault", crash(CrashCause::HardFault)),
        ("status_frames_lost", Status::FramesLost { count: 960 }),
        ("status_records_lost", Status::RecordsLost { count: 1 }),
        ("status_clock_set_first", clock_set(None, ClockSource::Rtc)),
        ("status_clock_set_again", clock_set(Some(127), ClockSource::Host)),
        ("status_clock_set_signal", clock_set(Some(1_767_225_600_000), ClockSource::Signal)),
        ("status_captures_lost", Status::CapturesLost { triggers: 3, frames: 1280 }),
        ("status_journal_failed", Status::JournalFailed { count: u32::MAX }),
        ("status_flash_faults", Status::FlashFaults { sectors: 1, records: 200, numbers: 30_000 }),
    ]
}

/// Every request.
pub fn to_logger() -> Vec<(&'static str, ToLogger)> {
    vec![
        ("identify", ToLogger { number: 1, request: Request::Identify }),
        ("read_settings", ToLogger { number: 2, request: Request::ReadSettings }),
        ("read_live", ToLogger { number: 127, request: Request::ReadLive }),
        ("read_extent", ToLogger { number: 128, request: Request::ReadExtent }),
        ("read_log", ToLogger { number: 65_535, request: Request::ReadLog { from: 4711, limit: 1000 } }),
        ("read_baseline", ToLogger { number: 3, request: Request::ReadBaseline }),
        ("learn_baseline", ToLogger { number: 4, request: Request::LearnBaseline }),
        ("link_replaced", ToLogger { number: 5, request: Request::DiscardBaseline(Replaced::Link) }),
        ("unit_replaced", ToLogger { number: 6, request: Request::DiscardBaseline(Replaced::Unit) }),
        ("sensor_replaced", ToLogger { number: 7, request: Request::DiscardBaseline(Replaced::Sensor) }),
        ("set_clock", ToLogger { number: 8, request: Request::SetClock { utc_ms: 1_767_225_600_000 } }),
    ]
}

/// Every reply. `settings` is a settings record, `two` are two records, all as bytes.
pub fn from_logger<'a>(settings: &'a [u8], two: &'a [u8]) -> Vec<(&'static str, FromLogger<'a>)> {
    let extent = Extent { boot: 3, oldest: 1, next: 4713, refused: 2 };
    let identity = Identity {
        schema: SCHEMA,
        firmware: "0.1.0",
        board: "emulated",
        device: text("sample-logger-16"),
        boot: 3,
        frames_per_second: FRAMES_PER_SECOND,
        kinds: (1..=16).map(|kind| (kind, 1)).collect(),
    };
    let replies = [
        ("identity", Reply::Identity(identity)),
        ("settings", Reply::Settings(settings)),
        ("live", Reply::Live(live())),
        ("extent", Reply::Extent(extent)),
        ("records", Reply::Records { first: 4711, bytes: two }),
        ("missing", Reply::Missing { from: 100, to: 164 }),
        ("log_end", Reply::LogEnd(extent)),
        ("not_yet", Reply::NotYet),
        ("not_understood", Reply::NotUnderstood),
        ("baseline", Reply::Baseline(settings)),
        ("accepted", Reply::Accepted),
        ("out_of_range", Reply::OutOfRange),
    ];
    replies.into_iter().zip(1..).map(|((name, reply), number)| (name, FromLogger { number, reply })).collect()
}

fn live() -> Live {
    Live {
        stamp: STAMP,
        frequency: Frequency::quantise(59.9876),
        voltage: [7214.3, 7205.5, 7187.2].map(Voltage::quantise),
        voltage_fundamental: [7213.9, 7205.1, 7186.8].map(Voltage::quantise),
        voltage_angle: [0.0, -120.25, 119.5].map(Angle::quantise),
        neutral: Current::quantise(1.25),
        neutral_fundamental: Current::quantise(1.125),
        neutral_angle: Angle::quantise(180.0),
        residual: PerUnit::quantise(0.0005),
        residual_angle: Angle::quantise(-180.0),
        u2: Percent::quantise(0.85),
        u0: Percent::quantise(0.31),
        connected: [1.02, 1.0, f32::NAN].map(PerUnit::quantise),
    }
}
