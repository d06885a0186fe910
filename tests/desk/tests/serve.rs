//! The live page over plain HTTP: what it shows, whom it lets in, what it does not do.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::logs::{Logger, START_MS};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::serving::{Answer, Served, desk};
use wyelog_desk_tests::{repository, wyelog_in};

const WELL: Fabricated<'_> =
    Fabricated { serial: "L1", bank: "Alder 1", interval_s: 600, intervals: 1008, story: Story::Healthy };
const BLOWN: Fabricated<'_> = Fabricated {
    serial: "L2",
    bank: "<b>&\"Quill'mere\"/ 3+ü",
    story: Story::BlownFuse { phase: 1, at: 500, until: None },
    ..WELL
};
const DEAD_LEAD: Fabricated<'_> =
    Fabricated { serial: "L3", bank: "Alder 9", story: Story::DeadNeutral { at: 600 }, ..WELL };
const TOKEN: &str = "only-for-this-test-7391";

fn fleet() -> tempfile::TempDir {
    let folder = desk([WELL, BLOWN, DEAD_LEAD].map(|bank| bank.log()));
    let banks = [(BLOWN.bank, "East & <West>"), (WELL.bank, "North")];
    let banks = banks.map(|(bank, feeder)| (bank.to_owned(), feeder.to_owned()));
    let banks = wyelog::store::Banks::new(banks).text().unwrap();
    fs::write(folder.path().join("desk/banks.toml"), banks).unwrap();
    folder
}

