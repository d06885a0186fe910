//! How a bank stands now: medians over the last day of its good intervals.

use polars::prelude::{
    Column, DataFrame, Expr, IntoLazy, JoinArgs, JoinType, NamedFrom, Series, SortMultipleOptions, col, lit,
};

use super::FleetRow;
use crate::analysis::cells::Cells;
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES, times};
use crate::store::{DAY_MS, INTERVALS, Store, StoreError};

/// A phasor of the fundamental: per unit of the rated current; 0° is the ideal capacitor current of phase A.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Phasor {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Phasor {
    /// From size and degrees.
    pub fn from_polar(size: f64, degrees: f64) -> Self {
        let angle = degrees.to_radians();
        Self { re: size * libm::cos(angle), im: size * libm::sin(angle) }
    }

    /// Its size.
    pub fn size(self) -> f64 {
        libm::hypot(self.re, self.im)
    }

    /// Its angle in degrees.
    pub fn degrees(self) -> f64 {
        libm::atan2(self.im, self.re).to_degrees()
    }

    /// The difference.
    #[must_use]
    pub fn less(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }
}

/// Medians over the last day before the last interval, of the intervals without flag and of the logger's last start; if an
/// alarm about the bank began in that day and goes on, since then. The median of a phasor is that of its parts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Recent {
    /// How many intervals had both phasors.
    pub intervals: usize,
    /// Neutral current.
    pub measured: Option<Phasor>,
    /// What the voltages explain of it.
    pub explained: Option<Phasor>,
    /// What they do not.
    pub residual: Option<Phasor>,
    /// Median size of the measured one, in pu.
    pub measured_pu: Option<f64>,
    /// Median size of the explained one.
    pub explained_pu: Option<f64>,
    /// Median of the unexplained one: `residual_pu`, rms of its size in an interval.
    pub unexplained_pu: Option<f64>,
    /// How much of each change of the explained current the measured one follows: 1 all, 0 none (real part of the
    /// complex regression). `None` if it hardly changed.
    pub follows: Option<f64>,
    /// Connected over rated capacitance of A, B, C.
    pub connected: [Option<f64>; 3],
    /// Rated current of a phase in A: 1 pu.
    pub rated_a: Option<f64>,
}

/// Standard deviation in pu below which the explained current counts as constant. Our choice: several times the steps of
/// the records (0.001 pu).
const LEAST_CHANGE_PU: f64 = 0.004;

/// Banks of which the last day is in memory at once: 700,000 rows of minutes.
const MOST_BANKS: usize = 500;

/// What a row's medians are made of: numbers of its intervals.
const COLUMNS: [&str; 10] = [
    "neutral_phasor_pu",
    "neutral_phasor_deg",
    "residual_phasor_pu",
    "residual_phasor_deg",
    "residual_pu",
    "connected_a",
    "connected_b",
    "connected_c",
    "rated_kvar_phase",
    "unit_voltage_v",
];

/// Sets what is recent of every row: one query for many banks.
pub(super) fn set(store: &Store, rows: &mut [FleetRow]) -> Result<(), StoreError> {
    // Banks lie together in the store: those of one query have names that follow each other.
    let mut dated: Vec<(&mut FleetRow, i64)> =
        rows.iter_mut().filter_map(|row| row.last_ms.map(|last| (row, last))).collect();
    dated.sort_by(|(a, _), (b, _)| (&a.bank, &a.device).cmp(&(&b.bank, &b.device)));
    for some in dated.chunks_mut(MOST_BANKS) {
        let days = days(store, some)?;
        let of = days.column("row")?.u32()?;
        let of: Vec<usize> = of.iter().map(|row| row.map_or(usize::MAX, |row| row as usize)).collect();
        for (index, (row, _)) in some.iter_mut().enumerate() {
            let start = of.partition_point(|of| *of < index);
            let length = of.partition_point(|of| *of <= index) - start;
            row.recent = recent(Cells(&days.slice(start as i64, length)));
        }
    }
    Ok(())
}

/// The intervals that count of each of these rows, which end at those moments: by `row`, its number, and time.
fn days(store: &Store, rows: &[(&mut FleetRow, i64)]) -> Result<DataFrame, StoreError> {
    let begin = |row: &FleetRow, last: i64| {
        let open = row.alarms.iter().filter(|alarm| alarm.is_open && alarm.begin.boot == row.last_boot);
        let since =
            open.filter_map(|alarm| i64::try_from(alarm.begin.utc_ms?).ok()).filter(|ms| *ms < last).max();
        since.map_or(last - DAY_MS, |since| since.max(last - DAY_MS))
    };
    let begins: Vec<i64> = rows.iter().map(|(row, last)| begin(row, *last)).collect();
    let texts = |of: fn(&FleetRow) -> &str| rows.iter().map(|(row, _)| of(row)).collect::<Vec<_>>();
    let numbers = |of: &dyn Fn(usize, &FleetRow) -> usize| {
        rows.iter().enumerate().map(|(index, (row, _))| of(index, row) as u32).collect::<Vec<_>>()
    };
    let keys: Vec<Column> = vec![
        Series::new("row".into(), numbers(&|index, _| index)).into(),
        Series::new("bank".into(), texts(|row| &row.bank)).into(),
        Series::new("device".into(), texts(|row| &row.device)).into(),
        Series::new("last_boot".into(), numbers(&|_, row| row.last_boot as usize)).into(),
        times("begin", begins.iter().copied().map(Some).collect())?,
        times("last", rows.iter().map(|(_, last)| Some(*last)).collect())?,
    ];
    let keys = DataFrame::new_infer_height(keys)?.lazy();
    let filter = Filter {
        from_ms: begins.iter().min().map(|from| from.saturating_add(1)),
        to_ms: rows.iter().map(|(_, last)| last.saturating_add(1)).max(),
        ..Filter::default()
    };
    let named = |at: Option<&(&mut FleetRow, i64)>| lit(at.map_or("", |(row, _)| row.bank.as_str()));
    let of_banks = col("bank").gt_eq(named(rows.first())).and(col("bank").lt_eq(named(rows.last())));
    let good = col("flagged").eq(lit(0)).and(of_banks);
    let wanted = ["bank", "device", "boot", "time"].into_iter().chain(COLUMNS);
    let intervals = filter.rows(store, &INTERVALS, "time")?.filter(good);
    let intervals = intervals.select(wanted.map(col).collect::<Vec<Expr>>());
    let on = || [col("bank"), col("device")];
    let days = intervals.join(keys, on(), on(), JoinArgs::new(JoinType::Inner));
    let counts = (col("boot").eq(col("last_boot")))
        .and(col("time").gt(col("begin")))
        .and(col("time").lt_eq(col("last")));
    let kept = ["row", "time"].into_iter().chain(COLUMNS).map(col).collect::<Vec<Expr>>();
    let days = collect(days.filter(counts).select(kept))?;
    Ok(days.sort(["row", "time"], SortMultipleOptions::default().with_maintain_order(true))?)
}

