//! Alarms of a store as values, and which of them are open.

use std::collections::BTreeMap;

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases, Route, Subject};

use super::PENDING_MS;
use super::rows::Key;
use crate::analysis::Filter;
use crate::analysis::alarm_history::alarm_history;
use crate::analysis::cells::Cells;
use crate::analysis::goes_on::phases;
use crate::explain::{Case, Explanation, explain, in_short};
use crate::store::{Store, StoreError};
use crate::time::{GUESSED, When, minute};

/// An alarm whose announcement is not in the records counts as announced after this time: the record was lost. Route
/// `engineer` announces after ten minutes.
const SURELY_ANNOUNCED_S: f64 = 900.0;

/// An alarm that has ended is pending if it was announced so often in the last 30 days. Our choice.
pub const RECURRING: usize = 3;

/// One occurrence of a condition.
#[derive(Clone, Debug)]
pub struct AlarmRow {
    /// Names the occurrence, see [`alarm_history`](crate::analysis::alarm_history::alarm_history).
    pub id: String,
    /// What somebody noted who has looked at it.
    pub note: Option<String>,
    /// Name of the condition.
    pub name: String,
    /// The condition; `None`: a newer logger's.
    pub condition: Option<Condition>,
    /// Which phases.
    pub phases: Phases,
    /// How much of a phase was lost (positive) or gained (negative), of its rated capacitance.
    pub fraction: Option<f64>,
    /// What may be behind it, the likeliest first; those of a newer logger are left out.
    pub causes: Vec<Cause>,
    /// Who has to know.
    pub route: Option<Route>,
    /// Since when it is so.
    pub begin: When,
    /// When the logger saw it: UTC ms.
    pub detected_ms: Option<i64>,
    /// When it was announced.
    pub announced_ms: Option<i64>,
    /// When it ended.
    pub end_ms: Option<i64>,
    /// Its end is not in the records, and nothing later shows that it is over: an interruption does not outlast a restart
    /// of the logger; a blown fuse does, unless its phases carry again after it. With a range, an alarm that ended after
    /// the range is open too. What a logger finds again after a restart is the same alarm, since its first start.
    pub is_open: bool,
    /// The records have its announcement.
    pub has_announcement: bool,
    /// Of an alarm that has ended, the newest of its kind: how often it was announced in the last [`PENDING_MS`](super::PENDING_MS)
    /// of the records, if that is [`RECURRING`] times or more.
    pub recurs: Option<usize>,
    /// From its beginning to its end or to the last interval.
    pub duration_s: f64,
    /// The part of that in which its logger was on.
    pub recorded_s: f64,
    /// kvarh that its phases did not deliver; `None`: it takes no phase away.
    pub kvarh_lost: Option<f64>,
}

impl AlarmRow {
    /// Whether it persisted long enough for those who have to know.
    pub fn is_announced(&self) -> bool {
        self.has_announcement || self.duration_s > SURELY_ANNOUNCED_S
    }

    /// Lower is more urgent.
    pub fn urgency(&self) -> u8 {
        match self.route {
            Some(Route::Hazard) => 0,
            Some(Route::Crew) => 1,
            None => 2,
            Some(Route::Engineer) => 3,
            Some(Route::LogOnly) => 4,
        }
    }

    /// "fuse of phase B most likely blown".
    pub fn in_short(&self) -> String {
        self.condition.map_or_else(
            || format!("{}, which this version does not know", self.name.replace('_', " ")),
            |condition| in_short(condition, self.phases),
        )
    }

