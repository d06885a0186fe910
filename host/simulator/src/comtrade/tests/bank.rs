//! The bank's channels in a record, and their signals.

use super::*;

#[test]
fn channels_are_found_by_phase_and_unit_or_by_name() {
    let record = example();
    let none = ChannelNames::default();
    let found = record.bank_channels(&none).unwrap();
    assert_eq!(
        found,
        BankChannels {
            voltage: [Some(0), Some(1), Some(2)],
            neutral: Some(3),
            foreign_neutral: None,
            contact: None
        }
    );
    let closed = read(&CFG.replace("SWB", "Told_close"), DAT.as_bytes()).unwrap();
    assert_eq!(closed.bank_channels(&none).unwrap().contact, Some(1));
    let no_neutral = read(&CFG.replace("IN,N,", "IN,,"), DAT.as_bytes()).unwrap();
    assert_eq!(no_neutral.bank_channels(&none).unwrap().neutral, None);
    let names = ChannelNames { neutral: Some("IN".to_owned()), ..ChannelNames::default() };
    assert_eq!(no_neutral.bank_channels(&names).unwrap().neutral, Some(3));
    let missing = read(&CFG.replace("VC,C,", "VC,X,"), DAT.as_bytes()).unwrap();
    let error = missing.bank_channels(&none).unwrap_err().to_string();
    assert!(error.contains("no voltage of phase C"), "{error}");
    let doubled = read(&CFG.replace("VC,C,", "VC,B,"), DAT.as_bytes()).unwrap();
    let error = doubled.bank_channels(&none).unwrap_err().to_string();
    assert!(error.contains("2 channels could be the voltage of phase B"), "{error}");
}

#[test]
fn signals_are_primary_volts_at_the_frame_rate() {
    let secondary =
        CFG.replace("VA,A,CAP1,V,0.5,0.0,0.0,-32767,32767,7200,120,P", "VA,A,,kV,0.5,0,0,,,7200,120,S");
    let secondary = secondary.replace("7680,4", "4800,4");
    let record = read(&secondary, DAT.as_bytes()).unwrap();
    let signals = record.bank_signals(&record.bank_channels(&ChannelNames::default()).unwrap()).unwrap();
    assert_eq!(signals.volts[0][1], 10_000.0 * 60.0 * 1000.0);
    assert_eq!(signals.volts[1], record.analog[1]);
    let slow = read(&CFG.replace("7680,4", "1000,4"), DAT.as_bytes()).unwrap();
    let error = slow.bank_signals(&slow.bank_channels(&ChannelNames::default()).unwrap()).unwrap_err();
    assert!(error.to_string().contains("2000…100000 Hz"), "{error}");
}

#[test]
fn two_rates_join_without_a_gap() {
    let wave = |time: f64| 20_000.0 * libm::sin(core::f64::consts::TAU * 60.0 * time);
    let mut dat = String::new();
    for n in 0..1920 {
        let time = if n < 768 { f64::from(n) / 7680.0 } else { 0.1 + f64::from(n - 768) / 11_520.0 };
        let x = libm::round(wave(time));
        dat += &format!("{},0,{x},{x},{x},0,{},0,0\r\n", n + 1, u8::from(n >= 768));
    }
    let cfg = CFG.replace("1\r\n7680,4", "2\r\n7680,768\r\n11520,1920");
    let record = read(&cfg, dat.as_bytes()).unwrap();
    assert_eq!(record.sections.len(), 2);
    let names = ChannelNames { contact: Some("SWA".to_owned()), ..ChannelNames::default() };
    let signals = record.bank_signals(&record.bank_channels(&names).unwrap()).unwrap();
    assert_eq!(signals.volts[0].len(), 960);
    for (k, value) in signals.volts[0].iter().enumerate().take(940).skip(20) {
        // 1e-4 of the crest, at the seam as well; the samples are rounded to 0.5 V.
        assert!(libm::fabs(value - 0.5 * wave(k as f64 / 4800.0)) < 1.0, "frame {k}: {value}");
    }
    assert_eq!(signals.contact.unwrap().iter().position(|&closed| closed), Some(480));
}

fn found(cfg: &str, names: &ChannelNames) -> Result<BankChannels, String> {
    let record = read(cfg, DAT.as_bytes()).unwrap();
    record.bank_channels(names).map_err(|error| error.to_string())
}

