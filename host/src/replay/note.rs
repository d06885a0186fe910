//! What there is to say about a record before anything is measured in it.

use std::fmt;

use wyelog_simulator::comtrade::{BankChannels, BankSignals, Record};
use wyelog_simulator::scenario::{BankFile, Phase};

use crate::number::count;

/// Something that whoever reads the results has to know about the record, as a sentence that names file and place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    sentence: String,
    /// Whether a part of the record could not be read or measured.
    pub is_loss: bool,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.sentence)
    }
}

impl Note {
    fn loss(sentence: String) -> Self {
        Self { sentence, is_loss: true }
    }

    fn hint(sentence: String) -> Self {
        Self { sentence, is_loss: false }
    }
}

/// All notes on a record. `bank_name` is the name of the bank's file.
pub(super) fn notes(
    record: &Record,
    channels: &BankChannels,
    signals: &BankSignals,
    bank: &BankFile,
    bank_name: &str,
) -> Vec<Note> {
    let mut notes = Vec::new();
    notes.extend(neutral(record, channels));
    notes.extend(absent(record, channels, bank, bank_name));
    notes.extend(length(record));
    notes.extend(defects(record, channels, signals));
    notes.extend(beyond(record, signals, bank, bank_name));
    notes.extend(frequency(record, bank, bank_name));
    notes.extend(ratios(record, channels, bank, bank_name));
    notes
}

fn neutral(record: &Record, channels: &BankChannels) -> Option<Note> {
    if channels.neutral.is_some() {
        return None;
    }
    let foreign = channels.foreign_neutral.and_then(|index| record.config.analog.get(index)).map(|channel| {
        format!(
            " ({} is the neutral current of {}; --neutral {} takes it)",
            channel.id, channel.component, channel.id
        )
    });
    Some(Note::hint(format!(
        "{}: no neutral current{}: voltages only, nothing is said of the bank",
        record.file,
        foreign.unwrap_or_else(|| " in the record".to_owned())
    )))
}

/// Voltages of the bank's phases that neither the record has nor the bank's file says are not measured.
fn absent(record: &Record, channels: &BankChannels, bank: &BankFile, bank_name: &str) -> Option<Note> {
    let is_new = |phase: &Phase| {
        let told = bank.told.present.get(phase.index()) == Some(&true);
        told && channels.voltage.get(phase.index()) == Some(&None)
    };
    let letters: Vec<String> =
        bank.bank.phases.iter().filter(is_new).map(|phase| phase.to_string()).collect();
    let first = letters.first()?;
    Some(Note::hint(format!(
        "{}: no voltage of {} in the record: taken as not measured, so that less can be told; say so in {bank_name} \
         ([sensors.{first}] present = false), and see what is left: wyelog capability {bank_name}",
        record.file,
        letters.join(", ")
    )))
}

fn length(record: &Record) -> Option<Note> {
    if record.missing_samples > 0 {
        return Some(Note::loss(format!(
            "{} byte {}: the file ends {} early; the rest is read",
            record.data_file,
            record.data_end,
            count(record.missing_samples, "sample")
        )));
    }
    (record.bytes_behind > 0).then(|| {
        Note::loss(format!(
            "{} byte {}: {} behind the samples that {} announces: not read; check its last sample number (endsamp)",
            record.data_file,
            record.data_end,
            count(record.bytes_behind, "byte"),
            record.file
        ))
    })
}

fn defects(record: &Record, channels: &BankChannels, signals: &BankSignals) -> Vec<Note> {
    let used = channels.voltage.into_iter().chain([channels.neutral]);
    let mut notes = Vec::new();
    for (defects, _) in signals.defects.iter().zip(used).filter(|(_, channel)| channel.is_some()) {
        let name = record.config.analog.get(defects.channel).map_or("?", |channel| channel.id.as_str());
        let place = |sample: usize| {
            let offset = record.offsets.get(sample).copied().unwrap_or_default();
            format!("{} byte {offset}: channel {name}", record.data_file)
        };
        if defects.missing > 0 {
            notes.push(Note::loss(format!(
                "{}: {} without a value, the first is number {}; what they touch is flagged",
                place(defects.first_missing),
                count(defects.missing, "sample"),
                defects.first_missing + 1
            )));
        }
        if defects.saturated > 0 {
            notes.push(Note::loss(format!(
                "{}: {} at the end of the converter's range, the first is number {}; what they touch is flagged",
                place(defects.first_saturated),
                count(defects.saturated, "sample"),
                defects.first_saturated + 1
            )));
        }
    }
    notes
}

/// Values that the record has and the logger's own converter would not: it sees them clipped.
fn beyond(record: &Record, signals: &BankSignals, bank: &BankFile, bank_name: &str) -> Vec<Note> {
    let sensors = bank.settings().sensors;
    let [a, b, c] = sensors.voltage.map(|sensor| sensor.full_scale.value_f64());
    let [volts_a, volts_b, volts_c] = &signals.volts;
    let mut notes = Vec::new();
    for (letter, values, range, unit) in [
        ("A", Some(volts_a), a, "V"),
        ("B", Some(volts_b), b, "V"),
        ("C", Some(volts_c), c, "V"),
        ("N", signals.neutral.as_ref(), sensors.neutral_full_scale.value_f64(), "A"),
    ] {
        let (Some(values), Some(range)) = (values, range) else { continue };
        let frames = values.iter().filter(|value| value.is_finite() && value.abs() >= range).count();
        if frames > 0 {
            notes.push(Note::hint(format!(
                "{}: {} of {letter} beyond {range:.0} {unit}, where its sensor is taken to saturate; what they touch is \
                 flagged; state where it does: clip in [sensors.{letter}] of {bank_name}",
                record.file,
                count(frames as u64, "value"),
            )));
        }
    }
    notes
}

fn frequency(record: &Record, bank: &BankFile, bank_name: &str) -> Option<Note> {
    let told = f64::from(bank.bank.frequency.hz());
    let stated = record.config.line_frequency_hz.filter(|hz| *hz != told)?;
    Some(Note::hint(format!(
        "{}: the record states {stated} Hz and {bank_name} {told} Hz; check which of them is right",
        record.file
    )))
}

/// Ratios that are used because the record has none, or that are not the record's.
fn ratios(record: &Record, channels: &BankChannels, bank: &BankFile, bank_name: &str) -> Vec<Note> {
    let [a, b, c] = channels.voltage;
    let mut notes = Vec::new();
    let used = [a, b, c, channels.neutral].into_iter().zip(bank.sensors).zip(["A", "B", "C", "N"]);
    for ((index, sensor), letter) in used {
        let (Some(index), Some(printed)) = (index, sensor.ratio) else { continue };
        let Some(channel) = record.config.analog.get(index).filter(|channel| channel.is_secondary) else {
            continue;
        };
        let (line, own) = (record.config.channel_line(index), channel.primary / channel.secondary);
        let (file, id) = (&record.file, &channel.id);
        if record.lacks_ratio(index) {
            notes.push(Note::hint(format!(
                "{file} line {line}: no ratio for the secondary values of {id}: {printed} is used, from {bank_name} \
                 (sensors.{letter})"
            )));
        } else if (printed / own - 1.0).abs() > 1e-3 {
            notes.push(Note::hint(format!(
                "{file} line {line}: the ratio of {id} is {own} there and {printed} in {bank_name} (sensors.{letter}); the \
                 record's is used"
            )));
        }
    }
    notes
}
