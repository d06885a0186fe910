//! Records of an independent simulator through the shipped firmware; their truth is in `tests/device/records/README.md`.

use serde_json::Value;
use wyelog_desk_tests::{Ended, repository, wyelog, wyelog_in};

fn replay(name: &str) -> (Ended, Vec<Value>) {
    let record = repository(&format!("tests/device/records/{name}.cfg"));
    let bank = repository(&format!("tests/device/records/{name}.toml"));
    let ended = wyelog(&["replay", &record, "--bank", &bank, "--json"]);
    let objects = ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    (ended, objects)
}

fn of<'v>(objects: &'v [Value], kind: &str) -> Vec<&'v Value> {
    objects.iter().filter(|object| object["type"] == kind).collect()
}

#[test]
fn a_blown_fuse_is_found_and_nothing_else() {
    let (ended, objects) = replay("blown_fuse");
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let [event] = of(&objects, "event").try_into().unwrap();
    assert_eq!(
        (&event["condition"], &event["phases"]),
        (&Value::from("blown_fuse"), &serde_json::json!(["B"]))
    );
    // The fuse clears at 3.516 s; the record ends 4 s later, a minute before the announcement.
    let begin = event["begin_s"].as_f64().unwrap();
    assert!((3.3..3.72).contains(&begin), "{begin}");
    let detected = event["detected_s"].as_f64().unwrap();
    assert!((3.5..6.5).contains(&detected), "{detected}");
    assert!(event["announced_s"].is_null() && event["end_s"].is_null());
}

#[test]
fn no_condition_is_found_where_there_is_none() {
    for name in ["healthy", "open_ok"] {
        let (ended, objects) = replay(name);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{name}");
        assert_eq!(of(&objects, "event").len(), 0, "{name}: {:?}", of(&objects, "event"));
        assert!(of(&objects, "window").len() > 10, "{name}");
    }
}

#[test]
fn a_ground_fault_elsewhere_is_a_sag_and_a_swell_and_says_nothing_of_the_bank() {
    let (ended, objects) = replay("ground_fault_elsewhere");
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let events = of(&objects, "event");
    // The faulted phase falls, the others rise: 2693 V and 2670 V of 2402 V.
    let found = |condition: &str| {
        let phases =
            events.iter().find(|event| event["condition"] == condition).map(|event| &event["phases"]);
        phases.unwrap_or(&Value::Null).clone()
    };
    assert_eq!(events.len(), 2, "{events:?}");
    assert_eq!(found("sag"), serde_json::json!(["C"]));
    assert_eq!(found("swell"), serde_json::json!(["A", "B"]));
    // From 2.996 s for 1 s.
    for event in &events {
        let [begin, end] = ["begin_s", "end_s"].map(|field| event[field].as_f64().unwrap());
        assert!((begin - 2.996).abs() < 0.01 && (end - 3.996).abs() < 0.01, "{begin} s to {end} s");
    }
    let flagged = of(&objects, "window").iter().filter(|window| window["flagged"] == true).count();
    assert!((5..=7).contains(&flagged), "{flagged}");
}

