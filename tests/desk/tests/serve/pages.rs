//! What the pages show: the fleet, a bank, a stretch of it; nonsense in words.

use std::fs;

use serde_json::Value;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::logs::{Logger, START_MS};
use wyelog_desk_tests::serving::{Served, desk};
use wyelog_desk_tests::wyelog_in;

use super::{BLOWN, WELL, banks, fleet, headers_are_sound, read, shown, texts, words};

fn loads_nothing_from_elsewhere(html: &str) {
    for word in
        ["http:", "https:", "src=\"//", "href=\"//", "@import", "url(", "style=", " onclick", "<iframe"]
    {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn loggers_that_nobody_has_heard_from_are_named() {
    let folder = fleet();
    let register = "bank,device,from\nGhost,N9,2020-01-01\n";
    fs::remove_file(folder.path().join("desk/banks.toml")).unwrap();
    fs::write(folder.path().join("desk/banks.csv"), register).unwrap();
    let served = Served::ready(folder.path(), &[]);
    let page = served.get("/").body;
    read(folder.path(), &page);
    assert!(page.contains("<b>Ghost</b>: logger N9"));
    assert!(!served.get("/?bank=alder").body.contains("Ghost</b>"));
}

#[test]
fn the_fleet_is_that_of_the_report_and_is_filtered_by_its_address() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &[]);
    assert!(served.address.ip().is_loopback() && served.url == format!("http://{}/", served.address));
    let page = served.get("/");
    assert_eq!((page.status, page.header("content-type")), (200, Some("text/html; charset=utf-8")));
    headers_are_sound(&page);
    loads_nothing_from_elsewhere(&page.body);
    let live = read(folder.path(), &page.body);
    assert_eq!(live["lang"], "en");
    assert_eq!(live["has_scopes"], true);
    let ended = wyelog_in(folder.path(), &["report", "--store", "desk", "--out", "report.html"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    let report = read(folder.path(), &fs::read_to_string(folder.path().join("report.html")).unwrap());
    for part in ["h1", "findings", "jobs", "head", "rows"] {
        assert_eq!(live[part], report[part], "{part}");
    }
    // Every bank has a page, and it opens.
    let links: Vec<&str> =
        texts(&live["links"]).into_iter().filter(|link| link.starts_with("/bank?")).collect();
    assert_eq!(links.len(), 2 + 3 + 2);
    for link in links {
        assert_eq!(served.get(link).status, 200, "{link}");
    }

    let asked = |query: &str| {
        let page = served.get(&format!("/?{query}"));
        assert_eq!(page.status, 200, "{query}");
        banks(&read(folder.path(), &page.body))
    };
    assert_eq!(asked("bank=alder"), ["Alder 9", "Alder 1"]);
    assert_eq!(asked("feeder=East+%26+%3CWest%3E"), [BLOWN.bank]);
    // A star point that may have lost its ground comes first.
    assert_eq!(asked("state=crew&state=look"), ["Alder 9", BLOWN.bank]);
    assert_eq!(asked("state=nothing&bank=9"), Vec::<String>::new());
    assert_eq!(asked("bank=&feeder=&from=&to=").len(), 3);
    // Until the third day no fuse had blown; the link of a bank keeps the range.
    let early = served.get("/?to=2030-05-03&state=nothing");
    assert_eq!(banks(&read(folder.path(), &early.body)).len(), 3);
    assert!(early.body.contains("&amp;device=L2&amp;to=2030-05-03T00:00\""));
}

#[test]
fn a_page_of_a_bank_is_zoomed_by_its_address() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &[]);
    let name = "%3Cb%3E%26%22Quill%27mere%22%2F+3%2B%C3%BC";
    let page = served.get(&format!("/bank?bank={name}&device=L2"));
    assert_eq!(page.status, 200);
    headers_are_sound(&page);
    loads_nothing_from_elsewhere(&page.body);
    let all = read(folder.path(), &page.body);
    assert_eq!((&all["pictures"], &all["described"]), (&Value::from(6), &Value::from(6)));
    assert!(texts(&all["h1"])[0].starts_with(BLOWN.bank), "{all}");
    let thinned = "A point of a line is the mean of";
    assert_eq!(
        shown(&page),
        format!("2030-05-01 00:00 to 2030-05-08 00:00 UTC. {thinned} 30 min (3 intervals).")
    );
    // Without a script, a link leads closer; the part that a script takes is the same.
    let closer = page.body.split("data-key=\"+\"").next().unwrap().rsplit("href=\"").next().unwrap();
    let closer = closer.split('"').next().unwrap().replace("&amp;", "&");
    assert!(closer.ends_with("&from=2030-05-02T18:00&to=2030-05-06T06:00"), "{closer}");
    let near = served.get(&closer);
    assert_eq!(
        shown(&near),
        format!("2030-05-02 18:00 to 2030-05-06 06:00 UTC. {thinned} 20 min (2 intervals).")
    );
    let day = served.get("/charts?bank=Alder+1&from=2030-05-02&to=2030-05-03");
    assert_eq!(shown(&day), "2030-05-02 00:00 to 2030-05-03 00:00 UTC.");
    let part = served.get(&closer.replace("/bank?", "/charts?"));
    assert!(part.body.starts_with("<div id=\"charts\"") && near.body.contains(&part.body));
    read(folder.path(), &near.body);
    // The bank's name alone will do, and a range where nothing is.
    let nothing = served.get("/bank?bank=Alder+1&from=2029-01-01&to=2029-02-01");
    assert_eq!(nothing.status, 200);
    assert_eq!(nothing.body.matches(">no values<").count(), 4);
    read(folder.path(), &nothing.body);
}

