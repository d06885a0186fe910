//! The attack table of the opening fit: `cargo run --release --example opening_study -- 1000` openings a row.
#![allow(dead_code, reason = "the tests use the rest")]

#[path = "../tests/opening/signal.rs"]
mod signal;
#[path = "../tests/opening/study.rs"]
mod study;

use signal::Attack;

fn main() {
    let count = std::env::args().nth(1).and_then(|count| count.parse().ok()).unwrap_or(200);
    println!("{}", study::HEADER);
    for on_capacitor in [false, true] {
        for attack in Attack::ALL {
            let row = study::Row::run(attack, on_capacitor, 0..count);
            row.print(&format!("{attack:?}{}", if on_capacitor { ", on capacitor" } else { "" }));
        }
    }
}
