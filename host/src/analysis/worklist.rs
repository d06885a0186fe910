//! What a crew or an engineer has to see to, the most pressing first: what is probably wrong, what else it may be, what to look
//! for and bring, where it is.

use polars::prelude::{Column, DataFrame, NamedFrom, Series};
use wyelog_protocol::condition::{Condition, Route};

use super::fleet::{AlarmRow, FleetRow, HAZARDS, Observation, Plate, Rank, State, fleet, rank};
use super::{Filter, times};
use crate::explain::{Case, Explanation, explain};
use crate::number::plain;
use crate::store::{Bank, FuseLinks, Store, StoreError};

/// Stands beside every fuse link.
pub const COORDINATE: &str = "coordinate with the tank-rupture curve at this node's fault current";

/// A group fuse link of a grounded wye carries this much of the bank's rated current, at least and at most: common trade rule
/// (voltage 1.10, tolerance 1.05 to 1.15, harmonics 1.10); the upper factor is from memory.
pub const LINK_RANGE: (f64, f64) = (1.35, 1.65);

/// Which fuse link to bring, and who says so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FuseLink {
    /// Rating and type, or a range in A.
    pub link: String,
    /// `installed`, `utility_table` or `range`.
    pub from: &'static str,
}

impl FuseLink {
    /// Who says so, in words.
    pub fn basis(&self) -> &'static str {
        match self.from {
            "installed" => "as installed",
            "utility_table" => "by the utility's table",
            _ => "trade rule",
        }
    }
}

/// A bank that somebody has to see to.
#[derive(Clone, Debug)]
pub struct WorkItem {
    /// What stands in the fleet's row.
    pub row: FleetRow,
    /// Why it stands where it stands.
    pub rank: Rank,
    /// What people know of the bank.
    pub bank: Option<Bank>,
    /// What is wrong and since when, a sentence each.
    pub what: Vec<String>,
    /// Since when it is as urgent as that, by its alarms: UTC ms.
    pub since_ms: Option<i64>,
    /// All that is pending, explained together.
    pub explanation: Explanation,
    /// Where a link may be needed and something is known of it.
    pub fuse_link: Option<FuseLink>,
}

/// The banks with something pending for a crew or an engineer, in the order of [`fleet`]; acknowledged ones too, marked.
///
/// # Errors
/// The store cannot be read.
pub fn items(store: &Store, filter: &Filter) -> Result<Vec<WorkItem>, StoreError> {
    of_rows(store, fleet(store, filter)?.into_iter().filter(|row| row.state <= State::Engineer))
}

/// The same of rows of the fleet, in their order.
///
/// # Errors
/// The utility's table of fuse links cannot be read.
pub fn of_rows(store: &Store, rows: impl Iterator<Item = FleetRow>) -> Result<Vec<WorkItem>, StoreError> {
    let links = store.fuse_links()?;
    Ok(rows.map(|row| item(store, &links, row)).collect())
}

fn item(store: &Store, links: &FuseLinks, row: FleetRow) -> WorkItem {
    let bank = store.banks().get(&row.bank).cloned();
    let mut explanation = Explanation {
        happened: String::new(),
        otherwise: Vec::new(),
        look: Vec::new(),
        bring: Vec::new(),
        cautions: Vec::new(),
    };
    let mut what = Vec::new();
    let mut since: Option<(u8, i64)> = None;
    for alarm in row.pending().into_iter().filter(|alarm| alarm.route != Some(Route::LogOnly)) {
        let begin = alarm.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok());
        // Since when it is as urgent as it is: what came before may have been for an engineer.
        since = since.into_iter().chain(begin.map(|ms| (alarm.urgency(), ms))).min();
        let certain = if alarm.is_announced() { "" } else { " (detected, not announced)" };
        what.push(format!("{} {}{certain}", alarm.in_short(), alarm.when()));
        if let Some(words) = alarm.explain() {
            merge(&mut explanation, words);
        }
    }
    for observation in &row.observations {
        if observation.state() > State::Engineer {
            continue;
        }
        what.push(observation.sentence());
        // Nobody raised it: what to look for is the observation's own, what to beware of that of the condition it may be.
        let condition = match observation {
            Observation::NeutralDoesNotFollow { .. } => Condition::NeutralSignalLost,
            _ => Condition::SettingsMismatch,
        };
        let words = explain(&Case::only(condition));
        let look = vec![observation.todo()];
        let happened = String::new();
        merge(&mut explanation, Explanation { happened, look, ..words });
    }
    let fuse_link = needed_link(bank.as_ref(), links, &row);
    WorkItem { rank: rank(&row), bank, what, since_ms: since.map(|(_, ms)| ms), explanation, fuse_link, row }
}

