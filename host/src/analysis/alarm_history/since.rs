//! What an occurrence has together with those that go on in it.

use polars::prelude::{Column, NamedFrom, Series};

use super::id;
use super::restarts::Link;
use crate::analysis::cells::Cells;
use crate::analysis::times;
use crate::store::{Store, StoreError};

/// An occurrence and those that go on in it.
#[derive(Clone, Debug)]
struct Whole {
    /// The row that began first.
    first: usize,
    announced_ms: Option<i64>,
    is_announced: bool,
    recorded_s: f64,
    kvarh_lost: Option<f64>,
    /// When the newest note was made, and the id that it is beside.
    noted: Option<(String, String)>,
}

impl Whole {
    fn of_row(cells: Cells<'_>, row: usize, noted: Option<(String, String)>) -> Self {
        Self {
            first: row,
            announced_ms: cells.ms("announced_time", row),
            is_announced: cells.is_true("is_announced", row),
            recorded_s: cells.real("duration_s", row).unwrap_or(0.0),
            kvarh_lost: cells.real("kvarh_lost", row),
            noted,
        }
    }

    /// Several may go on in one: a phase each. Those lasted side by side.
    fn and(mut self, earlier: &[&Self], cells: Cells<'_>) -> Self {
        let begin =
            |whole: &&&Self| (cells.whole("boot", whole.first), cells.whole("begin_frame", whole.first));
        self.first = earlier.iter().min_by_key(begin).map_or(self.first, |whole| whole.first);
        self.recorded_s += earlier.iter().map(|whole| whole.recorded_s).fold(0.0, f64::max);
        for whole in earlier {
            self.announced_ms = self.announced_ms.into_iter().chain(whole.announced_ms).min();
            self.is_announced |= whole.is_announced;
            self.kvarh_lost =
                self.kvarh_lost.into_iter().chain(whole.kvarh_lost).reduce(|sum, one| sum + one);
            self.noted = self.noted.into_iter().chain(whole.noted.clone()).max();
        }
        self
    }
}

/// `id`, `noted_id`, and the columns that begin with `since_`.
pub(super) fn since(store: &Store, cells: Cells<'_>, links: &[Link]) -> Result<Vec<Column>, StoreError> {
    let ids: Vec<Option<String>> = (0..cells.rows()).map(|row| id(cells, row)).collect();
    let acknowledged = store.acknowledged()?;
    let noted = |row: usize| {
        let id = ids.get(row)?.clone()?;
        Some((acknowledged.get(&id)?.acknowledged.clone(), id))
    };
    // What goes on in a row is of an earlier start.
    let mut order: Vec<usize> = (0..cells.rows()).collect();
    order.sort_by_cached_key(|row| cells.whole("boot", *row));
    let mut wholes: Vec<Option<Whole>> = vec![None; cells.rows()];
    for row in order {
        let earlier = links.get(row).map(|link| link.previous.iter()).into_iter().flatten();
        let earlier: Vec<&Whole> = earlier.filter_map(|row| wholes.get(*row)?.as_ref()).collect();
        let whole = Whole::of_row(cells, row, noted(row)).and(&earlier, cells);
        if let Some(place) = wholes.get_mut(row) {
            *place = Some(whole);
        }
    }
    let wholes: Vec<(usize, Whole)> =
        wholes.into_iter().enumerate().filter_map(|(row, whole)| Some((row, whole?))).collect();
    let text = |name: &str, of: &dyn Fn(&Whole) -> Option<String>| -> Column {
        Series::new(name.into(), wholes.iter().map(|(_, whole)| of(whole)).collect::<Vec<_>>()).into()
    };
    let real = |name: &str, of: &dyn Fn(usize, &Whole) -> Option<f64>| -> Column {
        Series::new(name.into(), wholes.iter().map(|(row, whole)| of(*row, whole)).collect::<Vec<_>>()).into()
    };
    let time = |name: &str, of: &dyn Fn(&Whole) -> Option<i64>| {
        times(name, wholes.iter().map(|(_, whole)| of(whole)).collect())
    };
    let whole = |name: &str, of: &str| -> Column {
        let values: Vec<_> = wholes.iter().map(|(_, whole)| cells.whole(of, whole.first)).collect();
        Series::new(name.into(), values).into()
    };
    // The logger was off in between: on its own clock that is no time.
    let lasted = |row: usize, whole: &Whole| {
        let own = cells.real("duration_s", row)?;
        let between = cells.ms("begin_time", row).zip(cells.ms("begin_time", whole.first));
        let by_clock = between.map(|(last, first)| (last - first) as f64 / 1000.0 + own);
        Some(by_clock.map_or(whole.recorded_s, |lasted| lasted.max(whole.recorded_s)))
    };
    let is_announced: Vec<bool> = wholes.iter().map(|(_, whole)| whole.is_announced).collect();
    Ok(vec![
        Series::new("id".into(), &ids).into(),
        text("noted_id", &|whole| whole.noted.as_ref().map(|(_, id)| id.clone())),
        text("since_id", &|whole| ids.get(whole.first).cloned().flatten()),
        time("since_time", &|whole| cells.ms("begin_time", whole.first))?,
        text("since_time_quality", &|whole| cells.text("time_quality", whole.first)),
        real("since_time_error_s", &|_, whole| cells.real("time_error_s", whole.first)),
        time("since_detected_time", &|whole| cells.ms("detected_time", whole.first))?,
        time("since_announced_time", &|whole| whole.announced_ms)?,
        Series::new("since_is_announced".into(), is_announced).into(),
        whole("since_boot", "boot"),
        whole("since_frame", "begin_frame"),
        real("since_duration_s", &lasted),
        real("since_recorded_s", &|_, whole| Some(whole.recorded_s)),
        real("since_kvarh_lost", &|_, whole| whole.kvarh_lost),
    ])
}
