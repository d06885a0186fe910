//! Episodes of a bank, and which of them are the same event.

use std::collections::BTreeMap;

use wyelog_protocol::condition::Condition;

use super::{DEPTH_PU, DURATION_PART, SHAPES, UNKNOWN_ERROR_S, WINDOW_S};

/// Frames a second.
const FRAMES: f64 = wyelog_protocol::FRAMES_PER_SECOND as f64;
/// What follows on each other within this is one episode, in s. Our choice: shorter than the first shot of a recloser.
const APART_S: f64 = 0.25;
/// Three cycles at 50 Hz: windows of loggers do not begin together.
const LEAST_DURATION_S: f64 = 0.06;

/// An occurrence of a condition of the voltage.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub row: usize,
    pub condition: Condition,
    pub feeder: Option<String>,
    pub bank: String,
    pub device: String,
    pub boot: u64,
    pub begin_frame: u64,
    pub begin_ms: Option<i64>,
    pub error_s: Option<f64>,
    pub duration_s: f64,
    pub phases: String,
    pub depths: [Option<f64>; 3],
    pub is_open: bool,
}

/// What one bank saw of an event.
#[derive(Clone, Debug)]
pub(super) struct Episode {
    pub rows: Vec<usize>,
    pub conditions: Vec<Condition>,
    pub feeder: Option<String>,
    pub bank: String,
    pub device: String,
    pub begin_ms: Option<i64>,
    pub error_s: Option<f64>,
    pub duration_s: f64,
    pub phases: String,
    /// The voltages furthest from 1.
    pub depths: [Option<f64>; 3],
    pub is_open: bool,
    begin_frame: f64,
    end_frame: f64,
}

/// Brings what each logger saw on end together.
pub(super) fn episodes(mut seen: Vec<Seen>) -> Vec<Episode> {
    // Of what began at once, the order of the rows is not always the same.
    let place = |one: &Seen| SHAPES.iter().position(|condition| *condition == one.condition);
    seen.sort_by(|a, b| {
        (&a.device, &a.bank, a.boot, a.begin_frame, place(a), a.row).cmp(&(
            &b.device,
            &b.bank,
            b.boot,
            b.begin_frame,
            place(b),
            b.row,
        ))
    });
    let mut episodes: Vec<Episode> = Vec::new();
    let mut before: Option<(String, String, u64)> = None;
    for one in seen {
        let begin = one.begin_frame as f64;
        let end = begin + one.duration_s * FRAMES;
        let who = Some((one.device.clone(), one.bank.clone(), one.boot));
        let goes_on = before == who;
        before = who;
        match episodes.last_mut().filter(|last| goes_on && begin <= last.end_frame + APART_S * FRAMES) {
            Some(last) => last.take(&one, end),
            None => episodes.push(Episode::begin(&one, end)),
        }
    }
    episodes
}

impl Episode {
    fn begin(one: &Seen, end_frame: f64) -> Self {
        let is_shape = one.condition != Condition::EnergisedWithFeeder;
        Self {
            rows: vec![one.row],
            conditions: vec![one.condition],
            feeder: one.feeder.clone(),
            bank: one.bank.clone(),
            device: one.device.clone(),
            begin_ms: one.begin_ms,
            error_s: one.error_s,
            duration_s: one.duration_s,
            phases: if is_shape { one.phases.clone() } else { String::new() },
            depths: if is_shape { one.depths } else { [None; 3] },
            is_open: one.is_open,
            begin_frame: one.begin_frame as f64,
            end_frame,
        }
    }

    fn take(&mut self, one: &Seen, end_frame: f64) {
        self.rows.push(one.row);
        self.conditions.push(one.condition);
        self.is_open |= one.is_open;
        // A bank that comes back says nothing of how deep it was.
        if one.condition == Condition::EnergisedWithFeeder {
            return;
        }
        self.end_frame = self.end_frame.max(end_frame);
        self.duration_s = (self.end_frame - self.begin_frame) / FRAMES;
        for phase in one.phases.chars() {
            if !self.phases.contains(phase) {
                self.phases.push(phase);
            }
        }
        for (kept, new) in self.depths.iter_mut().zip(one.depths) {
            let off = |depth: &Option<f64>| depth.map_or(-1.0, |depth| (depth - 1.0).abs());
            if off(&new) > off(kept) {
                *kept = new;
            }
        }
    }