fn merge(into: &mut Explanation, words: Explanation) {
    if !into.happened.contains(&words.happened) {
        if !into.happened.is_empty() {
            into.happened.push(' ');
        }
        into.happened.push_str(&words.happened);
    }
    for text in words.otherwise {
        if !into.otherwise.contains(&text) {
            into.otherwise.push(text);
        }
    }
    let lists =
        [(&mut into.look, words.look), (&mut into.bring, words.bring), (&mut into.cautions, words.cautions)];
    for (all, texts) in lists {
        for text in texts {
            if !all.contains(&text) {
                all.push(text);
            }
        }
    }
}

/// The link to bring, where something pending may need one.
pub fn needed_link(bank: Option<&Bank>, links: &FuseLinks, row: &FleetRow) -> Option<FuseLink> {
    let words = row.pending().into_iter().filter_map(|alarm| alarm.explain());
    let needs = words.flat_map(|words| words.bring).any(|text| text.to_lowercase().contains("fuse link"));
    needs.then(|| fuse_link(bank, links, &row.plate)).flatten()
}

/// The link recorded as installed; else that of the utility's own table; else the range of the trade rule.
pub fn fuse_link(bank: Option<&Bank>, links: &FuseLinks, plate: &Plate) -> Option<FuseLink> {
    if let Some(link) = bank.and_then(|bank| bank.fuse_link.clone()).filter(|link| !link.trim().is_empty()) {
        return Some(FuseLink { link, from: "installed" });
    }
    let kvar = plate.rated_kvar? / f64::from(plate.phases.unwrap_or(3).max(1));
    let system_kv = plate.system_voltage_v.map(|volts| volts / 1000.0).filter(|kv| *kv > 0.0);
    if let Some(link) = links.get(kvar, system_kv) {
        return Some(FuseLink { link: link.to_owned(), from: "utility_table" });
    }
    let amps = kvar / (system_kv? / libm::sqrt(3.0));
    let (least, most) = LINK_RANGE;
    Some(FuseLink {
        link: format!(
            "continuous current {} to {} A ({least} to {most} × {} A)",
            plain(least * amps, 1),
            plain(most * amps, 1),
            plain(amps, 1)
        ),
        from: "range",
    })
}

impl WorkItem {
    /// What is pending and not for the log alone.
    fn pending(&self) -> Vec<&AlarmRow> {
        self.row.pending().into_iter().filter(|alarm| alarm.route != Some(Route::LogOnly)).collect()
    }

    /// kvarh that all pending alarms cost a day.
    pub fn kvarh_lost_per_day(&self) -> Option<f64> {
        let lost: Vec<f64> = self.pending().iter().filter_map(|alarm| alarm.kvarh_lost_per_day()).collect();
        (!lost.is_empty()).then(|| lost.iter().sum())
    }

    /// `hazard`, or the words of its state.
    pub fn class(&self) -> &'static str {
        self.rank.hazard().unwrap_or(self.row.state.words())
    }

    /// Notes of those who have looked at what is pending; `None`: nobody has looked at any of it.
    pub fn acknowledged(&self) -> Option<String> {
        let pending = self.pending();
        let notes: Vec<&str> = pending.iter().filter_map(|alarm| alarm.note.as_deref()).collect();
        let open = pending.len() - notes.len();
        let rest =
            if open > 0 && !notes.is_empty() { format!(" ({open} not acknowledged)") } else { String::new() };
        (!notes.is_empty()).then(|| format!("{}{rest}", notes.join("; ")))
    }

    /// Ids of the alarms that are pending.
    pub fn alarm_ids(&self) -> String {
        self.pending().iter().map(|alarm| alarm.id.as_str()).collect::<Vec<_>>().join(" ")
    }
}