#[test]
fn windows_follow_each_other_and_hold_what_the_bank_file_says() {
    let (_, objects) = replay("healthy");
    let windows = of(&objects, "window");
    // 13.8 kV at 50 Hz, 10-cycle windows.
    for pair in windows.windows(2) {
        let step = pair[1]["t_s"].as_f64().unwrap() - pair[0]["t_s"].as_f64().unwrap();
        assert!((step - 0.2).abs() < 0.002, "{step}");
    }
    let last = windows.last().unwrap();
    assert!((last["frequency_hz"].as_f64().unwrap() - 50.0).abs() < 0.5);
    for volts in last["voltage_v"].as_array().unwrap() {
        assert!((volts.as_f64().unwrap() / (13_800.0 / 3_f64.sqrt()) - 1.0).abs() < 0.1, "{volts}");
    }
    // The fundamental is nearly all of the voltage, never more, and stands where the angle says.
    for (phase, phasor) in last["phasor_v"].as_array().unwrap().iter().enumerate() {
        let size = phasor[0].as_f64().unwrap() / last["voltage_v"][phase].as_f64().unwrap();
        assert!((0.99..=1.000_01).contains(&size), "{size}");
        assert_eq!(phasor[1], last["voltage_angle_deg"][phase]);
        assert_eq!(phasor.as_array().unwrap().len(), 2);
        // Harmonics are subgroups, the first holds the fundamental; the distortion is that of the others.
        let harmonics: Vec<f64> =
            last["harmonics_v"][phase].as_array().unwrap().iter().map(|rms| rms.as_f64().unwrap()).collect();
        assert_eq!(harmonics.len(), 25);
        assert!((harmonics[0] / phasor[0].as_f64().unwrap() - 1.0).abs() < 1e-3);
        let others = harmonics[1..].iter().map(|rms| rms * rms).sum::<f64>().sqrt();
        let thd = last["thd_percent"][phase].as_f64().unwrap();
        assert!((thd - 100.0 * others / harmonics[0]).abs() < 1e-4, "{thd}");
        let peak =
            last["voltage_peak_v"][phase].as_f64().unwrap() / last["voltage_v"][phase].as_f64().unwrap();
        assert!((1.35..1.5).contains(&peak), "{peak}");
        // The units' voltage is the system's: I/I_r = f/f_r·√Σ(h·V_h)² (IEEE 18).
        let per_unit = 13_800.0 / 3_f64.sqrt() / (last["frequency_hz"].as_f64().unwrap() / 50.0);
        let squares = (1..).zip(&harmonics).map(|(order, rms)| (f64::from(order) * rms / per_unit).powi(2));
        let loading = last["loading_current_pu"][phase].as_f64().unwrap();
        assert!((loading / squares.sum::<f64>().sqrt() - 1.0).abs() < 1e-5, "{loading}");
        let kvar = (1..).zip(&harmonics).map(|(order, rms)| f64::from(order) * (rms / per_unit).powi(2));
        let expected = kvar.sum::<f64>() / (last["frequency_hz"].as_f64().unwrap() / 50.0);
        let loading = last["loading_kvar_pu"][phase].as_f64().unwrap();
        assert!((loading / expected - 1.0).abs() < 1e-5, "{loading}");
    }
    assert_eq!(last["neutral_harmonics_a"].as_array().unwrap().len(), 25);
    assert!(last["nema_percent"].as_f64().unwrap() < 5.0);
    assert_eq!(
        (&last["flagged"], &last["overlaps"], &last["gap"]),
        (&false.into(), &false.into(), &false.into())
    );
    // The sum of the phasors is 3·V0, which u0 is a part of.
    let sum = last["phasor_v"].as_array().unwrap().iter().fold([0.0, 0.0], |[re, im], phasor| {
        let [size, angle] = [0, 1].map(|part| phasor[part].as_f64().unwrap());
        [re + size * angle.to_radians().cos(), im + size * angle.to_radians().sin()]
    });
    let u0 = 100.0 / 3.0 * sum[0].hypot(sum[1]) / (13_800.0 / 3_f64.sqrt());
    assert!((last["u0_percent"].as_f64().unwrap() - u0).abs() < 0.05 * u0, "{u0}");
}

#[test]
fn the_contact_s_changes_are_operations() {
    let (ended, objects) = replay("open_ok");
    assert_eq!(ended.code, Some(0));
    let by_contact = |object: &&&Value| object["seen_by"] == "contact";
    let operations = of(&objects, "operation");
    let [operation] = operations.iter().filter(by_contact).collect::<Vec<_>>().try_into().unwrap();
    assert_eq!(operation["to"], "open");
    // The truth of the record: told at 2.983 s.
    assert!((operation["t_s"].as_f64().unwrap() - 2.983).abs() < 0.001);
    let record = repository("tests/device/records/open_ok.cfg");
    let bank = repository("tests/device/records/open_ok.toml");
    let text = wyelog(&["replay", &record, "--bank", &bank]);
    assert!(text.out.contains("Contact   open from 2.98"), "{}", text.out);
    let without = wyelog(&["replay", &record, "--bank", &bank, "--contact", "none"]);
    assert!(
        without.out.contains("without a contact input") && !without.out.contains("Contact "),
        "{}",
        without.out
    );
}