    fn window_ms(&self) -> f64 {
        1000.0 * self.error_s.unwrap_or(UNKNOWN_ERROR_S)
    }

    fn touched(&self) -> Vec<char> {
        let mut phases: Vec<char> = self.phases.chars().collect();
        phases.sort_unstable();
        phases
    }

    /// How unlike two shapes are, 0 … about 5; `None`: they are not one event.
    fn unlike(&self, other: &Self) -> Option<f64> {
        if self.touched() != other.touched() || self.is_open != other.is_open {
            return None;
        }
        let longest = self.duration_s.max(other.duration_s);
        let allowed = (DURATION_PART * longest).max(LEAST_DURATION_S);
        let duration = (self.duration_s - other.duration_s).abs() / allowed;
        // What goes on is as long as its log.
        let mut sum = if self.is_open { 0.0 } else { duration };
        if sum > 1.0 {
            return None;
        }
        for (one, other) in self.depths.iter().zip(other.depths) {
            let Some((one, other)) = one.zip(other) else { continue };
            let depth = (one - other).abs() / DEPTH_PU;
            if depth > 1.0 {
                return None;
            }
            sum += depth;
        }
        let apart_ms = (self.begin_ms? - other.begin_ms?).abs() as f64;
        let window_ms = 1000.0 * WINDOW_S + self.window_ms() + other.window_ms();
        // Between two that look alike, the nearer.
        (apart_ms <= window_ms).then(|| sum + apart_ms / window_ms)
    }
}

/// Which episodes of the banks of a feeder are one event: each goes to the event it is most like, and none has a bank twice.
pub(super) fn cluster(episodes: Vec<Episode>) -> Vec<Vec<Episode>> {
    let mut feeders: BTreeMap<String, Vec<Episode>> = BTreeMap::new();
    let mut clusters = Vec::new();
    for episode in episodes {
        match (&episode.feeder, episode.begin_ms) {
            (Some(feeder), Some(_)) => feeders.entry(feeder.clone()).or_default().push(episode),
            // Without a feeder or a time nothing can be compared.
            _ => clusters.push(vec![episode]),
        }
    }
    for (_, mut episodes) in feeders {
        episodes.sort_by(|a, b| (a.begin_ms, &a.device).cmp(&(b.begin_ms, &b.device)));
        let widest = episodes.iter().map(Episode::window_ms).fold(0.0, f64::max);
        let mut here: Vec<Vec<Episode>> = Vec::new();
        for episode in episodes {
            let begin = episode.begin_ms.unwrap_or(0) as f64;
            let reach = 1000.0 * WINDOW_S + episode.window_ms() + widest;
            let near = here.iter_mut().rev().take_while(|cluster| {
                // Clusters are in the order of their first episode; its members lie within two windows of it.
                cluster.first().and_then(|first| first.begin_ms).is_some_and(|ms| begin - ms as f64 <= reach)
            });
            let fits = near.filter_map(|cluster| {
                let is_in = cluster.iter().any(|member| member.device == episode.device);
                let unlike = cluster.first()?.unlike(&episode).filter(|_| !is_in)?;
                Some((unlike, cluster))
            });
            match fits.min_by(|(a, _), (b, _)| a.total_cmp(b)) {
                Some((_, cluster)) => cluster.push(episode),
                None => here.push(vec![episode]),
            }
        }
        clusters.append(&mut here);
    }
    clusters
}

