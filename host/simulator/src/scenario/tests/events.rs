//! Events, sensors and settings beyond the first ones: values and refusals.

use super::*;

/// SHORT with `more` behind its bank.
fn with(more: &str) -> Result<Scenario, Error> {
    Scenario::parse("s.toml", &format!("{SHORT}{more}"))
}

fn bank_event(lines: &str) -> BankEventKind {
    with(&format!("units_per_phase = 3\n[[bank.event]]\nat_s = 1\n{lines}")).unwrap().bank.events[0].kind
}

#[test]
fn shorted_sections_gain_as_the_standard_says() {
    // 1/((s − 1)·m) for one section; s/(s − k) − 1 over m for more (IEEE C37.99).
    for (lines, expected) in [
        ("sections = 4", 1.0 / 9.0),
        ("sections = 2", 1.0 / 3.0),
        ("sections = 4\ncount = 2", 1.0 / 3.0),
        ("percent = 4", 0.04),
    ] {
        let kind = bank_event(&format!("kind = \"element_short\"\nphase = \"B\"\n{lines}\n"));
        let BankEventKind::ElementShort { phase: Phase::B, gain } = kind else { panic!("{kind:?}") };
        assert!(libm::fabs(gain - expected) < 1e-12, "{lines}: {gain}");
    }
}

#[test]
fn operations_say_who_obeys_and_who_told() {
    let kind = bank_event(
        "kind = \"opens\"\nphases = \"AC\"\ntold = false\nlag_ms = [0, 0, 12]\nrestrikes = \"C\"\n",
    );
    let BankEventKind::Opens { phases, manner, restrikes, restrike_s, .. } = kind else { panic!("{kind:?}") };
    assert_eq!((phases.to_string(), restrikes.unwrap().to_string()), ("AC".to_owned(), "C".to_owned()));
    assert_eq!((manner.told, manner.lag_s, restrike_s), (false, [0.0, 0.0, 0.012], 0.008));
    assert_eq!(bank_event("kind = \"fails_to_close\"\n"), BankEventKind::FailsToOperate { closed: true });
}

#[test]
fn a_reclose_is_a_sag_and_an_interruption_each_time() {
    let scenario = with(
        "[[feeder.event]]\nkind = \"reclose\"\nat_s = 2\ndead_s = [0.5, 3]\nfault_s = 0.2\nlive_s = 1\n",
    )
    .unwrap();
    let times: Vec<(f64, f64)> =
        scenario.feeder.events.iter().map(|event| (event.at_s, event.duration_s)).collect();
    assert_eq!(times, [(2.0, 0.2), (2.2, 0.5), (3.7, 0.2), (3.9000000000000004, 3.0)]);
}

#[test]
fn a_bank_of_fewer_phases_shares_its_rating_among_them() {
    let text = SHORT.replace("\"grounded_wye\"", "\"two_phase\"\nphases = \"AC\"");
    let scenario = Scenario::parse("s.toml", &text).unwrap();
    // 300 kvar at 7.19956 kV.
    assert!(libm::fabs(scenario.bank.nameplate.rated_amps() - 41.669_226) < 1e-5);
    for (to, expected) in [
        ("\"two_phase\"", "line 7: bank.phases is missing: must name the 2"),
        ("\"single_phase\"\nphases = \"AB\"", "line 8: bank.phases = \"AB\": must name 1 of the phases"),
        ("\"grounded_wye\"\nphases = \"A\"", "must name 3 of the phases ABC"),
    ] {
        wrong(SHORT, "\"grounded_wye\"", to, expected);
    }
    wrong(
        &text,
        "rated_kv_ll = 12.47\n",
        "rated_kv_ll = 12.47\n[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 1\nphase = \"B\"\n",
        "bank.event.phase = \"B\": must be one that the bank has (AC)",
    );
    let bank = "[bank]\nconnection = \"single_phase\"\nphases = \"A\"\nrated_kvar = 100\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
    let file = BankFile::parse("b.toml", bank).unwrap();
    // 100 kvar at 7.19956 kV.
    assert!(libm::fabs(file.bank.rated_amps() - 13.889_742) < 1e-5);
}

#[test]
fn wrong_settings_are_told_and_the_bank_stays_what_it_is() {
    let scenario = with("[told]\nrated_kv_ll = 7.2\nlocation = \"capacitor\"\nfrequency_hz = 50\n").unwrap();
    let settings = scenario.settings();
    assert_eq!(settings.nameplate.system_voltage.value(), Some(7200.0));
    assert!((settings.nameplate.unit_voltage.value_or_nan() - 4156.9).abs() < 0.1);
    assert_eq!(settings.nameplate.frequency, RatedFrequency::Hz50);
    assert_eq!(settings.sensors.voltage[1].location, Location::Capacitor);
    assert_eq!(scenario.sensors.location, [Location::Line; 3]);
    assert_eq!(scenario.bank.nameplate.rated_kv_ll, 12.47);
}

