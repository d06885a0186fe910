//! Alarms of a store as values, and which of them are open.

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases, Route, Subject};

use super::FleetRow;
use super::rows::Key;
use crate::analysis::Filter;
use crate::analysis::alarm_history::alarm_history;
use crate::analysis::cells::Cells;
use crate::analysis::goes_on::{Standing, phases};
use crate::explain::{Case, Explanation, explain, in_short};
use crate::store::{Store, StoreError};
use crate::time::When;

/// An alarm whose announcement is not in the records counts as announced after this time: the record was lost. Route
/// `engineer` announces after ten minutes.
const SURELY_ANNOUNCED_S: f64 = 900.0;

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
    /// the range is open too.
    pub is_open: bool,
    /// From its beginning to its end or to the last interval.
    pub duration_s: f64,
    /// kvarh that its phases did not deliver; `None`: it takes no phase away.
    pub kvarh_lost: Option<f64>,
}

impl AlarmRow {
    /// Whether it persisted long enough for those who have to know.
    pub fn is_announced(&self) -> bool {
        self.announced_ms.is_some() || self.duration_s > SURELY_ANNOUNCED_S
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

    /// What it means; `None` for a condition of a newer logger.
    pub fn explain(&self) -> Option<Explanation> {
        Some(explain(&Case {
            condition: self.condition?,
            phases: self.phases,
            fraction: self.fraction,
            causes: self.causes.clone(),
        }))
    }

    /// kvarh lost a day while it lasts.
    pub fn kvarh_lost_per_day(&self) -> Option<f64> {
        self.kvarh_lost.filter(|_| self.duration_s > 0.0).map(|lost| lost / self.duration_s * 86_400.0)
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
        let end_ms = cells.ms("end_time", index);
        let ended_later = end_ms.zip(filter.to_ms).is_some_and(|(end, to)| end >= to);
        let id = cells.text("id", index).unwrap_or_default();
        let alarm = AlarmRow {
            note: acknowledged.get(&id).map(|mark| mark.note.clone()),
            id,
            condition,
            phases: phases(&cells.text("phases", index).unwrap_or_default()),
            fraction: cells.real("fraction", index),
            causes: causes.split(", ").filter_map(known).collect(),
            route: condition.map(Condition::route),
            begin: When {
                boot: cells.whole("boot", index).and_then(|boot| u32::try_from(boot).ok()).unwrap_or(0),
                frame: cells.whole("begin_frame", index).unwrap_or(0),
                utc_ms: cells.ms("begin_time", index).and_then(|ms| u64::try_from(ms).ok()),
                is_guessed: cells.text("time_quality", index).as_deref() == Some("guessed"),
            },
            detected_ms: cells.ms("detected_time", index),
            announced_ms: cells.ms("announced_time", index),
            end_ms,
            is_open: ended_later || cells.whole("end_frame", index).is_none(),
            duration_s: cells.real("duration_s", index).unwrap_or(0.0),
            kvarh_lost: cells.real("kvarh_lost", index),
            name,
        };
        Some(((cells.text("bank", index)?, cells.text("device", index)?), alarm))
    };
    Ok((0..cells.rows()).filter_map(row).collect())
}

/// Closes what is over without a record of its end, as far as is known of the row by now: before its last day is read, a lost
/// phase goes on.
pub(super) fn settle(row: &mut FleetRow) {
    let (last_boot, connected) = (row.last_boot.into(), row.recent.connected);
    for alarm in &mut row.alarms {
        let standing = Standing {
            condition: alarm.condition,
            phases: alarm.phases,
            has_ended: !alarm.is_open,
            boot: alarm.begin.boot.into(),
            last_boot,
        };
        alarm.is_open = standing.goes_on(connected);
    }
}
