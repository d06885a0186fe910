//! The study itself: all records, and what came out of them, row by row.

use wyelog_protocol::condition::{Condition, Route};

use super::class::{Class, Group};
use super::judge::{FalseCall, Outcome, Verdict};
use super::parallel;
use super::record::Drawn;

/// A record that has been judged.
#[derive(Clone, Debug)]
pub struct Judged {
    /// Its number.
    pub index: usize,
    /// What happens in it.
    pub class: Class,
    /// Where its voltage sensors sit.
    pub places: [&'static str; 3],
    /// What became of it.
    pub verdict: Verdict,
}

impl Judged {
    /// Record `index` of the study with this seed.
    pub fn new(seed: u64, index: usize) -> Self {
        let drawn = Drawn::new(seed, index);
        let (_, verdict) = drawn.play();
        Self { index, class: drawn.class, places: drawn.places, verdict }
    }

    /// Whether all that is expected was found, as its group asks for, and nothing else was said that anybody acts on.
    pub fn is_right(&self) -> bool {
        self.is_found() && self.calls().next().is_none()
    }

    /// Whether all that is expected was found, as its group asks for.
    pub fn is_found(&self) -> bool {
        self.verdict.outcomes.iter().all(|outcome| match self.class.group() {
            Group::Whole | Group::OneSensor => outcome.is_right(),
            _ => outcome.is_exact(),
        })
    }

    /// False calls that somebody would act on.
    pub fn calls(&self) -> impl Iterator<Item = &FalseCall> {
        self.verdict.false_calls.iter().filter(|call| call.counts())
    }

    /// What is wrong with it, in a line; `None`: nothing.
    pub fn complaint(&self, seed: u64) -> Option<String> {
        let mut wrong = Vec::new();
        for outcome in &self.verdict.outcomes {
            let Outcome { expected, named, found, phases_right, kind_right, delay_s, .. } = outcome;
            let what = expected.condition.name();
            let phases: String = expected.phases.iter().flat_map(|phases| phases.letters()).collect();
            let name = named.map_or("nothing", Condition::name);
            if !found {
                wrong.push(format!("missed {what} {phases} from {:.2} s", expected.begin_s));
            } else if !phases_right {
                wrong.push(format!("{what} {phases}: said {name} of other phases"));
            } else if !kind_right {
                let is_allowed = matches!(self.class.group(), Group::Whole | Group::OneSensor);
                if !is_allowed {
                    wrong.push(format!("{what} {phases}: said {name}"));
                }
            }
            if *found && *delay_s > limit_s(self.class, outcome) {
                wrong.push(format!("{what} {phases} took {delay_s:.2} s"));
            }
        }
        for call in self.calls() {
            let phases: String = call.phases.letters().collect();
            wrong.push(format!("false {} {phases} at {:.2} s", call.condition.name(), call.at_s));
        }
        if let Some(accuracy) = self.verdict.accuracy {
            let worst = accuracy.errors.iter().fold(0.0, |worst: f64, error| worst.max(error.abs()));
            if worst > 4.0 {
                wrong.push(format!("y off by {worst:.1} standard deviations"));
            }
        }
        let places = if self.places.iter().all(|place| *place == self.places[0]) {
            self.places[0].to_owned()
        } else {
            self.places.join("/")
        };
        (!wrong.is_empty())
            .then(|| format!("{seed}/{} {} [{places}]: {}", self.index, self.class.name(), wrong.join("; ")))
    }
}

/// How long the detection may take at worst, in s.
pub fn limit_s(class: Class, outcome: &Outcome) -> f64 {
    match class.group() {
        Group::Whole | Group::OneSensor if outcome.expected.at_operation => 4.0,
        Group::Whole | Group::OneSensor => 3.0,
        _ => 10.0,
    }
}

/// Plays and judges so many records.
pub fn run(seed: u64, records: usize) -> Vec<Judged> {
    parallel::map(records, |index| Judged::new(seed, index))
}

/// A share: so many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    /// Those that are.
    pub right: usize,
    /// Of all.
    pub of: usize,
}

impl Share {
    /// Of these.
    pub fn of(all: impl IntoIterator<Item = bool>) -> Self {
        all.into_iter()
            .fold(Self::default(), |sum, is| Self { right: sum.right + usize::from(is), of: sum.of + 1 })
    }

    /// In percent.
    pub fn percent(self) -> f64 {
        100.0 * self.right as f64 / self.of as f64
    }
}

/// Outcomes of the records of these groups.
pub fn outcomes<'a>(
    judged: &'a [Judged],
    is_meant: impl Fn(&Judged) -> bool + 'a,
) -> impl Iterator<Item = &'a Outcome> + 'a {
    judged.iter().filter(move |record| is_meant(record)).flat_map(|record| &record.verdict.outcomes)
}

/// Records in which this route was called falsely, of those that are meant.
pub fn false_calls(judged: &[Judged], route: Route, is_meant: impl Fn(&Judged) -> bool) -> Share {
    let called = |record: &Judged| record.calls().any(|call| call.condition.route() == route);
    Share::of(judged.iter().filter(|record| is_meant(record)).map(called))
}

/// The value that this part of them does not exceed, and the largest; NaN without any. Values that are no number do not count.
pub fn quantile(values: impl IntoIterator<Item = f64>, part: f64) -> f64 {
    let mut sorted: Vec<f64> = values.into_iter().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let place = part * last as f64;
    let below = place as usize;
    let above = (below + 1).min(last);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_of_known_values() {
        let values = || (0..=100).rev().map(f64::from).chain([f64::NAN]);
        assert_eq!(quantile(values(), 0.5), 50.0);
        assert_eq!(quantile(values(), 0.95), 95.0);
        assert_eq!(quantile([1.0, 2.0], 0.5), 1.5);
        assert!(quantile([f64::NAN], 1.0).is_nan());
    }
}