fn named(voltage: [&str; 3], neutral: Option<&str>) -> ChannelNames {
    ChannelNames {
        voltage: voltage.map(|name| Some(name.to_owned())),
        neutral: neutral.map(str::to_owned),
        contact: None,
    }
}

#[test]
fn conductors_and_voltages_to_ground_are_phases() {
    let none = ChannelNames::default();
    for [a, b, c, n] in [["L1", "L2", "L3", "N"], ["R", "S", "T", "n"], ["AN", "B-N", "c-g", "neutral"]] {
        let cfg = CFG.replace("VA,A,", &format!("VA,{a},")).replace("VB,B,", &format!("VB,{b},"));
        let cfg = cfg.replace("VC,C,", &format!("VC,{c},")).replace("IN,N,", &format!("IN,{n},"));
        let found = found(&cfg, &none).unwrap();
        assert_eq!((found.voltage, found.neutral), ([0, 1, 2].map(Some), Some(3)), "{a}");
    }
    let between = found(&CFG.replace("VA,A,", "VAB,AB,"), &none).unwrap_err();
    assert!(
        between.contains(
            "example.cfg: no voltage of phase A (ph A, L1 or R, unit V or kV) among VAB (line 3: ph AB, V), "
        ),
        "{between}"
    );
    assert!(between.contains("--voltage-a NAME"), "{between}");
}

#[test]
fn a_voltage_that_no_channel_could_be_is_a_sensor_that_is_not_there() {
    // Two of the three are currents: nothing there could be a voltage of B or C.
    let one = CFG.replace("VB,B,CAP1,V", "IB,B,CAP1,A").replace("VC,C,CAP1,V", "IC,C,CAP1,A");
    let found_one = found(&one, &ChannelNames::default()).unwrap();
    assert_eq!((found_one.voltage, found_one.neutral), ([Some(0), None, None], Some(3)));
    let record = read(&one, DAT.as_bytes()).unwrap();
    let signals = record.bank_signals(&found_one).unwrap();
    assert_eq!(signals.present, [true, false, false]);
    assert_eq!(signals.volts[1], vec![0.0; signals.volts[0].len()]);
    // Without a neutral current nothing could be told; without any voltage neither.
    let blind = found(&one, &ChannelNames { neutral: Some("none".into()), ..ChannelNames::default() });
    assert!(blind.unwrap_err().contains("no voltage of phase B"));
    let dark = found(&one.replace("VA,A,CAP1,V", "IA,A,CAP1,A"), &ChannelNames::default());
    assert!(dark.unwrap_err().contains("no voltage of phase A"));
    // A voltage without a phase may be the one that is looked for: somebody has to say so, or that it is not.
    let unnamed = CFG.replace("VC,C,", "VC,,");
    assert!(found(&unnamed, &ChannelNames::default()).unwrap_err().contains("--voltage-c NAME (or none)"));
    let without = [None, None, Some("none".to_owned())];
    let names = ChannelNames { voltage: without, ..ChannelNames::default() };
    assert_eq!(found(&unnamed, &names).unwrap().voltage, [Some(0), Some(1), None]);
    assert_eq!(found(&unnamed, &names).unwrap().neutral, Some(3));
}

#[test]
fn names_are_found_in_any_case_or_by_number() {
    let found_at = |names: &ChannelNames| found(CFG, names).map(|found| (found.voltage, found.neutral));
    assert_eq!(found_at(&named(["vb", "VC", "#1"], Some("in"))).unwrap(), ([1, 2, 0].map(Some), Some(3)));
    assert_eq!(found_at(&named(["VA", "VB", "VC"], Some("none"))).unwrap(), ([0, 1, 2].map(Some), None));
    for (voltage, neutral, expected) in [
        (["VA", "VA", "VC"], None, "one channel is named for two phases: VA (line 3: ph A, V), VA"),
        (
            ["VA", "VB", "IN"],
            None,
            "example.cfg line 6: channel \"IN\" has unit \"A\" and cannot be the voltage of phase C",
        ),
        (["VA", "VB", "VX"], None, "no channel \"VX\" among VA (line 3: ph A, V), VB (line 4: ph B, V), VC"),
        (["VA", "VB", "#5"], None, "no channel \"#5\""),
        (
            ["VA", "VB", "VC"],
            Some("VA"),
            "line 3: channel \"VA\" has unit \"V\" and cannot be the neutral current",
        ),
    ] {
        let error = found_at(&named(voltage, neutral)).unwrap_err();
        assert!(error.contains(expected), "{error}");
    }
    let twins = found(&CFG.replace("VC,C,", "VB,C,"), &named(["VA", "VB", "#3"], None)).unwrap_err();
    assert!(twins.contains("2 channels have the name \"VB\"") && twins.contains("such as #3"), "{twins}");
}

