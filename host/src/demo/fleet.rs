//! The demo's fleet: three feeders, thirteen banks and what befalls them. All of it is invented.

use wyelog_simulator::scenario::{Error, Scenario};

/// A bank of the fleet.
#[derive(Clone, Debug)]
pub struct Member {
    /// Serial number of its logger.
    pub serial: String,
    /// Name of the feeder.
    pub feeder: &'static str,
    /// Its two weeks, or however long.
    pub scenario: Scenario,
}

struct Feeder {
    name: &'static str,
    kv_ll: f64,
    /// What the feeder looks like: lines of `[feeder]` and `[feeder.daily]`.
    lines: &'static str,
    /// Trips: (part of the whole time, each shot as seconds since then and seconds that the feeder is dead).
    trips: &'static [(f64, &'static [(f64, f64)])],
}

/// Ends with the table `[feeder.daily]`.
const FEEDERS: [Feeder; 3] = [
    Feeder {
        name: "Quillmere",
        kv_ll: 12.47,
        lines: "r_ohm = 1.1\nx_ohm = 3.4\nv1_pu = 1.03\nu2_percent = 0.5\nu2_angle_deg = 35\nu0_percent = 0.9\n\
            u0_angle_deg = -95\nharmonics = [{ order = 3, percent = 0.4 }, { order = 5, percent = 1.4, angle_deg = 20 }, \
            { order = 7, percent = 0.8, angle_deg = -40 }]\n[feeder.daily]\npeak_utc_h = 19\nv1_drop_percent = 3.2\n\
            u2_rise_percent = 0.4\nu0_rise_percent = 0.9\nharmonics_rise_percent = 30\nwander_percent = 0.15\n",
        trips: &[],
    },
    Feeder {
        name: "Ostervane",
        kv_ll: 24.94,
        lines: "r_ohm = 2.6\nx_ohm = 7.9\nv1_pu = 1.02\nu2_percent = 0.7\nu2_angle_deg = -60\nu0_percent = 1.6\n\
            u0_angle_deg = 140\nharmonics = [{ order = 5, percent = 1.1 }, { order = 7, percent = 0.6 }]\n\
            [feeder.daily]\npeak_utc_h = 17.5\nv1_drop_percent = 2.4\nu2_rise_percent = 0.3\nu0_rise_percent = 0.7\n\
            wander_percent = 0.2\n",
        // A squall with three shots, one shot alone, and a line down for forty minutes.
        trips: &[
            (0.31, &[(0.0, 0.6), (2.4, 2.1), (24.0, 15.0)]),
            (0.52, &[(0.0, 0.6)]),
            (0.74, &[(0.0, 0.6), (25.0, 2400.0)]),
        ],
    },
    Feeder {
        name: "Halvick",
        kv_ll: 12.47,
        lines: "r_ohm = 0.9\nx_ohm = 2.6\nv1_pu = 1.015\nu2_percent = 0.4\nu2_angle_deg = 80\nu0_percent = 1.3\n\
            u0_angle_deg = 15\nharmonics = [{ order = 3, percent = 1.9, angle_deg = 70 }, \
            { order = 5, percent = 5.4, angle_deg = -15 }, { order = 7, percent = 3.1, angle_deg = 40 }, \
            { order = 11, percent = 1.6 }, { order = 13, percent = 1.1, angle_deg = 120 }]\n\
            [feeder.daily]\npeak_utc_h = 13\nv1_drop_percent = 2.0\nu2_rise_percent = 0.5\nu0_rise_percent = 1.2\n\
            harmonics_rise_percent = 25\nwander_percent = 0.12\n",
        trips: &[],
    },
];

/// What befalls a bank, each at a part of the whole time.
enum Story {
    Health,
    /// This phase's fuse, the unit having failed to a short first; so many seconds after that part of the time.
    FuseBlows(char, f64, f64),
    /// The lead of the neutral sensor breaks, or the star-point ground: the channel picks up next to nothing.
    NeutralWireBreaks(f64),
}

struct Bank {
    name: &'static str,
    feeder: usize,
    kvar: u32,
    unit_kv: f64,
    units: u8,
    tolerance_percent: [f64; 3],
    /// UTC hours at which it closes and opens each day; always closed without.
    switched: Option<(f64, f64)>,
    story: Story,
}

