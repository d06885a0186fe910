//! Finding the bank's channels in a record: by their phase and unit fields, or by name.

use super::config::AnalogChannel;
use super::error::Error;
use super::record::Record;

/// Names (`ch_id`) of channels, for a record whose phase and unit fields do not tell. A name `#5` that no channel has is
/// the fifth channel of its kind.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ChannelNames {
    /// Voltages to ground of A, B, C; `none`: there is none, whatever the record has.
    pub voltage: [Option<String>; 3],
    /// Neutral current, arrow from star to ground; `none`: there is none, whatever the record has.
    pub neutral: Option<String>,
    /// Status: told to be closed, or closed; `none`: there is none.
    pub contact: Option<String>,
}

impl ChannelNames {
    /// These names, and where one is missing the one of `other`.
    pub fn or(self, other: &Self) -> Self {
        let [a, b, c] = self.voltage;
        let [other_a, other_b, other_c] = &other.voltage;
        let either = |mine: Option<String>, other: &Option<String>| mine.or_else(|| other.clone());
        Self {
            voltage: [either(a, other_a), either(b, other_b), either(c, other_c)],
            neutral: either(self.neutral, &other.neutral),
            contact: either(self.contact, &other.contact),
        }
    }
}

/// Where the bank's channels are in a record, as indices into its analog and status channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BankChannels {
    /// Voltages to ground of A, B, C; one at least.
    pub voltage: [Option<usize>; 3],
    /// Neutral current.
    pub neutral: Option<usize>,
    /// A neutral current that was not taken: it belongs to another circuit component than the voltages that were named.
    pub foreign_neutral: Option<usize>,
    /// Status: told to be closed, or closed.
    pub contact: Option<usize>,
}

/// What is looked for: how it is called in messages, the phases and the unit that it has.
struct Wanted {
    what: &'static str,
    phases: &'static [&'static str],
    unit: &'static str,
    hint: &'static str,
}

/// Phases by letter, as conductors (L1, L2, L3: IEC 60445), and as R, S, T.
const VOLTAGES: [Wanted; 3] = [
    Wanted {
        what: "voltage of phase A (ph A, L1 or R, unit V or kV)",
        phases: &["A", "L1", "R"],
        unit: "V",
        hint: "name the channel: --voltage-a NAME (or none), or A in [channels] of the bank file",
    },
    Wanted {
        what: "voltage of phase B (ph B, L2 or S, unit V or kV)",
        phases: &["B", "L2", "S"],
        unit: "V",
        hint: "name the channel: --voltage-b NAME (or none), or B in [channels] of the bank file",
    },
    Wanted {
        what: "voltage of phase C (ph C, L3 or T, unit V or kV)",
        phases: &["C", "L3", "T"],
        unit: "V",
        hint: "name the channel: --voltage-c NAME (or none), or C in [channels] of the bank file",
    },
];
const NEUTRAL: Wanted = Wanted {
    what: "neutral current (ph N, unit A or kA)",
    phases: &["N", "NEUTRAL"],
    unit: "A",
    hint: "name the channel: --neutral NAME (or none), or N in [channels] of the bank file",
};
const CONTACT_HINT: &str =
    "name the channel: --contact NAME (or none), or contact in [channels] of the bank file";
const EXISTING: &str = "use a name that the record has";
/// Word for a channel that is not to be taken.
const NONE: &str = "none";

