//! What the numbers of a bank show though its logger raised no alarm: few things, each with what can be known and no more.

use super::{FleetRow, State};
use crate::analysis::trend::{Bucket, Span, trend};
use crate::number::plain;
use crate::store::{Store, StoreError};

/// When the neutral current counts as not following the voltages. Our choices; common practice has no number, no source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Neutral {
    /// Fewest good intervals.
    pub least_intervals: usize,
    /// Smallest explained current, in pu: below it a dead lead, which picks up up to 0.02 pu, cannot be told from a live one.
    pub least_explained_pu: f64,
    /// Largest part of the explained current that is measured.
    pub most_measured: f64,
    /// Largest part of the changes of the explained current that the measured one follows.
    pub most_follows: f64,
    /// Where the explained current hardly changes: its smallest size, in pu. Units of one bank may differ by 10 % (IEEE 18),
    /// which can cancel 0.1 pu of it in a healthy bank.
    pub least_constant_pu: f64,
}

/// The numbers in force.
pub const NEUTRAL: Neutral = Neutral {
    least_intervals: 12,
    least_explained_pu: 0.03,
    most_measured: 0.5,
    most_follows: 0.5,
    least_constant_pu: 0.2,
};

/// Unexplained neutral current above this, in pu, is more than the tolerance of whole units (0 to +10 %, IEEE 18) and
/// sensors of a few percent can make. Our choice.
pub const UNEXPLAINED_PU: f64 = 0.15;

/// A bank whose records end this long before those of the store is called silent. Our choice.
pub const SILENT_MS: i64 = 86_400_000;

/// More than this part of the intervals flagged is said. Our choice.
pub const FLAGGED_PERCENT: f64 = 10.0;

/// Something that does not fit. It is no alarm: no logger raised it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Observation {
    /// The neutral current stays small where the voltages explain more, and does not change with it.
    NeutralDoesNotFollow {
        /// Measured, median of the last day, in A.
        measured_a: f64,
        /// Explained by the voltages, in A.
        explained_a: f64,
        /// Since about when: UTC ms; `None`: since the beginning.
        since_ms: Option<i64>,
    },
    /// Much of the neutral current is not explained by the voltages.
    NeutralUnexplained {
        /// Median of the last day, in A.
        unexplained_a: f64,
        /// The same, per unit of the rated current.
        unexplained_pu: f64,
    },
    /// Its records end before those of the others.
    Silent {
        /// End of its last interval: UTC ms.
        last_ms: i64,
        /// Where the records of the store end; see [`fleet`](super::fleet).
        store_ms: i64,
    },
    /// Much of its time is flagged.
    Flagged {
        /// Part of its intervals.
        percent: f64,
    },
}

impl Observation {
    /// What the bank needs for it.
    pub const fn state(&self) -> State {
        match self {
            Self::NeutralDoesNotFollow { .. } | Self::NeutralUnexplained { .. } => State::Look,
            Self::Silent { .. } | Self::Flagged { .. } => State::Note,
        }
    }

    pub(super) const fn since_ms(&self) -> Option<i64> {
        match self {
            Self::NeutralDoesNotFollow { since_ms, .. } => *since_ms,
            _ => None,
        }
    }

    pub(super) const fn set_since_ms(&mut self, ms: Option<i64>) {
        if let Self::NeutralDoesNotFollow { since_ms, .. } = self {
            *since_ms = ms;
        }
    }

    /// In half a sentence, without the numbers.
    pub const fn in_short(&self) -> &'static str {
        match self {
            Self::NeutralDoesNotFollow { .. } => "neutral current does not follow the voltages",
            Self::NeutralUnexplained { .. } => "neutral current not explained by the voltages",
            Self::Silent { .. } => "no records at the end",
            Self::Flagged { .. } => "much flagged time",
        }
    }

    /// What to do about it.
    pub const fn todo(&self) -> &'static str {
        match self {
            Self::NeutralDoesNotFollow { .. } => {
                "Treat star, rack and tanks as energised. Compare with the contact input whether the bank is closed; then a \
                 crew looks at the star-point ground and at the sensor's lead, with the bank isolated, tested and grounded \
                 by its own rules."
            }
            Self::NeutralUnexplained { .. } => {
                "Compare with what was measured when the bank was commissioned; then check the polarity and ratio of the \
                 neutral sensor, and the capacitance of each phase with the bank isolated, discharged and grounded."
            }
            Self::Silent { .. } => "Fetch the log; if the logger does not answer, look at its supply.",
            Self::Flagged { .. } => {
                "Look at what is behind it: dips of the feeder, or a sensor out of its range."
            }
        }
    }

    /// What is known.
    pub fn sentence(&self) -> String {
        match *self {
            Self::NeutralDoesNotFollow { measured_a, explained_a, since_ms } => format!(
                "the neutral current does not follow the voltages{}: {} A measured where the voltages explain {} A; broken \
                 sensor lead, broken star-point ground, or a bank that stands open – treat the star as energised",
                since(since_ms),
                plain(measured_a, 2),
                plain(explained_a, 2)
            ),
            Self::NeutralUnexplained { unexplained_a, unexplained_pu } => format!(
                "{} A of neutral current that the voltages do not explain ({} of the rated current), more than the \
                 tolerance of whole units: part of a phase missing, or ratio or polarity of a sensor wrong",
                plain(unexplained_a, 1),
                plain(unexplained_pu, 2)
            ),
            Self::Silent { last_ms, store_ms } => {
                let hours = (store_ms - last_ms) as f64 / 3_600_000.0;
                let before = if hours < 72.0 {
                    format!("{} hours", plain(hours, 0))
                } else {
                    format!("{} days", plain(hours / 24.0, 0))
                };
                format!(
                    "its records end {before} before those of the store: a silent logger, or a log that nobody has fetched \
                     yet"
                )
            }
            Self::Flagged { percent } => format!(
                "{} % of its intervals are flagged (interruptions, clipped channels or lost frames) and left out of means",
                plain(percent, 0)
            ),
        }
    }
}

