//! What a bank file says of the sensors that are installed: kind, ratio, phase angle, burden, clip level, place.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::Location;

use super::bank::Bank;
use super::check::Source;
use super::error::Error;
use super::phases::Channel;

/// A sensor as its papers and its place on the riser describe it; `None` is not stated.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct InstalledSensor {
    /// How it works.
    pub kind: Option<SensorKind>,
    /// Primary over secondary.
    pub ratio: Option<f64>,
    /// How far its output leads the primary, in degrees of the rated frequency (the phase displacement of IEC 61869:
    /// positive when the secondary leads); 0 unless stated.
    pub phase_deg: f64,
    /// Resistance that it feeds, in Ω.
    pub burden_ohm: Option<f64>,
    /// Instantaneous value, primary, in V or A, at which it saturates.
    pub clip: Option<f64>,
}

/// How a sensor works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SensorKind {
    /// Resistive or capacitive voltage divider.
    Divider,
    /// Inductive voltage transformer.
    Transformer,
    /// Current transformer.
    Ct,
    /// Coil without iron, with its integrator.
    Rogowski,
}

impl SensorKind {
    /// The word in a bank file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Divider => "divider",
            Self::Transformer => "transformer",
            Self::Ct => "ct",
            Self::Rogowski => "rogowski",
        }
    }

    const fn measures_voltage(self) -> bool {
        matches!(self, Self::Divider | Self::Transformer)
    }
}

/// A place on the riser, as it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Place {
    Line,
    FuseSwitch,
    Capacitor,
}

impl Place {
    pub const fn location(self) -> Location {
        match self {
            Self::Line => Location::Line,
            Self::FuseSwitch => Location::FuseSwitch,
            Self::Capacitor => Location::Capacitor,
        }
    }
}

/// The fields of a sensor that only a bank file may have.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fields<'t> {
    pub kind: Option<&'t Spanned<SensorKind>>,
    pub ratio: Option<&'t Spanned<toml::Value>>,
    pub phase_deg: Option<&'t Spanned<f64>>,
    pub burden_ohm: Option<&'t Spanned<f64>>,
    pub clip: Option<&'t Spanned<f64>>,
}

/// Largest quantity that the settings can carry, in V or A.
const LARGEST: f64 = 100_000.0;

impl Fields<'_> {
    /// The sensor of `channel`; `name` is that of its table.
    pub fn check(
        &self,
        source: &Source,
        name: &str,
        channel: Channel,
        bank: &Bank,
    ) -> Result<InstalledSensor, Error> {
        let is_voltage = channel != Channel::N;
        if let Some(kind) = self.kind.filter(|kind| kind.get_ref().measures_voltage() != is_voltage) {
            let quoted = Spanned::new(kind.span(), format!("\"{}\"", kind.get_ref().word()));
            let must = if is_voltage {
                "must measure voltage: \"divider\" or \"transformer\""
            } else {
                "must measure current: \"ct\" or \"rogowski\""
            };
            return Err(source.wrong(&quoted, &format!("{name}.kind"), must));
        }
        let ratio = self.ratio.map(|ratio| {
            let value = match ratio.get_ref() {
                toml::Value::Integer(whole) => Some(*whole as f64),
                toml::Value::Float(number) => Some(*number),
                toml::Value::String(text) => printed_ratio(text, is_voltage),
                _ => None,
            };
            value.filter(|value| (1.0..=1e7).contains(value)).ok_or_else(|| {
                let must = "must be primary over secondary, 1…10000000: a number, or as printed, such as \"7200:120\"";
                source.wrong(ratio, &format!("{name}.ratio"), must)
            })
        });
        let field = |field: &str| format!("{name}.{field}");
        let optional = |field: &str, value: Option<&Spanned<f64>>, range, unit: &str| {
            value.map(|value| source.number(&format!("{name}.{field}"), value, range, unit)).transpose()
        };
        // The crest of the rated voltage; of the neutral current when a phase is lost: below, it saturates at what is
        // looked for.
        let crest = libm::sqrt(2.0) * if is_voltage { bank.system_volts() } else { bank.rated_amps() };
        let least = libm::ceil(1.1 * crest);
        let clip = optional("clip", self.clip, least..=LARGEST, if is_voltage { "V" } else { "A" })?;
        Ok(InstalledSensor {
            kind: self.kind.map(|kind| *kind.get_ref()),
            ratio: ratio.transpose()?,
            phase_deg: source.number_or(&field("phase_deg"), self.phase_deg, 0.0, -30.0..=30.0, "degrees")?,
            burden_ohm: optional("burden_ohm", self.burden_ohm, 0.001..=1e9, "ohms")?,
            clip,
        })
    }

    /// The first stated field: where it is, and its name.
    pub fn first(&self) -> Option<(usize, &'static str)> {
        let number = |value: Option<&Spanned<f64>>| value.map(|value| value.span().start);
        [
            (self.kind.map(|kind| kind.span().start), "kind"),
            (self.ratio.map(|ratio| ratio.span().start), "ratio"),
            (number(self.phase_deg), "phase_deg"),
            (number(self.burden_ohm), "burden_ohm"),
            (number(self.clip), "clip"),
        ]
        .into_iter()
        .find_map(|(at, name)| Some((at?, name)))
    }
}