/// The middle of the values, or the mean of the two middle ones.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    let lower = *values.get(values.len().saturating_sub(1) / 2)?;
    Some((upper + lower) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dip of all phases to `depth` for `duration_s` at `at_s`, by a clock good to a second.
    fn dip(bank: &str, at_s: f64, duration_s: f64, depth: f64) -> Seen {
        Seen {
            row: 0,
            condition: Condition::Sag,
            feeder: Some("East".to_owned()),
            bank: bank.to_owned(),
            device: format!("L{bank}"),
            boot: 1,
            begin_frame: (at_s * FRAMES) as u64,
            begin_ms: Some((at_s * 1000.0) as i64),
            error_s: Some(1.0),
            duration_s,
            phases: "ABC".to_owned(),
            depths: [Some(depth); 3],
            is_open: false,
        }
    }

    fn groups(seen: Vec<Seen>) -> Vec<Vec<String>> {
        let clusters = cluster(episodes(seen));
        clusters.iter().map(|cluster| cluster.iter().map(|one| one.bank.clone()).collect()).collect()
    }

    #[test]
    fn what_looks_alike_within_the_clocks_is_one() {
        let same = vec![dip("1", 100.0, 0.6, 0.3), dip("2", 103.0, 0.62, 0.36), dip("3", 99.0, 0.58, 0.32)];
        assert_eq!(groups(same.clone()), [["3", "1", "2"]]);
        // The same moment, another shape: deeper, longer, other phases.
        let deeper = dip("4", 100.0, 0.6, 0.05);
        let longer = dip("5", 100.0, 0.9, 0.3);
        let other = Seen { phases: "A".to_owned(), ..dip("6", 100.0, 0.6, 0.3) };
        assert_eq!(groups([same.clone(), vec![deeper, longer, other]].concat()).len(), 4);
        // The same shape seven seconds later and eight: beyond 5 + 1 + 1 s.
        assert_eq!(groups(vec![dip("1", 100.0, 0.6, 0.3), dip("2", 107.0, 0.6, 0.3)]).len(), 1);
        assert_eq!(groups(vec![dip("1", 100.0, 0.6, 0.3), dip("2", 107.1, 0.6, 0.3)]).len(), 2);
        // A clock that is an hour wrong and says so.
        let hour = Seen { error_s: Some(4000.0), ..dip("2", 3700.0, 0.6, 0.3) };
        assert_eq!(groups(vec![dip("1", 100.0, 0.6, 0.3), hour]).len(), 1);
        // Another feeder, or none.
        let west = Seen { feeder: Some("West".to_owned()), ..dip("2", 100.0, 0.6, 0.3) };
        let none = Seen { feeder: None, ..dip("3", 100.0, 0.6, 0.3) };
        assert_eq!(groups(vec![dip("1", 100.0, 0.6, 0.3), west, none]).len(), 3);
    }

    #[test]
    fn shots_of_a_recloser_stay_apart_by_their_shape() {
        let shots = |bank: &str, late: f64| {
            vec![
                dip(bank, 100.0 + late, 0.6, 0.0),
                dip(bank, 102.4 + late, 2.1, 0.0),
                dip(bank, 124.0 + late, 15.0, 0.0),
            ]
        };
        // The second clock is four seconds late: by time alone its first shot would be the second of the others.
        let late = shots("2", 4.0).into_iter().map(|seen| Seen { error_s: Some(10.0), ..seen }).collect();
        let groups = groups([shots("1", 0.0), late].concat());
        assert_eq!(groups, [["1", "2"], ["1", "2"], ["1", "2"]]);
    }

    #[test]
    fn an_interruption_in_a_sag_is_one_episode() {
        let sag = dip("1", 100.0, 1.0, 0.4);
        let dead = Seen { condition: Condition::Interruption, row: 1, ..dip("1", 100.1, 0.8, 0.0) };
        let back = Seen { condition: Condition::EnergisedWithFeeder, row: 2, ..dip("1", 100.9, 0.0, 1.0) };
        let all = episodes(vec![sag, dead, back]);
        assert_eq!(all.len(), 1);
        let one = &all[0];
        assert_eq!((one.rows.as_slice(), one.depths), ([0, 1, 2].as_slice(), [Some(0.0); 3]));
        assert!((one.duration_s - 1.0).abs() < 1e-3, "{}", one.duration_s);
        let next = episodes(vec![dip("1", 100.0, 1.0, 0.4), dip("1", 101.3, 1.0, 0.4)]);
        assert_eq!(next.len(), 2);
    }
}
