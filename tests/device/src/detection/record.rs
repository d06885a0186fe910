//! One record of the study: drawn, played, judged. Any of them can be made again from seed and index.

use wyelog_simulator::scenario::Scenario;

use super::class::{Class, RECORD_S};
use super::heard::{Heard, play};
use super::judge::{Verdict, judge};
use super::random::Random;
use super::site::{Attack, Site};

/// A drawn record.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// What happens in it.
    pub class: Class,
    /// Where the voltage sensors sit.
    pub places: [&'static str; 3],
    /// Its scenario, as TOML.
    pub toml: String,
}

impl Drawn {
    /// Record `index` of the study with this seed.
    pub fn new(seed: u64, index: usize) -> Self {
        let mut random = Random::new(seed, index as u64);
        let class = Class::draw(&mut random);
        Self::of(class, &Attack::default(), seed, index, &mut random)
    }

    /// Record `index` of this class under this attack.
    pub fn of(class: Class, attack: &Attack, seed: u64, index: usize, random: &mut Random) -> Self {
        let mut site = Site::draw(random, attack);
        let script = class.script(&mut site, random);
        let name = format!("{} {seed}/{index}", class.name().replace('"', ""));
        let noise = (random.uniform() * 1e9) as u64;
        let toml = site.scenario(&name, noise, RECORD_S, &script);
        Self { class, places: site.places, toml }
    }

    /// Its scenario.
    ///
    /// # Panics
    /// The language refuses what was drawn.
    pub fn scenario(&self) -> Scenario {
        Scenario::parse("drawn.toml", &self.toml).unwrap_or_else(|error| panic!("{error}\n{}", self.toml))
    }

    /// What the logger says of it, and what that is worth.
    pub fn play(&self) -> (Heard, Verdict) {
        let scenario = self.scenario();
        let heard = play(&scenario);
        let verdict = judge(&scenario, &heard);
        (heard, verdict)
    }
}
