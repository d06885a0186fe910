//! Which stretch of a bank's time is shown, and where its neighbours are.

use super::address::{Ask, range};

/// Fewest intervals that can be shown.
const LEAST: i64 = 10;
const DAY: i64 = 86_400_000;

/// A stretch of time: UTC ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its beginning.
    pub from: i64,
    /// Its end.
    pub to: i64,
}

/// What is shown of what there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zoom {
    /// All that there is.
    pub all: Stretch,
    /// What is shown.
    pub shown: Stretch,
    least: i64,
}

/// A way to another stretch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Way {
    /// The key for it.
    pub key: &'static str,
    /// What it does.
    pub name: &'static str,
    /// The end of the address; `None`: it leads nowhere else.
    pub range: Option<String>,
}

impl Stretch {
    const fn length(self) -> i64 {
        self.to.saturating_sub(self.from)
    }
}

impl Zoom {
    /// What an address asks for of `all` of a bank with intervals of this length.
    pub fn of(ask: &Ask, all: Stretch, interval_ms: i64) -> Self {
        let least = interval_ms.saturating_mul(LEAST);
        let from = ask
            .from_ms
            .unwrap_or_else(|| ask.to_ms.map_or(all.from, |to| all.from.min(to.saturating_sub(least))));
        let to = ask.to_ms.unwrap_or_else(|| all.to.max(from.saturating_add(least)));
        // Less than a few intervals is widened around its middle.
        let missing = least.saturating_sub(to.saturating_sub(from)).max(0);
        let shown =
            Stretch { from: from.saturating_sub(missing / 2), to: to.saturating_add(missing - missing / 2) };
        Self { all, shown, least }
    }

    /// The ways from here, in the order of their buttons.
    pub fn ways(&self) -> Vec<Way> {
        let Stretch { from, to } = self.shown;
        let length = self.shown.length();
        let way = |key, name, to: Stretch| Way { key, name, range: self.range_to(to) };
        let closer = (length / 2).max(self.least);
        let middle = from.saturating_add(length / 2);
        let around = |length: i64| {
            let from = middle.saturating_sub(length / 2);
            self.inside(Stretch { from, to: from.saturating_add(length) })
        };
        let quarter = length / 4;
        let last =
            |length: i64| self.inside(Stretch { from: self.all.to.saturating_sub(length), to: self.all.to });
        let mut ways = vec![
            way(
                "ArrowLeft",
                "Earlier",
                self.inside(Stretch { from: from.saturating_sub(quarter), to: to.saturating_sub(quarter) }),
            ),
            way(
                "ArrowRight",
                "Later",
                self.inside(Stretch { from: from.saturating_add(quarter), to: to.saturating_add(quarter) }),
            ),
            way("+", "Closer", around(closer)),
            way("-", "Wider", around(length.saturating_mul(2))),
            way("0", "All", self.all),
        ];
        for (key, name, length) in
            [("d", "Last day", DAY), ("w", "Last week", 7 * DAY), ("m", "Last 30 days", 30 * DAY)]
        {
            if length < self.all.length() {
                ways.push(way(key, name, last(length)));
            }
        }
        ways
    }

    /// A stretch as long as this one if there is as much, moved to where there is something.
    fn inside(&self, stretch: Stretch) -> Stretch {
        let length = stretch.length().min(self.all.length());
        let from = stretch.from.min(self.all.to.saturating_sub(length)).max(self.all.from);
        Stretch { from, to: from.saturating_add(length) }
    }

    /// The end of the address of another stretch; open where it reaches to an end of all.
    fn range_to(&self, stretch: Stretch) -> Option<String> {
        if stretch == self.shown {
            return None;
        }
        // Addresses have whole seconds.
        let whole = |ms: i64| ms.div_euclid(1000) * 1000;
        let from = (stretch.from > self.all.from).then(|| whole(stretch.from));
        let to = (stretch.to < self.all.to).then(|| whole(stretch.to));
        Some(range(from, to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: i64 = 60_000;
    const START: i64 = 1_903_824_000_000;

    fn zoom(from: Option<i64>, to: Option<i64>) -> Zoom {
        let at = |minutes: i64| START + minutes * MINUTE;
        let ask = Ask { from_ms: from.map(at), to_ms: to.map(at), ..Ask::default() };
        Zoom::of(&ask, Stretch { from: START, to: START + 100 * DAY }, MINUTE)
    }

    fn way(zoom: &Zoom, key: &str) -> Option<String> {
        zoom.ways().into_iter().find(|way| way.key == key).unwrap().range
    }

    #[test]
    fn from_all_there_is_only_closer() {
        let all = zoom(None, None);
        assert_eq!(all.shown, all.all);
        for key in ["ArrowLeft", "ArrowRight", "-", "0"] {
            assert_eq!(way(&all, key), None, "{key}");
        }
        // From 1 May 2030: the middle 50 of 100 days.
        assert_eq!(way(&all, "+").unwrap(), "&from=2030-05-26T00:00&to=2030-07-15T00:00");
        assert_eq!(way(&all, "d").unwrap(), "&from=2030-08-08T00:00");
    }

    #[test]
    fn ways_stay_inside_and_keep_their_length() {
        // Eight hours from the second hour on.
        let zoom = zoom(Some(120), Some(600));
        assert_eq!(way(&zoom, "ArrowRight").unwrap(), "&from=2030-05-01T04:00&to=2030-05-01T12:00");
        assert_eq!(way(&zoom, "ArrowLeft").unwrap(), "&to=2030-05-01T08:00");
        assert_eq!(way(&zoom, "+").unwrap(), "&from=2030-05-01T04:00&to=2030-05-01T08:00");
        assert_eq!(way(&zoom, "-").unwrap(), "&to=2030-05-01T16:00");
        assert_eq!(way(&zoom, "0").unwrap(), "");
    }

    #[test]
    fn nothing_is_closer_than_a_few_intervals_or_outside() {
        let near = zoom(Some(100), Some(101));
        assert_eq!(near.shown.length(), 10 * MINUTE);
        assert_eq!(way(&near, "+"), None);
        let day = 24 * 60;
        let behind = zoom(Some(200 * day), None);
        assert_eq!(behind.shown.length(), 10 * MINUTE);
        assert_eq!(way(&behind, "ArrowLeft").unwrap(), "&from=2030-08-08T23:50");
        let before = zoom(None, Some(-day));
        assert_eq!(before.shown.length(), 10 * MINUTE);
        let odd = Ask { from_ms: Some(i64::MIN), to_ms: Some(i64::MAX), ..Ask::default() };
        let odd = Zoom::of(&odd, Stretch { from: i64::MIN, to: i64::MAX }, i64::MAX);
        assert!(!odd.ways().is_empty());
    }
}