const fn bank(
    (name, feeder): (&'static str, usize),
    (kvar, unit_kv, units): (u32, f64, u8),
    tolerance_percent: [f64; 3],
    switched: Option<(f64, f64)>,
    story: Story,
) -> Bank {
    Bank { name, feeder, kvar, unit_kv, units, tolerance_percent, switched, story }
}

const BANKS: [Bank; 13] = [
    bank(("Quillmere 1", 0), (600, 7.2, 1), [1.2, 0.8, 1.9], None, Story::Health),
    bank(("Quillmere 2", 0), (900, 7.62, 2), [2.1, 2.6, 1.4], Some((7.2, 21.6)), Story::Health),
    bank(("Quillmere 3", 0), (600, 7.2, 1), [1.0, 3.0, 2.0], None, Story::FuseBlows('B', 0.353, 0.0)),
    bank(("Quillmere 4", 0), (1200, 7.62, 2), [0.6, 1.1, 0.9], Some((6.6, 22.4)), Story::Health),
    bank(("Quillmere 5", 0), (300, 7.2, 1), [2.4, 1.8, 2.2], None, Story::Health),
    bank(("Ostervane 1", 1), (1200, 14.4, 2), [1.7, 1.5, 2.3], None, Story::Health),
    bank(("Ostervane 2", 1), (900, 14.4, 1), [0.9, 2.0, 1.2], Some((8.1, 20.9)), Story::Health),
    // It blows half a minute after the squall's last shot.
    bank(("Ostervane 3", 1), (1200, 14.4, 2), [1.1, 0.7, 1.6], None, Story::FuseBlows('A', 0.31, 71.0)),
    bank(("Ostervane 4", 1), (600, 14.4, 1), [3.1, 2.7, 2.9], None, Story::Health),
    bank(("Halvick 1", 2), (600, 7.62, 1), [1.4, 1.0, 1.8], None, Story::Health),
    bank(("Halvick 2", 2), (900, 7.2, 2), [2.2, 1.6, 1.3], None, Story::NeutralWireBreaks(0.27)),
    bank(("Halvick 3", 2), (600, 7.2, 1), [0.8, 1.9, 1.1], Some((5.9, 18.3)), Story::Health),
    bank(("Halvick 4", 2), (1200, 7.62, 2), [1.9, 2.3, 2.0], None, Story::Health),
];

/// The fleet over so many days (1…60).
///
/// # Errors
/// A scenario makes no sense: never in a released version.
pub fn fleet(days: u16) -> Result<Vec<Member>, Error> {
    BANKS.iter().zip(1..).map(|(bank, number)| bank.member(number, days)).collect()
}

impl Bank {
    fn member(&self, number: u32, days: u16) -> Result<Member, Error> {
        // The array's indices are those of FEEDERS: a test builds them all.
        let feeder = FEEDERS.get(self.feeder).unwrap_or(&FEEDERS[0]);
        let text = self.scenario(feeder, number, days);
        let scenario = Scenario::parse(self.name, &text)?;
        Ok(Member { serial: format!("W{:04}", 2100 + number * 7), feeder: feeder.name, scenario })
    }

    fn scenario(&self, feeder: &Feeder, number: u32, days: u16) -> String {
        let seconds = f64::from(days) * 86_400.0;
        let mut text = format!(
            "name = \"{}\"\nseed = {number}\nduration_s = {seconds:?}\nstart_utc = \"2030-05-01T00:00:00Z\"\n\
             [feeder]\nkv_ll = {:?}\nfrequency_hz = 60\n{}",
            self.name, feeder.kv_ll, feeder.lines
        );
        let mut add = |line: std::fmt::Arguments<'_>| text.push_str(&line.to_string());
        let shots = |(part, shots): &(f64, &'static [(f64, f64)])| {
            let at = part * seconds;
            shots.iter().map(move |(after_s, dead_s)| (at + after_s, *dead_s))
        };
        for (at, dead_s) in feeder.trips.iter().flat_map(shots) {
            add(format_args!(
                "[[feeder.event]]\nkind = \"interruption\"\nat_s = {at:?}\nduration_s = {dead_s:?}\n"
            ));
        }
        let [a, b, c] = self.tolerance_percent;
        add(format_args!(
            "[bank]\nname = \"{}\"\nconnection = \"grounded_wye\"\nrated_kvar = {}\nrated_kv_ll = {:?}\nunit_kv = {:?}\n\
             units_per_phase = {}\ntolerance_percent = [{a:?}, {b:?}, {c:?}]\nclosed_at_start = {}\n",
            self.name,
            self.kvar,
            feeder.kv_ll,
            self.unit_kv,
            self.units,
            self.switched.is_none(),
        ));
        for (day, (close, open)) in (0..days).zip(self.switched.into_iter().cycle()) {
            // Not to the second the same each day.
            let late = f64::from(u32::from(day) * 37 % 11) * 61.3;
            let at = |hour: f64| f64::from(day) * 86_400.0 + hour * 3600.0 + late;
            add(format_args!("[[bank.event]]\nkind = \"closes\"\nat_s = {:?}\n", at(close)));
            add(format_args!("[[bank.event]]\nkind = \"opens\"\nat_s = {:?}\n", at(open)));
        }
        if let Story::FuseBlows(phase, part, after_s) = self.story {
            let at = part * seconds + after_s;
            add(format_args!(
                "[[bank.event]]\nkind = \"fuse_blows\"\nphase = \"{phase}\"\nat_s = {at:?}\nfault_cycles = 2\n"
            ));
        }
        for (channel, place) in ["A", "B", "C", "N"].into_iter().zip(1..) {
            // Sensors as they come: gains to ±0.4 %, angles to ±0.2°.
            let spread = |factor: u32| f64::from((number * factor * place) % 17) / 8.0 - 1.0;
            let (gain, angle) = (0.4 * spread(5), 0.2 * spread(11));
            add(format_args!(
                "[sensors.{channel}]\ngain_percent = {gain:?}\nangle_deg = {angle:?}\nnoise_percent = 0.04\n"
            ));
        }
        if let Story::NeutralWireBreaks(part) = self.story {
            let at = part * seconds;
            add(format_args!("[[sensors.broken_wire]]\nchannel = \"N\"\nat_s = {at:?}\npickup = 0.003\n"));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fleet_makes_sense_for_any_number_of_days() {
        for days in [1, 2, 14, 60] {
            let fleet = fleet(days).unwrap();
            assert_eq!(fleet.len(), 13);
            let mut feeders: Vec<&str> = fleet.iter().map(|member| member.feeder).collect();
            feeders.dedup();
            assert_eq!(feeders, ["Quillmere", "Ostervane", "Halvick"]);
            for member in fleet {
                assert_eq!(member.scenario.duration_s, f64::from(days) * 86_400.0);
                assert!(member.scenario.feeder.daily.is_some());
            }
        }
    }
}
