//! Everything that the page tells, as text.

use super::attack::{self, Row};
use super::curve::{self, Point};
use super::numbers::{self, numbers};
use super::study::Judged;
use super::years::Years;

/// The whole of it.
#[derive(Clone, Debug)]
pub struct Report {
    /// Seed of the study.
    pub seed: u64,
    /// Its records.
    pub judged: Vec<Judged>,
    /// How far differences moved against a baseline on another day.
    pub another_day: Vec<f64>,
    /// The attacks, and how many records each has.
    pub attacks: Vec<Row>,
    /// Health for years.
    pub years: Years,
    /// Limits against false calls.
    pub points: Vec<Point>,
}

impl Report {
    /// Markdown. `command` is what makes it again.
    pub fn text(&self, command: &str) -> String {
        let complaints: Vec<String> =
            self.judged.iter().filter_map(|judged| judged.complaint(self.seed)).collect();
        let mut rows = numbers(&self.judged);
        rows.push(numbers::against_a_baseline(&self.another_day));
        let mut text = format!(
            "Made by `{command}`: {} records of 45 s.\n\n{}\n",
            self.judged.len(),
            numbers::table(&rows)
        );
        text += &format!(
            "**Records that are not as they should be**: {} of {}; `--one` and the number behind the stroke tells each.\n\n",
            complaints.len(),
            self.judged.len()
        );
        for complaint in &complaints {
            text += &format!("- {complaint}\n");
        }
        text += &format!(
            "\n**Sensors and feeders that are worse**, one at a time, a healthy bank that opens in each record:\n\n{}\n",
            attack::table(&self.attacks)
        );
        let Years { years, calls: [crew, engineer], which } = &self.years;
        let bound = if *crew == 0 {
            format!("with 95 % confidence fewer than {:.3} a bank-year (3/N)", self.years.bound())
        } else {
            format!("{:.3} a bank-year", *crew as f64 / years)
        };
        text += &format!(
            "**Health for years**: {years:.1} bank-years at window level, {crew} false calls to a crew ({bound}), \
             {engineer} to an engineer.\n\n"
        );
        for one in which {
            text += &format!("- {one}\n");
        }
        text += &format!(
            "\n**What a smaller limit finds, and what it costs**:\n\n{}",
            curve::table(&self.points)
        );
        text
    }
}
