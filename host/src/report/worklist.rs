//! The crews' list: the banks that need a crew, or may be dangerous, with all that a crew has to know before it goes, in the order
//! of the worklist.

use super::bank::capital;
use super::text::{escape, escape_whole_times, grouped};
use super::{Links, badge, linked};
use crate::analysis::fleet::{FleetRow, rank};
use crate::analysis::worklist::{COORDINATE, WorkItem, of_rows};
use crate::number::count;
use crate::store::{Store, StoreError};

/// Most banks in the list: what is behind them no crew reaches today, and the worklist itself has them all.
const MOST_BANKS: usize = 30;

/// The list; nothing where there is no such bank.
///
/// # Errors
/// The utility's table of fuse links cannot be read.
pub fn worklist(store: &Store, rows: &[FleetRow], links: Links<'_>) -> Result<String, StoreError> {
    let needs_crew = |row: &FleetRow| row.state.needs_crew() || rank(row).hazard().is_some();
    let crew: Vec<(usize, &FleetRow)> = rows.iter().enumerate().filter(|(_, row)| needs_crew(row)).collect();
    let shown = crew.get(..MOST_BANKS).unwrap_or(&crew);
    let items = of_rows(store, shown.iter().map(|(_, row)| (*row).clone()))?;
    if items.is_empty() {
        return Ok(String::new());
    }
    let shared = shared(&items);
    let mut jobs = String::new();
    for (number, (item, (index, _))) in items.iter().zip(shown).enumerate() {
        let before = items.iter().take(number).position(|other| same_to_do(other, item));
        jobs.push_str(&job(number, item, before, *index, &shared, links));
    }
    let rest = match crew.len() - items.len() {
        0 => String::new(),
        1 => "<b>1 more bank needs a crew</b> and is left out here. ".to_owned(),
        more => format!("<b>{} more banks need a crew</b> and are left out here. ", grouped(more as f64, 0)),
    };
    Ok(format!(
        "<section class=\"jobs\" id=\"crews\"><h2>What crews look for and bring</h2>{}<ol>{jobs}</ol><p class=\"hint\">{rest}wyelog \
         worklist --store DIR --full lists all, also what an engineer or somebody else has to look at; --csv makes work orders \
         of it.</p></section>",
        for_all(&shared, items.len())
    ))
}

/// Cautions that stand beside every one of the banks, in the order of the first.
fn shared<'i>(items: &'i [WorkItem]) -> Vec<&'i str> {
    let Some((first, others)) = items.split_first() else { return Vec::new() };
    let is_everywhere =
        |caution: &&'i str| others.iter().all(|item| item.explanation.cautions.contains(caution));
    first.explanation.cautions.iter().copied().filter(is_everywhere).collect()
}

fn for_all(cautions: &[&str], banks: usize) -> String {
    if cautions.is_empty() {
        return String::new();
    }
    let head = if banks == 1 {
        "At this bank".to_owned()
    } else {
        format!("At each of these {}", count(banks as u64, "bank"))
    };
    let items: String = cautions.iter().map(|caution| format!("<li>{}</li>", escape(caution))).collect();
    format!("<div class=\"cautions\"><h3>{head}</h3><ul>{items}</ul></div>")
}

/// Whether a crew has to know the same of two banks, but for what happened and the link.
fn same_to_do(a: &WorkItem, b: &WorkItem) -> bool {
    let of = |item: &WorkItem| {
        let words = item.explanation.clone();
        (words.otherwise, words.look, words.bring, words.cautions)
    };
    of(a) == of(b)
}

/// One bank of the list; what it has in common with the one at `before` stands there.
fn job(
    number: usize,
    item: &WorkItem,
    before: Option<usize>,
    index: usize,
    shared: &[&str],
    links: Links<'_>,
) -> String {
    let row = &item.row;
    let hazard =
        item.rank.hazard().map(|hazard| format!(" <b>hazard: {}</b>", escape(hazard))).unwrap_or_default();
    let lost = item.kvarh_lost_per_day();
    let lost = lost.map(|lost| format!("; {} kvarh a day lost", grouped(lost, 0))).unwrap_or_default();
    let noted =
        item.acknowledged().map(|note| format!(" Acknowledged: {}.", escape(&note))).unwrap_or_default();
    let mut out = format!(
        "<li id=\"j{number}\" class=\"s-{}\"><h3><span class=\"rank\">{}</span> {} {}{hazard}</h3><p class=\"plate\">{}</p>\
         <p>{}{lost}.{noted}</p><div class=\"meaning\">",
        super::class(row.state),
        number + 1,
        linked(row, index, links),
        badge(row.state),
        escape(&place(item)),
        escape_whole_times(&capital(&item.what.join("; "))),
    );
    let words = &item.explanation;
    let of =
        |texts: &[&str]| -> String { texts.iter().map(|text| format!("<p>{}</p>", escape(text))).collect() };
    let probably = of(&[words.happened.as_str()].map(str::trim));
    let link = item.fuse_link.as_ref().map(|link| {
        let text = format!("{} ({}); {COORDINATE}.", link.link, link.basis());
        format!("<p><b>Fuse link:</b> {}</p>", escape(&text))
    });
    let mut block = |head: &str, class: &str, texts: &str| {
        if !texts.is_empty() && texts != "<p></p>" {
            out.push_str(&format!("<div{class}><h4>{head}</h4>{texts}</div>"));
        }
    };
    block("Probably", "", &probably);
    match before {
        Some(before) => {
            let there = format!("<p>As at <a href=\"#j{before}\">number {}</a>, above.</p>", before + 1);
            block("Or; look for; bring; beware", "", &(link.unwrap_or_default() + &there));
        }
        None => {
            let own = words.cautions.iter().copied().filter(|caution| !shared.contains(caution));
            block("Or", "", &of(&words.otherwise.iter().map(String::as_str).collect::<Vec<_>>()));
            block("Look for", "", &of(&words.look));
            block("Bring", "", &(link.unwrap_or_default() + &of(&words.bring)));
            block("Beware", " class=\"beware\"", &of(&own.collect::<Vec<_>>()));
        }
    }
    out.push_str("</div></li>");
    out
}

/// Where it is, as far as people have said.
fn place(item: &WorkItem) -> String {
    let of = |name: &str, text: Option<&String>| text.map(|text| format!("{name}{text}"));
    let bank = item.bank.as_ref();
    let parts = [
        of("feeder ", item.row.feeder.as_ref()),
        of("pole ", bank.and_then(|bank| bank.pole.as_ref())),
        of("", bank.and_then(|bank| bank.position.as_ref())),
        of("asset ", bank.and_then(|bank| bank.asset.as_ref())),
        of("logger ", Some(&item.row.device)),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
}
