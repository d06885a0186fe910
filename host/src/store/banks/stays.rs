//! Rows get the bank on which their logger hung by the register.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    Column, DataFrame, DataType, Expr, IntoLazy, LazyFrame, NULL, NamedFrom, PolarsResult, Series, TimeUnit,
    TimeZone, all, col, lit, when,
};

use super::{Banks, Stay};
use crate::store::manifest::Live;
use crate::store::{DAY_MS, Mark, Table, in_order, is_one_of};

type Stays<'b> = Vec<Of<'b>>;

/// A stay, and its number among those of its bank.
struct Of<'b> {
    bank: &'b str,
    number: u32,
    stay: &'b Stay,
}

fn name(what: &str, index: usize) -> String {
    format!("_{what}_{index}")
}

/// A row a logger with its stays side by side, since it has few; and for each of them, whether a row of a table, this one joined to
/// it, falls into it.
fn beside(stays: &BTreeMap<&str, Stays<'_>>) -> PolarsResult<(LazyFrame, Vec<Expr>)> {
    let devices: Vec<&str> = stays.keys().copied().collect();
    let mut columns: Vec<Column> = vec![Series::new("device".into(), devices).into()];
    let mut within = Vec::new();
    for index in 0..stays.values().map(Vec::len).max().unwrap_or(0) {
        let all = || stays.values().map(|stays| stays.get(index));
        let banks: Vec<Option<&str>> = all().map(|of| of.map(|of| of.bank)).collect();
        columns.push(Series::new(name("bank", index).into(), banks).into());
        let numbers: Vec<Option<u32>> = all().map(|of| of.map(|of| of.number)).collect();
        columns.push(Series::new(name("number", index).into(), numbers).into());
        for (what, of_stay) in [("from", Stay::from as fn(&Stay) -> Option<i64>), ("to", Stay::to)] {
            let moments: Vec<Option<i64>> = all().map(|of| of_stay(of?.stay)).collect();
            let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
            columns.push(Series::new(name(what, index).into(), moments).cast(&utc)?.into());
        }
        let (at, from, to) = (col(name("bank", index)), col(name("from", index)), col(name("to", index)));
        let begun = from.clone().is_null().or(col("time").gt_eq(from));
        let not_over = to.clone().is_null().or(col("time").lt(to));
        within.push(at.is_not_null().and(begun).and(not_over));
    }
    Ok((DataFrame::new_infer_height(columns)?.lazy(), within))
}

impl Banks {
    /// `bank` as the register has it, where it says so by logger and time; else as it is.
    pub(in crate::store) fn rename(
        &self,
        table: &Table,
        frame: LazyFrame,
        marks: &[Mark],
    ) -> PolarsResult<LazyFrame> {
        let stays = self.stays(marks);
        if stays.is_empty() {
            return Ok(frame);
        }
        let (beside, within) = beside(&stays)?;
        let mut bank = col("bank");
        for (index, is_within) in within.into_iter().enumerate() {
            bank = when(is_within).then(col(name("bank", index))).otherwise(bank);
        }
        let joined = frame.join(beside, [col("device")], [col("device")], in_order());
        let all: Vec<Expr> = table.columns.iter().map(|(name, _)| col(*name)).collect();
        Ok(joined.with_column(bank.alias("bank")).select(all))
    }

    /// Which rows can be those of these banks, by what is stored of them.
    pub(in crate::store) fn held(&self, banks: &[String], marks: &[Mark]) -> Held {
        let stays = self.stays(marks);
        let comes_here = |stays: &Stays<'_>| stays.iter().any(|of| banks.iter().any(|name| name == of.bank));
        let devices: BTreeSet<String> = stays
            .iter()
            .filter(|(_, stays)| comes_here(stays))
            .map(|(device, _)| (*device).to_owned())
            .collect();
        let of_devices = marks.iter().filter(|mark| devices.contains(&mark.device));
        let names = of_devices.flat_map(|mark| &mark.banks).cloned().collect();
        Held { banks: banks.to_vec(), devices, names, is_renamed: !stays.is_empty() }
    }