#[test]
fn what_makes_no_sense_is_answered_with_a_line() {
    for (more, expected) in [
        (
            "[[bank.event]]\nkind = \"element_short\"\nat_s = 1\nphase = \"A\"\n",
            "line 12: bank.event: element_short needs its `percent`, or its `sections`",
        ),
        (
            "[[bank.event]]\nkind = \"element_short\"\nat_s = 1\nphase = \"A\"\nsections = 4\ncount = 4\n",
            "bank.event.count = 4: must be a whole number 1…3",
        ),
        (
            "[[bank.event]]\nkind = \"element_short\"\nat_s = 1\nphase = \"A\"\nsections = 4\npercent = 4\n",
            "line 14: bank.event.sections: give `percent` or",
        ),
        (
            "[[bank.event]]\nkind = \"fails_to_open\"\nat_s = 1\nphases = \"A\"\n",
            "line 13: bank.event.phases: nothing moves",
        ),
        (
            "[[bank.event]]\nkind = \"closes\"\nat_s = 1\nrestrikes = \"A\"\n",
            "bank.event.restrikes: belongs to opens",
        ),
        (
            "[[bank.event]]\nkind = \"opens\"\nat_s = 1\nphases = \"A\"\nrestrikes = \"B\"\n",
            "line 14: bank.event.restrikes = \"B\": must be poles that open; B is not",
        ),
        (
            "[[bank.event]]\nkind = \"opens\"\nat_s = 1\nlag_ms = [0, 0, -1]\n",
            "bank.event.lag_ms = -1: must be 0…5000 ms",
        ),
        (
            "[[feeder.event]]\nkind = \"swell\"\nat_s = 1\n",
            "line 12: feeder.event: missing field `duration_s`",
        ),
        (
            "[[feeder.event]]\nkind = \"single_phasing\"\nat_s = 1\nphase = \"A\"\nsize_pu = 0.99\n",
            "feeder.event.size_pu = 0.99: must be 0.05…0.95 pu",
        ),
        (
            "[[feeder.event]]\nkind = \"single_phasing\"\nat_s = 1\nphases = \"AB\"\n",
            "feeder.event.phases: names its one phase in `phase`",
        ),
        (
            "[[feeder.event]]\nkind = \"reclose\"\nat_s = 1\ndead_s = []\n",
            "line 13: feeder.event: a reclose needs its dead times",
        ),
        (
            "[[feeder.event]]\nkind = \"reclose\"\nat_s = 1\nduration_s = 1\ndead_s = [1]\n",
            "line 13: feeder.event.duration_s: a reclose lasts as its `dead_s` say",
        ),
        (
            "[[feeder.event]]\nkind = \"regulator_step\"\nat_s = 1\nsteps = 40\n",
            "feeder.event.steps = 40: must be a whole number -32…32",
        ),
        (
            "[[feeder.event]]\nkind = \"sag\"\nat_s = 1\nduration_s = 1\nramp_s = 1\n",
            "line 14: feeder.event.ramp_s: belongs to an outage",
        ),
        ("[air]\ncelsius = 40\nday_swing_celsius = 15\n", "line 11: air.celsius = 40: reaches 25.0…55.0 °C"),
        (
            "[sensors.A]\nstray_percent = 1\n",
            "line 11: sensors.A.stray_percent: belongs to the neutral current",
        ),
        ("[sensors.N]\nthird_percent = 11\n", "sensors.N.third_percent = 11: must be 0…10 %"),
        ("[[sensors.second_path]]\nat_s = 1\npercent = 101\n", "percent = 101: must be 0…100 %"),
        (
            "[[sensors.broken_wire]]\nchannel = \"A\"\nat_s = 5\nuntil_s = 4\npickup = 0.1\n",
            "sensors.broken_wire.until_s = 4: must be 5…",
        ),
        ("[told]\nswapped = \"A\"\n", "line 11: told.swapped = \"A\": must be two phases"),
        ("[told]\nrated_kvar = 20000\nunit_kv = 1\n", "line 11: told: makes 6667 A a phase"),
        ("[told]\nname = \"x\"\n", "line 11: unknown field `name`"),
    ] {
        let error = with(more).unwrap_err().to_string();
        assert!(error.starts_with("s.toml line ") && error.contains(expected), "{error}");
    }
}
