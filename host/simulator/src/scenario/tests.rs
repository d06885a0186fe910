//! The language: its documented example, and a sentence for every way to get it wrong.

use proptest::prelude::*;
use wyelog_protocol::bank::{Connection, Limits, Location, RatedFrequency};

use super::*;

mod built;
mod events;

/// The example in the documentation of this module.
fn example() -> String {
    block(1)
}

/// A block of code in the documentation of this module; they have odd numbers.
fn block(number: usize) -> String {
    let text = include_str!("mod.rs");
    let block = text.split("//! ```").nth(number).unwrap();
    block.lines().skip(1).map(|line| line.trim_start_matches("//!").trim_start().to_owned() + "\n").collect()
}

/// As short as a scenario can be.
const SHORT: &str = "name = \"short\"\nduration_s = 10\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
    [bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n";

#[test]
fn the_documented_example_is_a_scenario() {
    let scenario = Scenario::parse("example.toml", &example()).unwrap();
    assert_eq!(scenario.name, "fuse B blows");
    assert_eq!(scenario.seed, 7);
    assert_eq!(scenario.start_utc_s, 1_893_456_000);
    assert_eq!(scenario.feeder.harmonics[0].order, 5);
    assert_eq!(
        scenario.bank.events,
        [BankEvent { at_s: 30.0, kind: BankEventKind::FuseBlows { phase: Phase::B, fault_cycles: 2.0 } }]
    );
    let FeederEventKind::Sag { phases, depth } = scenario.feeder.events[0].kind else { panic!() };
    assert_eq!((phases.contains(Phase::A), phases.contains(Phase::B), depth), (true, false, 0.4));
    assert_eq!(scenario.sensors.errors[0].clip_pu, Some(1.8));
    assert_eq!(scenario.sensors.broken_wires[0].channel, Channel::C);
    assert_eq!(scenario.sensors.present, [true, false, true, true]);
    assert_eq!(scenario.sensors.wiring, [Phase::B, Phase::A, Phase::C]);
    assert_eq!(scenario.settings().nameplate.rated_power.value(), Some(300.0));
    assert_eq!((scenario.bank.nameplate.rated_kvar, scenario.told_nameplate.rated_kvar), (600.0, 300.0));
}

#[test]
fn everything_that_can_happen_is_documented() {
    let scenario = Scenario::parse("all.toml", &block(5)).unwrap();
    // A reclose with two dead times is two sags and two interruptions.
    assert_eq!((scenario.feeder.events.len(), scenario.bank.events.len()), (12, 8));
    let kinds = scenario.bank.events.iter().map(|event| std::mem::discriminant(&event.kind));
    assert_eq!(kinds.collect::<std::collections::HashSet<_>>().len(), 8);
    let wears = |kind: &str| block(5).matches(&format!("kind = \"{kind}\"")).count();
    assert!(
        ["outage", "reclose", "swell", "load_step", "single_phasing"].iter().all(|kind| wears(kind) == 1)
    );
}

#[test]
fn what_is_not_said_has_its_default() {
    let scenario = Scenario::parse("short.toml", SHORT).unwrap();
    assert_eq!(scenario.bank.nameplate.frequency, RatedFrequency::Hz60);
    assert_eq!(scenario.told.limits, Limits::DEFAULT);
    assert!(scenario.has_contact && scenario.bank.closed_at_start);
    assert_eq!(scenario.feeder.sequence.v1_pu, 1.0);
}

#[test]
fn settings_are_what_the_logger_needs() {
    let bank = "interval_s = 30\n[bank]\nname = \"pole 7\"\nconnection = \"grounded_wye\"\nrated_kvar = 600\n\
        rated_kv_ll = 12.47\nunit_kv = 7.62\nfrequency_hz = 60\nunits_per_phase = 2\n[limits]\ncrew_delay_s = 5\n\
        [channels]\nN = \"I0\"\n";
    let file = BankFile::parse("bank.toml", bank).unwrap();
    assert_eq!(file.channels.neutral.as_deref(), Some("I0"));
    let settings = file.settings();
    assert_eq!(settings.nameplate.name.as_str(), "pole 7");
    assert_eq!(settings.nameplate.connection, Connection::GroundedWye);
    assert_eq!(settings.nameplate.rated_power.value(), Some(600.0));
    assert_eq!(settings.nameplate.unit_voltage.value(), Some(7620.0));
    assert_eq!((settings.nameplate.units_per_phase, settings.interval_s), (2, 30));
    assert_eq!(settings.limits.crew_delay_s, 5);
    assert_eq!(settings.limits.return_s, Limits::DEFAULT.return_s);
    // 2.5 · √2 · 7199.56 V, 20 · √2 · (200 kvar / 7.62 kV).
    assert_eq!(settings.sensors.voltage[0].full_scale.value(), Some(25_454.3));
    assert!((settings.sensors.neutral_full_scale.value_or_nan() - 742.37).abs() < 0.01);
    // IEEE C37.99 / handbook: 600 kvar at 12.47 kV is 10.234985 µF and 27.779484 A.
    let plain = BankFile::parse("bank.toml", &bank.replace("unit_kv = 7.62\n", "")).unwrap();
    assert!(libm::fabs(plain.bank.rated_farads() * 1e6 - 10.234_985) < 1e-6);
    assert!(libm::fabs(plain.bank.rated_amps() - 27.779_484) < 1e-6);
}

/// Puts `to` in the place of `from` and expects this sentence.
fn wrong(text: &str, from: &str, to: &str, expected: &str) {
    let changed = text.replacen(from, to, 1);
    assert_ne!(changed, text, "{from}");
    let error = Scenario::parse("s.toml", &changed).unwrap_err().to_string();
    assert!(error.contains(expected), "{error}");
}

#[test]
fn wrong_values_are_answered_with_line_field_and_range() {
    for (from, to, expected) in [
        ("rated_kvar = 600", "rated_kvar = -5", "s.toml line 8: bank.rated_kvar = -5: must be 10…20000 kvar"),
        ("rated_kv_ll = 12.47", "rated_kv_ll = 230", "line 9: bank.rated_kv_ll = 230: must be 1…46 kV"),
        ("rated_kv_ll = 12.47", "rated_kv_ll = nan", "bank.rated_kv_ll = NaN: must be 1…46 kV"),
        ("duration_s = 10", "duration_s = 0", "line 2: duration_s = 0: must be 0.1…5184000 s"),
        ("duration_s = 10", "duration_s = 10\nseed = -1", "line 3: seed = -1: must be a whole number 0…"),
        (
            "duration_s = 10",
            "duration_s = \"long\"",
            "line 2: invalid type: string \"long\", expected a number",
        ),
        (
            "frequency_hz = 60",
            "frequency_hz = 16.7",
            "line 5: feeder.frequency_hz = 16.7: must be 42.5…69 Hz",
        ),
        (
            "kv_ll = 12.47",
            "kv_ll = 12.47\nx_ohm = 80",
            "line 5: feeder.x_ohm = 80: must be at most 64.792 ohms",
        ),
        ("grounded_wye", "delta", "line 7: bank.connection = \"delta\": not supported: it has no star point"),
        ("grounded_wye", "ungrounded_wye", "not supported: no current flows from its star point to ground"),
        ("grounded_wye", "wye", "line 7: bank.connection = \"wye\": must be \"grounded_wye\""),
        ("grounded_wye", "single_phase", "line 7: bank.phases is missing: must name the 1 of a single_phase"),
        (
            "\"grounded_wye\"",
            "\"two_phase\"\nphases = \"B\"",
            "line 8: bank.phases = \"B\": must name 2 of the phases ABC for a two_phase bank",
        ),
        ("rated_kvar = 600", "rated_kvar = 600\nswitching = \"hand\"", "line 9: unknown value `hand`"),
        (
            "rated_kvar = 600",
            "rated_kvar = 600\nsections_per_unit = 41",
            "bank.sections_per_unit = 41: must be a whole number 0…40",
        ),
        (
            "rated_kvar = 600",
            "rated_kvar = 20000\nunit_kv = 99",
            "line 9: bank.unit_kv = 99: must be 0.4…30 kV",
        ),
        ("rated_kvar = 600", "rated_kvar = 600\nunit_kv = 12.47", "0.7…1.5 times the system's 7.200 kV"),
        (
            "rated_kv_ll = 12.47",
            "rated_kv_ll = 2.4\nunits_per_phase = 25",
            "units_per_phase = 25: must be a whole",
        ),
        ("rated_kvar = 600", "rated_kvar = 20000\nunit_kv = 1\n#", "bank.unit_kv = 1"),
        (
            "rated_kvar = 600",
            "kvar = 600",
            "line 8: unknown field `kvar`, expected one of `name`, `connection`",
        ),
        ("rated_kvar = 600\n", "", "line 6: missing field `rated_kvar`"),
        ("[feeder]", "[feeder", "line 3: "),
    ] {
        wrong(SHORT, from, to, expected);
    }
    for (more, expected) in [
        (
            "[[bank.event]]\nkind = \"melts\"\nat_s = 1\n",
            "line 11: unknown value `melts`, expected one of `fuse_blows`",
        ),
        (
            "[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 1\n",
            "line 12: bank.event: a fault needs its `phase`",
        ),
        ("[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 1\nphase = \"D\"\n", "line 13: unknown value `D`"),
        (
            "[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 11\nphase = \"A\"\n",
            "bank.event.at_s = 11: must be 0…10 s",
        ),
        (
            "[[bank.event]]\nkind = \"opens\"\nat_s = 1\nfault_cycles = 1\n",
            "fault_cycles: belongs to fuse_blows",
        ),
        ("[[bank.event]]\nkind = \"opens\"\nat_s = 1\nphases = \"AA\"\n", "line 13: phases \"AA\": must be"),
        (
            "[[bank.event]]\nkind = \"unit_out\"\nat_s = 1\nphase = \"A\"\ncount = 2\n",
            "count = 2: must be a whole number 1…1",
        ),
        (
            "[[feeder.event]]\nkind = \"sag\"\nat_s = 1\nduration_s = 1\ndepth_percent = 140\n",
            "depth_percent = 140: must be 0…100 %",
        ),
        (
            "[[feeder.event]]\nkind = \"ground_fault_elsewhere\"\nat_s = 1\nduration_s = 1\n",
            "needs its `phase`",
        ),
        (
            "[sensors]\nlocation = \"pole\"\n",
            "line 11: unknown value `pole`, expected one of `line`, `fuse_switch`",
        ),
        (
            "[sensors.B]\ngain_percent = 1e9\n",
            "line 11: sensors.B.gain_percent = 1000000000: must be -300…300 %",
        ),
        ("[[sensors.broken_wire]]\nchannel = \"N\"\nat_s = 1\npickup = 2\n", "pickup = 2: must be 0…1"),
        ("[limits]\ncrew_delay_s = -1\n", "crew_delay_s = -1: must be a whole number 0…3600"),
    ] {
        wrong(SHORT, "rated_kv_ll = 12.47\n", &format!("rated_kv_ll = 12.47\n{more}"), expected);
    }
    for (more, expected) in [
        ("start_utc = \"yesterday\"\n", "line 1: start_utc = \"yesterday\": must be a UTC time"),
        ("start_utc = \"2030-01-01T00:00:00+02:00\"\n", "must be a UTC time"),
        ("interval_s = 45\n", ""),
        ("interval_s = 70\n", "line 1: interval_s = 70: must divide an hour"),
    ] {
        match Scenario::parse("s.toml", &format!("{more}{SHORT}")) {
            Ok(_) => assert_eq!(expected, ""),
            Err(error) => assert!(!expected.is_empty() && error.to_string().contains(expected), "{error}"),
        }
    }
    let drift = "frequency_hz = 60\nfrequency_drift_hz_per_s = 1";
    wrong(SHORT, "frequency_hz = 60", drift, "frequency_drift_hz_per_s = 1: leads to 70.00 Hz at the end");
}

#[test]
fn a_bank_file_says_nothing_about_faults() {
    let bank =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
    assert!(BankFile::parse("b.toml", bank).is_ok());
    for (from, to, expected) in [
        ("frequency_hz = 60\n", "", "b.toml line 3: bank.frequency_hz is missing"),
        ("frequency_hz = 60", "frequency_hz = 55", "line 5: bank.frequency_hz = 55: must be 50 or 60 Hz"),
        (
            "frequency_hz = 60",
            "frequency_hz = 60\ntolerance_percent = [0, 0, 0]",
            "tolerance_percent: belongs in",
        ),
        (
            "[bank]",
            "[sensors.A]\ngain_percent = 1\n[bank]",
            "line 2: sensors.A.gain_percent: belongs in a scenario",
        ),
        ("[bank]", "[feeder]\n[bank]", "unknown field `feeder`"),
    ] {
        let error = BankFile::parse("b.toml", &bank.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    }
}

#[test]
fn a_bank_file_describes_its_sensors() {
    let bank =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
    let more = "[sensors]\nlocation = \"fuse_switch\"\n[sensors.A]\nkind = \"divider\"\nratio = \"7200:120\"\n\
        phase_deg = -0.5\nburden_ohm = 1e6\nclip = 20_000\nlocation = \"capacitor\"\n[sensors.N]\nkind = \"ct\"\n\
        ratio = 20\nclip = 400\n[limits]\nsag_percent = 85\nswell_percent = 115\nlog_delay_s = 90\n";
    let file = BankFile::parse("b.toml", &format!("{bank}{more}")).unwrap();
    let stated = InstalledSensor {
        kind: Some(SensorKind::Divider),
        ratio: Some(60.0),
        phase_deg: -0.5,
        burden_ohm: Some(1e6),
        clip: Some(20_000.0),
    };
    assert_eq!(file.sensors[0], stated);
    assert_eq!(file.sensors[1], InstalledSensor::default());
    assert_eq!((file.sensors[3].kind, file.sensors[3].ratio), (Some(SensorKind::Ct), Some(20.0)));
    assert!(libm::fabs(file.corrections().lead_s[0] + 0.5 / 360.0 / 60.0) < 1e-12);
    let settings = file.settings();
    let places = settings.sensors.voltage.map(|sensor| sensor.location);
    assert_eq!(places, [Location::Capacitor, Location::FuseSwitch, Location::FuseSwitch]);
    let full = settings.sensors.voltage.map(|sensor| sensor.full_scale.value());
    assert_eq!(full[0], Some(20_000.0));
    assert!((full[1].unwrap() - 25_454.3).abs() < 0.1);
    assert_eq!(settings.sensors.neutral_full_scale.value(), Some(400.0));
    let limits = settings.limits;
    assert_eq!((limits.sag.value(), limits.swell.value(), limits.log_delay_s), (Some(85.0), Some(115.0), 90));
    for (from, to, expected) in [
        ("\"divider\"", "\"ct\"", "b.toml line 9: sensors.A.kind = \"ct\": must measure voltage"),
        (
            "\"divider\"",
            "\"resistor\"",
            "line 9: unknown value `resistor`, expected one of `divider`, `transformer`",
        ),
        ("\"ct\"", "\"divider\"", "line 16: sensors.N.kind = \"divider\": must measure current"),
        (
            "\"7200:120\"",
            "\"120:7200\"",
            "line 10: sensors.A.ratio = \"120:7200\": must be primary over secondary",
        ),
        ("ratio = 20\n", "ratio = true\n", "line 17: sensors.N.ratio = true: must be"),
        ("-0.5", "90", "line 11: sensors.A.phase_deg = 90: must be -30…30 degrees"),
        ("1e6", "0", "line 12: sensors.A.burden_ohm = 0: must be 0.001…"),
        // Below the crests of 7199.56 V and of 27.779 A, each times 1.1.
        ("20_000", "9000", "line 13: sensors.A.clip = 9000: must be 11200…100000 V"),
        ("clip = 400", "clip = 30", "line 18: sensors.N.clip = 30: must be 44…100000 A"),
        ("ratio = 20\n", "location = \"line\"\n", "line 17: sensors.N.location: "),
        ("phase_deg", "gain_percent", "line 11: sensors.A.gain_percent: belongs in a scenario"),
        ("phase_deg", "angle", "line 11: unknown field `angle`"),
        ("sag_percent = 85", "sag_percent = 100", "line 20: limits.sag_percent = 100: must be 50…99 %"),
        ("swell_percent = 115", "swell_pc = 115", "line 21: unknown field `swell_pc`"),
    ] {
        let text = format!("{bank}{more}").replacen(from, to, 1);
        let error = BankFile::parse("b.toml", &text).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    }
    let in_scenario = "rated_kv_ll = 12.47\n[sensors.B]\nclip = 20000\n";
    wrong(SHORT, "rated_kv_ll = 12.47\n", in_scenario, "line 11: sensors.B.clip: belongs in a bank file");
}

#[test]
fn a_missing_file_is_named() {
    let error = Scenario::read(std::path::Path::new("no/such.toml")).unwrap_err().to_string();
    assert!(error.starts_with("no/such.toml: "), "{error}");
}

proptest! {
    /// Any text is answered.
    #[test]
    fn no_text_brings_the_reader_down(text in "[a-z_\\[\\]{}=\"0-9.\n ,#-]{0,200}") {
        let _ = Scenario::parse("s.toml", &text);
        let _ = BankFile::parse("b.toml", &text);
    }

    /// Any value in a bank file's sensors is answered, and what is taken can be used.
    #[test]
    fn no_value_brings_the_bank_file_down(
        field in prop::sample::select(vec!["kind", "ratio", "phase_deg", "burden_ohm", "clip", "location"]),
        channel in "[ABCN]",
        value in "(\"[a-zA-Z0-9:/. -]{0,12}\"|-?[0-9]{1,9}(\\.[0-9]{1,9})?(e-?[0-9]{1,3})?|nan|inf|true|\\[\\])",
    ) {
        let text = format!(
            "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n\
             [sensors.{channel}]\n{field} = {value}\n"
        );
        match BankFile::parse("b.toml", &text) {
            Ok(bank) => {
                let sensors = bank.settings().sensors;
                prop_assert!(sensors.voltage.iter().all(|sensor| sensor.full_scale.value_or_nan() > 10_000.0));
                prop_assert!(bank.corrections().lead_s.iter().all(|lead| libm::fabs(*lead) < 0.01));
            }
            Err(error) => prop_assert!(error.to_string().starts_with("b.toml line "), "{error}"),
        }
    }

    /// A damaged line of a good scenario is answered with a sentence that names the file and a line.
    #[test]
    fn a_damaged_scenario_is_answered_with_a_line(at in any::<prop::sample::Index>(), with in "[a-z0-9=\"\\[-]") {
        let mut text: Vec<char> = example().chars().collect();
        let at = at.index(text.len());
        text[at] = with.chars().next().unwrap();
        let text: String = text.into_iter().collect();
        if let Err(error) = Scenario::parse("s.toml", &text) {
            prop_assert!(error.to_string().starts_with("s.toml line "), "{error}");
        }
    }
}

#[test]
fn a_file_that_is_no_text_is_named_by_byte() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("s.toml");
    std::fs::write(&path, b"name = \"\xff\"").unwrap();
    let error = Scenario::read(&path).unwrap_err().to_string();
    assert!(
        error.ends_with("byte 8: the file is no text in UTF-8; give a scenario or bank file (TOML)"),
        "{error}"
    );
}

#[test]
fn the_parser_s_names_of_types_do_not_reach_the_reader() {
    wrong(
        SHORT,
        "duration_s = 10",
        "duration_s = 10\nseed = 1.5",
        "invalid type: number `1.5`, expected a whole number",
    );
    wrong(
        SHORT,
        "duration_s = 10",
        "duration_s = 10\nseed = 99999999999999999999",
        "invalid type: integer `99999999999999999999`, expected a whole number",
    );
}