/// Of a row whose alarms and recent values are known; `store_ms` is where the records of the store end.
pub(super) fn observe(row: &FleetRow, store_ms: Option<i64>) -> Vec<Observation> {
    let mut found = Vec::new();
    let about_bank = |alarm: &super::AlarmRow| {
        alarm.is_open && alarm.condition.is_none_or(wyelog_protocol::condition::Condition::concerns_bank)
    };
    if !row.alarms.iter().any(about_bank) {
        found.extend(neutral(row));
    }
    if let (Some(last_ms), Some(store_ms)) = (row.last_ms, store_ms)
        && store_ms.saturating_sub(last_ms) > SILENT_MS
    {
        found.push(Observation::Silent { last_ms, store_ms });
    }
    let percent = 100.0 * row.flagged as f64 / row.intervals.max(1) as f64;
    if percent > FLAGGED_PERCENT && row.intervals >= 60 {
        found.push(Observation::Flagged { percent });
    }
    found
}

/// " since about 2030-05-09 03:00 UTC".
fn since(ms: Option<i64>) -> String {
    let utc = ms.and_then(|ms| u64::try_from(ms).ok()).map(crate::time::utc);
    let minute = utc.and_then(|utc| utc.get(..16).map(|minute| minute.replace('T', " ")));
    minute.map_or_else(String::new, |minute| format!(" since about {minute} UTC"))
}

/// Stretches in which the beginning of an observation is looked for.
const STRETCHES: usize = 480;

/// Finds since when the neutral current does not follow: walks back from the end as long as too little is measured.
pub(super) fn date(store: &Store, row: &mut FleetRow) -> Result<(), StoreError> {
    let (Some(first_ms), Some(last_ms)) = (row.first_ms, row.last_ms) else { return Ok(()) };
    let span = Span { bank: &row.bank, device: &row.device, first_ms, last_ms, interval_s: row.interval_s };
    for observation in &mut row.observations {
        let Observation::NeutralDoesNotFollow { since_ms, .. } = observation else { continue };
        let trend = trend(store, &span, STRETCHES)?;
        let follows = |bucket: &Bucket| {
            let (measured, explained) = (bucket.measured_a.rms(), bucket.explained_a.rms());
            measured.zip(explained).is_some_and(|(n, e)| n >= NEUTRAL.most_measured * e)
        };
        let last = trend.buckets.iter().rposition(follows);
        *since_ms = last.map(|last| trend.begin_ms(last + 1));
    }
    Ok(())
}

fn neutral(row: &FleetRow) -> Option<Observation> {
    let recent = &row.recent;
    let (measured, explained) = (recent.measured_pu?, recent.explained_pu?);
    let (unexplained, rated_a) = (recent.unexplained_pu?, recent.rated_a?);
    if recent.intervals < NEUTRAL.least_intervals {
        return None;
    }
    let is_small = explained >= NEUTRAL.least_explained_pu && measured < NEUTRAL.most_measured * explained;
    let stays = recent
        .follows
        .map_or(explained >= NEUTRAL.least_constant_pu, |follows| follows < NEUTRAL.most_follows);
    if is_small && stays {
        return Some(Observation::NeutralDoesNotFollow {
            measured_a: measured * rated_a,
            explained_a: explained * rated_a,
            since_ms: None,
        });
    }
    (unexplained > UNEXPLAINED_PU).then_some(Observation::NeutralUnexplained {
        unexplained_a: unexplained * rated_a,
        unexplained_pu: unexplained,
    })
}
