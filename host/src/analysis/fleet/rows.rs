//! Rows of the fleet while the answers of several questions come together in them.

use std::collections::BTreeMap;

use polars::prelude::{DataType, IntoLazy, SortMultipleOptions, col};

use super::{FleetRow, Plate, Recent, State, Trust};
use crate::analysis::cells::Cells;
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES, days, kvar, unbalance};
use crate::store::{SETTINGS, Store, StoreError};

/// Bank and logger.
pub(super) type Key = (String, String);

/// Rows while they come together; the number is the order of the settings last seen.
#[derive(Default)]
pub(super) struct Rows {
    rows: BTreeMap<Key, (FleetRow, (u64, u64))>,
}

impl Rows {
    pub fn row(&mut self, key: Key) -> &mut FleetRow {
        &mut self.entry(key).0
    }

    fn entry(&mut self, key: Key) -> &mut (FleetRow, (u64, u64)) {
        let (bank, device) = key.clone();
        self.rows.entry(key).or_insert_with(|| (FleetRow::new(bank, device), (0, 0)))
    }

    pub fn spans(&mut self, store: &Store, filter: &Filter) -> Result<(), StoreError> {
        let lengths = ["bank", "device", "interval_s"].map(col);
        let whole = |name: &str| col(name).cast(DataType::UInt64).sum();
        let last_by =
            |name: &str, by: [&str; 2]| col(name).sort_by(by.map(col), SortMultipleOptions::default()).last();
        let spans = days::days(store, filter)?.group_by(lengths).agg([
            col("first_time").min().alias("first"),
            col("time").max().alias("last"),
            whole("intervals"),
            whole("flagged_intervals"),
            last_by("unit_voltage_v", ["boot", "frame"]),
            col("boot").max(),
        ]);
        let spans = collect(spans)?.lazy().group_by([col("bank"), col("device")]).agg([
            col("first").min(),
            col("last").max(),
            // The most usual length.
            last_by("interval_s", ["intervals", "interval_s"]),
            whole("intervals").alias("all_intervals"),
            whole("flagged_intervals"),
            last_by("unit_voltage_v", ["boot", "last"]),
            col("boot").max(),
        ]);
        let spans = store.with_feeders(spans).collect()?;
        let cells = Cells(&spans);
        for index in 0..cells.rows() {
            let Some(row) = self.of(cells, index) else { continue };
            row.feeder = cells.text("feeder", index);
            row.first_ms = cells.ms("first", index);
            row.last_ms = cells.ms("last", index);
            row.last_boot = cells.whole("boot", index).and_then(|boot| u32::try_from(boot).ok()).unwrap_or(0);
            row.interval_s = cells.real("interval_s", index).unwrap_or(60.0);
            row.intervals = cells.whole("all_intervals", index).unwrap_or(0);
            row.flagged = cells.whole("flagged_intervals", index).unwrap_or(0);
            row.plate.unit_voltage_v = cells.real("unit_voltage_v", index);
        }
        Ok(())
    }

    /// What the questions to a store answer.
    pub fn answers(&mut self, store: &Store, filter: &Filter) -> Result<(), StoreError> {
        let kvar = kvar::kvar(store, filter)?;
        let cells = Cells(&kvar);
        for index in 0..cells.rows() {
            let Some(row) = self.of(cells, index) else { continue };
            let of_phase = |stem: &str| PHASES.map(|phase| cells.real(&format!("{stem}_{phase}"), index));
            row.kvar = of_phase("kvar");
            row.known_hours = cells.real("known_hours", index).zip(cells.real("hours", index));
            row.rated_kvar_phase = cells.real("rated_kvar_phase", index);
            row.available_percent = cells.real("available_percent", index);
            row.trust = trust(cells, index);
            let hours = cells.real("known_hours", index).filter(|hours| *hours > 0.0);
            let [a, b, c] = of_phase("kvarh_lost");
            row.kvarh_lost = hours.and_then(|_| Some(a? + b? + c?));
            row.kvarh_lost_per_day = row.kvarh_lost.zip(hours).map(|(lost, hours)| lost / hours * 24.0);
        }
        let unbalance = unbalance::u2_p95(store, filter)?;
        let cells = Cells(&unbalance);
        for index in 0..cells.rows() {
            if let Some(row) = self.of(cells, index) {
                row.u2_p95_percent = cells.real("u2_p95_percent", index);
            }
        }
        Ok(())
    }

