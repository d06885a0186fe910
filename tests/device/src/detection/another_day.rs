//! A bank against its baseline on another day: other voltages, other harmonics, stray current that has wandered; the same bank.

use wyelog_firmware::meter::{Buffers, Meter};

use super::heard::{Heard, enter, settings};
use super::parallel;
use super::random::Random;
use super::site::{Attack, Script, Site};
use super::years::parse;
use wyelog_protocol::record::BaselineRecord;

/// Banks that are looked at.
pub const BANKS: usize = 400;

/// For each bank how far a difference between its phases moved against the baseline: the largest of the three, per unit. NaN
/// where there was no baseline, or nothing could be told on the other day.
pub fn changes(seed: u64, banks: usize) -> Vec<f64> {
    parallel::map(banks, |index| {
        let random = &mut Random::new(seed.wrapping_add(9000), index as u64);
        let mut site = Site::draw(random, &Attack::default());
        let learns = "[[commissioning]]\nat_s = 20\nbaseline = \"learn\"\n".to_owned();
        let script = Script { top: learns, ..Script::default() };
        let first = heard(&site.scenario("first day", index as u64, 200.0, &script), None);
        let Some(baseline) = first.baseline.filter(|baseline| baseline.state.holds()) else {
            return f64::NAN;
        };
        site.another_day(random);
        let later =
            heard(&site.scenario("another day", index as u64, 60.0, &Script::default()), Some(&baseline));
        let Some(now) = later.last() else { return f64::NAN };
        let less_mean = |y: [f64; 3]| {
            let mean = y.iter().sum::<f64>() / 3.0;
            y.map(|y| y - mean)
        };
        let then = less_mean(baseline.connected.map(|y| y.value_f64().unwrap_or(f64::NAN)));
        let now = less_mean(now.y);
        let [a, b, c] = [0, 1, 2].map(|phase| now[phase] - then[phase]);
        [a - b, b - c, c - a].into_iter().fold(0.0, |largest: f64, moved| largest.max(moved.abs()))
    })
}

fn heard(toml: &str, baseline: Option<&BaselineRecord>) -> Heard {
    let scenario = parse(toml);
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(&scenario), 0);
    if let Some(baseline) = baseline {
        meter.resume(baseline.clone());
    }
    let mut heard = Heard::default();
    enter(&mut meter, &scenario, 3.0, &mut heard);
    heard
}
