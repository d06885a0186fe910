//! What all records of the study share: a bank on a feeder with sensors, drawn over the stated ranges, as a scenario.

use std::fmt::Write;

use super::random::Random;

/// Letters of the phases.
pub const LETTERS: [&str; 3] = ["A", "B", "C"];

/// What an attack sets in the place of what is drawn.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Attack {
    /// Third harmonic that the voltage sensors make, in percent.
    pub sensor_third: Option<f64>,
    /// Third harmonic in the neutral that is not the bank's, in percent of the rated current.
    pub stray_third: Option<f64>,
    /// Phase error of the neutral sensor, in degrees per order.
    pub slope: Option<f64>,
    /// Ratio error of the neutral sensor above the fundamental, in percent.
    pub ratio: Option<f64>,
    /// Gain in percent and angle in degrees of the voltage sensors, each of either sign.
    pub voltage: Option<(f64, f64)>,
    /// Zero-sequence third harmonic of the feeder, in percent.
    pub third: Option<f64>,
}

/// A bank, its feeder and its sensors.
#[derive(Clone, Debug)]
pub struct Site {
    /// Line-to-line voltage in kV.
    pub kv: f64,
    /// Frequency, rated, in Hz.
    pub hz: f64,
    /// Rated kvar.
    pub kvar: f64,
    /// Units in parallel in each phase.
    pub units: usize,
    /// Places of the voltage sensors.
    pub places: [&'static str; 3],
    /// Whether the bank is closed at the start.
    pub closed: bool,
    /// The one voltage sensor that there is, if not all three.
    pub only: Option<usize>,
    /// Lines of `[feeder]`, `[bank]` and `[sensors]`.
    feeder: String,
    bank: String,
    sensors: String,
}

/// Places that a voltage sensor may sit at.
pub const PLACES: [&str; 3] = ["line", "fuse_switch", "capacitor"];

impl Site {
    /// Draws one.
    pub fn draw(random: &mut Random, attack: &Attack) -> Self {
        let kv = random.of(&[4.16, 4.8, 8.32, 11.0, 12.47, 13.2, 13.8, 20.0, 22.0, 24.94, 33.0, 34.5]);
        let hz = random.of(&[50.0, 60.0]);
        let kvar = random.of(&[300.0, 450.0, 600.0, 900.0, 1200.0, 1800.0]);
        let units = 1 + random.below(3);
        let place = random.of(&PLACES);
        let mut places = [place; 3];
        if random.chance(0.1) {
            places = [0; 3].map(|_| random.of(&PLACES));
        }
        let mut site = Self {
            kv,
            hz,
            kvar,
            units,
            places,
            closed: true,
            only: None,
            feeder: String::new(),
            bank: String::new(),
            sensors: String::new(),
        };
        site.draw_feeder(random, attack);
        // 0…+10 % (IEEE 18); units of one bank are more alike than that.
        let most = if random.chance(0.85) { 6.0 } else { 10.0 };
        let lowest = random.between(0.0, most);
        let own = [0; 3].map(|_| (lowest + random.between(-1.2, 1.2)).clamp(0.0, 10.0));
        site.bank = format!("tolerance_percent = [{:.3}, {:.3}, {:.3}]\n", own[0], own[1], own[2]);
        site.draw_sensors(random, attack);
        site
    }

    fn draw_feeder(&mut self, random: &mut Random, attack: &Attack) {
        // The bank raises the voltage by 0.4 to 3 %.
        let volts = self.kv * 1000.0 / libm::sqrt(3.0);
        let amps = self.kvar * 1000.0 / 3.0 / volts;
        let x = (random.log_between(0.004, 0.03) * volts / amps).min(33.0);
        let x0 = x * random.between(1.2, 3.0);
        let (r, r0) = (x / random.between(1.5, 6.0), x0 / random.between(1.5, 6.0));
        let third = attack.third.unwrap_or(random.log_between(0.1, 2.0));
        let harmonics = [
            (3, third),
            (5, random.between(0.2, 2.0)),
            (7, random.between(0.1, 1.0)),
            (9, random.between(0.02, 0.3)),
            (11, random.between(0.05, 0.4)),
            (13, random.between(0.03, 0.3)),
        ]
        .map(|(order, percent)| {
            // Stated at the bank, closed: a resonance with the source that the rest of the feeder would damp is left out.
            let (r, x) = if order % 3 == 0 { (r0, x0) } else { (r, x) };
            let (of_r, of_x) = (r * amps / volts, x * amps / volts);
            let h = f64::from(order);
            let source = libm::hypot(1.0 - h * h * of_x, h * of_r);
            let percent = if order == 3 { percent * source } else { percent * source.min(1.0) };
            format!("{{ order = {order}, percent = {percent:.4}, angle_deg = {:.2} }}", random.angle())
        });
        let hz = self.hz * (1.0 + random.between(-5e-4, 5e-4));
        self.feeder = format!(
            "kv_ll = {}\nfrequency_hz = {hz:.4}\nr_ohm = {r:.5}\nx_ohm = {x:.5}\nr0_ohm = {r0:.5}\nx0_ohm = {x0:.5}\n\
             v1_pu = {:.5}\nv1_angle_deg = {:.2}\nu2_percent = {:.4}\nu2_angle_deg = {:.2}\n\
             u0_percent = {:.4}\nu0_angle_deg = {:.2}\nharmonics = [{}]\n",
            self.kv,
            random.between(0.97, 1.045),
            random.angle(),
            random.between(0.0, 2.0),
            random.angle(),
            random.between(0.0, 1.2),
            random.angle(),
            harmonics.join(", "),
        );
    }