    /// Since when it is so, or when it was: "since 2030-05-05 22:36 UTC", "9 times in 30 days, last 2030-05-09 06:03 UTC".
    pub fn when(&self) -> String {
        let mark = if self.begin.is_guessed { GUESSED } else { "" };
        let begin = self.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok());
        let begin = begin.map_or_else(|| self.begin.to_string(), |ms| format!("{mark}{} UTC", minute(ms)));
        self.recurs.map_or_else(
            || format!("since {begin}"),
            |times| format!("{times} times in 30 days, last {begin}"),
        )
    }

    /// What it means; `None` for a condition of a newer logger.
    pub fn explain(&self) -> Option<Explanation> {
        Some(explain(&Case {
            condition: self.condition?,
            phases: self.phases,
            fraction: self.fraction,
            causes: self.causes.clone(),
        }))
    }

    /// kvarh lost in a recorded day while it lasts; `None`: it is over.
    pub fn kvarh_lost_per_day(&self) -> Option<f64> {
        let known = self.kvarh_lost.filter(|_| self.is_open && self.recorded_s > 0.0);
        known.map(|lost| lost / self.recorded_s * 86_400.0)
    }

    /// Whether it began in the last [`PENDING_MS`] up to `last_ms`, the end of the records; while the clock had not been set, in
    /// the last start.
    pub(super) fn is_late(&self, last_ms: Option<i64>, last_boot: u32) -> bool {
        match self.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok()) {
            Some(begin) => last_ms.is_some_and(|last| last - begin <= PENDING_MS),
            None => self.begin.boot == last_boot,
        }
    }

    /// A hazard that was over once it had been said: a restrike, a charged closing.
    pub(super) fn is_passed_hazard(&self) -> bool {
        let is_switching = |condition: Condition| condition.subject() == Subject::Switching;
        self.route == Some(Route::Hazard) && self.condition.is_some_and(is_switching)
    }
}

/// Every alarm with its bank, the newest first.
pub(super) fn read(store: &Store, filter: &Filter) -> Result<Vec<(Key, AlarmRow)>, StoreError> {
    let acknowledged = store.acknowledged()?;
    let frame = alarm_history(store, filter)?;
    let cells = Cells(&frame);
    let row = |index: usize| {
        let name = cells.text("condition", index)?;
        let condition = Condition::ALL.into_iter().find(|condition| condition.name() == name);
        let causes = cells.text("causes", index).unwrap_or_default();
        let known = |name: &str| Cause::ALL.into_iter().find(|cause| cause.name() == name);
        let mark = cells.text("noted_id", index).and_then(|id| acknowledged.get(&id));
        let alarm = AlarmRow {
            note: mark.map(|mark| mark.note.clone()),
            id: cells.text("since_id", index).unwrap_or_default(),
            condition,
            phases: phases(&cells.text("phases", index).unwrap_or_default()),
            fraction: cells.real("fraction", index),
            causes: causes.split(", ").filter_map(known).collect(),
            route: condition.map(Condition::route),
            begin: When {
                boot: cells.whole("since_boot", index).and_then(|boot| u32::try_from(boot).ok()).unwrap_or(0),
                frame: cells.whole("since_frame", index).unwrap_or(0),
                utc_ms: cells.ms("since_time", index).and_then(|ms| u64::try_from(ms).ok()),
                is_guessed: cells.text("since_time_quality", index).as_deref() == Some("guessed"),
            },
            detected_ms: cells.ms("since_detected_time", index),
            announced_ms: cells.ms("since_announced_time", index),
            end_ms: cells.ms("end_time", index),
            has_announcement: cells.is_true("since_is_announced", index),
            is_open: cells.is_true("is_open", index),
            recurs: None,
            duration_s: cells.real("since_duration_s", index).unwrap_or(0.0),
            recorded_s: cells.real("since_recorded_s", index).unwrap_or(0.0),
            kvarh_lost: cells.real("since_kvarh_lost", index),
            name,
        };
        Some(((cells.text("bank", index)?, cells.text("device", index)?), alarm))
    };
    // What goes on after a restart stands in the row of its last start, and began with the first.
    let rows = (0..cells.rows()).filter(|row| !cells.is_true("is_continued", *row));
    let mut alarms: Vec<(Key, AlarmRow)> = rows.filter_map(row).collect();
    alarms.sort_by_key(|(_, alarm)| std::cmp::Reverse(alarm.begin.utc_ms));
    Ok(alarms)
}

/// Marks the newest of what was announced again and again up to `last_ms`, the end of the records, and has ended each time.
/// The newest alarms stand first.
pub(super) fn mark_recurring(alarms: &mut [AlarmRow], last_ms: Option<i64>, last_boot: u32) {
    let mut counts: BTreeMap<(String, u8), (usize, usize)> = BTreeMap::new();
    for (place, alarm) in alarms.iter().enumerate() {
        if alarm.is_announced() && alarm.route != Some(Route::LogOnly) && alarm.is_late(last_ms, last_boot) {
            let (_, times) = counts.entry((alarm.name.clone(), alarm.phases.bits())).or_insert((place, 0));
            *times += 1;
        }
    }
    for (place, times) in counts.into_values().filter(|(_, times)| *times >= RECURRING) {
        if let Some(alarm) = alarms.get_mut(place).filter(|alarm| !alarm.is_open) {
            alarm.recurs = Some(times);
        }
    }
}
