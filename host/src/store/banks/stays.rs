//! Rows get the bank on which their logger hung by the register.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    Column, DataFrame, DataType, Expr, IntoLazy, LazyFrame, NamedFrom, PolarsResult, Series, TimeUnit,
    TimeZone, col, when,
};

use super::{Banks, Stay};
use crate::store::manifest::Live;
use crate::store::{Mark, Table, in_order, is_one_of};

type Stays<'b> = Vec<(&'b str, &'b Stay)>;

impl Banks {
    /// `bank` as the register has it, where it says so by logger and time; else as it is.
    pub(in crate::store) fn rename(
        &self,
        table: &Table,
        frame: LazyFrame,
        marks: &[Mark],
    ) -> PolarsResult<LazyFrame> {
        let stays = self.stays(marks);
        let most = stays.values().map(Vec::len).max().unwrap_or(0);
        if most == 0 {
            return Ok(frame);
        }
        // A logger has few stays: a row each, side by side.
        let mut columns: Vec<Column> =
            vec![Series::new("device".into(), stays.keys().copied().collect::<Vec<_>>()).into()];
        let mut bank = col("bank");
        for index in 0..most {
            let of = |stays: &Stays<'_>| {
                stays.get(index).map(|(bank, stay)| ((*bank).to_owned(), (*stay).clone()))
            };
            let all: Vec<Option<(String, Stay)>> = stays.values().map(of).collect();
            let name = |what: &str| format!("_{what}_{index}");
            let banks: Vec<Option<&str>> = all.iter().map(|stay| Some(stay.as_ref()?.0.as_str())).collect();
            columns.push(Series::new(name("bank").into(), banks).into());
            for (what, of) in [("from", Stay::from as fn(&Stay) -> Option<i64>), ("to", Stay::to)] {
                let moments: Vec<Option<i64>> = all.iter().map(|stay| of(&stay.as_ref()?.1)).collect();
                let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
                columns.push(Series::new(name(what).into(), moments).cast(&utc)?.into());
            }
            let (at, from, to) = (col(name("bank")), col(name("from")), col(name("to")));
            let begun = from.clone().is_null().or(col("time").gt_eq(from));
            let not_over = to.clone().is_null().or(col("time").lt(to));
            bank = when(at.clone().is_not_null().and(begun).and(not_over)).then(at).otherwise(bank);
        }
        let stays = DataFrame::new_infer_height(columns)?.lazy();
        let joined = frame.join(stays, [col("device")], [col("device")], in_order());
        let all: Vec<Expr> = table.columns.iter().map(|(name, _)| col(*name)).collect();
        Ok(joined.with_column(bank.alias("bank")).select(all))
    }

    /// Which rows can be those of these banks, by what is stored of them.
    pub(in crate::store) fn held(&self, banks: &[String], marks: &[Mark]) -> Held {
        let stays = self.stays(marks);
        let comes_here =
            |stays: &Stays<'_>| stays.iter().any(|(bank, _)| banks.iter().any(|name| name == bank));
        let devices: BTreeSet<String> = stays
            .iter()
            .filter(|(_, stays)| comes_here(stays))
            .map(|(device, _)| (*device).to_owned())
            .collect();
        let of_devices = marks.iter().filter(|mark| devices.contains(&mark.device));
        let names = of_devices.flat_map(|mark| &mark.banks).cloned().collect();
        Held { banks: banks.to_vec(), devices, names, is_renamed: !stays.is_empty() }
    }

    /// By logger; without those of which the register says what their nameplates say anyway.
    fn stays(&self, marks: &[Mark]) -> BTreeMap<&str, Stays<'_>> {
        let mut stays: BTreeMap<&str, Stays<'_>> = BTreeMap::new();
        for bank in self.banks.values() {
            for stay in &bank.loggers {
                stays.entry(&stay.device).or_default().push((&bank.name, stay));
            }
        }
        let mut named: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for mark in marks {
            let names = named.entry(&mark.device).or_default();
            names.extend(mark.banks.iter().map(String::as_str));
        }
        stays.retain(|device, stays| {
            let names = named.get(device).map(Vec::as_slice).unwrap_or_default();
            names.iter().any(|name| stays.iter().any(|(bank, _)| bank != name))
        });
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
    const fn from(&self) -> Option<i64> {
        self.from_ms
    }

    const fn to(&self) -> Option<i64> {
        self.to_ms
    }
}
