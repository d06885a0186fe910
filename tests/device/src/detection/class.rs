//! What happens in the records of the study, class by class.

use super::random::Random;
use super::site::{LETTERS, Script, Site};

/// Length of a record in s.
pub const RECORD_S: f64 = 45.0;

/// What the numbers to be reached are stated for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// Nothing is wrong with the bank, whatever the feeder does.
    Sound,
    /// A whole phase is lost, missing or stuck.
    Whole,
    /// A unit is out.
    UnitOut,
    /// A section is shorted: 15 % of the phase and more.
    LargeShort,
    /// The same, 4 to 15 %.
    SmallShort,
    /// Lost signals, operations that were not told or not obeyed, single phasing.
    Told,
    /// Intermittent contact, restrike, charged closing.
    Switching,
    /// One voltage sensor only.
    OneSensor,
}

macro_rules! classes {
    ($($variant:ident = $name:literal, $group:ident, $weight:literal;)*) => {
        /// What happens in a record.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[expect(missing_docs, reason = "the names say it")]
        pub enum Class {
            $($variant,)*
        }

        impl Class {
            /// All, in the order of tables.
            pub const ALL: [Self; [$($weight),*].len()] = [$(Self::$variant),*];

            /// What tables call it.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// What it counts for.
            pub const fn group(self) -> Group {
                match self { $(Self::$variant => Group::$group,)* }
            }

            /// How often it is drawn.
            const fn weight(self) -> u32 {
                match self { $(Self::$variant => $weight,)* }
            }
        }
    };
}

classes! {
    Health = "health", Sound, 5;
    HealthOpen = "health, open", Sound, 2;
    Opens = "opens as told", Sound, 5;
    Closes = "closes as told", Sound, 4;
    Sag = "sag", Sound, 4;
    Swell = "swell", Sound, 3;
    EarthFault = "earth fault elsewhere", Sound, 4;
    Reclose = "reclose", Sound, 4;
    Outage = "outage", Sound, 4;
    RegulatorSteps = "regulator steps", Sound, 3;
    LoadSteps = "load steps", Sound, 3;
    Unbalance = "growing unbalance", Sound, 3;
    FuseBlows = "fuse blows", Whole, 12;
    TwoFusesBlow = "two fuses blow", Whole, 4;
    FuseGone = "fuse out from the start", Whole, 5;
    MissingAtClose = "phase missing at close", Whole, 7;
    PoleStays = "pole fails to open", Whole, 7;
    UnitOut = "unit out", UnitOut, 8;
    LargeShort = "section shorted, 15 % and more", LargeShort, 8;
    SmallShort = "section shorted, 4 to 15 %", SmallShort, 8;
    NeutralLead = "neutral signal lost", Told, 4;
    VoltageLead = "voltage signal lost", Told, 4;
    FailsToOpen = "fails to open", Told, 3;
    FailsToClose = "fails to close", Told, 3;
    OpensUntold = "opens untold", Told, 3;
    ClosesUntold = "closes untold", Told, 3;
    SinglePhasing = "single phasing", Told, 5;
    LooseContact = "intermittent phase", Switching, 4;
    Restrike = "restrike", Switching, 3;
    ClosesCharged = "closes while charged", Switching, 3;
    OneSensor = "one voltage sensor", OneSensor, 6;
}

impl Class {
    /// Draws one.
    pub fn draw(random: &mut Random) -> Self {
        let total: u32 = Self::ALL.iter().map(|class| class.weight()).sum();
        let mut left = random.below(total as usize) as u32;
        for class in Self::ALL {
            if left < class.weight() {
                return class;
            }
            left -= class.weight();
        }
        Self::Health
    }