/// Primary over secondary of a ratio as it is printed: `7200:120`, `7200/120 V`, `100:5 A`, `10 kV / 1 V`, and of a coil
/// `22.5 mV/A`, whose secondary comes first.
fn printed_ratio(text: &str, is_voltage: bool) -> Option<f64> {
    let (left, right) = text.split_once([':', '/'])?;
    let (left, left_unit) = with_unit(left)?;
    let (right, right_unit) = with_unit(right)?;
    let primary = if is_voltage { 'V' } else { 'A' };
    let is_turned = !is_voltage && left_unit == Some('V') && right_unit == Some('A');
    if is_turned {
        return Some(right / left);
    }
    // A unit behind the second number alone is that of both.
    let is_primary = left_unit.is_none_or(|unit| unit == primary);
    let is_known = right_unit.is_none_or(|unit| unit == 'V' || !is_voltage);
    (is_primary && is_known).then(|| left / right)
}

/// A number, alone a bare one taken as 1, and the letter of its unit if there is one.
fn with_unit(text: &str) -> Option<(f64, Option<char>)> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = text.split_at_checked(split)?;
    let number = match number.trim() {
        "" if !unit.is_empty() => 1.0,
        digits => digits.parse::<f64>().ok().filter(|value| value.is_finite() && *value > 0.0)?,
    };
    let (factor, letter) = match unit.trim() {
        "" => (1.0, None),
        "V" => (1.0, Some('V')),
        "kV" => (1e3, Some('V')),
        "mV" => (1e-3, Some('V')),
        "A" => (1.0, Some('A')),
        "kA" => (1e3, Some('A')),
        "mA" => (1e-3, Some('A')),
        _ => return None,
    };
    Some((number * factor, letter))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ratios_are_read_as_printed() {
        for (text, is_voltage, expected) in [
            ("7200:120", true, Some(60.0)),
            ("7200/120 V", true, Some(60.0)),
            ("10 kV / 1 V", true, Some(10_000.0)),
            ("100:5 A", false, Some(20.0)),
            ("300/5", false, Some(60.0)),
            ("20 mV/A", false, Some(50.0)),
            ("1 kA : 0.25 V", false, Some(4000.0)),
            ("7200", true, None),
            ("7200:0", true, None),
            ("7200:-120", true, None),
            ("7200 A:120", true, None),
            ("x:1", true, None),
            ("", true, None),
        ] {
            let found = printed_ratio(text, is_voltage);
            assert_eq!(found.map(|ratio| libm::round(ratio * 1e6) / 1e6), expected, "{text}");
        }
    }
}
