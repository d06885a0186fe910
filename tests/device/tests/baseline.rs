//! A baseline from the order to the confirmation, across starts, and what it finds that nobody has seen happen.

use wyelog_device_tests::play::{SECTORS, decode, device, held, stored};
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::record::{BaselineReason, BaselineRecord, BaselineState, Record};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::levels::Levels;
use wyelog_simulator::scenario::Scenario;

/// Twelve units a phase, so that one of them is 8 %: less than the units' tolerance, which nobody can see without a past.
fn scenario(duration_s: u32, happens: &str) -> Scenario {
    let text = format!(
        "name = \"baseline\"\nseed = 11\nduration_s = {duration_s}\n{happens}\n\
         [feeder]\nkv_ll = 12.47\nfrequency_hz = 60\nu2_percent = 0.6\nu0_percent = 0.9\n\
         harmonics = [{{ order = 3, percent = 0.8, angle_deg = 10, sequence = \"zero\" }}]\n\
         [feeder.daily]\npeak_utc_h = 18\nv1_drop_percent = 3\nu2_rise_percent = 0.4\nu0_rise_percent = 0.6\n\
         [bank]\nconnection = \"grounded_wye\"\nrated_kvar = 1800\nrated_kv_ll = 12.47\nunits_per_phase = 12\n\
         fusing = \"individual\"\ntolerance_percent = [2.0, 3.5, 2.6]\n\
         [sensors.A]\ngain_percent = 0.6\n[sensors.B]\nangle_deg = -0.3\n[sensors.N]\nstray_percent = 0.8\n"
    );
    Scenario::parse("baseline.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

/// A start on `flash` that sees all of it.
fn live(flash: NorMemory, scenario: &Scenario) -> NorMemory {
    let levels = Levels::new(scenario);
    let mut buffers = Box::new(Buffers::new());
    let (mut logger, mounted) = Logger::start(&mut buffers, flash, device(), levels.settings().clone(), None);
    mounted.expect("the flash mounts");
    for step in levels {
        step.enter(&mut logger);
    }
    logger.into_flash().expect("it has been mounted")
}

/// What is in the log after all of `scenario` on a new flash.
fn log_of(scenario: &Scenario) -> Vec<Record> {
    decode(&stored(live(NorMemory::new(SECTORS), scenario)))
}

fn baselines(records: &[Record]) -> Vec<&BaselineRecord> {
    let mut found = Vec::new();
    for record in records {
        if let Record::Baseline(baseline) = record {
            found.push(baseline);
        }
    }
    found
}

fn story(records: &[Record]) -> Vec<(BaselineState, BaselineReason)> {
    let mut story: Vec<_> = baselines(records).iter().map(|b| (b.state, b.reason)).collect();
    story.dedup();
    story
}

fn detected(records: &[Record], boot: u32) -> Vec<(Condition, Phases, f64)> {
    let event = |record: &Record| match record {
        Record::Event(event) if event.change == Change::Detected && event.stamp.boot == boot => {
            Some((event.condition, event.phases, event.fraction.value_f64().unwrap_or(f64::NAN)))
        }
        _ => None,
    };
    records.iter().filter_map(event).collect()
}

const LEARN: &str = "[[commissioning]]\nat_s = 60\nbaseline = \"learn\"";
const OUT: &str = "[[bank.event]]\nkind = \"unit_out\"\nat_s = 0\nphase = \"C\"";

#[test]
fn it_is_confirmed_after_two_days_and_two_operations() {
    let operates =
        "[[bank.event]]\nkind = \"opens\"\nat_s = 30000\n[[bank.event]]\nkind = \"closes\"\nat_s = 33000";
    let records = log_of(&scenario(180_000, &format!("{LEARN}\n{operates}")));
    assert_eq!(
        story(&records),
        [
            (BaselineState::Provisional, BaselineReason::Sound),
            (BaselineState::Confirmed, BaselineReason::Sound)
        ]
    );
    let last = *baselines(&records).last().unwrap();
    assert_eq!((last.openings, last.closings), (1, 1));
    assert!((48..=50).contains(&last.hours), "{} h", last.hours);
    // The differences as they are, and sensors of 0.6 % and 0.3°, and 0.8 % of stray current.
    let [a, b, c] = last.connected.map(|y| y.value_f64().unwrap());
    assert!((b - a - 0.015).abs() < 0.025 && (c - a - 0.006).abs() < 0.025, "{a} {b} {c}");
}

#[test]
fn a_unit_that_went_while_the_logger_was_off_is_found_by_it_alone() {
    let without = log_of(&scenario(300, OUT));
    assert_eq!(detected(&without, 1), [], "8 % may be the units' tolerance");
    let flash = live(NorMemory::new(SECTORS), &scenario(300, LEARN));
    let records = decode(&stored(live(flash, &scenario(300, OUT))));
    let found = detected(&records, 2);
    let [(condition, phases, fraction)] = found[..] else { panic!("{found:?}") };
    assert_eq!((condition, phases), (Condition::UnitOut, Phases::single(2)));
    assert!((fraction - 1.0 / 12.0).abs() < 0.012, "{fraction}");
}

#[test]
fn one_learned_with_a_fuse_out_is_refused() {
    let out = "[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 20\nphase = \"B\"";
    let records = log_of(&scenario(300, &format!("{LEARN}\n{out}")));
    assert_eq!(story(&records), [(BaselineState::Refused, BaselineReason::Fault)]);
}

#[test]
fn a_replaced_link_invalidates_it() {
    let replaced = "[[commissioning]]\nat_s = 250\nbaseline = \"link_replaced\"";
    let records = log_of(&scenario(300, &format!("{LEARN}\n{replaced}")));
    assert_eq!(story(&records).last(), Some(&(BaselineState::Invalid, BaselineReason::LinkReplaced)));
}

/// Records of two days in eight sectors, of which the first are long overwritten; and a start that writes little behind them.
#[test]
fn no_record_pushes_it_out_of_the_flash() {
    let mut flash = live(NorMemory::new(8), &scenario(172_800, LEARN));
    for start in 0..3 {
        flash = live(flash, &scenario(30, ""));
        let log = decode(&held(flash.clone()).0);
        let left = *baselines(&log).last().expect("it is in the flash");
        assert_eq!((left.state, left.stamp.boot), (BaselineState::Provisional, 2 + 2 * start));
        let mut buffers = Box::new(Buffers::new());
        let settings = scenario(30, "").settings();
        let (logger, _) = Logger::start(&mut buffers, flash, device(), settings, None);
        let kept = logger.keeper().baseline().expect("it is there");
        assert_eq!(kept, BaselineRecord { stamp: kept.stamp, ..left.clone() });
        assert_eq!(kept.stamp.boot, 3 + 2 * start, "each start writes it anew");
        flash = logger.into_flash().unwrap();
    }
}
