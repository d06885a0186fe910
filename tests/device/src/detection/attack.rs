//! Sensors and feeders worse than the study's, one at a time: is what is said of the capacitances still within its own
//! standard deviation?

use super::class::Class;
use super::numbers::coverage;
use super::parallel;
use super::random::Random;
use super::record::Drawn;
use super::site::Attack;

/// A row of the table.
#[derive(Clone, Debug)]
pub struct Row {
    /// What is worse.
    pub name: &'static str,
    /// Records in which what is connected was said to be known, and all.
    pub known: (usize, usize),
    /// Errors of the three `y` of each, over their standard deviation.
    pub errors: Vec<f64>,
    /// The same of their differences from the common part.
    pub apart: Vec<f64>,
}

const NONE: Attack =
    Attack { sensor_third: None, stray_third: None, slope: None, ratio: None, voltage: None, third: None };

/// The rows.
pub const ATTACKS: [(&str, Attack); 12] = [
    ("nothing: as in the study", NONE),
    ("sensor-made third 0.03 %", Attack { sensor_third: Some(0.03), ..NONE }),
    ("sensor-made third 0.1 %", Attack { sensor_third: Some(0.1), ..NONE }),
    ("sensor-made third 0.3 %", Attack { sensor_third: Some(0.3), ..NONE }),
    ("stray third 0.2 %", Attack { stray_third: Some(0.2), ..NONE }),
    ("stray third 1 %", Attack { stray_third: Some(1.0), ..NONE }),
    ("neutral sensor ±0.5° an order", Attack { slope: Some(0.5), ..NONE }),
    ("neutral sensor ±2° an order", Attack { slope: Some(2.0), ..NONE }),
    ("neutral ratio ±3 % above the fundamental", Attack { ratio: Some(3.0), ..NONE }),
    ("neutral ratio ±10 % above the fundamental", Attack { ratio: Some(10.0), ..NONE }),
    ("voltage sensors ±3 % and ±1.5°", Attack { voltage: Some((3.0, 1.5)), ..NONE }),
    ("V3,0 of 0.003 %", Attack { third: Some(0.003), ..NONE }),
];

/// These rows, with so many records each: a healthy bank that opens.
pub fn rows(seed: u64, records: usize, attacks: &[(&'static str, Attack)]) -> Vec<Row> {
    let all = parallel::map(attacks.len() * records, |number| {
        let (name, attack) = attacks[number / records];
        let index = number % records;
        // Records of their own, beside those of the study, whichever other rows there are.
        let place = ATTACKS.iter().position(|(other, _)| *other == name).unwrap_or(ATTACKS.len());
        let mut random = Random::new(seed.wrapping_add(1000 + place as u64), index as u64);
        let drawn = Drawn::of(Class::Opens, &attack, seed, index, &mut random);
        drawn.play().1.accuracy
    });
    let row = |(name, chunk): (&'static str, &[Option<super::judge::Accuracy>])| Row {
        name,
        known: (chunk.iter().flatten().count(), chunk.len()),
        errors: chunk.iter().flatten().flat_map(|accuracy| accuracy.errors).collect(),
        apart: chunk.iter().flatten().flat_map(|accuracy| accuracy.apart).collect(),
    };
    attacks.iter().map(|(name, _)| *name).zip(all.chunks(records)).map(row).collect()
}

/// The rows as a table.
pub fn table(rows: &[Row]) -> String {
    let mut text =
        "| what is worse | identifiable | y within two standard deviations | worst error | its differences from the common part | worst error | y: 90 to 99.9 %, none over 4 |\n\
         |---|---|---|---|---|---|---|\n"
            .to_owned();
    for Row { name, known: (known, of), errors, apart } in rows {
        let [inside, worst] = coverage("y", errors);
        let [apart, worst_apart] = coverage("differences", apart);
        let mark = if inside.holds && worst.holds { "yes" } else { "**no**" };
        text += &format!("| {name} | {known} of {of} | {} | {} |", inside.got, worst.got);
        text += &format!(" {} | {} | {mark} |\n", apart.got, worst_apart.got);
    }
    text
}
