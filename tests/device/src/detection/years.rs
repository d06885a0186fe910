//! Bank-years of health, window by window: days and seasons, regulator steps, recloses, storms. Nobody may be called.

use std::fmt::Write;

use wyelog_protocol::condition::{Change, Route};
use wyelog_simulator::scenario::Scenario;

use super::heard::play_at_window_level;
use super::parallel;
use super::random::Random;
use super::site::Attack;
use super::site::{LETTERS, PLACES, Script, Site};

/// Days of one scenario.
const DAYS: f64 = 30.0;
/// Scenarios in a year.
const A_YEAR: f64 = 365.25 / DAYS;

/// What came out of them.
#[derive(Clone, Debug, Default)]
pub struct Years {
    /// Bank-years.
    pub years: f64,
    /// False calls to a crew, those of hazards among them; to an engineer.
    pub calls: [usize; 2],
    /// What they were: number of the scenario, condition, second.
    pub which: Vec<String>,
}

impl Years {
    /// With 95 % confidence there are fewer false crew calls a bank-year than this (3/N; NaN if there were any).
    pub fn bound(&self) -> f64 {
        if self.calls[0] == 0 { 3.0 / self.years } else { f64::NAN }
    }
}

/// So many bank-years, or a little more.
pub fn run(seed: u64, years: f64) -> Years {
    let count = libm::ceil(years * A_YEAR) as usize;
    let called = parallel::map(count, |index| {
        let toml = month(seed, index, DAYS, 0.1);
        calls(&parse(&toml))
    });
    let mut all = Years { years: count as f64 / A_YEAR, ..Years::default() };
    for (index, called) in called.into_iter().enumerate() {
        for (route, what) in called {
            all.calls[usize::from(route == Route::Engineer)] += 1;
            all.which.push(format!("scenario {index}: {what}"));
        }
    }
    all
}

/// A scenario.
///
/// # Panics
/// The language refuses it.
pub fn parse(toml: &str) -> Scenario {
    Scenario::parse("years.toml", toml).unwrap_or_else(|error| panic!("{error}\n{toml}"))
}

/// Calls that somebody would act on.
pub fn calls(scenario: &Scenario) -> Vec<(Route, String)> {
    let heard = play_at_window_level(scenario);
    let detected = heard.events.iter().filter(|event| event.change == Change::Detected);
    detected
        .filter(|event| event.condition.route() != Route::LogOnly)
        .map(|event| {
            let at_s = super::heard::seconds(event.stamp.frame);
            let phases: String = event.phases.letters().collect();
            (event.condition.route(), format!("{} {phases} at {at_s:.2} s", event.condition.name()))
        })
        .collect()
}

/// So many days of a healthy bank; its feeder's voltages wander by so many percent.
pub fn month(seed: u64, index: usize, days: f64, wander: f64) -> String {
    let random = &mut Random::new(seed.wrapping_add(5000), index as u64);
    let mut site = Site::draw(random, &Attack::default());
    site.places = [PLACES[index % 3]; 3];
    let length_s = days * 86_400.0;
    let mut script = Script { interval_s: 60, ..Script::default() };
    let month = 1 + index % 12;
    script.top = format!(
        "start_utc = \"2031-{month:02}-01T00:00:00Z\"\n[air]\ncelsius = 5\nday_swing_celsius = 12\n\
         year_swing_celsius = 33\nwarmest_utc_h = {:.2}\nwarmest_day = 200\n",
        random.between(0.0, 24.0)
    );
    let _ = write!(
        script.more_feeder,
        "[feeder.daily]\npeak_utc_h = {:.2}\nv1_drop_percent = {:.2}\nu2_rise_percent = {:.3}\n\
         u0_rise_percent = {:.3}\nharmonics_rise_percent = {:.1}\nwander_percent = {wander}\n",
        random.between(0.0, 24.0),
        random.between(0.0, 4.0),
        random.between(0.0, 1.0),
        random.between(0.0, 2.0),
        random.between(0.0, 100.0),
    );
    steps(&mut script, length_s, random);
    weather(&mut script, length_s, random);
    operations(&mut script, length_s, random);
    site.scenario(&format!("month {seed}/{index}"), (random.uniform() * 1e9) as u64, length_s, &script)
}