#[test]
fn a_neutral_of_something_else_is_not_taken_beside_named_voltages() {
    let other = CFG.replace("IN,N,CAP1", "IN,N,TRANSFORMER");
    let names = named(["VA", "VB", "VC"], None);
    let beside = found(&other, &names).unwrap();
    assert_eq!((beside.neutral, beside.foreign_neutral), (None, Some(3)));
    // Nobody named anything: it is the only one there is. Or it is named itself.
    assert_eq!(found(&other, &ChannelNames::default()).unwrap().neutral, Some(3));
    assert_eq!(found(&other, &named(["VA", "VB", "VC"], Some("IN"))).unwrap().neutral, Some(3));
    assert_eq!(found(CFG, &names).unwrap().neutral, Some(3));
}

#[test]
fn the_contact_is_the_close_command_or_the_switch_s_position() {
    let contact = |names: [&str; 3]| {
        let cfg = CFG.replace("SWA,", &format!("{},", names[0])).replace("SWB,", &format!("{},", names[1]));
        found(&cfg.replace("BLOWN_A,", &format!("{},", names[2])), &ChannelNames::default())
            .map(|found| found.contact)
    };
    assert_eq!(contact(["RECLOSE ON", "CLOSE CMD", "FAIL TO CLOSE"]), Ok(Some(1)));
    assert_eq!(contact(["52b", "52a", "TRIP"]), Ok(Some(1)));
    assert_eq!(contact(["CAP SW STATUS", "ALARM", "SW HEATER"]), Ok(Some(0)));
    assert_eq!(contact(["SW STATUS", "CLOSED", "X"]), Ok(Some(1)));
    assert_eq!(contact(["X", "OPEN CLOSE LOCK", "Y"]), Ok(None));
    let error = contact(["CLOSE A", "CLOSE B", "X"]).unwrap_err();
    assert!(
        error.contains("2 status channels could be the contact") && error.contains("CLOSE A (line 7)"),
        "{error}"
    );
}

/// The example with `count` samples of a 60 Hz wave in each channel, changed by `change`.
fn wave(encoding: Encoding, count: usize, change: impl Fn(usize, &mut f64)) -> Record {
    let mut record = example();
    record.config.encoding = encoding;
    record.config.sample_count = count as u64;
    record.config.rates = vec![Rate { hz: 7680.0, last_sample: count as u64 }];
    let column = |crest: f64| -> Vec<f64> {
        let at = |k: usize| crest * libm::sin(core::f64::consts::TAU * 60.0 * k as f64 / 7680.0);
        (0..count).map(at).collect()
    };
    record.analog = vec![column(10_000.0), column(10_000.0), column(10_000.0), column(30.0)];
    record.status = vec![vec![false; count]; 3];
    record.sections = vec![Section { first: 0, len: count, start_s: 0.0, hz: 7680.0 }];
    if let Some(first) = record.analog.first_mut() {
        first.iter_mut().enumerate().for_each(|(k, value)| change(k, value));
    }
    read(&record.config_text(), &record.data_bytes()).unwrap()
}

#[test]
fn missing_and_saturated_samples_are_counted_and_marked() {
    let channels = BankChannels {
        voltage: [Some(0), Some(1), Some(2)],
        neutral: Some(3),
        foreign_neutral: None,
        contact: None,
    };
    for encoding in [Encoding::Ascii, Encoding::Binary, Encoding::Binary32] {
        // 0.5 V a count and ±32767: it saturates at 16383.5 V.
        let record = wave(encoding, 1536, |k, value| match k {
            300..=303 => *value = f64::NAN,
            800..=803 => *value = 16_383.5,
            864..=867 => *value = -16_383.5,
            _ => {}
        });
        let signals = record.bank_signals(&channels).unwrap();
        let defects = signals.defects[0];
        assert_eq!((defects.missing, defects.first_missing), (4, 300), "{encoding:?}");
        assert_eq!((defects.saturated, defects.first_saturated), (8, 800));
        assert_eq!(signals.defects[1], Defects { channel: 1, ..Defects::default() });
        assert_eq!(signals.clip, [Some(16_383.5), None, None, None]);
        // 7680 to 4800 Hz: 4 samples are 2.5 frames.
        let count = |is_it: fn(&f64) -> bool| signals.volts[0].iter().filter(|value| is_it(value)).count();
        assert!((2..=3).contains(&count(|value| value.is_nan())));
        assert!((2..=3).contains(&count(|value| *value == f64::INFINITY)));
        assert!((2..=3).contains(&count(|value| *value == f64::NEG_INFINITY)));
        let offset = record.offsets[300];
        let sample = &record.data_bytes()[offset..];
        let number = if encoding == Encoding::Ascii {
            sample.starts_with(b"301,")
        } else {
            sample.starts_with(&301_u32.to_le_bytes())
        };
        assert!(number, "{encoding:?}");
    }
    let empty = wave(Encoding::Binary, 400, |_, value| *value = f64::NAN);
    let error = empty.bank_signals(&channels).unwrap_err().to_string();
    assert!(
        error.starts_with("example.cfg line 3: channel VA has not a single value in example.dat"),
        "{error}"
    );
}

