//! Rows get the bank on which their logger hung by the register.

use std::collections::BTreeMap;

use polars::prelude::{
    Column, DataFrame, DataType, Expr, IntoLazy, LazyFrame, NamedFrom, PolarsResult, Series, TimeUnit,
    TimeZone, col, when,
};

use super::{Banks, Stay};
use crate::store::{Mark, Table, in_order};

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

impl Stay {
    const fn from(&self) -> Option<i64> {
        self.from_ms
    }

    const fn to(&self) -> Option<i64> {
        self.to_ms
    }
}