/// What html5lib makes of a page; panics at any error of the HTML.
fn read(folder: &Path, html: &str) -> Value {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    fs::write(folder.join("page.html"), html).unwrap();
    let mut reader = Command::new(PYTHON.get_or_init(python));
    reader.arg(repository("tests/desk/read_report.py")).arg("page.html").current_dir(folder);
    let output = reader.output().unwrap();
    assert!(output.status.success(), "{}\n{html}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn texts(value: &Value) -> Vec<&str> {
    value.as_array().unwrap().iter().map(|text| text.as_str().unwrap()).collect()
}

fn banks(read: &Value) -> Vec<String> {
    read["rows"].as_array().unwrap().iter().map(|row| row[1].as_str().unwrap().to_owned()).collect()
}

/// The words of a page that says something.
fn words(answer: &Answer) -> String {
    let words = answer.body.split("id=\"words\">").nth(1).and_then(|rest| rest.split("</p>").next());
    words.unwrap_or_else(|| panic!("{answer:?}")).to_owned()
}

/// Which stretch a page of a bank shows.
fn shown(answer: &Answer) -> &str {
    let shown = answer.body.split("Shown: ").nth(1).and_then(|rest| rest.split("<span").next());
    shown.unwrap_or_else(|| panic!("{}", answer.status))
}

fn headers_are_sound(answer: &Answer) {
    let policy = answer.header("content-security-policy").unwrap();
    assert!(policy.starts_with("default-src 'none';") && !policy.contains("unsafe"), "{policy}");
    assert!(policy.contains("frame-ancestors 'none'") && !policy.contains('*'), "{policy}");
    assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
    assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
    assert_eq!(answer.header("cache-control"), Some("no-store"));
    assert!(!answer.headers.iter().any(|(name, _)| name.starts_with("access-control-")), "{answer:?}");
}

fn loads_nothing_from_elsewhere(html: &str) {
    for word in
        ["http:", "https:", "src=\"//", "href=\"//", "@import", "url(", "style=", " onclick", "<iframe"]
    {
        assert!(!html.contains(word), "{word}");
    }
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
fn only_who_calls_it_by_its_name_and_reads_is_answered() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &["--name", "desk.example"]);
    for (host, status) in [
        ("localhost", 200),
        ("127.0.0.1:1", 200),
        ("desk.example", 200),
        ("evil.example", 421),
        ("192.0.2.1", 421),
        ("127.0.0.1.evil.example", 421),
    ] {
        assert_eq!(served.ask("GET", "/", &[("host", host)]).status, status, "{host}");
    }
    assert_eq!(served.send(b"GET / HTTP/1.0\r\n\r\n").status, 421);
    for method in ["POST", "PUT", "DELETE", "OPTIONS", "PATCH", "CONNECT-ME"] {
        let answer = served.ask(method, "/", &[]);
        assert_eq!((answer.status, answer.header("allow")), (405, Some("GET, HEAD")), "{method}");
    }
    let cross = [("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "no-cors")];
    assert_eq!(served.ask("GET", "/", &cross).status, 403);
    let head = served.ask("HEAD", "/", &[]);
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    assert_eq!(head.header("content-length").unwrap(), served.get("/").header("content-length").unwrap());
    // What is too large, or comes with something, is not read.
    assert_eq!(served.get(&format!("/?bank={}", "x".repeat(20_000))).status, 414);
    assert_eq!(served.ask("GET", "/", &[("x-long", &"x".repeat(30_000))]).status, 431);
    assert_eq!(served.ask("GET", "/", &[("content-length", "1000000000")]).status, 413);
    let mut endless = b"GET / HTTP/1.1\r\nhost: localhost\r\nx: ".to_vec();
    endless.resize(2_000_000, b'x');
    // Whether its answer is seen depends on how much of it was still on its way.
    std::net::TcpStream::connect(served.address).unwrap().write_all(&endless).ok();
    assert_eq!(served.send(b"\x16\x03\x01 no HTTP\r\n\r\n").status, 400);
    assert_eq!(served.get("/").status, 200);
}

#[test]
fn elsewhere_it_asks_for_the_token() {
    let folder = fleet();
    let refused = wyelog_in(folder.path(), &["serve", "--store", "desk", "--listen", "0.0.0.0:0"]);
    assert_eq!(refused.code, Some(1));
    assert!(refused.err.contains("from other machines") && refused.err.contains("--token"), "{refused:?}");
    let weak = wyelog_in(folder.path(), &["serve", "--store", "desk", "--token", "secret"]);
    assert!(weak.code == Some(1) && weak.err.contains("16 or more"), "{weak:?}");

    let served = Served::start(folder.path(), &["--listen", "0.0.0.0:0", "--token", TOKEN]);
    assert!(served.url.ends_with(&format!("/?token={TOKEN}")), "{}", served.url);
    for target in
        ["/", "/bank?bank=Alder+1", "/version", "/style.css", "/page.js", "/nowhere", "/?token=wrong"]
    {
        let answer = served.get(target);
        assert_eq!(answer.status, 401, "{target}");
        assert!(words(&answer).contains("token") && !answer.body.contains("Alder"), "{target}");
        headers_are_sound(&answer);
    }
    let led = served.get(&format!("/bank?bank=Alder+1&token={TOKEN}"));
    assert_eq!((led.status, led.header("location")), (303, Some("/bank?bank=Alder+1")));
    let cookie = led.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    assert_ne!(served.ask("GET", "/", &[("cookie", cookie)]).status, 401);
    let bearer = format!("Bearer {TOKEN}");
    assert_eq!(served.ask("GET", "/version", &[("authorization", &bearer)]).status, 200);
    assert_eq!(served.ask("GET", "/version", &[("authorization", "Bearer wrong")]).status, 401);
    // A name that leads here from elsewhere is refused whoever calls it.
    let rebound = [("host", "evil.example"), ("authorization", bearer.as_str())];
    assert_eq!(served.ask("GET", "/", &rebound).status, 421);
}

#[test]
fn it_starts_with_words_or_not_at_all_and_ends_when_told() {
    let folder = fleet();
    let nowhere = wyelog_in(folder.path(), &["serve", "--store", "nowhere"]);
    assert!(nowhere.code == Some(1) && nowhere.err.contains("there is no store here"), "{nowhere:?}");
    let served = Served::ready(folder.path(), &[]);
    let taken = served.address.to_string();
    let taken = wyelog_in(folder.path(), &["serve", "--store", "desk", "--listen", &taken]);
    assert!(taken.code == Some(1) && taken.err.contains("name another address or port"), "{taken:?}");
    // One who keeps a connection open does not keep the server.
    let _open = std::net::TcpStream::connect(served.address).unwrap();
    assert_eq!(served.stop(), Some(0));
    let empty = desk(Vec::<Vec<u8>>::new());
    let served = Served::ready(empty.path(), &[]);
    let page = served.get("/");
    assert_eq!(texts(&read(empty.path(), &page.body)["h1"]), ["There is no bank in this store"]);
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

/// Each socket of the process, by its local port; of those that have one.
#[cfg(target_os = "linux")]
fn ports(pid: u32) -> Vec<(String, u16)> {
    let files = fs::read_dir(format!("/proc/{pid}/fd")).unwrap().flatten();
    let links = files.filter_map(|file| fs::read_link(file.path()).ok());
    let sockets =
        links.filter_map(|link| Some(link.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned()));
    let sockets: Vec<String> = sockets.collect();
    let mut ports = Vec::new();
    for kind in ["tcp", "tcp6", "udp", "udp6", "raw", "raw6"] {
        for line in fs::read_to_string(format!("/proc/{pid}/net/{kind}")).unwrap_or_default().lines().skip(1)
        {
            let fields: Vec<&str> = line.split_whitespace().collect();
            let (Some(local), Some(inode)) = (fields.get(1), fields.get(9)) else { continue };
            if sockets.iter().any(|socket| socket == inode) {
                let port = local.rsplit(':').next().and_then(|port| u16::from_str_radix(port, 16).ok());
                ports.push((kind.to_owned(), port.unwrap()));
            }
        }
    }
    ports
}

/// A connection that the server opened would have a port of its own; those that it accepted have the one it listens at.
#[cfg(target_os = "linux")]
#[test]
fn it_opens_no_connection() {
    use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
    let folder = fleet();
    let served = Served::start(folder.path(), &[]);
    let (is_done, looks) = (AtomicBool::new(false), AtomicUsize::new(0));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !is_done.load(Ordering::Relaxed) {
                let ports = ports(served.pid());
                assert!(ports.contains(&("tcp".to_owned(), served.address.port())), "{ports:?}");
                let strange =
                    ports.iter().find(|(kind, port)| kind != "tcp" || *port != served.address.port());
                assert_eq!(strange, None, "{ports:?}");
                looks.fetch_add(1, Ordering::Relaxed);
            }
        });
        let targets = [
            "/",
            "/bank?bank=Alder+1",
            "/charts?bank=Alder+9&to=2030-05-02",
            "/version",
            "/style.css",
            "/page.js",
        ];
        while looks.load(Ordering::Relaxed) < 50 {
            for target in targets {
                served.get(target);
            }
        }
        is_done.store(true, Ordering::Relaxed);
    });
}

