//! `[[commissioning]]`: what somebody at the bank tells the logger of its baseline.

use serde::Deserialize;
use toml::Spanned;
use wyelog_firmware::frontend::Order;
use wyelog_protocol::message::Replaced;

use super::check::Source;
use super::error::Error;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CommissioningTable {
    at_s: Spanned<f64>,
    baseline: Word,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Word {
    Learn,
    LinkReplaced,
    UnitReplaced,
    SensorReplaced,
}

/// Something that the logger is told while it runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Commissioning {
    /// When, in s from the start.
    pub at_s: f64,
    /// What.
    pub order: Order,
}

impl CommissioningTable {
    pub fn check(&self, source: &Source, duration_s: f64) -> Result<Commissioning, Error> {
        let at_s = source.number("commissioning.at_s", &self.at_s, 0.0..=duration_s, "s")?;
        let order = match self.baseline {
            Word::Learn => Order::Learn,
            Word::LinkReplaced => Order::Discard(Replaced::Link),
            Word::UnitReplaced => Order::Discard(Replaced::Unit),
            Word::SensorReplaced => Order::Discard(Replaced::Sensor),
        };
        Ok(Commissioning { at_s, order })
    }
}
