//! What a logger finds again after a restart is the same alarm, which goes on: not a second fuse.

use std::collections::BTreeSet;

use polars::prelude::{
    Column, DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsResult,
    Series, col, len, lit,
};
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::condition::{Condition, Phases};

use super::{Place, Starts, place};
use crate::analysis::PHASES;
use crate::analysis::cells::Cells;
use crate::analysis::goes_on::{CARRIES, loses_phase, phases};
use crate::analysis::slices::collect;

/// What takes no phase away is the same alarm if it begins this soon after a start: an hour. Our choice.
const SOON_FRAMES: u64 = 3600 * FRAMES_PER_SECOND as u64;

/// Of a row of the history.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Link {
    /// The rows of an earlier start that go on in this one.
    pub previous: Vec<usize>,
    /// A later start has found the same again, whether this went on or had been mended in between: it is not open.
    pub is_taken_up: bool,
    /// It goes on in another row.
    pub is_continued: bool,
}

/// A row that a later start may take up.
struct Open {
    row: usize,
    boot: u64,
    condition: Condition,
    phases: Phases,
}

/// A row, the open one of an earlier start that says the same, and what would show that it had been mended in between.
struct Pair {
    earlier: usize,
    later: usize,
    place: Place,
    /// After this start, before that frame of that other one.
    after: u64,
    before: (u64, u64),
    /// Phases that would carry; none: nothing would show it.
    phases: Phases,
}

/// How the rows of a history, in any order, go on in each other. A lost phase goes on unless an interval between shows that it
/// carried: more than half of the rated capacitance connected.
pub(super) fn links(cells: Cells<'_>, starts: &Starts, intervals: LazyFrame) -> PolarsResult<Vec<Link>> {
    let mut links = vec![Link::default(); cells.rows()];
    let pairs = pairs(cells);
    let mended = mended(&pairs, starts, intervals)?;
    for (number, pair) in pairs.iter().enumerate() {
        let goes_on = !mended.contains(&number);
        if let Some(earlier) = links.get_mut(pair.earlier) {
            earlier.is_taken_up = true;
            earlier.is_continued = goes_on;
        }
        if let Some(later) = links.get_mut(pair.later).filter(|_| goes_on) {
            later.previous.push(pair.earlier);
        }
    }
    Ok(links)
}

fn pairs(cells: Cells<'_>) -> Vec<Pair> {
    let of = |row: usize| {
        let key = (place(cells, row)?, cells.whole("boot", row)?, cells.whole("begin_frame", row)?);
        let name = cells.text("condition", row)?;
        let condition = Condition::ALL.into_iter().find(|condition| condition.name() == name)?;
        Some((key, row, condition)).filter(|_| condition.concerns_bank())
    };
    let mut rows: Vec<_> = (0..cells.rows()).filter_map(of).collect();
    rows.sort();
    let (mut open, mut pairs): (Vec<Open>, Vec<Pair>) = Default::default();
    let mut of_place = None;
    for ((place, boot, frame), row, condition) in &rows {
        if of_place != Some(place) {
            open.clear();
            of_place = Some(place);
        }
        let (boot, frame, condition) = (*boot, *frame, *condition);
        let own = phases(&cells.text("phases", row.to_owned()).unwrap_or_default());
        let is_same = |earlier: &Open| {
            let is_alike = condition == earlier.condition && frame <= SOON_FRAMES;
            let is_lost = loses_phase(condition) && loses_phase(earlier.condition);
            let is_within = (0..4).all(|phase| !earlier.phases.contains(phase) || own.contains(phase));
            earlier.boot < boot && is_within && (is_alike || is_lost)
        };
        for earlier in open.extract_if(.., |earlier| is_same(earlier)) {
            pairs.push(Pair {
                earlier: earlier.row,
                later: *row,
                place: place.clone(),
                after: earlier.boot,
                before: (boot, frame),
                phases: if loses_phase(condition) { earlier.phases } else { Phases::NONE },
            });
        }
        if cells.whole("end_frame", *row).is_none() {
            open.push(Open { row: *row, boot, condition, phases: own });
        }
    }
    pairs
}

/// Where to look for intervals between the two rows of a pair.
struct Key<'p> {
    place: &'p Place,
    start: u64,
    pair: u64,
    before: u64,
    phases: Phases,
}

/// The pairs between whose two rows all of the phases carried.
fn mended(pairs: &[Pair], starts: &Starts, intervals: LazyFrame) -> PolarsResult<BTreeSet<usize>> {
    let asked = || pairs.iter().enumerate().filter(|(_, pair)| pair.phases != Phases::NONE);
    let mut devices: Vec<&str> = asked().map(|(_, pair)| pair.place.0.as_str()).collect();
    devices.dedup();
    if devices.is_empty() {
        return Ok(BTreeSet::new());
    }
    // A row for each pair and start between.
    let mut keys: Vec<Key<'_>> = Vec::new();
    for (number, pair) in asked() {
        let (last, frame) = pair.before;
        let between = starts.get(&pair.place).into_iter().flat_map(|all| all.range(pair.after + 1..=last));
        keys.extend(between.map(|start| {
            let before = if *start == last { frame } else { u64::MAX };
            Key { place: &pair.place, start: *start, pair: number as u64, before, phases: pair.phases }
        }));
    }
    let number = |name: &str, of: &dyn Fn(&Key<'_>) -> u64| -> Column {
        Series::new(name.into(), keys.iter().map(of).collect::<Vec<_>>()).into()
    };
    let text = |name: &str, of: &dyn Fn(&Place) -> &str| -> Column {
        Series::new(name.into(), keys.iter().map(|key| of(key.place)).collect::<Vec<_>>()).into()
    };
    let mut columns = vec![
        text("device", &|(device, _)| device),
        text("bank", &|(_, bank)| bank),
        number("start", &|key| key.start),
        number("pair", &|key| key.pair),
        number("before", &|key| key.before),
    ];
    for phase in 0..PHASES.len() {
        let asked: Vec<bool> = keys.iter().map(|key| key.phases.contains(phase)).collect();
        columns.push(Series::new(format!("asks_{phase}").as_str().into(), asked).into());
    }
    let keys = DataFrame::new_infer_height(columns)?.lazy();
    let any = lit(Series::new("device".into(), devices)).implode(true);
    let connected = PHASES.map(|phase| format!("connected_{phase}"));
    let wanted = ["device", "bank", "boot", "frame"].into_iter().chain(connected.iter().map(String::as_str));
    let good = col("flagged").eq(lit(0)).and(col("device").is_in(any, false));
    let intervals = intervals.filter(good).select(wanted.map(col).collect::<Vec<Expr>>());
    let whole = |name: &str| col(name).cast(DataType::UInt64);
    let by = [col("device"), col("bank"), whole("boot")];
    let of_keys = ["device", "bank", "start"].map(col);
    let both = intervals.join(keys, by, of_keys, JoinArgs::new(JoinType::Inner));
    let carry = connected.iter().enumerate().map(|(phase, name)| {
        let carries = col(name.as_str()).gt(lit(CARRIES)).fill_null(lit(false));
        col(format!("asks_{phase}")).not().or(carries)
    });
    let carry = carry.fold(whole("frame").lt(col("before")), Expr::and);
    let found = collect(both.filter(carry).group_by([col("pair")]).agg([len().alias("intervals")]))?;
    let found = Cells(&found);
    Ok((0..found.rows()).filter_map(|row| usize::try_from(found.whole("pair", row)?).ok()).collect())
}
