//! The report from the outside: what a strict parser, a reader and a mail program make of it.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;
use wyelog::analysis::Filter;
use wyelog::report::{Options, report};
use wyelog::store::Store;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::logs::{Logger, START_MS};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::{repository, wyelog_in};

const WELL: Fabricated<'_> =
    Fabricated { serial: "L1", bank: "Alder 1", interval_s: 600, intervals: 1008, story: Story::Healthy };
const BLOWN: Fabricated<'_> = Fabricated {
    serial: "L2",
    bank: "<b>&\"Quill'mere\" 3",
    story: Story::BlownFuse { phase: 1, at: 500, until: None },
    ..WELL
};
const DEAD_LEAD: Fabricated<'_> =
    Fabricated { serial: "L3", bank: "Alder 9", story: Story::DeadNeutral { at: 600 }, ..WELL };
const DEAD_FEEDER: Fabricated<'_> =
    Fabricated { serial: "L4", bank: "Birch 4", story: Story::DeadFeeder { at: 300, length: 4 }, ..WELL };
const REPAIRED: Fabricated<'_> = Fabricated {
    serial: "L5",
    bank: "Birch 5",
    story: Story::BlownFuse { phase: 2, at: 100, until: Some(300) },
    ..WELL
};

/// A folder with the store `desk` of these logs.
fn desk(logs: &[Vec<u8>]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("desk")).unwrap();
    let mut writer = store.writer().unwrap();
    for (number, log) in logs.iter().enumerate() {
        let path = folder.path().join(format!("{number}.log"));
        fs::write(&path, log).unwrap();
        writer.ingest(&path).unwrap();
    }
    drop(writer);
    folder
}

fn feeders(folder: &Path, banks: &[(&str, &str)]) {
    let banks = wyelog::store::Banks::new(banks.iter().map(|(b, f)| ((*b).to_owned(), (*f).to_owned())));
    fs::write(folder.join("desk/banks.toml"), banks.text().unwrap()).unwrap();
}

/// Makes `page.html`, gives what the command said and the page.
fn page(folder: &Path, words: &[&str]) -> (String, String) {
    let ended = wyelog_in(folder, &[&["report", "--store", "desk", "--out", "page.html"], words].concat());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{ended:?}");
    (ended.out, fs::read_to_string(folder.join("page.html")).unwrap())
}