    fn draw_sensors(&mut self, random: &mut Random, attack: &Attack) {
        let mut text = String::new();
        for letter in LETTERS {
            let (mut gain, mut angle) = (random.between(-0.6, 0.6), random.between(-0.3, 0.3));
            if let Some((most_gain, most_angle)) = attack.voltage {
                (gain, angle) = (random.sign() * most_gain, random.sign() * most_angle);
            }
            let third = attack.sensor_third.unwrap_or(random.between(0.0, 0.2));
            let _ = writeln!(
                text,
                "[sensors.{letter}]\ngain_percent = {gain:.4}\nangle_deg = {angle:.4}\nnoise_percent = 0.04\n\
                 third_percent = {third:.4}\nthird_angle_deg = {:.2}",
                random.angle()
            );
        }
        let stray_third = attack.stray_third.unwrap_or(random.between(0.0, 0.6));
        let _ = writeln!(
            text,
            "[sensors.N]\ngain_percent = {:.4}\nangle_deg = {:.4}\nnoise_percent = 0.15\nstray_percent = {:.4}\n\
             stray_angle_deg = {:.2}\nstray_third_percent = {stray_third:.4}\nstray_third_angle_deg = {:.2}\n\
             slope_deg_per_order = {:.3}\nharmonic_ratio_percent = {:.3}",
            random.between(-0.6, 0.6),
            random.between(-0.3, 0.3),
            random.between(0.0, 1.5),
            random.angle(),
            random.angle(),
            attack.slope.unwrap_or(0.0) * random.sign(),
            attack.ratio.unwrap_or(0.0) * random.sign(),
        );
        self.sensors = text;
    }

    /// The same bank and sensors on another day of the feeder: stray current has wandered by up to a third.
    pub fn another_day(&mut self, random: &mut Random) {
        self.draw_feeder(random, &Attack::default());
        let lines = self.sensors.lines().map(|line| match line.strip_prefix("stray_percent = ") {
            Some(stray) => {
                let stray: f64 = stray.parse().unwrap_or(0.0);
                format!("stray_percent = {:.4}\n", stray * random.between(0.67, 1.33))
            }
            None => format!("{line}\n"),
        });
        self.sensors = lines.collect();
    }

    /// The scenario in which this happens: `feeder` and `bank` are lines of their events, `sensors` of what befalls the sensors;
    /// `more_feeder` are further fields of `[feeder]`, `top` of the file.
    pub fn scenario(&self, name: &str, seed: u64, duration_s: f64, script: &Script) -> String {
        let mut text = format!(
            "name = \"{name}\"\nseed = {seed}\nduration_s = {duration_s}\ninterval_s = {}\n",
            script.interval_s
        );
        let _ = write!(
            text,
            "{}\n[feeder]\n{}\n{}{}",
            script.top, self.feeder, script.more_feeder, script.feeder
        );
        let _ = write!(
            text,
            "\n[bank]\nconnection = \"grounded_wye\"\nrated_kvar = {}\nrated_kv_ll = {}\nfrequency_hz = {}\n\
             units_per_phase = {}\nclosed_at_start = {}\n{}{}\n",
            self.kvar, self.kv, self.hz, self.units, self.closed, self.bank, script.bank
        );
        let mut sensors = self.sensors.clone();
        for (phase, letter) in LETTERS.into_iter().enumerate() {
            let absent = self.only.is_some_and(|only| only != phase);
            let place = format!("[sensors.{letter}]\nlocation = \"{}\"\n", self.places[phase]);
            let place = if absent { place + "present = false\n" } else { place };
            sensors = sensors.replace(&format!("[sensors.{letter}]\n"), &place);
        }
        text + &sensors + &script.sensors + "\n[contact]\npresent = true\n"
    }
}

/// What happens in a record, as the lines of a scenario.
#[derive(Clone, Debug)]
pub struct Script {
    /// Fields and tables of the file, such as `[air]`.
    pub top: String,
    /// Tables below `[feeder]`, such as `[feeder.daily]`.
    pub more_feeder: String,
    /// `[[feeder.event]]`.
    pub feeder: String,
    /// `[[bank.event]]`.
    pub bank: String,
    /// `[[sensors.…]]`.
    pub sensors: String,
    /// Length of an interval record in s.
    pub interval_s: u16,
}

impl Default for Script {
    fn default() -> Self {
        Self {
            top: String::new(),
            more_feeder: String::new(),
            feeder: String::new(),
            bank: String::new(),
            sensors: String::new(),
            interval_s: 10,
        }
    }
}

impl Script {
    /// Something happens on the feeder.
    pub fn on_feeder(&mut self, kind: &str, at_s: f64, more: &str) {
        let _ = writeln!(self.feeder, "[[feeder.event]]\nkind = \"{kind}\"\nat_s = {at_s:.5}\n{more}");
    }

    /// Something happens to the bank.
    pub fn to_bank(&mut self, kind: &str, at_s: f64, more: &str) {
        let _ = writeln!(self.bank, "[[bank.event]]\nkind = \"{kind}\"\nat_s = {at_s:.5}\n{more}");
    }
}