#[test]
fn the_state_of_the_bank_ends_the_replay_and_events_say_what_is_behind_them() {
    let (_, objects) = replay("blown_fuse");
    let last = objects.last().unwrap();
    assert_eq!(last["type"], "state");
    // 36000 frames and a bit: 7.5 s.
    let last_window = of(&objects, "window").last().unwrap()["t_s"].as_f64().unwrap();
    assert!(last["t_s"].as_f64().unwrap() >= last_window, "{last}");
    for field in ["y", "y_sigma"] {
        assert_eq!(last[field].as_array().unwrap().len(), 3, "{field}");
    }
    let states = ["unknown", "open", "closed", "partly_closed"];
    for state in of(&objects, "state") {
        assert!(states.contains(&state["bank"].as_str().unwrap()), "{state}");
        let known = ["y", "y_sigma"].iter().flat_map(|field| state[*field].as_array().unwrap());
        assert_eq!(state["identifiable"], known.into_iter().all(|value| !value.is_null()), "{state}");
        for field in ["difference_sigma", "common_sigma", "common_basis"] {
            assert!(state.get(field).is_some(), "{field}");
        }
    }
    for event in of(&objects, "event") {
        assert!(event["causes"].is_array() && event.get("fraction").is_some(), "{event}");
        assert_eq!(event["route"], "crew");
    }
}

#[test]
fn a_voltage_that_is_not_measured_is_said_once_and_replayed_without() {
    let folder = tempfile::tempdir().unwrap();
    let source = |end: &str| repository(&format!("tests/device/records/healthy.{end}"));
    // B and C are no voltages: amperes of something else.
    let cfg = std::fs::read_to_string(source("cfg")).unwrap();
    let cfg = cfg.replacen("VB,B,,kV", "IB,B,,kA", 1).replacen("VC,C,,kV", "IC,C,,kA", 1);
    std::fs::write(folder.path().join("r.cfg"), cfg).unwrap();
    std::fs::copy(source("dat"), folder.path().join("r.dat")).unwrap();
    let bank =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 900\nrated_kv_ll = 13.8\nfrequency_hz = 50\n";
    let run = |more: &str| {
        std::fs::write(folder.path().join("b.toml"), format!("{bank}{more}")).unwrap();
        wyelog_in(folder.path(), &["replay", "r.cfg", "--bank", "b.toml", "--json"])
    };
    let untold = run("");
    assert!(
        untold.err.starts_with("wyelog: r.cfg: no voltage of B, C in the record: taken as not measured")
            && untold.err.contains("[sensors.B] present = false"),
        "{}",
        untold.err
    );
    let told = run("[sensors.B]\npresent = false\n[sensors.C]\npresent = false\n");
    assert_eq!(told.err, "");
    assert_eq!((told.code, &told.out), (Some(0), &untold.out));
    let windows: Vec<Value> = told.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let last = *of(&windows, "window").last().unwrap();
    assert!(last["voltage_v"][0].as_f64().unwrap() > 7000.0);
    for field in ["voltage_v", "phasor_v", "harmonics_v", "loading_kvar_pu"] {
        assert_eq!((&last[field][1], &last[field][2]), (&Value::Null, &Value::Null), "{field}");
    }
    // Without the neutral current there is nothing left to go by.
    let blind = wyelog_in(folder.path(), &["replay", "r.cfg", "--bank", "b.toml", "--neutral", "none"]);
    assert_eq!(blind.code, Some(1));
    assert!(blind.err.contains("no voltage of phase B"), "{}", blind.err);
    let table = wyelog_in(folder.path(), &["capability", "b.toml", "--json"]);
    let rows: Vec<Value> = table.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let row = |name: &str| rows.iter().find(|row| row["condition"] == name).unwrap();
    assert_eq!((rows.len(), &row("blown_fuse")["capability"]), (26, &Value::from("full")));
    assert_eq!(
        (&row("element_short")["capability"], &row("element_short")["reason"]),
        (&"unavailable".into(), &"too_few_voltages".into())
    );
}

