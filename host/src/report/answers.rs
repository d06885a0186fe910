//! What the questions to a store say of one bank, a sentence or two each.

use polars::prelude::DataFrame;

use super::text::{days, escape_whole_times, minute, or_dash};
use crate::analysis::cells::Cells;
use crate::analysis::fleet::FleetRow;
use crate::analysis::stress::{limits, stress};
use crate::analysis::switching::switching;
use crate::analysis::unbalance::{EN_50160_U2_PERCENT, unbalance_by_weeks};
use crate::analysis::usage::{Levels, usage};
use crate::analysis::{Filter, quality};
use crate::number::plain;
use crate::store::{Store, StoreError};

/// What the questions answer about banks with a page: each is asked once for all of them.
pub struct Answers(Vec<(&'static str, DataFrame, Say)>);

impl Answers {
    /// About the banks of the first `pages` of these rows, which are all that `filter` lets through.
    pub fn of(store: &Store, filter: &Filter, rows: &[FleetRow], pages: usize) -> Result<Self, StoreError> {
        let mut filter = filter.clone();
        if pages == 0 {
            return Ok(Self(Vec::new()));
        }
        if pages < rows.len() {
            filter.banks = rows.iter().take(pages).map(|row| row.bank.clone()).collect();
            filter.banks.sort();
            filter.banks.dedup();
        }
        Ok(Self(vec![
            ("Unbalance", unbalance_by_weeks(store, &filter, EN_50160_U2_PERCENT)?, of_weeks),
            ("Loading", stress(store, &filter)?, of_loading),
            ("Switch", switching(store, &filter, None)?, of_switch),
            ("Use", usage(store, &filter, Levels::default())?, of_use),
            ("Records", quality::quality(store, &filter)?, of_records),
        ]))
    }

    /// A list of what is answered about one bank; nothing where nothing is.
    pub fn list(&self, row: &FleetRow) -> String {
        let items: String = self
            .0
            .iter()
            .filter_map(|(head, frame, say)| {
                let text = say(&Row::of(frame, row)?)?;
                Some(format!("<dt>{head}</dt><dd>{}</dd>", escape_whole_times(&text)))
            })
            .collect();
        if items.is_empty() { items } else { format!("<dl class=\"answers\">{items}</dl>") }
    }
}

type Say = fn(&Row<'_>) -> Option<String>;

/// The row of an answer that is about one bank.
struct Row<'f> {
    cells: Cells<'f>,
    index: usize,
}

impl<'f> Row<'f> {
    fn of(frame: &'f DataFrame, row: &FleetRow) -> Option<Self> {
        let cells = Cells(frame);
        let is = |index: &usize| {
            let is = |column: &str, name: &str| cells.text(column, *index).as_deref() == Some(name);
            is("device", &row.device) && is("bank", &row.bank)
        };
        Some(Self { cells, index: (0..cells.rows()).find(is)? })
    }

    fn real(&self, name: &str) -> Option<f64> {
        self.cells.real(name, self.index)
    }

    fn ms(&self, name: &str) -> Option<i64> {
        self.cells.ms(name, self.index)
    }

    /// With so many decimals, or a dash.
    fn show(&self, name: &str, decimals: usize) -> String {
        or_dash(self.real(name), decimals)
    }

    fn time(&self, name: &str) -> Option<String> {
        self.ms(name).map(|ms| format!("{} UTC", minute(ms)))
    }

    fn text(&self, name: &str) -> Option<String> {
        self.cells.text(name, self.index)
    }

    fn is_above_zero(&self, name: &str) -> bool {
        self.real(name).is_some_and(|value| value > 0.0)
    }
}

fn of_weeks(row: &Row<'_>) -> Option<String> {
    if !row.is_above_zero("ten_minute_values") || row.real("u2_over_percent").is_none() {
        return None;
    }
    let over = format!(
        "u2 of the clock's ten minutes above {} % for {} h, {} % of {} values",
        plain(EN_50160_U2_PERCENT, 0),
        row.show("u2_over_hours", 1),
        row.show("u2_over_percent", 2),
        row.show("ten_minute_values", 0),
    );
    let week = |name: &str| {
        let begin = row.ms(name)?;
        Some(days(begin, begin.saturating_add(7 * 86_400_000)))
    };
    let weeks = match (week("u2_week_begin"), week("last_week_begin")) {
        (Some(worst), Some(latest)) => format!(
            "the largest 95th percentile of a week is {} % ({worst}), the latest {} % ({latest}); EN 50160 asks for at most {} %",
            row.show("u2_week_p95_percent", 2),
            row.show("u2_last_week_p95_percent", 2),
            plain(EN_50160_U2_PERCENT, 0)
        ),
        _ => "no week has half of its values, so there is no weekly percentile".to_owned(),
    };
    Some(format!("{over}; {weeks}."))
}

fn of_loading(row: &Row<'_>) -> Option<String> {
    if !row.is_above_zero("loaded_hours") {
        return None;
    }
    let parts = limits().into_iter().filter_map(|of| {
        row.real(&format!("{}_p95_percent", of.stem))?;
        Some(format!(
            "{} {} % ({} h above {} %)",
            of.words,
            row.show(&format!("{}_p95_percent", of.stem), 1),
            row.show(&format!("{}_over_hours", of.stem), 1),
            plain(of.limit_percent, 0)
        ))
    });
    let parts: Vec<String> = parts.collect();
    let order = row.real("resonant_order").map_or_else(String::new, |order| {
        format!(" By the voltage step of its closings bank and feeder resonate near h{}.", plain(order, 1))
    });
    let resonance = match row.text("resonance") {
        Some(text) if row.is_above_zero("spectrum_hours") => format!(" Resonance: {text}."),
        _ => String::new(),
    };
    Some(format!(
        "95th percentiles of the units' ratings, beside the limits of IEEE Std 18: {}. Crest is an upper bound.{resonance}{order}",
        parts.join(", ")
    ))
}

fn of_switch(row: &Row<'_>) -> Option<String> {
    if !row.is_above_zero("operations") {
        return None;
    }
    let slope =
        |slope: &str, sigma: &str, unit: &str, decimals: usize| match (row.real(slope), row.real(sigma)) {
            (Some(value), Some(sigma)) => {
                format!(", {} ± {} {unit} a year", plain(value, decimals), plain(sigma, decimals))
            }
            _ => String::new(),
        };
    let mut text = format!(
        "{} operations, {} a day, {} untold",
        row.show("operations", 0),
        row.show("operations_per_day", 2),
        row.show("untold", 0)
    );
    if row.is_above_zero("zero_spread_openings") {
        text.push_str(&format!(
            "; from the first current zero to the last {} ms (median{})",
            row.show("zero_spread_median_ms", 1),
            slope("zero_spread_slope_ms_per_year", "zero_spread_slope_sigma", "ms", 2)
        ));
    }
    if row.is_above_zero("pole_openings") {
        let poles = ["a", "b", "c"].map(|phase| {
            let stem = format!("pole_{phase}_late");
            let sigma = row.real(&format!("{stem}_sigma_ms"));
            let sigma = sigma.map_or_else(String::new, |sigma| format!(" ± {}", plain(sigma, 1)));
            let name = phase.to_uppercase();
            format!("{name} {}{sigma}", row.show(&format!("{stem}_ms"), 1))
        });
        text.push_str(&format!(
            "; each pole's zero against the mean of the three, mean of {} openings: {} ms",
            row.show("pole_openings", 0),
            poles.join(", ")
        ));
    }
    if row.real("inrush_median_a").is_some() {
        text.push_str(&format!(
            "; neutral inrush {} A (median, band-limited, below 2.4 kHz{}), at most {} A",
            row.show("inrush_median_a", 1),
            slope("inrush_slope_a_per_year", "inrush_slope_sigma", "A", 1),
            row.show("inrush_max_a", 1)
        ));
    }
    text.push_str(&format!(
        "; closed while charged {} times, within five minutes of an opening {} times.",
        row.show("charged_closings", 0),
        row.show("early_closings", 0)
    ));
    Some(text)
}

fn of_use(row: &Row<'_>) -> Option<String> {
    let Levels { low_percent, high_percent } = Levels::default();
    let mut text = format!(
        "In {} h, out {} h, not known {} h",
        row.show("closed_hours", 0),
        row.show("open_hours", 0),
        row.show("unknown_hours", 0)
    );
    let mut level = |name: &str, words: String| {
        if row.is_above_zero(&format!("{name}_closed_hours"))
            || row.is_above_zero(&format!("{name}_open_hours"))
        {
            text.push_str(&format!(
                "; {words}: in {} h, out {} h",
                row.show(&format!("{name}_closed_hours"), 1),
                row.show(&format!("{name}_open_hours"), 1)
            ));
        }
    };
    level("low", format!("voltages below {low_percent} % (kvar needed, as far as voltages tell)"));
    level("high", format!("above {high_percent} % (more than needed)"));
    for (name, words) in [
        ("untold_operations", "untold operations"),
        ("failed_operations", "failed operations"),
        ("hunting", "times hunting"),
    ] {
        if row.is_above_zero(name) {
            text.push_str(&format!("; {} {words}", row.show(name, 0)));
        }
    }
    if let Some(time) = row.time("visit_time") {
        let what = row.text("visit").unwrap_or_default().replace('_', " ");
        text.push_str(&format!("; last visit {time} ({what})"));
    }
    if row.real("left_open_hours").is_some() {
        text.push_str(&format!(", open since: {} h", row.show("left_open_hours", 1)));
    }
    text.push('.');
    Some(text)
}

fn of_records(row: &Row<'_>) -> Option<String> {
    let percent = |name: &str| row.real(&format!("{name}_percent")).unwrap_or(0.0);
    let set = percent("synced") + percent("corrected");
    let mut text = format!(
        "{} h without an interval between the first and the last, {} records missing by their numbers, {} % of the intervals \
         flagged; times by a clock that was set {} %, by the battery-backed one {} %, guessed {} %, unknown {} %",
        row.show("uncovered_hours", 1),
        row.show("missing_records", 0),
        row.show("flagged_percent", 2),
        plain(set, 1),
        plain(percent("rtc"), 1),
        plain(percent("guessed"), 1),
        plain(percent("unknown"), 1),
    );
    if let Some(error) = row.real("time_error_s") {
        text.push_str(&format!(", off by at most {} s", plain(error, 1)));
    }
    if let Some(unread) = row.text("unread") {
        text.push_str(&format!("; not read: {unread}"));
    }
    text.push('.');
    Some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::df;

    #[test]
    fn what_was_not_seen_is_not_said() {
        let frame =
            df!("operations" => [0_u32], "ten_minute_values" => [0_u32], "loaded_hours" => [0.0]).unwrap();
        assert_eq!(
            [of_switch, of_weeks, of_loading].map(|say: Say| say(&Row { cells: Cells(&frame), index: 0 })),
            [None, None, None]
        );
    }

    #[test]
    fn a_week_is_named_by_its_days() {
        let frame = df!(
            "ten_minute_values" => [1008_u32], "u2_over_hours" => [3.25], "u2_over_percent" => [1.934],
            "u2_week_p95_percent" => [1.41], "u2_last_week_p95_percent" => [1.2],
            "u2_week_begin" => [1_903_651_200_000_i64], "last_week_begin" => [1_903_651_200_000_i64],
        );
        let utc = polars::prelude::DataType::Datetime(polars::prelude::TimeUnit::Milliseconds, None);
        let mut frame = frame.unwrap();
        for name in ["u2_week_begin", "last_week_begin"] {
            let column = frame.column(name).unwrap().cast(&utc).unwrap();
            frame.with_column(column).unwrap();
        }
        let said = of_weeks(&Row { cells: Cells(&frame), index: 0 }).unwrap();
        let expected = "u2 of the clock's ten minutes above 2 % for 3.2 h, 1.93 % of 1,008 values; the largest 95th percentile of a \
                        week is 1.41 % (29 April to 5 May 2030), the latest 1.20 % (29 April to 5 May 2030); EN 50160 asks for at \
                        most 2 %.";
        assert_eq!(said, expected);
    }
}
