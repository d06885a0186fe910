//! The page of a bank, with charts of any stretch of its time.

use axum::http::{StatusCode, Uri};

use super::address::{Ask, address, field};
use super::desk::{Content, Desk, Found, not_yet};
use super::page::Page;
use super::zoom::{Stretch, Zoom};
use crate::analysis::Filter;
use crate::analysis::fleet::FleetRow;
use crate::report::answers::Answers;
use crate::report::bank::{Live, MOST_POINTS, NO_TIME, figures, page_with, thinned};
use crate::report::charts::Bands;
use crate::report::text::{escape, minute};
use crate::report::{name, top};

/// The whole page.
pub fn page(desk: &Desk, uri: &Uri) -> Result<Page, Found> {
    let ask = of(uri)?;
    let Some(content) = desk.content() else { return Ok(not_yet(desk)) };
    let (index, row) = find(&content, &ask)?;
    let charts = charts_of(desk, &content, row, &ask)?;
    let live = Live { charts: &charts, all_banks: "/" };
    let of_bank = Filter { banks: vec![row.bank.clone()], ..Filter::default() };
    let answers = Answers::of(&content.store, &of_bank, std::slice::from_ref(row), 1)?;
    let page = page_with(&content.store, row, &answers, index, content.rows.len(), Some(live))?;
    let main = format!("<div id=\"page\" data-live>{page}</div>{}", top::cautions());
    let title = match top::sentence(row) {
        Some(sentence) => format!("{}: {sentence}", name(row)),
        None => name(row).to_owned(),
    };
    Ok(Page::whole(desk, &content.version, &title, &main))
}

/// The charts alone.
pub fn charts(desk: &Desk, uri: &Uri) -> Result<Page, Found> {
    let ask = of(uri)?;
    let Some(content) = desk.content() else { return Ok(not_yet(desk)) };
    let (_, row) = find(&content, &ask)?;
    Ok(Page::part(charts_of(desk, &content, row, &ask)?))
}

fn of(uri: &Uri) -> Result<Ask, Found> {
    let wrong = |words: String| Found::Nothing(StatusCode::BAD_REQUEST, words);
    let ask = Ask::of(uri).map_err(wrong)?;
    match ask.banks.len() {
        1 => Ok(ask),
        0 => Err(wrong("Which bank? Give bank=NAME.".to_owned())),
        _ => Err(wrong("A page is of one bank: give one bank=NAME.".to_owned())),
    }
}

fn find<'c>(content: &'c Content, ask: &Ask) -> Result<(usize, &'c FleetRow), Found> {
    let bank = ask.banks.first().map_or("", String::as_str);
    let is_it =
        |row: &FleetRow| row.bank == bank && ask.device.as_ref().is_none_or(|device| *device == row.device);
    content.rows.iter().enumerate().find(|(_, row)| is_it(row)).ok_or_else(|| {
        let logger =
            ask.device.as_ref().map(|device| format!(" with the logger {device}")).unwrap_or_default();
        let words = format!(
            "There is no bank \"{bank}\"{logger} in the store. The table of all banks has those that are."
        );
        Found::Nothing(StatusCode::NOT_FOUND, words)
    })
}

fn charts_of(desk: &Desk, content: &Content, row: &FleetRow, ask: &Ask) -> Result<String, Found> {
    let series = desk.series(content, row)?;
    let Some((series, (from, to))) = series.and_then(|series| Some((series.clone(), series.range()?))) else {
        return Ok(format!("<div id=\"charts\" data-live>{NO_TIME}</div>"));
    };
    let zoom = Zoom::of(ask, Stretch { from, to }, series.interval_ms());
    let trend = series.trend(zoom.shown.from, zoom.shown.to, MOST_POINTS);
    let bank = address("/bank", row);
    let ways: String = zoom
        .ways()
        .into_iter()
        .map(|way| {
            let key = match way.key {
                "ArrowLeft" => "←",
                "ArrowRight" => "→",
                "-" => "−",
                key => key,
            };
            let words = format!("{} <kbd>{key}</kbd>", way.name);
            match way.range {
                Some(range) => {
                    let href = escape(&format!("{bank}{range}"));
                    format!("<a href=\"{href}\" data-key=\"{}\">{words}</a>", way.key)
                }
                // Who has just used it to its end keeps the focus.
                None => format!(
                    "<a role=\"link\" aria-disabled=\"true\" tabindex=\"-1\" class=\"off\" data-key=\"{}\">{words}</a>",
                    way.key
                ),
            }
        })
        .collect();
    let hidden: String = [("bank", &row.bank), ("device", &row.device)]
        .map(|(name, value)| format!("<input type=\"hidden\" name=\"{name}\" value=\"{}\">", escape(value)))
        .concat();
    Ok(format!(
        "<div id=\"charts\" data-live data-bank=\"{}\" data-from=\"{}\" data-to=\"{}\"><nav class=\"ways\" \
         aria-label=\"Stretch of time\">{ways}</nav><form id=\"stretch\" action=\"/bank\" method=\"get\">{hidden}{}{}<button \
         type=\"submit\">Show</button></form><p class=\"hint\" id=\"shown\">Shown: {} to {} UTC.{}<span class=\"mouse\"> A \
         stretch that is drawn over with the mouse is shown closer.</span></p>{}</div>",
        escape(&bank),
        trend.start_ms,
        trend.end_ms(),
        field("from", "From (UTC)", ask.from_ms),
        field("to", "to (UTC)", ask.to_ms),
        minute(zoom.shown.from),
        minute(zoom.shown.to),
        thinned(&trend),
        figures("c", row, &trend, Bands::All)
    ))
}
