//! What people say of the banks, beside what the logs say.

use super::*;
use crate::analysis::Filter;
use crate::analysis::register::register;

fn write(desk: &Desk, name: &str, text: &str) {
    fs::write(desk.dir().join(name), text).unwrap();
}

/// A store of the log of logger `L1` on Quillmere 3, and the time of its last event.
fn desk() -> (Desk, i64) {
    let desk = Desk::new();
    desk.ingest("a.log", &part(&log("blown_fuse"), 0..u32::MAX, "L1"));
    let times = desk.rows(&EVENTS);
    let last = times.column("time").unwrap().to_physical_repr().i64().unwrap().iter().flatten().max();
    (desk, last.unwrap())
}

fn problems(desk: &Desk) -> Vec<String> {
    desk.store().problems().iter().map(ToString::to_string).collect()
}

#[test]
fn rows_are_counted_to_the_bank_that_the_register_says() {
    let (desk, last) = desk();
    let at = crate::time::utc(u64::try_from(last).unwrap());
    // Only the last event: from then on it hung on another bank.
    let stay = format!("[[bank.logger]]\ndevice = \"L1\"\nfrom = {at}\n");
    write(&desk, "banks.toml", &format!("[[bank]]\nname = \"Mill Lane\"\nfeeder = \"Mill\"\n{stay}"));
    let banks = desk.texts(&EVENTS, "bank");
    let of = |name: &str| banks.iter().filter(|bank| bank.as_deref() == Some(name)).count();
    assert!(of("Mill Lane") >= 1 && of("Mill Lane") + of("Quillmere 3") == 6, "{banks:?}");
    let feeders = desk.texts(&EVENTS, "feeder");
    assert_eq!(feeders.iter().filter(|feeder| feeder.as_deref() == Some("Mill")).count(), of("Mill Lane"));
    // Also where there is one logger only.
    let alone = desk.store().of_device("L1").scan(&EVENTS).unwrap().collect().unwrap();
    assert_eq!(alone.column("bank").unwrap(), desk.rows(&EVENTS).column("bank").unwrap());
    assert!(problems(&desk).is_empty());
    // The same as a table.
    fs::remove_file(desk.dir().join("banks.toml")).unwrap();
    write(&desk, "banks.csv", &format!("bank,feeder,device,from\n\"Mill Lane\",Mill,L1,{at}\n"));
    assert_eq!(desk.texts(&EVENTS, "bank"), banks);
    // Since ever, rows without a time too.
    write(&desk, "banks.csv", "bank,feeder,device\nMill Lane,Mill,L1\n");
    assert!(desk.texts(&STATUS, "bank").iter().all(|bank| bank.as_deref() == Some("Mill Lane")));
}

#[test]
fn mistakes_are_named_with_their_line_and_left_out() {
    let (desk, _) = desk();
    let text = "\
[[bank]]
name = \"A\"
feeder = \"F\"
[[bank.logger]]
device = \"L1\"
from = 2030-05-14
to = 2030-06-01
[[bank.logger]]
device = \"L2\"
from = 2030-05-20T06:30:00Z

[[bank]]
name = \"B\"
feeder = \"F\"
[[bank.logger]]
device = \"L1\"
from = \"2030-05-31\"
[[bank.logger]]
device = \"L3\"
from = \"2030-02-30\"
[[bank.logger]]
device = \"L1\"
from = \"2030-06-01\"
to = \"2030-06-01\"
[[bank.logger]]
device = \"L1\"
from = \"2030-06-01\"

[[bank]]
name = \"A\"
feeder = \"G\"
";
    write(&desk, "banks.toml", text);
    let said = problems(&desk);
    for (line, words) in [
        (8, "loggers \"L2\" and \"L1\" (line 4) hang on A at the same time"),
        (15, "logger \"L1\" hangs on A (line 4) at the same time"),
        (18, "\"2030-02-30\" is no day"),
        (21, "leaves before it comes"),
        (29, "bank \"A\" stands there twice"),
    ] {
        let is_it =
            |said: &&String| said.contains(&format!("banks.toml: line {line}: ")) && said.contains(words);
        assert!(said.iter().any(|said| is_it(&said)), "{line} {words}: {said:#?}");
    }
    assert_eq!(said.len(), 5);
    let store = desk.store();
    let stays = |bank: &str| store.banks().get(bank).unwrap().loggers.len();
    assert_eq!((stays("A"), stays("B")), (1, 1));
    // What is written is read again.
    write(&desk, "banks.toml", &store.banks().text().unwrap());
    assert_eq!((problems(&desk), desk.store().banks().all().count()), (Vec::new(), 2));
    write(&desk, "banks.toml", "[[bank]]\nname = \"A\"\nfeeder = \"F\"\n[[bank.logger]]\ndevice = \"L7\"\n");
    let said = problems(&desk);
    assert!(said[0].contains("line 4") && said[0].contains("\"L7\""), "{said:?}");
}