    pub fn plates(&mut self, store: &Store, filter: &Filter) -> Result<(), StoreError> {
        // The nameplate of a bank does not come and go with the range.
        let always = Filter { from_ms: None, to_ms: None, ..filter.clone() };
        let settings = always.scan(store, &SETTINGS, "time")?.collect()?;
        let cells = Cells(&settings);
        for index in 0..cells.rows() {
            let (Some(bank), Some(device)) = (cells.text("bank", index), cells.text("device", index)) else {
                continue;
            };
            let order =
                (cells.whole("boot", index).unwrap_or(0), cells.whole("sequence", index).unwrap_or(0));
            let (row, seen) = self.entry((bank, device));
            row.feeder = row.feeder.take().or_else(|| cells.text("feeder", index));
            if order < *seen {
                continue;
            }
            *seen = order;
            let phases = cells.text("phases", index);
            row.plate = Plate {
                phases: phases.and_then(|letters| u32::try_from(letters.chars().count()).ok()),
                rated_kvar: cells.real("rated_kvar", index),
                system_voltage_v: cells.real("system_voltage_v", index),
                unit_voltage_v: cells.real("unit_voltage_v", index),
                rated_hz: cells.real("rated_hz", index),
                units_per_phase: cells.whole("units_per_phase", index),
            };
        }
        Ok(())
    }

    pub fn into_rows(self) -> Vec<FleetRow> {
        self.rows.into_values().map(|(row, _)| row).collect()
    }

    fn of(&mut self, cells: Cells<'_>, index: usize) -> Option<&mut FleetRow> {
        Some(self.row((cells.text("bank", index)?, cells.text("device", index)?)))
    }
}

impl FleetRow {
    pub(super) fn new(bank: String, device: String) -> Self {
        Self {
            bank,
            feeder: None,
            device,
            state: State::Nothing,
            alarms: Vec::new(),
            observations: Vec::new(),
            plate: Plate::default(),
            kvar: [None; 3],
            known_hours: None,
            rated_kvar_phase: None,
            available_percent: None,
            trust: Trust::default(),
            kvarh_lost: None,
            kvarh_lost_per_day: None,
            u2_p95_percent: None,
            recent: Recent::default(),
            first_ms: None,
            last_ms: None,
            last_boot: 0,
            interval_s: 60.0,
            intervals: 0,
            flagged: 0,
        }
    }
}

fn trust(cells: Cells<'_>, index: usize) -> Trust {
    let slope = |stem: &str, phase: &str| {
        let slope = cells.real(&format!("{stem}_slope{phase}_pu_per_year"), index)?;
        Some((slope, cells.real(&format!("{stem}_slope_sigma{phase}_pu_per_year"), index)?))
    };
    Trust {
        difference_sigma_pu: cells.real("difference_sigma_pu", index),
        common_sigma_pu: cells.real("common_sigma_pu", index),
        common_basis: cells.text("common_basis", index),
        proven_ms: cells.ms("last_proven_time", index),
        proven_by: cells.text("last_proven_by", index),
        trend_from_ms: cells.ms("trend_from_time", index),
        slopes: PHASES.map(|phase| slope("difference", &format!("_{phase}"))),
        crossing: cells.text("crossing_phase", index).zip(cells.ms("crossing_time", index)),
        common_slope: slope("common", ""),
    }
}