impl Record {
    /// Finds the voltages by phase and a unit of volts; the neutral current by phase N and a unit of amperes; the contact
    /// by a name that says close or the position of the switch. A name given in `names` goes before. Where a voltage is
    /// named, a neutral current must be on the same circuit component (`ccbm`) to be found.
    ///
    /// # Errors
    /// Two candidates; no voltage at all; a missing one beside a missing neutral current, or beside a voltage to which no phase
    /// was given. Any other voltage that is missing is a sensor that is not there; a missing contact, or a missing neutral
    /// current beside three voltages, is none.
    pub fn bank_channels(&self, names: &ChannelNames) -> Result<BankChannels, Error> {
        let mut voltage = [None; 3];
        for ((slot, name), wanted) in voltage.iter_mut().zip(&names.voltage).zip(&VOLTAGES) {
            *slot = match name {
                Some(word) if self.is_none(word) => None,
                Some(name) => Some(self.named(name, wanted)?),
                None => self.found(wanted, &|_| true)?,
            };
        }
        let taken: Vec<usize> = voltage.iter().flatten().copied().collect();
        if (1..taken.len())
            .any(|at| taken.get(..at).zip(taken.get(at)).is_some_and(|(before, this)| before.contains(this)))
        {
            let what = format!("one channel is named for two phases: {}", self.list(&taken));
            return Err(self.content(what, "name three different channels"));
        }
        let (mut neutral, mut foreign_neutral) = (None, None);
        match names.neutral.as_deref() {
            Some(word) if self.is_none(word) => {}
            Some(name) => neutral = Some(self.named(name, &NEUTRAL)?),
            None if names.voltage.iter().flatten().all(|name| self.is_none(name)) => {
                neutral = self.found(&NEUTRAL, &|_| true)?
            }
            None => {
                let first = taken.first().and_then(|index| self.config.analog.get(*index));
                let component = first.map_or("", |channel| channel.component.as_str());
                let is_same = |channel: &AnalogChannel| {
                    component.is_empty() || channel.component.is_empty() || channel.component == component
                };
                neutral = self.found(&NEUTRAL, &is_same)?;
                foreign_neutral = self.found(&NEUTRAL, &|channel| !is_same(channel)).unwrap_or(None);
            }
        }
        let missing = voltage.iter().zip(&names.voltage).zip(&VOLTAGES).find(|((found, name), _)| {
            found.is_none() && (name.is_none() || taken.is_empty() || neutral.is_none())
        });
        if let Some((_, wanted)) = missing
            && (taken.is_empty() || neutral.is_none() || self.has_other_voltage(&taken))
        {
            let what = format!("no {} among {}", wanted.what, self.analog_names(wanted.unit));
            return Err(self.content(what, wanted.hint));
        }
        let contact = self.contact(names.contact.as_deref())?;
        Ok(BankChannels {
            voltage,
            neutral,
            foreign_neutral: foreign_neutral.filter(|_| neutral.is_none()),
            contact,
        })
    }

    /// Whether there is a voltage that is not taken and not that of the star point.
    fn has_other_voltage(&self, taken: &[usize]) -> bool {
        let mut others = self
            .config
            .analog
            .iter()
            .enumerate()
            .filter(|(index, _)| !taken.contains(index))
            .map(|(_, other)| other);
        others.any(|channel| {
            unit_factor(&channel.unit, "V").is_some()
                && !NEUTRAL.phases.contains(&conductor(&channel.phase).as_str())
        })
    }

    pub(super) fn content(&self, what: String, hint: &'static str) -> Error {
        Error::Content { file: self.file.clone(), what, hint }
    }

    /// Whether this says that no channel is to be taken.
    fn is_none(&self, word: &str) -> bool {
        let ids = self.config.analog.iter().map(|channel| &channel.id);
        let ids = ids.chain(self.config.status.iter().map(|channel| &channel.id));
        word == NONE && !ids.into_iter().any(|id| id == NONE)
    }

    /// The analog channels of a unit, for a message; all of them if none has it.
    fn analog_names(&self, unit: &str) -> String {
        let of_unit = indices(&self.config.analog, |channel| unit_factor(&channel.unit, unit).is_some());
        let all: Vec<usize> = (0..self.config.analog.len()).collect();
        match (of_unit.as_slice(), all.as_slice()) {
            ([], []) => "no analog channels".to_owned(),
            ([], all) => self.list(all),
            (some, _) => self.list(some),
        }
    }

    fn list(&self, indices: &[usize]) -> String {
        let names = indices.iter().filter_map(|&index| {
            let channel = self.config.analog.get(index)?;
            let line = self.config.channel_line(index);
            Some(format!("{} (line {line}: ph {}, {})", channel.id, channel.phase, channel.unit))
        });
        names.collect::<Vec<_>>().join(", ")
    }

    fn found(
        &self,
        wanted: &Wanted,
        is_eligible: &dyn Fn(&AnalogChannel) -> bool,
    ) -> Result<Option<usize>, Error> {
        let is_it = |channel: &AnalogChannel| {
            wanted.phases.contains(&conductor(&channel.phase).as_str())
                && unit_factor(&channel.unit, wanted.unit).is_some()
                && is_eligible(channel)
        };
        match indices(&self.config.analog, is_it).as_slice() {
            [] => Ok(None),
            [index] => Ok(Some(*index)),
            several => {
                let what = format!(
                    "{} channels could be the {}: {}",
                    several.len(),
                    wanted.what,
                    self.list(several)
                );
                Err(self.content(what, wanted.hint))
            }
        }
    }

    fn named(&self, name: &str, wanted: &Wanted) -> Result<usize, Error> {
        let ids = self.config.analog.iter().map(|channel| channel.id.as_str());
        let index = match by_name(ids, name).as_slice() {
            [index] => *index,
            [] => {
                let what = format!("no channel \"{name}\" among {}", self.analog_names(wanted.unit));
                return Err(self.content(what, EXISTING));
            }
            several => {
                let what =
                    format!("{} channels have the name \"{name}\": {}", several.len(), self.list(several));
                return Err(
                    self.content(what, "name one by its number among the analog channels, such as #3")
                );
            }
        };
        let unit = self.config.analog.get(index).map_or("", |channel| channel.unit.as_str());
        if unit_factor(unit, wanted.unit).is_some() {
            return Ok(index);
        }
        Err(Error::Config {
            file: self.file.clone(),
            line: self.config.channel_line(index),
            what: format!("channel \"{name}\" has unit \"{unit}\" and cannot be the {}", wanted.what),
            hint: "name another channel, or correct the unit",
        })
    }