#[test]
fn a_register_that_cannot_be_read_stops_no_ingest() {
    let (desk, _) = desk();
    for (name, text, said) in [
        ("banks.toml", "[[bank]\n", "line 1"),
        ("banks.csv", "bank,feder\nA,F\n", "\"feder\""),
        ("banks.csv", "feeder\nF\n", "\"bank\" is missing"),
        ("banks.csv", "bank,feeder\nA,F,G\n", "line: 2"),
    ] {
        write(&desk, name, text);
        let error = Store::open(&desk.dir()).unwrap_err().to_string();
        assert!(error.contains(name) && error.contains(said), "{error}");
        assert!(problems(&desk)[0].contains(said), "{:?}", problems(&desk));
        assert_eq!(taken(&desk.ingest("b.log", &part(&log("healthy"), 0..2, said))).0, 2);
        fs::remove_file(desk.dir().join(name)).unwrap();
    }
    write(&desk, "banks.toml", "");
    write(&desk, "banks.csv", "bank\n");
    assert!(Store::open(&desk.dir()).unwrap_err().to_string().contains("keep one of them"));
}

#[test]
fn the_register_shows_what_people_and_logs_say() {
    let (desk, _) = desk();
    desk.ingest("b.log", &part(&log("healthy"), 0..u32::MAX, "L2"));
    let csv = "\
bank,feeder,pole,device,from,to
Mill Lane,Mill,M-7,L2,,2030-01-01
Mill Lane,,,L2,2040-01-01,
Far End,Far,,,,
";
    write(&desk, "banks.csv", csv);
    let show = || register(&desk.store(), &Filter::default()).unwrap();
    let text = |column: &str| -> Vec<Option<String>> {
        show().column(column).unwrap().str().unwrap().iter().map(|text| text.map(str::to_owned)).collect()
    };
    let some = |texts: &[&str]| -> Vec<Option<String>> {
        texts.iter().map(|text| Some((*text).to_owned()).filter(|text| !text.is_empty())).collect()
    };
    let (banks, sources) = (text("bank"), text("source"));
    let of = |name: &str| banks.iter().filter(|bank| bank.as_deref() == Some(name)).count();
    assert_eq!((of("Far End"), of("Mill Lane")), (1, 2), "{banks:?}");
    assert_eq!(sources[..3], some(&["", "register", "register"]));
    assert_eq!(text("pole")[..3], some(&["", "M-7", "M-7"]));
    let first = banks.iter().position(|bank| bank.as_deref() == Some("Quillmere 3")).unwrap();
    assert_eq!(
        (sources[first].as_deref(), text("device")[first].as_deref()),
        (Some("nameplate"), Some("L1"))
    );
    let kvar = show().column("rated_kvar").unwrap().f64().unwrap().get(first);
    assert!(kvar.is_some_and(|kvar| kvar > 100.0));
    // As it is written it is read again.
    let mut frame = show();
    write(&desk, "banks.csv", &String::from_utf8(crate::tables::to_csv(&mut frame).unwrap()).unwrap());
    assert_eq!(text("bank").len(), banks.len());
    let feeder = Filter { feeders: vec!["Mill".to_owned()], ..Filter::default() };
    assert_eq!(register(&desk.store(), &feeder).unwrap().height(), 2);
}