/// One row a bank: `rank`, names and places of the bank (`asset`, `pole`, `position` as in `banks.toml`), `hazard` (null: none),
/// `state`, `what`, `since_time`, `kvarh_lost_per_day`, `certainty` (0 … 1; see [`certainty`](super::fleet::certainty)), `priority`
/// (kvarh lost a day × certainty), `probably`, `otherwise`, `look_for`, `bring`, `fuse_link`, `fuse_link_from` (`installed`,
/// `utility_table`, `range`), `fuse_link_note`, `cautions`, `acknowledged`, `alarms`. Several texts in one cell are parted by
/// ` | `.
///
/// # Errors
/// The store cannot be read.
pub fn worklist(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let items = items(store, filter)?;
    let text = |name: &str, of: &dyn Fn(&WorkItem) -> Option<String>| -> Column {
        Series::new(name.into(), items.iter().map(of).collect::<Vec<_>>()).into()
    };
    let real = |name: &str, of: &dyn Fn(&WorkItem) -> Option<f64>| -> Column {
        Series::new(name.into(), items.iter().map(of).collect::<Vec<_>>()).into()
    };
    let listed = |texts: &[&str]| Some(texts.join(" | ")).filter(|text| !text.is_empty());
    let owned = |texts: &[String]| Some(texts.join(" | ")).filter(|text| !text.is_empty());
    let known = |of: fn(&Bank) -> Option<String>| move |item: &WorkItem| item.bank.as_ref().and_then(of);
    let ranks: Vec<u32> = (1..).take(items.len()).collect();
    let columns = vec![
        Series::new("rank".into(), ranks).into(),
        text("bank", &|item| Some(item.row.bank.clone())),
        text("feeder", &|item| item.row.feeder.clone()),
        text("device", &|item| Some(item.row.device.clone())),
        text("asset", &known(|bank| bank.asset.clone())),
        text("pole", &known(|bank| bank.pole.clone())),
        text("position", &known(|bank| bank.position.clone())),
        text("hazard", &|item| item.rank.hazard().map(str::to_owned)),
        text("state", &|item| Some(item.row.state.words().to_owned())),
        text("what", &|item| owned(&item.what)),
        times("since_time", items.iter().map(|item| item.since_ms).collect())?,
        real("kvarh_lost_per_day", &WorkItem::kvarh_lost_per_day),
        real("certainty", &|item| Some(item.rank.certainty)),
        real("priority", &|item| Some(item.rank.priority)),
        text("probably", &|item| Some(item.explanation.happened.clone()).filter(|text| !text.is_empty())),
        text("otherwise", &|item| owned(&item.explanation.otherwise)),
        text("look_for", &|item| listed(&item.explanation.look)),
        text("bring", &|item| listed(&item.explanation.bring)),
        text("fuse_link", &|item| item.fuse_link.as_ref().map(|link| link.link.clone())),
        text("fuse_link_from", &|item| item.fuse_link.as_ref().map(|link| link.from.to_owned())),
        text("fuse_link_note", &|item| item.fuse_link.as_ref().map(|_| COORDINATE.to_owned())),
        text("cautions", &|item| listed(&item.explanation.cautions)),
        text("acknowledged", &WorkItem::acknowledged),
        text("alarms", &|item| Some(item.alarm_ids())),
    ];
    Ok(DataFrame::new_infer_height(columns)?)
}

/// The kinds of danger in their order, for people.
pub fn hazards() -> String {
    HAZARDS.map(|(_, name)| name).join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLATE: Plate = Plate {
        phases: Some(3),
        rated_kvar: Some(600.0),
        system_voltage_v: Some(12_470.0),
        unit_voltage_v: Some(7200.0),
        rated_hz: Some(60.0),
        units_per_phase: Some(1),
    };

    #[test]
    fn the_installed_link_comes_first_then_the_table_then_the_range() {
        let bank = Bank { fuse_link: Some("40 K".to_owned()), ..Bank::default() };
        let none = FuseLinks::default();
        let got = fuse_link(Some(&bank), &none, &PLATE).unwrap();
        assert_eq!((got.link.as_str(), got.from), ("40 K", "installed"));
        // 600 kvar at 12.47 kV: 27.7795 A; 1.35 and 1.65 times are 37.502 and 45.836 A.
        let got = fuse_link(Some(&Bank::default()), &none, &PLATE).unwrap();
        assert_eq!(
            (got.link.as_str(), got.from),
            ("continuous current 37.5 to 45.8 A (1.35 to 1.65 × 27.8 A)", "range")
        );
        let two = Plate { phases: Some(2), rated_kvar: Some(400.0), ..PLATE };
        assert_eq!(fuse_link(None, &none, &two).unwrap(), got);
        assert_eq!(fuse_link(None, &none, &Plate { system_voltage_v: None, ..PLATE }), None);
    }
}