    fn contact(&self, name: Option<&str>) -> Result<Option<usize>, Error> {
        let status = &self.config.status;
        let (found, said) = match name {
            Some(word) if self.is_none(word) => return Ok(None),
            Some(name) => {
                let found = by_name(status.iter().map(|channel| channel.id.as_str()), name);
                if found.is_empty() {
                    return Err(self.content(format!("no status channel \"{name}\""), EXISTING));
                }
                (found, format!("have the name \"{name}\""))
            }
            None => {
                let commands = indices(status, |channel| says_close(&channel.id));
                let positions = indices(status, |channel| says_position(&channel.id));
                let found = if commands.is_empty() { positions } else { commands };
                (found, "could be the contact (close command or switch status)".to_owned())
            }
        };
        match found.as_slice() {
            [] => Ok(None),
            [index] => Ok(Some(*index)),
            several => {
                let names = several.iter().filter_map(|&index| {
                    let line = self.config.channel_line(self.config.analog.len() + index);
                    status.get(index).map(|channel| format!("{} (line {line})", channel.id))
                });
                let names = names.collect::<Vec<_>>().join(", ");
                Err(self.content(format!("{} status channels {said}: {names}", several.len()), CONTACT_HINT))
            }
        }
    }
}

/// The channels with this name: to the letter, else in any letter case, else by number.
fn by_name<'c>(ids: impl Iterator<Item = &'c str> + Clone, name: &str) -> Vec<usize> {
    let of = |is_it: &dyn Fn(&str) -> bool| -> Vec<usize> {
        ids.clone().enumerate().filter(|(_, id)| is_it(id)).map(|(index, _)| index).collect()
    };
    let exact = of(&|id| id == name);
    if !exact.is_empty() {
        return exact;
    }
    let alike = of(&|id| id.eq_ignore_ascii_case(name));
    let number = name.strip_prefix('#').and_then(|number| number.parse::<usize>().ok());
    match number.and_then(|number| number.checked_sub(1)).filter(|&index| index < ids.clone().count()) {
        Some(index) if alike.is_empty() => vec![index],
        _ => alike,
    }
}

/// The conductor that a phase field names: `A` of `A`, `AN`, `A-N`, `a-g`. A voltage between phases is left as it is.
fn conductor(phase: &str) -> String {
    let plain: String = phase.to_ascii_uppercase().chars().filter(char::is_ascii_alphanumeric).collect();
    let to_ground = plain.strip_suffix(['N', 'G']).filter(|rest| !rest.is_empty());
    to_ground.map_or(plain.clone(), str::to_owned)
}

/// Words of a name: letters and digits between anything else.
fn words(id: &str) -> Vec<String> {
    let upper = id.to_ascii_uppercase();
    upper
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_owned)
        .collect()
}

/// A command to close, or that it is closed; not that it failed to, is kept from it, or that a line recloses.
fn says_close(id: &str) -> bool {
    const NOT: [&str; 7] = ["RECLOS", "FAIL", "BLOCK", "LOCK", "INHIBIT", "OPEN", "TRIP"];
    let upper = id.to_ascii_uppercase();
    upper.contains("CLOSE") && !NOT.iter().any(|word| upper.contains(word))
}

/// The position of the switch: `52a` (IEEE C37.2: closed when the device is), `SW STATUS`, `SWITCH POSITION`.
fn says_position(id: &str) -> bool {
    let words = words(id);
    let has = |known: &[&str]| words.iter().any(|word| known.contains(&word.as_str()));
    has(&["52A"]) || has(&["SW", "SWITCH"]) && has(&["STATUS", "STATE", "POS", "POSITION"])
}

fn indices<T>(channels: &[T], is_it: impl Fn(&T) -> bool) -> Vec<usize> {
    channels.iter().enumerate().filter(|(_, channel)| is_it(channel)).map(|(index, _)| index).collect()
}

/// Factor from a unit such as `kV` to the plain one, `None` for another quantity.
pub(super) fn unit_factor(unit: &str, plain: &str) -> Option<f64> {
    // The first letter tells milli from mega; the rest is read in either case.
    let (prefix, rest) = unit.split_at_checked(unit.len().saturating_sub(1))?;
    if !rest.eq_ignore_ascii_case(plain) {
        return None;
    }
    match prefix {
        "" => Some(1.0),
        "k" | "K" => Some(1e3),
        "m" => Some(1e-3),
        "M" => Some(1e6),
        _ => None,
    }
}