/// A page that is open for days keeps no file in place that has been put together with others, and goes on.
#[test]
fn files_are_put_together_below_an_open_page() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &[]);
    let bank = "/bank?bank=Alder+1&from=2030-05-02&to=2030-05-03";
    let before = served.get(bank);
    assert_eq!(before.status, 200);
    let small = || {
        let mut files = Vec::new();
        wyelog::store::collect_files(&folder.path().join("desk/settings"), &mut files);
        files.iter().filter(|file| !file.to_string_lossy().contains("compacted")).count()
    };
    assert_eq!(small(), 3);
    let ended = wyelog_in(folder.path(), &["compact", "--store", "desk"]);
    assert_eq!((ended.code, small()), (Some(0), 0), "{ended:?}");
    for target in [bank, "/bank?bank=Alder+9", "/", "/?to=2030-05-03"] {
        assert_eq!(served.get(target).status, 200, "{target}");
    }
    assert_eq!(shown(&served.get(bank)), shown(&before));
}

/// Sums of many rows differ in the last digits by the order in which threads bring them; slopes of what stands still are nothing
/// but that.
fn to_nine_digits(rows: &impl std::fmt::Debug) -> Vec<String> {
    let number = |line: &str| line.trim().trim_end_matches(',').parse::<f64>().ok();
    let number = |line: &str| number(line).map(|number| if number.abs() < 1e-9 { 0.0 } else { number });
    let rounded = |line: &str| number(line).map_or_else(|| line.to_owned(), |number| format!("{number:.8e}"));
    format!("{rows:#?}").lines().map(rounded).collect()
}

#[test]
fn reading_one_loggers_rows_anew_is_as_good_as_reading_all() {
    use wyelog::analysis::Filter;
    use wyelog::analysis::fleet::{fleet, fleet_after};
    use wyelog::store::Store;
    // Its records end days before the others' once theirs go on.
    let silent = Fabricated { serial: "L4", bank: "Birch 4", intervals: 700, ..WELL };
    let first = [WELL, BLOWN, DEAD_LEAD].map(|bank| Fabricated { intervals: 720, ..bank });
    let folder = desk(first.iter().chain([&silent]).map(Fabricated::log));
    let open = || Store::open(&folder.path().join("desk")).unwrap();
    let mut rows = fleet(&open(), &Filter::default()).unwrap();
    // Later downloads have all that there was before; a logger is new.
    let new = Fabricated { serial: "L0", bank: "Elm", ..BLOWN };
    for bank in [BLOWN, DEAD_LEAD, WELL, new] {
        fs::write(folder.path().join("later.log"), bank.log()).unwrap();
        let ended = wyelog_in(folder.path(), &["ingest", "later.log", "--store", "desk"]);
        assert_eq!(ended.code, Some(0), "{ended:?}");
        rows = fleet_after(&open(), rows, bank.serial).unwrap();
        let all = fleet(&open(), &Filter::default()).unwrap();
        assert_eq!(to_nine_digits(&rows), to_nine_digits(&all), "{}", bank.bank);
    }
    let birch = rows.iter().find(|row| row.bank == "Birch 4").unwrap();
    assert!(format!("{:?}", birch.observations).contains("Silent"), "{birch:?}");
}