    /// Draws what happens to the bank at this site; some classes choose the site for it.
    pub fn script(self, site: &mut Site, random: &mut Random) -> Script {
        let mut script = Script::default();
        // At least 10 s of health before, and time enough behind.
        let at_s = random.between(11.0, 24.0);
        match self {
            Self::Health => {}
            Self::HealthOpen => site.closed = false,
            Self::Opens => script.to_bank("opens", at_s, &manner(random)),
            Self::Closes => {
                site.closed = false;
                script.to_bank("closes", at_s, &manner(random));
            }
            Self::Sag | Self::Swell | Self::EarthFault | Self::Reclose | Self::Outage => {
                self.disturb(&mut script, at_s, random);
            }
            Self::RegulatorSteps | Self::LoadSteps | Self::Unbalance => self.step(&mut script, random),
            Self::FuseBlows => blow(&mut script, random.below(3), at_s, random),
            Self::TwoFusesBlow => {
                let [first, second] = two(random);
                let apart = [0.0, random.between(0.0, 0.1), random.between(2.0, 10.0)];
                blow(&mut script, first, at_s, random);
                blow(&mut script, second, at_s + random.of(&apart), random);
            }
            Self::FuseGone => script.to_bank("fuse_blows", 0.0, &phase(random.below(3))),
            Self::MissingAtClose => {
                site.closed = false;
                let missing = some(random);
                if missing.len() == 1 && random.chance(0.3) {
                    // The pole obeys; the fuse had been gone.
                    script.to_bank("fuse_blows", 0.0, &phase(missing[0]));
                    script.to_bank("closes", at_s, &manner(random));
                } else {
                    script.to_bank("closes", at_s, &(manner(random) + &others(&missing)));
                }
            }
            Self::PoleStays => {
                let stuck = some(random);
                script.to_bank("opens", at_s, &(manner(random) + &others(&stuck)));
            }
            Self::UnitOut | Self::LargeShort | Self::SmallShort => self.part(site, &mut script, at_s, random),
            Self::NeutralLead => lead(&mut script, "N", at_s, random.between(0.002, 0.02)),
            Self::VoltageLead => {
                lead(&mut script, LETTERS[random.below(3)], at_s, random.between(0.02, 0.4));
            }
            Self::FailsToOpen => script.to_bank("fails_to_open", at_s, ""),
            Self::FailsToClose => {
                site.closed = false;
                script.to_bank("fails_to_close", at_s, "");
            }
            Self::OpensUntold => script.to_bank("opens", at_s, &(manner(random) + "told = false\n")),
            Self::ClosesUntold => {
                site.closed = false;
                script.to_bank("closes", at_s, &(manner(random) + "told = false\n"));
            }
            Self::SinglePhasing => {
                let more = format!(
                    "{}size_pu = {:.4}\nangle_deg = {:.2}\nthird_percent = {:.3}\nfifth_percent = {:.3}\n",
                    phase(random.below(3)),
                    random.between(0.05, 0.95),
                    random.between(25.0, 335.0),
                    random.between(2.0, 10.0),
                    random.between(1.0, 6.0),
                );
                script.on_feeder("single_phasing", at_s, &more);
            }
            Self::LooseContact | Self::Restrike | Self::ClosesCharged => {
                self.switch(site, &mut script, random)
            }
            Self::OneSensor => {
                site.only = Some(random.below(3));
                site.places = ["line"; 3];
                if !random.chance(0.25) {
                    blow(&mut script, random.below(3), at_s, random);
                }
            }
        }
        script
    }

    fn disturb(self, script: &mut Script, at_s: f64, random: &mut Random) {
        match self {
            Self::Sag | Self::Swell => {
                let lasts = random.log_between(0.03, if self == Self::Sag { 12.0 } else { 8.0 });
                let untouched = [vec![], vec![random.below(3)], two(random).to_vec()];
                let untouched = &untouched[random.below(3)];
                for which in (0..3).filter(|which| !untouched.contains(which)) {
                    let (kind, size) = if self == Self::Sag {
                        ("sag", format!("depth_percent = {:.2}\n", random.between(12.0, 80.0)))
                    } else {
                        ("swell", format!("rise_percent = {:.2}\n", random.between(10.0, 30.0)))
                    };
                    let more = format!("duration_s = {lasts:.4}\nphases = \"{}\"\n{size}", LETTERS[which]);
                    script.on_feeder(kind, at_s, &more);
                }
            }
            Self::EarthFault => {
                let lasts = [random.between(0.05, 0.3), random.between(0.3, 3.0), random.between(3.0, 20.0)];
                let more = format!(
                    "{}duration_s = {:.4}\ndepth_percent = {:.2}\nshift_percent = {:.2}\n",
                    phase(random.below(3)),
                    random.of(&lasts),
                    random.between(10.0, 80.0),
                    random.between(0.0, 30.0),
                );
                script.on_feeder("ground_fault_elsewhere", at_s, &more);
            }
            Self::Reclose => {
                let dead = [random.between(0.3, 2.0), random.between(1.0, 5.0), random.between(2.0, 6.0)];
                let count = 1 + random.below(3);
                let dead: Vec<String> = dead.iter().take(count).map(|dead| format!("{dead:.3}")).collect();
                let more = format!(
                    "dead_s = [{}]\nfault_s = {:.3}\ndepth_percent = {:.2}\nlive_s = {:.3}\nphases = \"{}\"\n",
                    dead.join(", "),
                    random.between(0.05, 0.5),
                    random.between(15.0, 80.0),
                    random.between(0.0, 0.5),
                    random.of(&["A", "B", "C", "AB", "BC", "CA", "ABC"]),
                );
                script.on_feeder("reclose", at_s.min(18.0), &more);
            }
            _ => {
                let ramp = if random.chance(0.5) { 0.0 } else { random.between(0.1, 3.0) };
                let more = format!("duration_s = {:.3}\nramp_s = {ramp:.3}\n", random.between(2.0, 12.0));
                script.on_feeder("outage", at_s, &more);
            }
        }
    }

