extern crate std;
use super::*;
use crate::bank::*;
use crate::cause::{Cause, MAX_CAUSES};
use crate::condition::{Change, Condition, Phases};
use crate::quantity::{PerUnitScale, Quantity, Scale, Stepped};
use crate::text;

/// The quantity whose code is longest.
fn long<S: Scale>() -> Quantity<S> {
    Quantity::from_steps(S::MAX)
}

/// The quantity whose number is smallest.
fn short<S: Scale>() -> Quantity<S> {
    Quantity::from_steps(S::MIN)
}

const STAMP: Stamp = Stamp { boot: u32::MAX, frame: u64::MAX, utc_ms: Some((1 << 63) - 2) };
const MOMENT: Moment = Moment { frame: u64::MAX, utc_ms: Some(u64::MAX) };

const QUALITY: Quality = Quality {
    difference_sigma: Quantity::from_steps(PerUnitScale::MAX),
    common_sigma: Quantity::from_steps(PerUnitScale::MAX),
    common_basis: Basis::Baseline,
};

fn longest() -> [Record; 9] {
    // Each number as far as may be from what it is counted from; and one absent, which costs a bit for each.
    let low = Quantity::from_steps(0);
    let interval = Interval {
        stamp: STAMP,
        windows: u16::MAX,
        flagged: u16::MAX,
        frequency: Quantity::from_steps(49_999),
        voltage: [
            Range { rms: long(), min: low, max: low },
            Range { rms: low, min: long(), max: long() },
            Range { rms: low, min: long(), max: long() },
        ],
        neutral: Range { rms: long(), min: Quantity::from_steps(0), max: Quantity::from_steps(0) },
        residual: short(),
        neutral_phasor: Polar { size: short(), angle: short() },
        residual_phasor: Polar { size: long(), angle: Quantity::ABSENT },
        u2: long(),
        u0: long(),
        nema: Quantity::from_steps(0),
        connected: [short(); 3],
        quality: Quality { difference_sigma: short(), common_sigma: short(), common_basis: Basis::Baseline },
        state: BankState::Unknown,
    };
    let evidence = Evidence {
        voltage: [long(); 3],
        neutral: long(),
        residual: long(),
        residual_angle: long(),
        connected_before: [long(); 3],
        connected_after: [long(); 3],
    };
    let event = Event {
        stamp: STAMP,
        occurrence: u32::MAX,
        condition: Condition::Interruption,
        change: Change::Ended,
        phases: Phases::ABC,
        fraction: long(),
        causes: core::iter::repeat_n(Cause::ConnectionWrong, MAX_CAUSES).collect(),
        begin: MOMENT,
        end: Some(MOMENT),
        evidence,
    };
    let status = Status::Boot {
        firmware: text(&"x".repeat(99)),
        schema: u64::MAX,
        reset: Reset::Power,
        torn_records: u8::MAX,
    };
    let limits = Limits {
        interruption: long(),
        sag: long(),
        swell: long(),
        hysteresis: long(),
        lost_phase: long(),
        least_change: long(),
        operate_s: u16::MAX,
        operations_per_day: u8::MAX,
        overvoltage: long(),
        undervoltage: long(),
        unbalance: long(),
        overload: long(),
        peak: long(),
        crew_delay_s: u16::MAX,
        engineer_delay_s: u16::MAX,
        log_delay_s: u16::MAX,
        return_s: u16::MAX,
        voltages_good_s: u16::MAX,
    };
    let nameplate = Nameplate {
        name: text(&"x".repeat(99)),
        connection: Connection::GroundedWye,
        rated_power: long(),
        system_voltage: long(),
        unit_voltage: long(),
        frequency: RatedFrequency::Hz60,
        units_per_phase: u8::MAX,
        build: Build { sections: u8::MAX, second_step_units: u8::MAX, ..Build::DEFAULT },
    };
    let sensor = VoltageSensor { lead: long(), ..VoltageSensor::new(Location::Capacitor, long()) };
    let class = SensorClass {
        ratio: long(),
        displacement: long(),
        own_third: long(),
        stray: long(),
        stray_third: long(),
    };
    let sensors = Sensors { neutral_lead: long(), class, ..Sensors::new([sensor; 3], long()) };
    let settings = Settings { nameplate, sensors, limits, interval_s: u16::MAX };
    let (absent, none) = ([Stepped::ABSENT; v1::HARMONICS], [Stepped::from_index(0); v1::HARMONICS]);
    let spectrum = Spectrum {
        stamp: STAMP,
        windows: u16::MAX,
        flagged: u16::MAX,
        voltage: [absent, none, none],
        neutral: [Stepped::ABSENT; v1::HARMONICS],
        thd: [long(), short(), short()],
        current_loading: [long(), short(), short()],
        reactive_loading: [long(), short(), short()],
    };
    let samples = core::iter::repeat_n(0, crate::waveform::MAX_WAVEFORM_BYTES).collect();
    let capture = Capture { stamp: STAMP, follows: Follows::Lost, samples };
    let operation = Operation {
        stamp: STAMP,
        action: Action::Closed,
        told: Some(true),
        begin: MOMENT,
        poles_us: [Some(u32::MAX); 3],
        neutral_peak: long(),
        voltage_step: long(),
        since_opening_ms: Some(u64::MAX),
    };
    let bank = BankRecord {
        stamp: STAMP,
        state: BankState::PartlyClosed,
        connected: [long(); 3],
        sigma: [long(); 3],
        quality: QUALITY,
    };
    let baseline = BaselineRecord {
        stamp: STAMP,
        state: BaselineState::Invalid,
        reason: BaselineReason::SettingsChanged,
        connected: [long(); 3],
        quality: QUALITY,
        change_sigma: long(),
        lowest: long(),
        highest: long(),
        hours: u16::MAX,
        openings: u8::MAX,
        closings: u8::MAX,
        settings: u32::MAX,
    };
    [
        Record::Interval(interval),
        Record::Event(event),
        Record::Status(StatusRecord { stamp: STAMP, status }),
        Record::Settings(SettingsRecord { stamp: STAMP, settings }),
        Record::Spectrum(spectrum),
        Record::Capture(capture),
        Record::Operation(operation),
        Record::Bank(bank),
        Record::Baseline(baseline),
    ]
}