/// Regulators step to and fro, loads come and go.
fn steps(script: &mut Script, length_s: f64, random: &mut Random) {
    let mut tap = [0_i32; 3];
    let mut at_s = 600.0;
    while at_s < length_s {
        let which = random.below(3);
        let up = match tap[which] {
            2.. => false,
            ..=-2 => true,
            _ => random.chance(0.5),
        };
        tap[which] += if up { 1 } else { -1 };
        let steps = if up { 1 } else { -1 };
        script.on_feeder(
            "regulator_step",
            at_s,
            &format!("phases = \"{}\"\nsteps = {steps}\n", LETTERS[which]),
        );
        at_s += random.between(1800.0, 14_400.0);
    }
    let mut at_s = 900.0;
    while at_s < length_s {
        let lasts = random.between(60.0, 7200.0);
        let more = format!(
            "phases = \"{}\"\npercent = {:.3}\nangle_deg = {:.3}\nduration_s = {lasts:.1}\n",
            random.of(&["A", "B", "C", "ABC"]),
            random.between(-1.5, 1.5),
            random.between(-1.0, 1.0)
        );
        script.on_feeder("load_step", at_s, &more);
        at_s += random.between(7200.0, 43_200.0);
    }
}

/// A storm now and then: sags, recloses, earth faults and an outage within the hour; single ones between.
fn weather(script: &mut Script, length_s: f64, random: &mut Random) {
    let mut at_s = random.between(3600.0, 5.0 * 86_400.0);
    while at_s < length_s - 7200.0 {
        let is_storm = random.chance(0.4);
        let count = if is_storm { 4 + random.below(4) } else { 1 };
        for _ in 0..count {
            let which = random.of(&["A", "B", "C", "AB", "BC", "CA", "ABC"]);
            let depth = random.between(12.0, 80.0);
            match random.below(5) {
                0 | 1 => {
                    let lasts = random.log_between(0.05, 5.0);
                    let more = format!(
                        "phases = \"{which}\"\ndepth_percent = {depth:.1}\nduration_s = {lasts:.3}\n"
                    );
                    script.on_feeder("sag", at_s, &more);
                }
                2 => {
                    let more = format!(
                        "phases = \"{which}\"\ndepth_percent = {depth:.1}\ndead_s = [0.5, {:.2}]\nfault_s = 0.15\n",
                        random.between(5.0, 30.0)
                    );
                    script.on_feeder("reclose", at_s, &more);
                }
                3 => {
                    let more = format!(
                        "phase = \"{}\"\ndepth_percent = {depth:.1}\nshift_percent = {:.1}\nduration_s = {:.3}\n",
                        LETTERS[random.below(3)],
                        random.between(0.0, 30.0),
                        random.log_between(0.05, 10.0)
                    );
                    script.on_feeder("ground_fault_elsewhere", at_s, &more);
                }
                _ => {
                    let more = format!(
                        "duration_s = {:.2}\nramp_s = {:.2}\n",
                        random.log_between(1.0, 1800.0),
                        random.between(0.0, 3.0)
                    );
                    script.on_feeder("outage", at_s, &more);
                    at_s += 1900.0;
                }
            }
            at_s += random.between(90.0, 900.0);
        }
        at_s += random.between(0.5, 4.0) * 86_400.0;
    }
}

/// The bank is switched, twice a week or so.
fn operations(script: &mut Script, length_s: f64, random: &mut Random) {
    let mut at_s = random.between(1.0, 4.0) * 86_400.0;
    while at_s < length_s - 50_000.0 {
        script.to_bank("opens", at_s, "spread_ms = 5\n");
        let back_s = at_s + random.between(3600.0, 36_000.0);
        script.to_bank("closes", back_s, "spread_ms = 5\n");
        at_s = back_s + random.between(1.0, 5.0) * 86_400.0;
    }
}