#[test]
fn a_dip_of_one_interval_is_seen_in_the_whole() {
    // A dead feeder for one interval of ten minutes in half a year: 55 intervals are a point.
    let story = Story::BlownFuse { phase: 0, at: 12_000, until: Some(12_001) };
    let bank = Fabricated { serial: "L8", bank: "Dip", intervals: 26_000, story, ..WELL };
    let folder = desk([bank.log()]);
    let served = Served::ready(folder.path(), &[]);
    let page = served.get("/bank?bank=Dip");
    let kvar = page.body.split("Reactive power delivered").nth(1).unwrap().split("</svg>").next().unwrap();
    let band = kvar.split("band pa\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    let heights = band.split(['M', 'Z', ' ']).filter_map(|word| word.parse::<f64>().ok());
    let heights: Vec<f64> = heights.collect::<Vec<_>>().chunks(2).map(|pair| pair[1]).collect();
    // The axis of the values ends at 236 − 30.
    let lowest = heights.iter().copied().fold(0.0, f64::max);
    assert_eq!(lowest, 206.0, "phase A had no kvar for one interval");
    assert!(heights.iter().filter(|y| **y > 150.0).count() <= 2, "{heights:?}");
}

#[test]
fn nonsense_is_answered_in_words() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &[]);
    for (target, status, word) in [
        ("/?from=yesterday", 400, "give a day or a moment in UTC"),
        ("/?from=2030-05-03&to=2030-05-01", 400, "The end is not after the beginning"),
        ("/?state=ill", 400, "there are hazard, crew"),
        ("/?page=-1", 400, "numbered from 1"),
        ("/?bnak=x", 400, "no such question"),
        ("/?bank=%3Cscript%3E&state=%3Cscript%3E", 400, "state=&lt;script&gt;"),
        ("/bank", 400, "Which bank?"),
        ("/bank?bank=A&bank=B", 400, "one bank"),
        ("/charts?bank=Alder+1&to=2030-99-01", 400, "such as 2030-05-14"),
        ("/bank?bank=Alder+77", 404, "There is no bank &quot;Alder 77&quot;"),
        ("/charts?bank=Alder+1&device=L9", 404, "with the logger L9"),
        ("/../../etc/passwd", 404, "no such page"),
        ("/store.toml", 404, "no such page"),
        ("//elsewhere.example/", 404, "no such page"),
    ] {
        let answer = served.get(target);
        assert_eq!(answer.status, status, "{target}");
        assert!(words(&answer).contains(word), "{target}: {}", words(&answer));
        headers_are_sound(&answer);
        read(folder.path(), &answer.body);
    }
    assert_eq!(served.get("/?page=99999999999999999999").status, 400);
    // Far behind the last page is the last page.
    assert_eq!(banks(&read(folder.path(), &served.get("/?page=99").body)).len(), 3);
}

#[test]
fn odd_banks_have_pages() {
    let no_clock = Logger { serial: "N1", bank: "", start_ms: None };
    let twin = Logger { serial: "N2", bank: "A\u{0}\u{85}\u{FFFF}<script>", start_ms: Some(START_MS) };
    let other = Logger { serial: "N3", ..twin };
    let far = Logger { serial: "N4", bank: "Far", start_ms: Some(i64::MAX as u64 - 2_000_000) };
    let folder = desk([no_clock.log(30), twin.log(1), other.log(300), far.log(30)]);
    let served = Served::ready(folder.path(), &[]);
    let fleet = read(folder.path(), &served.get("/").body);
    let links: Vec<&str> =
        texts(&fleet["links"]).into_iter().filter(|link| link.starts_with("/bank?")).collect();
    assert!(links.len() >= 4);
    for link in links {
        let page = served.get(link);
        assert_eq!(page.status, 200, "{link}");
        read(folder.path(), &page.body);
        for range in ["&from=2030-05-01", "&to=2030-05-01", "&from=1970-01-01&to=9999-12-31"] {
            let part = served.get(&format!("{}{range}", link.replace("/bank?", "/charts?")));
            assert_eq!(part.status, 200, "{link}{range}");
        }
    }
}

#[test]
fn many_banks_are_pages_of_a_table() {
    let names: Vec<String> = (0..250).map(|number| format!("Bank {number:03}")).collect();
    let log = |name: &String| {
        Fabricated { serial: name, bank: name, interval_s: 3600, intervals: 30, story: Story::Healthy }.log()
    };
    let folder = desk(names.iter().map(log));
    let served = Served::ready(folder.path(), &[]);
    let page = |number: usize| read(folder.path(), &served.get(&format!("/?page={number}")).body);
    let pages = [1, 2, 3].map(|number| banks(&page(number)));
    assert_eq!(pages.each_ref().map(Vec::len), [100, 100, 50]);
    let mut all = pages.concat();
    all.sort();
    assert_eq!(all, names);
    assert!(texts(&page(1)["links"]).contains(&"/?page=3"));
    assert_eq!(banks(&read(folder.path(), &served.get("/?bank=Bank+24").body)).len(), 10);
}
