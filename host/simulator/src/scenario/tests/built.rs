//! How a bank is built, and what is not there.

use wyelog_protocol::bank::{Build, Connection, Fusing, SensorKind, Switching};
use wyelog_protocol::condition;

use super::{BankFile, SHORT, Scenario};

#[test]
fn a_bank_file_says_how_the_bank_is_built_and_what_is_not_there() {
    let text = "[bank]\nconnection = \"two_phase\"\nphases = \"AC\"\nrated_kvar = 400\nrated_kv_ll = 12.47\n\
        frequency_hz = 60\nsections_per_unit = 4\nswitching = \"per_pole\"\nfusing = \"individual\"\n\
        second_step_units = 2\n[sensors]\ncontrol_power = \"C\"\n[sensors.A]\npresent = false\n[sensors.C]\n\
        kind = \"transformer\"\n[contact]\npresent = true\n[limits]\nleast_change_pu = 0.05\noperate_s = 20\n\
        operations_per_day = 6\novervoltage_percent = 112\nundervoltage_percent = 88\nunbalance_percent = 2\n\
        overload_percent = 130\npeak_percent = 125\n";
    let file = BankFile::parse("b.toml", text).unwrap();
    let settings = file.settings();
    assert_eq!(settings.nameplate.connection, Connection::TwoPhase);
    let build = Build {
        phases: condition::Phases::from_bits(0b101),
        sections: 4,
        switching: Switching::PerPole,
        fusing: Fusing::Individual,
        second_step_units: 2,
    };
    assert_eq!(settings.nameplate.build, build);
    // 200 kvar a phase, as in 600 kvar of three.
    assert!(libm::fabs(file.bank.rated_amps() - 27.779_484) < 1e-6);
    assert_eq!(settings.sensors.control_power, condition::Phases::single(2));
    let present = settings.sensors.voltage.map(|sensor| sensor.is_present());
    assert_eq!((present, settings.sensors.has_contact), ([false, true, true], true));
    assert_eq!(settings.sensors.voltage[2].kind, SensorKind::Transformer);
    assert_eq!(file.channels.voltage[0].as_deref(), Some("none"));
    let limits = settings.limits;
    assert_eq!((limits.operate_s, limits.operations_per_day), (20, 6));
    let percents = [limits.overvoltage, limits.undervoltage, limits.unbalance, limits.overload, limits.peak];
    assert_eq!(percents.map(|percent| percent.value()), [112.0, 88.0, 2.0, 130.0, 125.0].map(Some));
    assert_eq!(limits.least_change.value(), Some(0.05));
    for (from, to, expected) in [
        (
            "[sensors.C]\n",
            "[sensors.N]\npresent = false\n[sensors.C]\n",
            "line 16: sensors.N.present = false: must be",
        ),
        (
            "[sensors.C]\n",
            "[sensors.B]\npresent = false\n[sensors.C]\npresent = false\n",
            "line 14: sensors.A.present = false: one voltage sensor must be there",
        ),
        ("control_power = \"C\"", "control_power = \"N\"", "line 12: unknown value `N`"),
        ("least_change_pu = 0.05", "least_change_pu = 0", "limits.least_change_pu = 0: must be 0.01…0.3 pu"),
        (
            "operations_per_day = 6",
            "operations_per_day = 0",
            "operations_per_day = 0: must be a whole number 1…250",
        ),
        ("peak_percent = 125", "peak_percent = 90", "limits.peak_percent = 90: must be 101…300 %"),
    ] {
        let error = BankFile::parse("b.toml", &text.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    }
    // Nothing stated: a ganged switch, a fuse a phase, all sensors, no contact that is known of.
    let plain =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
    let plain = BankFile::parse("b.toml", plain).unwrap();
    assert_eq!((plain.settings().nameplate.build, plain.contact), (Build::DEFAULT, None));
    assert!(plain.settings().sensors.voltage.iter().all(|sensor| sensor.is_present()));
    let named = BankFile::parse("b.toml", &format!("{text}[channels]\ncontact = \"CLOSE\"\n")).unwrap();
    assert_eq!(named.contact, Some(true));
    // A scenario has its contact unless it says otherwise.
    let short = Scenario::parse("short.toml", SHORT).unwrap();
    assert!(short.settings().sensors.has_contact);
    let without = Scenario::parse("s.toml", &format!("{SHORT}[contact]\npresent = false\n")).unwrap();
    assert!(!without.settings().sensors.has_contact);
}
