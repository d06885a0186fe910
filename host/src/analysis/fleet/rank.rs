//! Which bank comes first: what is dangerous, by kind; then what costs most, as far as that is certain.

use wyelog_protocol::condition::Condition;

use super::{AlarmRow, FleetRow, Observation, State};

/// What is dangerous, the most dangerous kind first.
pub const HAZARDS: [(Condition, &str); 6] = [
    (Condition::ElementShort, "shorted element"),
    (Condition::NeutralSignalLost, "star-point ground possibly lost"),
    (Condition::PoleFailedToOpen, "pole stuck closed"),
    (Condition::IntermittentPhase, "intermittent phase"),
    (Condition::Restrike, "restrike"),
    (Condition::ClosedWhileCharged, "closed while charged"),
];

/// How certain an alarm is that was detected and not announced. Our choice, no source.
pub const UNANNOUNCED: f64 = 0.5;

/// How certain an observation is: no logger raised it. Our choice, no source.
pub const OBSERVED: f64 = 0.3;

/// Where a bank stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rank {
    /// Place in [`HAZARDS`]; behind them what else somebody has to see to, then notes, then nothing.
    pub class: usize,
    /// kvarh lost a day × certainty, of all its open alarms.
    pub priority: f64,
    /// How certain the alarm or observation is that decides the class: 0 … 1.
    pub certainty: f64,
}

impl Rank {
    /// What kind of danger.
    pub fn hazard(&self) -> Option<&'static str> {
        HAZARDS.get(self.class).map(|(_, name)| *name)
    }

    /// Whether it stands before the other.
    pub fn order(&self, other: &Self) -> std::cmp::Ordering {
        (self.class.cmp(&other.class))
            .then(other.priority.total_cmp(&self.priority))
            .then(other.certainty.total_cmp(&self.certainty))
    }
}

/// How certain an alarm is: whether it was announced × how likely the change is more than the error of the differences
/// between the phases: erf(|fraction|/(σ·√2)), 1 where no fraction or no σ is known.
pub fn certainty(alarm: &AlarmRow, difference_sigma_pu: Option<f64>) -> f64 {
    let announced = if alarm.is_announced() { 1.0 } else { UNANNOUNCED };
    let change = alarm.fraction.zip(difference_sigma_pu.filter(|sigma| *sigma > 0.0));
    announced
        * change.map_or(1.0, |(change, sigma)| libm::erf(change.abs() / sigma / std::f64::consts::SQRT_2))
}

/// Of a row whose alarms and observations are settled.
pub fn rank(row: &FleetRow) -> Rank {
    let sigma = row.trust.difference_sigma_pu;
    let others = match row.state {
        State::Hazard | State::Crew | State::Look | State::Engineer => 0,
        State::Note => 1,
        State::Nothing => 2,
    };
    let mut rank = Rank { class: HAZARDS.len() + others, priority: 0.0, certainty: 0.0 };
    for alarm in row.pending() {
        let certain = certainty(alarm, sigma);
        rank.priority += certain * alarm.kvarh_lost_per_day().unwrap_or(0.0);
        let class = HAZARDS.iter().position(|(hazard, _)| Some(*hazard) == alarm.condition);
        rank.take(class.filter(|_| alarm.is_announced()), certain);
    }
    for observation in &row.observations {
        let class = matches!(observation, Observation::NeutralDoesNotFollow { .. }).then_some(1);
        rank.take(class, OBSERVED);
    }
    rank
}

impl Rank {
    fn take(&mut self, class: Option<usize>, certainty: f64) {
        let class = class.unwrap_or(HAZARDS.len());
        if class < self.class {
            (self.class, self.certainty) = (class, certainty);
        } else if class == self.class || class == HAZARDS.len() && self.class > class {
            self.certainty = self.certainty.max(certainty);
        }
    }
}