#[test]
fn conditions_are_explained_by_name() {
    let list = wyelog(&["explain"]);
    assert_eq!((list.code, list.out.lines().count()), (Some(0), 26));
    let one = wyelog(&["explain", "neutral_signal_lost"]);
    for part in ["the ground of the star point is broken or stolen", "bring ", "never proves a line dead"] {
        assert!(one.out.split_whitespace().collect::<Vec<_>>().join(" ").contains(part.trim()), "{part}");
    }
    let all = wyelog(&["explain", "--json"]);
    for line in all.out.lines() {
        let object: Value = serde_json::from_str(line).unwrap();
        assert!(!object["cautions"].as_array().unwrap().is_empty() && object["type"] == "explanation");
    }
    let none = wyelog(&["explain", "gremlins"]);
    assert_eq!((none.code, none.out.as_str()), (Some(1), ""));
    assert!(none.err.contains("there is no condition gremlins"), "{}", none.err);
}

#[test]
fn names_given_go_before_those_of_the_bank_file_and_of_the_record() {
    let folder = tempfile::tempdir().unwrap();
    let record = repository("tests/device/records/healthy.cfg");
    let bank = std::fs::read_to_string(repository("tests/device/records/healthy.toml")).unwrap();
    let file = folder.path().join("b.toml").display().to_string();
    std::fs::write(&file, bank + "[channels]\nA = \"VB\"\nB = \"VC\"\nC = \"VA\"\nN = \"none\"\n").unwrap();
    let volts = |more: &[&str]| {
        let ended = wyelog(&[&["replay", &record, "--bank", &file, "--json"], more].concat());
        assert_eq!(ended.code, Some(0), "{}", ended.err);
        let last = ended.out.lines().rfind(|line| line.contains("\"type\":\"window\"")).unwrap().to_owned();
        serde_json::from_str::<Value>(&last).unwrap()
    };
    let (turned, straight) =
        (volts(&[]), volts(&["--voltage-a", "va", "--voltage-b", "#2", "--voltage-c", "VC"]));
    for (of_file, of_options) in [(0, 1), (1, 2), (2, 0)] {
        let [turned, straight] = [&turned["voltage_v"][of_file], &straight["voltage_v"][of_options]];
        assert!((turned.as_f64().unwrap() / straight.as_f64().unwrap() - 1.0).abs() < 1e-5);
    }
    assert!(turned["neutral_a"].is_null() && straight["neutral_a"].is_null());
    assert!(volts(&["--neutral", "IN"])["neutral_a"].as_f64().unwrap() > 0.0);
}

#[test]
fn the_text_form_says_what_was_found() {
    let record = repository("tests/device/records/blown_fuse.cfg");
    let bank = repository("tests/device/records/blown_fuse.toml");
    let ended = wyelog(&["replay", &record, "--bank", &bank]);
    assert_eq!(ended.code, Some(0));
    assert!(ended.out.contains("condition   blown_fuse, phase B (route: crew)"), "{}", ended.out);
    assert!(ended.out.contains("announced   not yet"), "{}", ended.out);
}

