//! How fast the live page answers, and how fast the report is made: `cargo run --release -p wyelog-desk-tests --example serve_speed [BANKS]`.
//!
//! A store of 4000 invented banks, two days each, and one with a year of minutes. Nothing fails when it is slow. The answers
//! come from `wyelog serve`, over TCP, each on a connection of its own.

use std::error::Error;
use std::time::Instant;

use wyelog::store::{Compaction, Store};
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::serving::{Served, desk};
use wyelog_desk_tests::wyelog_in;

/// Zooms of each width.
const ZOOMS: i64 = 20;
const DAY: i64 = 86_400;
/// The fabricated records begin here: 1 May 2030, in s since 1970-01-01.
const START: i64 = (wyelog_desk_tests::logs::START_MS / 1000) as i64;

fn main() -> Result<(), Box<dyn Error>> {
    let banks: usize = std::env::args().nth(1).map_or(Ok(4000), |banks| banks.parse())?;
    let start = Instant::now();
    let names: Vec<String> = (1..banks).map(|number| format!("Bank {number:04}")).collect();
    let short = names.iter().enumerate().map(|(number, name)| {
        let story = match number % 50 {
            7 => Story::BlownFuse { phase: number % 3, at: 100 + number as u64 % 150, until: None },
            _ => Story::Healthy,
        };
        Fabricated { serial: name, bank: name, interval_s: 600, intervals: 288, story }.log()
    });
    let story = Story::BlownFuse { phase: 1, at: 300_000, until: Some(300_001) };
    let year = Fabricated { serial: "Y1", bank: "Year", interval_s: 60, intervals: 525_600, story };
    let folder = desk(short.chain([year.log()]));
    println!("made and ingested {banks} banks in {:.1} s", start.elapsed().as_secs_f64());
    let start = Instant::now();
    let mut store = Store::open(&folder.path().join("desk"))?;
    // As `wyelog ingest` does at its end.
    store.writer()?.compact(&Compaction::WHEN_IT_PAYS, &mut |_| {})?;
    drop(store);
    println!("put together in {:.1} s", start.elapsed().as_secs_f64());

    let start = Instant::now();
    let served = Served::start(folder.path(), &[]);
    println!("{:<44}{:8.0} ms", "start to the first line", ms(start));
    let first = served.get("/");
    println!("{:<44}{:8.0} ms, status {}", "start to the first answer", ms(start), first.status);
    while served.get("/version").body.contains("\"version\":null") {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    println!("{:<44}{:8.0} ms", "start to the store being read", ms(start));
    let timed = |what: &str, target: &str| {
        let start = Instant::now();
        let answer = served.get(target);
        println!(
            "{what:<44}{:8.0} ms, {:.0} kB, status {}",
            ms(start),
            answer.body.len() as f64 / 1e3,
            answer.status
        );
    };
    timed("first view of all banks", "/");
    timed("second view", "/");
    timed("filtered by state and name", "/?state=crew&bank=7");
    timed("page of a bank, first time: a year is read", "/bank?bank=Year");
    timed("page of a bank, again", "/bank?bank=Year");
    for days in [365, 180, 30, 7, 1] {
        let mut times: Vec<f64> = (0..ZOOMS)
            .map(|number| {
                let from = START + (365 - days) * DAY * number / ZOOMS;
                let moment = |s: i64| wyelog::time::utc(s as u64 * 1000).replace(".000Z", "");
                let target =
                    format!("/charts?bank=Year&from={}&to={}", moment(from), moment(from + days * DAY));
                let start = Instant::now();
                let answer = served.get(&target);
                assert_eq!(answer.status, 200, "{target}: {}", answer.body);
                ms(start)
            })
            .collect();
        times.sort_by(f64::total_cmp);
        let [middle, slowest] =
            [times.len() / 2, times.len() - 1].map(|at| times.get(at).copied().unwrap_or(f64::NAN));
        println!(
            "zoom to {days:>3} days of a year of minutes: median {middle:4.0} ms, slowest {slowest:4.0} ms"
        );
    }
    // Linux says how much memory the server has had at most.
    let status = std::fs::read_to_string(format!("/proc/{}/status", served.pid())).unwrap_or_default();
    let most = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    println!("memory of the server at most: {}", most.unwrap_or(" not known here").trim());
    drop(served);
    let start = Instant::now();
    let words = ["report", "--store", "desk", "--out", "report.html", "--worst", "50"];
    let ended = wyelog_in(folder.path(), &words);
    let bytes = std::fs::metadata(folder.path().join("report.html")).map_or(0, |file| file.len());
    println!(
        "report of {banks} banks, pages of the 50 worst: {:.1} s, {:.1} MB, exit code {:?}",
        start.elapsed().as_secs_f64(),
        bytes as f64 / 1e6,
        ended.code
    );
    Ok(())
}

fn ms(start: Instant) -> f64 {
    start.elapsed().as_secs_f64() * 1000.0
}
