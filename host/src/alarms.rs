//! What the events of one or many logs mean: one row for each occurrence of a condition.

mod json;
mod text;

use std::collections::BTreeMap;

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Change, Condition, Phases, Route};
use wyelog_protocol::quantity::PerUnit;
use wyelog_protocol::record::{Event, Evidence, Record};

use crate::clock::Timeline;
use crate::explain::Case;
use crate::log::Log;
use crate::time::When;

pub use json::to_json;
#[cfg(feature = "desk")]
pub(crate) use text::paragraph;
pub use text::{details, meaning, table};

/// One occurrence of a condition.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarm {
    /// Serial number of the logger, or the file's name where the log does not say.
    pub device: String,
    /// Name of the bank.
    pub bank: String,
    /// Number of the occurrence, counted from each start of the logger.
    pub occurrence: u32,
    /// Which condition.
    pub condition: Condition,
    /// Which phases.
    pub phases: Phases,
    /// How much of a phase was lost (positive) or gained (negative), of its rated capacitance.
    pub fraction: PerUnit,
    /// What may be behind it, the likeliest first.
    pub causes: Vec<Cause>,
    /// Since when it was so.
    pub begin: When,
    /// When the logger saw it; `None` if that record is not in the logs.
    pub detected: Option<When>,
    /// When it had persisted long enough to be announced.
    pub announced: Option<When>,
    /// When it stopped being so.
    pub end: Option<When>,
    /// What it was decided from: of a condition of the bank at the earliest change in the logs, of the feeder at the latest,
    /// which has the residual voltages.
    pub evidence: Evidence,
}

impl Alarm {
    /// Who has to know.
    pub const fn route(&self) -> Route {
        self.condition.route()
    }

    /// What there is to explain.
    pub fn case(&self) -> Case {
        Case {
            condition: self.condition,
            phases: self.phases,
            fraction: self.fraction.value_f64(),
            causes: self.causes.clone(),
        }
    }

    /// How long it lasted in s; `None` while it goes on.
    pub fn duration_s(&self) -> Option<f64> {
        Some(self.end?.seconds() - self.begin.seconds())
    }
}

/// Logger, start, occurrence, condition, frame of the beginning. The first three would do, had not a logger whose flash
/// was replaced, and every simulated one, a first start again: its alarms are others.
type Key = (String, u32, u32, &'static str, u64);

/// Brings the events of many logs together. The same event in two logs is one.
#[derive(Clone, Debug, Default)]
pub struct Collector {
    alarms: BTreeMap<Key, Kept>,
}

/// An alarm, and the frames of the records that its parts are of.
#[derive(Clone, Debug)]
struct Kept {
    alarm: Alarm,
    /// Of phases and evidence.
    decisive: u64,
    /// Of fraction and causes: 0 while there are none.
    explained: u64,
}

impl Collector {
    /// Takes all events of a log; `file` names the logger where the log itself does not.
    pub fn log(&mut self, file: &str, log: &Log) {
        let device = log.identity.as_ref().map_or(file, |identity| &identity.serial);
        let mut bank = String::new();
        let timeline = Timeline::of_records(&log.records);
        for kept in &log.records {
            match &kept.record {
                Record::Settings(settings) => bank = settings.settings.nameplate.name.to_string(),
                Record::Event(event) => self.event_at(device, &bank, event, &|when| when.on(&timeline)),
                _ => {}
            }
        }
    }

    /// Takes one event.
    pub fn event(&mut self, device: &str, bank: &str, event: &Event) {
        self.event_at(device, bank, event, &|when| when);
    }

    fn event_at(&mut self, device: &str, bank: &str, event: &Event, on: &dyn Fn(When) -> When) {
        let boot = event.stamp.boot;
        let new = Alarm {
            device: device.to_owned(),
            bank: bank.to_owned(),
            occurrence: event.occurrence,
            condition: event.condition,
            phases: event.phases,
            fraction: PerUnit::ABSENT,
            causes: Vec::new(),
            begin: on(When::of(boot, &event.begin)),
            detected: None,
            announced: None,
            end: None,
            evidence: event.evidence,
        };
        let key = (device.to_owned(), boot, event.occurrence, event.condition.name(), event.begin.frame);
        let frame = event.stamp.frame;
        let kept = self.alarms.entry(key).or_insert(Kept { alarm: new, decisive: frame, explained: 0 });
        let Kept { alarm, decisive, explained } = kept;
        if alarm.bank.is_empty() {
            alarm.bank = bank.to_owned();
        }
        if if event.condition.concerns_bank() { frame < *decisive } else { frame > *decisive } {
            *decisive = frame;
            alarm.evidence = event.evidence;
            alarm.phases = event.phases;
        }
        // The longer it was looked at, the better the causes are known.
        if frame >= *explained && !(event.causes.is_empty() && event.fraction.value().is_none()) {
            *explained = frame;
            alarm.fraction = event.fraction;
            alarm.causes = event.causes.to_vec();
        }
        let when = Some(on(When::from(&event.stamp)));
        match event.change {
            Change::Detected => alarm.detected = when,
            Change::Announced => alarm.announced = when,
            Change::Ended => alarm.end = event.end.as_ref().map(|end| on(When::of(boot, end))).or(when),
        }
    }

    /// The occurrences by logger, and in the order in which they began.
    pub fn into_alarms(self) -> Vec<Alarm> {
        let mut alarms: Vec<Alarm> = self.alarms.into_values().map(|kept| kept.alarm).collect();
        alarms.sort_by(|a, b| {
            let key = |alarm: &Alarm| (alarm.begin.boot, alarm.begin.frame, alarm.occurrence);
            a.device.cmp(&b.device).then(key(a).cmp(&key(b)))
        });
        alarms
    }
}

#[cfg(test)]
mod tests;