/// What html5lib makes of `page.html`; panics at any error of the HTML.
fn read(folder: &Path) -> Value {
    let mut reader = Command::new(python());
    let output =
        reader.arg(repository("tests/desk/read_report.py")).arg("page.html").current_dir(folder).output();
    let output = output.unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn ask(folder: &Path, question: &str) -> Vec<Value> {
    let ended = wyelog_in(folder, &[question, "--store", "desk", "--json"]);
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn texts(value: &Value) -> Vec<&str> {
    value.as_array().unwrap().iter().map(|text| text.as_str().unwrap()).collect()
}

/// A number of the page: `−1,234.5`.
fn number(text: &str) -> f64 {
    text.replace(',', "").replace('−', "-").parse().unwrap_or_else(|_| panic!("{text}"))
}

fn assert_carries_all_with_it(html: &str) {
    for word in ["http:", "https:", "<script", "<link", "<iframe", "src=", "@import", "url(", "//"] {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn the_page_is_valid_and_says_what_is_wrong() {
    let fleet = [WELL, BLOWN, DEAD_LEAD, DEAD_FEEDER, REPAIRED];
    let folder = desk(&fleet.map(|bank| bank.log()));
    feeders(folder.path(), &[(BLOWN.bank, "East & <West>"), (WELL.bank, "North")]);
    let (said, html) = page(folder.path(), &[]);
    assert!(said.starts_with("1 of 5 banks needs a crew, 1 more must be looked at."), "{said}");
    assert_carries_all_with_it(&html);
    let read = read(folder.path());
    assert_eq!(read["lang"], "en");
    assert_eq!(texts(&read["h1"]), ["1 of 5 banks needs a crew1 more must be looked at"]);
    // A star point that may have lost its ground stands first, though no logger raised it.
    let [dead, blown] = texts(&read["findings"]).try_into().unwrap();
    // 500.3 intervals of ten minutes after midnight of 1 May.
    let expected = format!(
        "{}, feeder East & <West>: fuse of phase B most likely blown since 2030-05-04 11:23 UTC; about ",
        BLOWN.bank
    );
    assert!(blown.starts_with(&expected), "{blown}");
    assert!(
        dead.starts_with("Alder 9: the neutral current does not follow the voltages since about"),
        "{dead}"
    );
    assert!(dead.contains("2030-05-05 04:") && dead.contains("treat the star as energised"), "{dead}");
    // The same banks with all that crews need.
    let [dead, blown] = texts(&read["jobs"]).try_into().unwrap();
    assert!(dead.starts_with("1 Alder 9 look hazard: star-point ground possibly lost"), "{dead}");
    for part in ["Look for", "Never open the secondary of a current transformer"] {
        assert!(dead.contains(part), "{dead}");
    }
    assert!(blown.starts_with(&format!("2 {} crew", BLOWN.bank)), "{blown}");
    // 600 kvar at 12.47 kV: 27.78 A.
    let link = "Fuse link: continuous current 37.5 to 45.8 A (1.35 to 1.65 × 27.8 A) (trade rule); coordinate with the tank-rupture \
                curve at this node's fault current.";
    for part in
        ["feeder East & <West>; logger L2", "A cutout or a jumper of the phase", "A capacitance meter", link]
    {
        assert!(blown.contains(part), "{blown}");
    }
    // What both have in common is said once for all.
    let shared = "Every capacitor is charged until it is shorted. Five minutes after opening";
    assert!(!dead.contains(shared) && !blown.contains(shared));
    assert!(html.contains("<h3>At each of these 2 banks</h3>"));
    let rows = read["rows"].as_array().unwrap();
    let banks: Vec<&str> = rows.iter().map(|row| row[1].as_str().unwrap()).collect();
    assert_eq!(banks[..2], ["Alder 9", BLOWN.bank]);
    // Then by kvarh lost a day: the repaired one lost most.
    assert_eq!(banks[2], "Birch 5");
    assert_eq!((rows[0][0].as_str(), rows[1][0].as_str()), (Some("look"), Some("crew")));
    assert!(rows[2..].iter().all(|row| row[0] == "nothing found"), "{rows:?}");
    assert_eq!(texts(&read["pages"]), ["b0", "b1", "b2", "b3", "b4"]);
    let ids = texts(&read["ids"]);
    assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len(), "an id twice");
    for link in texts(&read["links"]) {
        assert!(ids.contains(&link.strip_prefix('#').unwrap()), "{link} leads nowhere");
    }
    assert_eq!(read["has_scopes"], true);
    assert_eq!(read["pictures"], 5 * 6);
    assert_eq!(read["described"], read["pictures"]);
}

#[test]
fn the_table_has_the_numbers_of_the_questions() {
    let folder = desk(&[WELL, BLOWN, DEAD_FEEDER, REPAIRED].map(|bank| bank.log()));
    let (_, html) = page(folder.path(), &[]);
    let read = read(folder.path());
    let rows = read["rows"].as_array().unwrap();
    let row = |answer: &Value| rows.iter().find(|row| row[1] == answer["bank"]).unwrap().clone();
    let near = |text: &Value, expected: f64, step: f64| {
        let value = number(text.as_str().unwrap());
        assert!((value - expected).abs() <= step / 2.0 + 1e-9, "{value}, not {expected}");
    };
    let sum = |answer: &Value, stem: &str| {
        ["a", "b", "c"].iter().map(|phase| answer[format!("{stem}_{phase}")].as_f64().unwrap()).sum::<f64>()
    };
    let kvar = ask(folder.path(), "kvar");
    assert_eq!(kvar.len(), 4);
    for answer in &kvar {
        let row = row(answer);
        let (delivered, rated) = row[4].as_str().unwrap().split_once(" of ").unwrap();
        near(&delivered.into(), sum(answer, "kvar"), 1.0);
        near(&rated.into(), 3.0 * answer["rated_kvar_phase"].as_f64().unwrap(), 1.0);
        near(&row[5], sum(answer, "kvarh_lost"), 1.0);
    }
    for answer in &ask(folder.path(), "unbalance") {
        near(&row(answer)[7], answer["u2_p95_percent"].as_f64().unwrap(), 0.01);
    }
    let alarms = ask(folder.path(), "alarms");
    assert_eq!(alarms.len(), 3);
    for alarm in alarms.iter().filter(|alarm| !alarm["kvarh_lost"].is_null()) {
        let lost = wyelog::number::plain(alarm["kvarh_lost"].as_f64().unwrap(), 1);
        let (whole, part) = lost.split_once('.').unwrap();
        let (thousands, rest) = whole.split_at(whole.len() - 3);
        assert!(html.contains(&format!("<td>{thousands},{rest}.{part}</td>")), "{lost}");
    }
    // One phase of three out for half the time: about a sixth, so 500 of 600 kvar at 1 pu.
    let blown = kvar.iter().find(|answer| answer["bank"] == BLOWN.bank).unwrap();
    assert!((0.80..0.86).contains(&(blown["available_percent"].as_f64().unwrap() / 100.0)));
}

#[test]
fn an_empty_store_is_a_page_that_says_so() {
    let folder = desk(&[]);
    let (said, html) = page(folder.path(), &[]);
    assert!(said.starts_with("There are no records of a bank here."), "{said}");
    assert_carries_all_with_it(&html);
    let read = read(folder.path());
    assert_eq!(texts(&read["h1"]), ["There are no records of a bank here"]);
    assert_eq!((read["rows"].as_array().unwrap().len(), &read["pictures"]), (0, &Value::from(0)));
}

#[test]
fn a_range_without_records_and_a_logger_without_a_log_are_said() {
    let well = Logger { serial: "N1", bank: "Well", start_ms: Some(START_MS) };
    let folder = desk(&[well.log(30)]);
    fs::write(folder.path().join("desk/banks.csv"), "bank,feeder,device,from\nGhost,West,N9,2020-01-01\n")
        .unwrap();
    let (said, html) = page(folder.path(), &["--from", "2001-01-01", "--to", "2001-02-01"]);
    assert!(said.starts_with("There are no records of that time."), "{said}");
    read(folder.path());
    assert!(!html.contains("Never heard from"));
    // Whichever banks are asked for: the store's records end after it had come.
    for words in [&[][..], &["--feeder", "West"]] {
        let (_, html) = page(folder.path(), words);
        read(folder.path());
        assert!(html.contains("Never heard from") && html.contains("<b>Ghost</b>, feeder West: logger N9"));
    }
}

#[test]
fn the_same_store_gives_the_same_bytes_wherever_it_lies() {
    let logs = [BLOWN, DEAD_LEAD].map(|bank| bank.log());
    let (one, other) = (desk(&logs), desk(&[logs[1].clone(), logs[0].clone()]));
    let (_, first) = page(one.path(), &[]);
    assert_eq!(first, page(one.path(), &[]).1);
    assert_eq!(first, page(other.path(), &[]).1);
    assert_ne!(first, page(&desk(&logs[..1]).keep(), &[]).1);
}

#[test]
fn sixty_banks_fit_and_the_worst_have_pages() {
    let names: Vec<String> = (0..60).map(|number| format!("Bank {number:02}")).collect();
    let log = |(number, name): (usize, &String)| {
        let story = match number % 20 {
            7 => Story::BlownFuse { phase: number % 3, at: 100 + number as u64, until: None },
            _ => Story::Healthy,
        };
        Fabricated { serial: name, bank: name, interval_s: 3600, intervals: 960, story }.log()
    };
    let folder = desk(&names.iter().enumerate().map(log).collect::<Vec<_>>());
    let store = Store::open(&folder.path().join("desk")).unwrap();
    let made = report(&store, &Options::default()).unwrap();
    assert_eq!(made.headline(), "3 of 60 banks need a crew");
    let pages = |html: &str| html.matches("<section class=\"bank\"").count();
    assert_eq!(pages(&made.html), 50);
    assert!(made.html.contains("10 banks have no page of their own"));
    // Every line has all the points that it may have: more days do not make it larger.
    let size = made.html.len();
    assert!((1_000_000..8_000_000).contains(&size), "{size}");
    let worst: Vec<&str> = made.rows.iter().take(3).map(|row| row.bank.as_str()).collect();
    assert_eq!(worst.iter().collect::<BTreeSet<_>>(), BTreeSet::from([&"Bank 07", &"Bank 27", &"Bank 47"]));
    let (said, html) = page(folder.path(), &["--worst", "2"]);
    assert!(said.contains("2 banks with a page of their own"), "{said}");
    assert_eq!(pages(&html), 2);
    let filter = Filter { banks: vec!["Bank 27".to_owned()], ..Filter::default() };
    let one = report(&store, &Options { filter, ..Options::default() }).unwrap();
    assert_eq!((one.headline().as_str(), pages(&one.html)), ("The bank needs a crew", 1));
}

#[test]
fn the_crews_list_is_short_and_says_what_it_leaves_out() {
    let names: Vec<String> = (0..32).map(|number| format!("Bank {number:02}")).collect();
    let log = |(number, name): (usize, &String)| {
        let story = Story::BlownFuse { phase: number % 3, at: 10 + number as u64, until: None };
        Fabricated { serial: name, bank: name, interval_s: 3600, intervals: 60, story }.log()
    };
    let folder = desk(&names.iter().enumerate().map(log).collect::<Vec<_>>());
    let csv =
        "bank,feeder,asset,pole,position,fuse_link\nBank 07,East,CB-7,E-107,lane behind the mill,40 K\n";
    fs::write(folder.path().join("desk/banks.csv"), csv).unwrap();
    let (_, html) = page(folder.path(), &["--worst", "0"]);
    let read = read(folder.path());
    let jobs = texts(&read["jobs"]);
    assert_eq!(jobs.len(), 30);
    assert!(html.contains("<b>2 more banks need a crew</b>") && html.contains("worklist --store DIR --full"));
    // In the order of the worklist; what is the same for all stands at the first.
    let work = ask(folder.path(), "worklist");
    for (number, (job, item)) in jobs.iter().zip(&work).enumerate() {
        assert!(job.starts_with(&format!("{} {} crew", number + 1, item["bank"].as_str().unwrap())), "{job}");
        assert_eq!(job.contains("A capacitance meter"), number == 0, "{job}");
        assert_eq!(job.contains("As at number 1, above."), number > 0, "{job}");
        let basis = if item["bank"] == "Bank 07" {
            "40 K (as installed); coordinate"
        } else {
            "(trade rule); coordinate"
        };
        assert!(job.contains(basis), "{job}");
    }
    let seven = "feeder East; pole E-107; lane behind the mill; asset CB-7; logger Bank 07";
    assert!(jobs.iter().any(|job| job.contains(seven)), "{jobs:?}");
    for link in texts(&read["links"]) {
        assert!(texts(&read["ids"]).contains(&link.strip_prefix('#').unwrap()), "{link} leads nowhere");
    }
}

#[test]
fn odd_banks_harm_nobody() {
    let no_clock = Logger { serial: "N1", bank: "", start_ms: None };
    let twin = Logger { serial: "N2", bank: "A\u{0}\u{85}\u{FFFF}<script>", start_ms: Some(START_MS) };
    let other = Logger { serial: "N3", ..twin };
    let far = Logger { serial: "N4", bank: "Far", start_ms: Some(i64::MAX as u64 - 2_000_000) };
    let folder = desk(&[no_clock.log(30), twin.log(1), other.log(300), far.log(30)]);
    let (_, html) = page(folder.path(), &[]);
    assert_carries_all_with_it(&html);
    let read = read(folder.path());
    let rows = read["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    assert!(rows.iter().any(|row| row[1] == "(bank without a name)" && row[8] == "not known"));
    assert!(rows.iter().any(|row| row[1].as_str().unwrap().ends_with("<script> logger N3")), "{rows:?}");
    assert!(html.contains("clock was never set"));
}

#[test]
fn a_page_that_cannot_be_written_is_said_and_nothing_is_lost() {
    let folder = desk(&[]);
    fs::write(folder.path().join("page.html"), "old").unwrap();
    let ended = wyelog_in(folder.path(), &["report", "--store", "desk", "--out", "no/such/folder.html"]);
    assert_eq!(ended.code, Some(1));
    assert!(
        ended.err.contains("no/such/folder.html") && ended.err.contains("name another file"),
        "{ended:?}"
    );
    let ended = wyelog_in(folder.path(), &["report", "--store", "nowhere", "--out", "page.html"]);
    assert_eq!(ended.code, Some(1));
    assert_eq!(fs::read_to_string(folder.path().join("page.html")).unwrap(), "old");
    page(folder.path(), &["--force"]);
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "{left:?}");
}
