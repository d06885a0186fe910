//! What a smaller limit finds, and what it costs: smallest loss that is found against false alarms of capacitances.

use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::quantity::PerUnit;
use wyelog_simulator::scenario::Scenario;

use super::heard::{play, play_at_window_level};
use super::parallel;
use super::random::Random;
use super::site::{Attack, LETTERS, Script, Site};
use super::study::Share;
use super::years::{month, parse};

/// Limits, per unit of a phase's rated capacitance.
pub const LIMITS: [f32; 7] = [0.002, 0.003, 0.005, 0.0075, 0.01, 0.02, 0.03];
/// Sizes that are tried, over the limit.
const SIZES: [f64; 8] = [0.8, 1.0, 1.05, 1.1, 1.2, 1.5, 2.0, 4.0];
/// A loss counts as found when so many of all are, in percent.
const FOUND: f64 = 98.0;

/// A point of the curve.
#[derive(Clone, Debug)]
pub struct Point {
    /// Limit, per unit.
    pub limit: f64,
    /// False calls of a capacitance, and in how many bank-years.
    pub false_calls: usize,
    /// Bank-years.
    pub years: f64,
    /// Smallest loss that is found in 98 % of the records, per unit; NaN if none of those tried.
    pub smallest: f64,
}

/// The curve: so many scenarios of ten days a limit, and so many records a size.
pub fn points(seed: u64, months: usize, records: usize) -> Vec<Point> {
    LIMITS.iter().map(|limit| point(seed, *limit, months, records)).collect()
}

fn with_limit(mut scenario: Scenario, limit: f32) -> Scenario {
    scenario.told.limits.least_change = PerUnit::quantise(limit);
    scenario
}

const PARTIAL: [Condition; 2] = [Condition::UnitOut, Condition::ElementShort];

fn point(seed: u64, limit: f32, months: usize, records: usize) -> Point {
    const DAYS: f64 = 10.0;
    let called = parallel::map(months, |index| {
        let toml = month(seed.wrapping_add(7), index, DAYS, 0.3);
        let heard = play_at_window_level(&with_limit(parse(&toml), limit));
        let is_call = |event: &&wyelog_protocol::record::Event| {
            event.change == Change::Detected && PARTIAL.contains(&event.condition)
        };
        heard.events.iter().filter(is_call).count()
    });
    let limit_pu = f64::from(limit);
    let is_found = |size: &f64| {
        let found = parallel::map(records, |index| is_found(seed, index, limit, size * limit_pu));
        Share::of(found).percent() >= FOUND
    };
    Point {
        limit: limit_pu,
        false_calls: called.iter().sum(),
        years: months as f64 * DAYS / 365.25,
        smallest: SIZES.into_iter().find(is_found).map_or(f64::NAN, |size| size * limit_pu),
    }
}

/// Whether a gain of this size is found, in the right phase.
fn is_found(seed: u64, index: usize, limit: f32, size: f64) -> bool {
    let random = &mut Random::new(seed.wrapping_add(9000), index as u64);
    let site = Site::draw(random, &Attack::default());
    let mut script = Script::default();
    let phase = random.below(3);
    let more = format!("phase = \"{}\"\npercent = {:.4}\n", LETTERS[phase], 100.0 * size);
    script.to_bank("element_short", random.between(11.0, 13.0), &more);
    let toml = site.scenario("curve", index as u64, 24.0, &script);
    let heard = play(&with_limit(parse(&toml), limit));
    heard.events.iter().any(|event| {
        event.change == Change::Detected
            && event.condition == Condition::ElementShort
            && event.phases.contains(phase)
    })
}

/// The points as a table.
pub fn table(points: &[Point]) -> String {
    let mut text = "| limit (`least_change`) | smallest gain found in 98 % | false calls | bank-years | false calls a bank-year |\n\
                    |---|---|---|---|---|\n"
        .to_owned();
    for Point { limit, false_calls, years, smallest } in points {
        let rate = if *false_calls == 0 {
            format!("< {:.2} (3/N)", 3.0 / years)
        } else {
            format!("{:.2}", *false_calls as f64 / years)
        };
        let smallest = if smallest.is_nan() {
            "none of those tried".to_owned()
        } else {
            format!("{:.2} %", 100.0 * smallest)
        };
        text += &format!("| {:.2} % | {smallest} | {false_calls} | {years:.2} | {rate} |\n", 100.0 * limit);
    }
    text
}
