//! How a bank is connected and built: the words of `[bank]` for it, and why others are refused.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::{Build, Connection, Fusing, Switching};

use super::check::Source;
use super::error::Error;
use super::phases::Phases;

/// How a bank is built, beside its phases.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Built {
    /// Series sections in a unit; 0 is not known.
    pub sections_per_unit: u8,
    /// How it is switched.
    pub switching: Switching,
    /// How it is fused.
    pub fusing: Fusing,
    /// Units per phase of a second step with a switch of its own; 0 without one.
    pub second_step_units: u8,
}

impl Default for Built {
    fn default() -> Self {
        Self {
            sections_per_unit: Build::DEFAULT.sections,
            switching: Build::DEFAULT.switching,
            fusing: Build::DEFAULT.fusing,
            second_step_units: Build::DEFAULT.second_step_units,
        }
    }
}

impl Built {
    /// As the logger is told it.
    pub fn build(self, phases: Phases) -> Build {
        Build {
            phases: phases.wire(),
            sections: self.sections_per_unit,
            switching: self.switching,
            fusing: self.fusing,
            second_step_units: self.second_step_units,
        }
    }
}

/// The connection of a bank with these phases, each to ground.
pub fn connection(phases: Phases) -> Connection {
    match phases.iter().count() {
        1 => Connection::SinglePhase,
        2 => Connection::TwoPhase,
        _ => Connection::GroundedWye,
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum SwitchingWord {
    None,
    Ganged,
    PerPole,
}

impl SwitchingWord {
    pub const fn switching(self) -> Switching {
        match self {
            Self::None => Switching::None,
            Self::Ganged => Switching::Ganged,
            Self::PerPole => Switching::PerPole,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum FusingWord {
    None,
    Group,
    Individual,
}

impl FusingWord {
    pub const fn fusing(self) -> Fusing {
        match self {
            Self::None => Fusing::None,
            Self::Group => Fusing::Group,
            Self::Individual => Fusing::Individual,
        }
    }
}

/// The phases of a bank that is connected like this.
pub(super) fn phases(
    source: &Source,
    connection: &Spanned<String>,
    stated: Option<&Spanned<Phases>>,
) -> Result<Phases, Error> {
    let word = connection.get_ref().as_str();
    let count = match word {
        "grounded_wye" => 3,
        "two_phase" => 2,
        "single_phase" => 1,
        _ => {
            let quoted = Spanned::new(connection.span(), format!("\"{word}\""));
            let must = "must be \"grounded_wye\" (star point solidly grounded), \"two_phase\" or \"single_phase\" (each phase \
                        to ground)";
            let must = match why_not(word) {
                Some(why) => format!("not supported: {why}; {must}"),
                None => must.to_owned(),
            };
            return Err(source.wrong(&quoted, "bank.connection", must));
        }
    };
    let Some(stated) = stated else {
        if count == 3 {
            return Ok(Phases::ALL);
        }
        let what =
            format!("bank.phases is missing: must name the {count} of a {word} bank, by the letters ABC");
        return Err(source.at(connection.span().start, what));
    };
    let phases = *stated.get_ref();
    if phases.iter().count() != count {
        let quoted = Spanned::new(stated.span(), format!("\"{phases}\""));
        let must = format!("must name {count} of the phases ABC for a {word} bank");
        return Err(source.wrong(&quoted, "bank.phases", must));
    }
    Ok(phases)
}

/// Why a connection that exists cannot be watched by its voltages and its neutral current.
fn why_not(word: &str) -> Option<&'static str> {
    match word {
        "ungrounded_wye" => Some(
            "no current flows from its star point to ground, so the neutral current cannot tell its phases apart, and its \
             star must never be grounded to change that",
        ),
        "delta" => {
            Some("it has no star point, so there is no neutral current that could tell its phases apart")
        }
        _ => None,
    }
}