    fn step(self, script: &mut Script, random: &mut Random) {
        let mut at_s = random.between(6.0, 8.0);
        if self == Self::Unbalance {
            // Twenty small steps are as good as a ramp.
            let (begin, end, count) = (11.0, random.between(15.0, 40.0), 20.0);
            let drift = [0; 2].map(|_| (random.between(-4.0, 4.0), random.between(-2.0, 2.0)));
            for (which, (percent, degrees)) in two(random).into_iter().zip(drift) {
                for step in 0..20 {
                    let at_s = begin + (end - begin) * f64::from(step) / count;
                    let more = format!(
                        "phases = \"{}\"\npercent = {:.4}\nangle_deg = {:.4}\n",
                        LETTERS[which],
                        percent / count,
                        degrees / count
                    );
                    script.on_feeder("load_step", at_s, &more);
                }
            }
            return;
        }
        while at_s < 42.0 {
            let which = if random.chance(0.65) { LETTERS[random.below(3)] } else { "ABC" };
            if self == Self::RegulatorSteps {
                let steps = random.sign();
                script.on_feeder("regulator_step", at_s, &format!("phases = \"{which}\"\nsteps = {steps}\n"));
                at_s += random.between(2.0, 9.0);
            } else {
                let more = format!(
                    "phases = \"{which}\"\npercent = {:.3}\nangle_deg = {:.3}\nduration_s = {:.3}\n",
                    random.between(-2.5, 2.5),
                    random.between(-1.7, 1.7),
                    random.between(0.5, 5.0)
                );
                script.on_feeder("load_step", at_s, &more);
                at_s += random.between(5.0, 12.0);
            }
        }
    }

    fn part(self, site: &mut Site, script: &mut Script, at_s: f64, random: &mut Random) {
        if self == Self::UnitOut {
            site.units = 2 + random.below(2);
            let count = if site.units == 3 && random.chance(0.3) { 2 } else { 1 };
            script.to_bank("unit_out", at_s, &format!("{}count = {count}\n", phase(random.below(3))));
            return;
        }
        let range = if self == Self::LargeShort { 0.15..=0.34 } else { 0.0395..=0.15 };
        // Of one unit of so many sections one is shorted.
        let sections = loop {
            site.units = 1 + random.below(3);
            let sections = 3 + random.below(24);
            if range.contains(&(1.0 / ((sections - 1) * site.units) as f64)) {
                break sections;
            }
        };
        let more = format!("{}sections = {sections}\n", phase(random.below(3)));
        script.to_bank("element_short", at_s, &more);
    }

    fn switch(self, site: &Site, script: &mut Script, random: &mut Random) {
        match self {
            Self::LooseContact => {
                let which = phase(random.below(3));
                let mut at_s = random.between(10.5, 13.0);
                for _ in 0..3 {
                    let lasts = random.between(0.4, 3.0);
                    script.to_bank("drops_out", at_s, &format!("{which}duration_s = {lasts:.3}\n"));
                    at_s += lasts + random.between(2.0, 6.0);
                }
            }
            Self::Restrike => {
                let more = format!(
                    "{}restrikes = \"{}\"\nrestrike_ms = {:.3}\n",
                    manner(random),
                    LETTERS[random.below(3)],
                    random.between(0.3, 0.6) * 1000.0 / site.hz
                );
                script.to_bank("opens", random.between(11.0, 24.0), &more);
            }
            _ => {
                let at_s = random.between(10.5, 18.0);
                script.to_bank("opens", at_s, &manner(random));
                script.to_bank("closes", at_s + random.between(3.5, 16.0), &manner(random));
            }
        }
    }
}

fn phase(which: usize) -> String {
    format!("phase = \"{}\"\n", LETTERS[which])
}

fn two(random: &mut Random) -> [usize; 2] {
    let first = random.below(3);
    [first, (first + 1 + random.below(2)) % 3]
}

/// One phase, sometimes two.
fn some(random: &mut Random) -> Vec<usize> {
    let pair = two(random);
    pair[..if random.chance(0.8) { 1 } else { 2 }].to_vec()
}

fn others(these: &[usize]) -> String {
    let rest: String = (0..3).filter(|which| !these.contains(which)).map(|which| LETTERS[which]).collect();
    format!("phases = \"{rest}\"\n")
}

/// From the command to the poles, and what they differ by.
fn manner(random: &mut Random) -> String {
    let slow = random.chance(0.15);
    let delay = if slow { random.between(100.0, 900.0) } else { random.between(20.0, 90.0) };
    format!("delay_ms = {delay:.2}\nspread_ms = 8\n")
}

fn blow(script: &mut Script, which: usize, at_s: f64, random: &mut Random) {
    let cycles = random.of(&[0.0, 0.5, 1.0, 1.5, 2.0, 3.0]);
    script.to_bank("fuse_blows", at_s, &format!("{}fault_cycles = {cycles}\n", phase(which)));
}

fn lead(script: &mut Script, channel: &str, at_s: f64, pickup: f64) {
    script.sensors += &format!(
        "[[sensors.broken_wire]]\nchannel = \"{channel}\"\nat_s = {at_s:.4}\npickup = {pickup:.5}\n"
    );
}
