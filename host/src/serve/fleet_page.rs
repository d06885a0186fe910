//! All banks, or those that are asked for.

use std::collections::BTreeSet;

use axum::http::{StatusCode, Uri};

use super::address::{Ask, STATES, field};
use super::desk::{Desk, Found, not_yet};
use super::page::Page;
use crate::analysis::Filter;
use crate::analysis::fleet::{FleetRow, end_of_store};
use crate::number::count;
use crate::report::text::{escape, grouped};
use crate::report::{Links, badge, class, how_to_read, table, top, unheard, worklist};

/// Banks in a page of the table: a browser lays out thousands too slowly.
const PAGE: usize = 100;

/// Of an address.
pub fn page(desk: &Desk, uri: &Uri) -> Result<Page, Found> {
    let ask = Ask::of(uri).map_err(|words| Found::Nothing(StatusCode::BAD_REQUEST, words))?;
    let Some(content) = desk.content() else { return Ok(not_yet(desk)) };
    let filter = Filter { from_ms: ask.from_ms, to_ms: ask.to_ms, ..Filter::default() };
    let all = desk.fleet(&content, &filter)?;
    let rows: Vec<FleetRow> = all.iter().filter(|row| ask.wants(row)).cloned().collect();
    let range = ask.range();
    let links = Links::Live { range: &range };
    let head = if rows.is_empty() && !all.is_empty() {
        "<header id=\"top\"><h1>No bank is as you ask</h1></header>".to_owned()
    } else {
        top::top(&content.store, &rows, links)
    };
    let pages = rows.len().div_ceil(PAGE).max(1);
    let number = ask.page.min(pages);
    let shown = (number - 1) * PAGE..(number * PAGE).min(rows.len());
    let turn = if pages > 1 { turn(&ask, number, pages, &shown, rows.len()) } else { String::new() };
    let crews = worklist::worklist(&content.store, &rows, links)?;
    // Behind the table, which is what one looks through here.
    let to_crews = if crews.is_empty() {
        ""
    } else {
        "<p class=\"hint\"><a href=\"#crews\">To what crews look for and bring</a></p>"
    };
    // Of banks that are asked for the rest is not told either.
    let unheard = if rows.len() == all.len() {
        let end_ms = end_of_store(all.iter().filter_map(|row| row.last_ms).collect());
        unheard::section(&content.store, &filter, end_ms)
    } else {
        String::new()
    };
    let main = format!(
        "<div id=\"head\" data-live>{head}{to_crews}</div>{}<div id=\"banks\" data-live>{}{turn}{unheard}</div><div id=\"jobs\" \
         data-live>{crews}</div>{}{}",
        form(&ask, &all),
        table::table(&rows, shown, links),
        top::cautions(),
        how_to_read("")
    );
    let title = if rows.is_empty() { "No bank".to_owned() } else { top::headline(&rows) };
    Ok(Page::whole(desk, &content.version, &title, &main))
}

fn turn(ask: &Ask, number: usize, pages: usize, shown: &std::ops::Range<usize>, all: usize) -> String {
    let to = |page: usize, words: &str| match (1..=pages).contains(&page) && page != number {
        true => format!("<a href=\"{}\">{words}</a>", escape(&ask.at_page(page))),
        false => format!("<span class=\"off\">{words}</span>"),
    };
    format!(
        "<nav class=\"ways\" aria-label=\"Pages of the table\"><span>{} to {} of {}</span>{}{}{}{}</nav>",
        grouped((shown.start + 1) as f64, 0),
        grouped(shown.end as f64, 0),
        count(all as u64, "bank"),
        to(1, "First"),
        to(number.saturating_sub(1), "Before"),
        to(number + 1, "Next"),
        to(pages, "Last")
    )
}

/// What to ask for: it works without a script, by its button.
fn form(ask: &Ask, all: &[FleetRow]) -> String {
    let feeders: BTreeSet<&str> = all.iter().filter_map(|row| row.feeder.as_deref()).collect();
    // What is asked for stays to be seen, also where no bank is on it.
    let asked = ask.feeders.iter().map(String::as_str);
    let feeders: BTreeSet<&str> = feeders.into_iter().chain(asked).collect();
    let options: String = feeders
        .iter()
        .map(|feeder| {
            let is_asked = ask.feeders.iter().any(|asked| asked == feeder);
            let selected = if is_asked { " selected" } else { "" };
            let feeder = escape(feeder);
            format!("<option value=\"{feeder}\"{selected}>{feeder}</option>")
        })
        .collect();
    let states: String = STATES
        .into_iter()
        .map(|state| {
            let checked = if ask.states.contains(&state) { " checked" } else { "" };
            format!(
                "<label><input type=\"checkbox\" name=\"state\" value=\"{}\"{checked}>{}</label>",
                class(state),
                badge(state)
            )
        })
        .collect();
    format!(
        "<form id=\"filter\" action=\"/\" method=\"get\"><label for=\"bank\">Bank<input id=\"bank\" name=\"bank\" \
         type=\"search\" autocomplete=\"off\" value=\"{}\"></label><label for=\"feeder\">Feeder<select id=\"feeder\" \
         name=\"feeder\"><option value=\"\">all</option>{options}</select></label>{}{}<fieldset><legend>Needs</legend>{states}\
         </fieldset><button type=\"submit\">Show</button><a href=\"/\">All banks</a></form>",
        escape(ask.banks.first().map_or("", String::as_str)),
        field("from", "Values from (UTC)", ask.from_ms),
        field("to", "to (UTC)", ask.to_ms),
    )
}