/// Of a bank's intervals, in their order.
fn recent(cells: Cells<'_>) -> Recent {
    let polar = |stem: &str| {
        let sizes = cells.reals(&format!("{stem}_pu"));
        let angles = cells.reals(&format!("{stem}_deg"));
        let pairs = sizes.into_iter().zip(angles);
        pairs.map(|(size, degrees)| Some(Phasor::from_polar(size?, degrees?))).collect::<Vec<_>>()
    };
    let both = polar("neutral_phasor").into_iter().zip(polar("residual_phasor"));
    let both: Vec<(Phasor, Phasor)> = both.filter_map(|(n, r)| Some((n?, n?.less(r?)))).collect();
    let last = |column: &str| cells.reals(column).into_iter().flatten().last();
    let of = |column: &str| median(cells.reals(column).into_iter().flatten());
    let middle = |phasors: &dyn Fn(&(Phasor, Phasor)) -> Phasor| {
        let re = median(both.iter().map(|pair| phasors(pair).re));
        let im = median(both.iter().map(|pair| phasors(pair).im));
        re.zip(im).map(|(re, im)| Phasor { re, im })
    };
    Recent {
        intervals: both.len(),
        measured: middle(&|(n, _)| *n),
        explained: middle(&|(_, e)| *e),
        residual: middle(&|(n, e)| n.less(*e)),
        measured_pu: median(both.iter().map(|(n, _)| n.size())),
        explained_pu: median(both.iter().map(|(_, e)| e.size())),
        unexplained_pu: of("residual_pu"),
        follows: follows(&both),
        connected: PHASES.map(|phase| of(&format!("connected_{phase}"))),
        rated_a: last("rated_kvar_phase")
            .zip(last("unit_voltage_v"))
            .map(|(kvar, volts)| kvar * 1000.0 / volts)
            .filter(|amps| amps.is_finite() && *amps > 0.0),
    }
}

/// The middle of the values, or the mean of the two middle ones.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    let lower = *values.get(values.len().saturating_sub(1) / 2)?;
    Some((upper + lower) / 2.0)
}

/// Of pairs (measured, explained).
fn follows(pairs: &[(Phasor, Phasor)]) -> Option<f64> {
    let count = pairs.len() as f64;
    let mean = |of: &dyn Fn(&(Phasor, Phasor)) -> Phasor| Phasor {
        re: pairs.iter().map(|pair| of(pair).re).sum::<f64>() / count,
        im: pairs.iter().map(|pair| of(pair).im).sum::<f64>() / count,
    };
    let (measured, explained) = (mean(&|(n, _)| *n), mean(&|(_, e)| *e));
    let (mut together, mut alone) = (0.0, 0.0);
    for (n, e) in pairs {
        let (n, e) = (n.less(measured), e.less(explained));
        together += e.re * n.re + e.im * n.im;
        alone += e.re * e.re + e.im * e.im;
    }
    (alone / count >= LEAST_CHANGE_PU * LEAST_CHANGE_PU).then(|| together / alone)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_by_hand() {
        assert_eq!(median([3.0, 1.0, 2.0].into_iter()), Some(2.0));
        assert_eq!(median([4.0, 1.0, 2.0, 3.0].into_iter()), Some(2.5));
        assert_eq!(median([].into_iter()), None);
    }

    #[test]
    fn a_current_that_follows_is_told_from_one_that_does_not() {
        let explained = (0..48).map(|n| Phasor::from_polar(0.05 + 0.001 * f64::from(n), 30.0));
        let offset = Phasor { re: -0.03, im: 0.04 };
        let follow: Vec<_> = explained.clone().map(|e| (e.less(offset), e)).collect();
        assert!((follows(&follow).unwrap() - 1.0).abs() < 1e-9);
        let dead: Vec<_> = explained.map(|e| (offset, e)).collect();
        assert!(follows(&dead).unwrap().abs() < 1e-9);
        assert_eq!(follows(&[(offset, offset); 5]), None);
        assert_eq!(follows(&[]), None);
    }
}
