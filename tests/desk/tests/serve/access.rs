//! Whom it lets in, how it starts and ends, and that it calls nobody.

#[cfg(target_os = "linux")]
use std::fs;
use std::io::Write;

use wyelog_desk_tests::serving::{Served, desk};
use wyelog_desk_tests::wyelog_in;

use super::{fleet, headers_are_sound, read, texts, words};

const TOKEN: &str = "only-for-this-test-7391";

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
    assert_eq!(texts(&read(empty.path(), &page.body)["h1"]), ["There are no records of a bank here"]);
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