#[test]
fn a_phase_angle_is_taken_out_and_a_missing_ratio_put_in() {
    let record = wave(Encoding::Float32, 1536, |_, _| {});
    let channels = BankChannels {
        voltage: [Some(0), Some(1), Some(2)],
        neutral: Some(3),
        foreign_neutral: None,
        contact: None,
    };
    // 5 degrees of 60 Hz ahead.
    let lead_s = [5.0 / 360.0 / 60.0, 0.0, 0.0, 0.0];
    let corrections = Corrections { lead_s, ratio: [Some(60.0); 4] };
    let signals = record.corrected_signals(&channels, &corrections).unwrap();
    for k in 100..800 {
        let angle = |degrees: f64| core::f64::consts::TAU * (60.0 * k as f64 / 4800.0 + degrees / 360.0);
        let expected = 10_000.0 * libm::sin(angle(-5.0));
        assert!(libm::fabs(signals.volts[0][k] - expected) < 1.0, "{k}");
        assert!(libm::fabs(signals.volts[1][k] - 10_000.0 * libm::sin(angle(0.0))) < 1.0, "{k}");
    }
    // Primary values need no ratio; secondary ones with one of their own keep it.
    for (sides, factor) in [("1,1,S", 60.0), ("7200,120,S", 60.0), ("100,1,S", 100.0), ("1,1,P", 1.0)] {
        let cfg = record.config_text().replacen("7200,120,P", sides, 1);
        let changed = read(&cfg, &record.data_bytes()).unwrap();
        let scaled = changed.corrected_signals(&channels, &corrections).unwrap();
        let ratio = scaled.volts[0][500] / signals.volts[0][500];
        assert!(libm::fabs(ratio - factor) < 1e-9, "{sides}: {ratio}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Rates, seams and skews of any kind: as many frames as the time holds, and numbers where there are samples.
    #[test]
    fn any_rates_give_frames_without_a_gap(
        sections in proptest::collection::vec((1_u64..60, 2000.0..100_000.0_f64), 1..6),
        skew_us in -1e6..1e6_f64,
    ) {
        let mut record = example();
        let (mut last, mut start_s) = (0, 0.0);
        record.config.rates.clear();
        record.sections.clear();
        for (len, hz) in sections {
            let len = len as usize;
            record.sections.push(Section { first: last as usize, len, start_s, hz });
            last += len as u64;
            start_s += len as f64 / hz;
            record.config.rates.push(Rate { hz, last_sample: last });
        }
        record.config.sample_count = last;
        record.config.analog[1].skew_us = skew_us;
        record.analog = vec![vec![100.0; last as usize]; 4];
        record.status = vec![vec![true; last as usize]; 3];
        let names = ChannelNames { contact: Some("SWA".into()), ..ChannelNames::default() };
        let signals = record.bank_signals(&record.bank_channels(&names).unwrap()).unwrap();
        let end = record.sections.last().unwrap();
        let frames = (end.start_s + (end.len - 1) as f64 / end.hz) * 4800.0;
        for signal in signals.volts.iter().chain(&signals.neutral) {
            prop_assert!(libm::fabs(signal.len() as f64 - 1.0 - libm::floor(frames + 1e-9)) < 0.5);
            prop_assert!(signal.iter().all(|value| libm::fabs(value - 100.0) < 1e-6), "{signal:?}");
        }
        prop_assert_eq!(signals.contact.unwrap().len(), signals.volts[0].len());
    }
}