/// The longest record of each kind, to the byte: a record that grows costs flash on every bank.
#[test]
fn the_longest_record_of_each_kind_fits() {
    let lengths = longest().map(|record| record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap().len());
    assert_eq!(lengths, [160, 133, 58, 185, 199, 252, 89, 62, 71]);
    assert!(lengths.into_iter().all(|length| length <= MAX_RECORD_BYTES));
}

#[test]
fn every_record_begins_with_its_stamp() {
    for record in longest() {
        let mut bytes = [0; MAX_RECORD_BYTES];
        let (envelope, _) = Envelope::parse(record.encode(&mut bytes).unwrap()).unwrap();
        assert_eq!(envelope.stamp().as_ref(), Some(record.stamp()));
    }
}

#[test]
fn kinds_have_their_numbers_for_ever() {
    let numbers = KINDS.map(|(kind, version)| (kind.number(), version));
    assert_eq!(numbers, [(1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (6, 1), (7, 1), (8, 1), (9, 1)]);
    for (kind, _) in KINDS {
        assert_eq!(Kind::from_number(kind.number()), Some(kind));
    }
    assert_eq!(longest().map(|record| record.kind()), KINDS.map(|(kind, _)| kind));
}

#[test]
fn a_record_that_is_not_known_is_skipped_by_its_length() {
    let (envelope, rest) = Envelope::parse(&[99, 2, 3, 0xAA, 0xBB, 0xCC, 3, 1]).unwrap();
    assert_eq!(envelope, Envelope { kind: 99, version: 2, payload: &[0xAA, 0xBB, 0xCC] });
    assert_eq!(envelope.decode(), Err(DecodeError::Unknown { kind: 99, version: 2 }));
    assert_eq!(rest, [3, 1]);
}

#[test]
fn a_record_cut_short_is_said_to_be() {
    for bytes in [&[][..], &[1], &[1, 1], &[1, 1, 0x80], &[1, 1, 2, 0], &[1, 1, 0xFF, 0xFF, 0x7F]] {
        assert_eq!(Envelope::parse(bytes), Err(DecodeError::Truncated), "{bytes:?}");
    }
}