#[test]
fn what_cannot_be_is_answered_with_file_and_place() {
    let folder = tempfile::tempdir().unwrap();
    for end in ["cfg", "dat"] {
        let from = repository(&format!("tests/device/records/healthy.{end}"));
        std::fs::copy(from, folder.path().join(format!("r.{end}"))).unwrap();
    }
    let bank =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 900\nrated_kv_ll = 13.8\nfrequency_hz = 50\n";
    let run = |bank: &str| {
        std::fs::write(folder.path().join("b.toml"), bank).unwrap();
        wyelog_in(folder.path(), &["replay", "r.cfg", "--bank", "b.toml", "--json"])
    };
    for (bank, said) in [
        (bank.replace("50", "400"), "wyelog: b.toml line 5: bank.frequency_hz = 400: must be 50 or 60 Hz\n"),
        (
            bank.replace("grounded_wye", "delta"),
            "wyelog: b.toml line 2: bank.connection = \"delta\": not supported: it has no star point, so there is no neutral \
             current that could tell its phases apart; must be \"grounded_wye\" (star point solidly grounded), \"two_phase\" or \
             \"single_phase\" (each phase to ground)\n",
        ),
    ] {
        let ended = run(&bank);
        assert_eq!((ended.code, ended.err.as_str(), ended.out.as_str()), (Some(1), said, ""));
    }
    // A record cut short is read as far as it goes, and the rest counted.
    let dat = std::fs::read(folder.path().join("r.dat")).unwrap();
    std::fs::write(folder.path().join("r.dat"), &dat[..dat.len() / 2]).unwrap();
    let ended = run(bank);
    assert_eq!(ended.code, Some(1));
    assert!(
        ended.err == "wyelog: r.dat byte 138240: the file ends 7680 samples early; the rest is read\n",
        "{}",
        ended.err
    );
    assert!(ended.out.lines().count() > 5);
    std::fs::remove_file(folder.path().join("r.dat")).unwrap();
    let ended = run(bank);
    assert_eq!(ended.code, Some(1));
    assert!(
        ended.err.starts_with("wyelog: r.dat: ")
            && ended.err.ends_with("check the name and the rights of the file\n"),
        "{}",
        ended.err
    );
}

/// A copy of the record `healthy` whose `.cfg` file has `from` replaced by `to`, with a bank of `hz`; what is said.
fn changed(from: &str, to: &str, hz: u32, behind: &[u8]) -> Ended {
    let folder = tempfile::tempdir().unwrap();
    let source = |end: &str| repository(&format!("tests/device/records/healthy.{end}"));
    let cfg = std::fs::read_to_string(source("cfg")).unwrap();
    let other = cfg.replacen(from, to, 1);
    assert!(other != cfg || from == to, "{from}");
    std::fs::write(folder.path().join("r.cfg"), other).unwrap();
    let dat = [std::fs::read(source("dat")).unwrap().as_slice(), behind].concat();
    std::fs::write(folder.path().join("r.dat"), dat).unwrap();
    let bank = format!(
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 900\nrated_kv_ll = 13.8\nfrequency_hz = {hz}\n"
    );
    std::fs::write(folder.path().join("b.toml"), bank).unwrap();
    wyelog_in(folder.path(), &["replay", "r.cfg", "--bank", "b.toml"])
}

#[test]
fn a_record_that_says_nothing_is_no_healthy_bank() {
    // Twice the rate: 100 Hz, which no window can be.
    let ended = changed("4800,", "9600,", 50, &[]);
    assert_eq!(ended.code, Some(1));
    assert_eq!(
        ended.err,
        "wyelog: r.cfg: in no window could the voltages be evaluated, so nothing was looked for; check the record's length, \
         rate and units, and the voltage and frequency in b.toml\n"
    );
}

#[test]
fn what_does_not_fit_together_is_told() {
    let ended = changed("", "", 60, &[]);
    assert_eq!(ended.code, Some(0));
    assert_eq!(
        ended.err,
        "wyelog: r.cfg: the record states 50 Hz and b.toml 60 Hz; check which of them is right\n"
    );
    let ended = changed("", "", 50, &[0; 40]);
    assert_eq!(ended.code, Some(1));
    assert_eq!(
        ended.err,
        "wyelog: r.dat byte 276480: 40 bytes behind the samples that r.cfg announces: not read; check its last sample \
         number (endsamp)\n"
    );
    assert!(ended.out.contains("No condition was found."), "{}", ended.out);
}