    /// Rows that have their bank by the register, with the number of the stay among those of their bank as the last column `stay`;
    /// null where they do not count by one.
    pub(in crate::store) fn number(&self, frame: LazyFrame) -> PolarsResult<LazyFrame> {
        let (beside, within) = beside(&self.all_stays())?;
        let mut number = lit(NULL).cast(DataType::UInt32);
        for (index, is_within) in within.into_iter().enumerate() {
            number = when(is_within).then(col(name("number", index))).otherwise(number);
        }
        let joined = frame.join(beside, [col("device")], [col("device")], in_order());
        let beside = all().exclude_cols(["^_(bank|number|from|to)_[0-9]+$"]).as_expr();
        Ok(joined.with_column(number.alias("stay")).select([beside]))
    }

    /// Loggers that the register moves at another time than midnight, UTC.
    pub(in crate::store) fn moved_within_a_day(&self, marks: &[Mark]) -> Vec<String> {
        let is_within = |ms: Option<i64>| ms.is_some_and(|ms| ms.rem_euclid(DAY_MS) != 0);
        let moves = |of: &Of<'_>| is_within(of.stay.from()) || is_within(of.stay.to());
        let moved = self.stays(marks).into_iter().filter(|(_, stays)| stays.iter().any(moves));
        moved.map(|(device, _)| device.to_owned()).collect()
    }

    /// By logger; without those of which the register says what their nameplates say anyway.
    fn stays(&self, marks: &[Mark]) -> BTreeMap<&str, Stays<'_>> {
        let mut stays = self.all_stays();
        let mut named: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for mark in marks {
            let names = named.entry(&mark.device).or_default();
            names.extend(mark.banks.iter().map(String::as_str));
        }
        stays.retain(|device, stays| {
            let names = named.get(device).map(Vec::as_slice).unwrap_or_default();
            names.iter().any(|name| stays.iter().any(|of| of.bank != *name))
        });
        stays
    }

    fn all_stays(&self) -> BTreeMap<&str, Stays<'_>> {
        let mut stays: BTreeMap<&str, Stays<'_>> = BTreeMap::new();
        for bank in self.banks.values() {
            for (number, stay) in (0..).zip(&bank.loggers) {
                stays.entry(&stay.device).or_default().push(Of { bank: &bank.name, number, stay });
            }
        }
        stays
    }
}

/// Rows that can be those of some banks: their own by the nameplate, and all of the loggers that hung there by the register.
pub struct Held {
    banks: Vec<String>,
    devices: BTreeSet<String>,
    /// Names on the nameplates of these loggers.
    names: BTreeSet<String>,
    is_renamed: bool,
}

impl Held {
    /// Whether rows of other banks can be among them, because the register gives some another bank than their nameplate.
    pub const fn is_renamed(&self) -> bool {
        self.is_renamed
    }

    /// Whether such rows can be in a file.
    pub fn may_be_in(&self, live: &Live) -> bool {
        live.bank.as_ref().is_none_or(|bank| self.banks.contains(bank))
            || live.device.as_ref().is_none_or(|device| self.devices.contains(device))
    }

    /// Whether a row can be one, by its columns `device` and `bank` as they are stored. Rows are sorted by `bank`: it picks the
    /// row groups also where the loggers' numbers are in no order.
    pub fn may_be(&self) -> Expr {
        let by_name = is_one_of("bank", &self.banks);
        if self.devices.is_empty() {
            return by_name;
        }
        let names: Vec<String> = self.names.iter().chain(&self.banks).cloned().collect();
        let devices: Vec<String> = self.devices.iter().cloned().collect();
        is_one_of("bank", &names).and(by_name.or(is_one_of("device", &devices)))
    }
}

impl Stay {
    /// Whether it begins or ends at a time.
    pub const fn is_bounded(&self) -> bool {
        self.from_ms.is_some() || self.to_ms.is_some()
    }

    const fn from(&self) -> Option<i64> {
        self.from_ms
    }

    const fn to(&self) -> Option<i64> {
        self.to_ms
    }
}
