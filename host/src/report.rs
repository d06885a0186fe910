//! A store as one page that opens from a mail: no network, no script. The same store gives the same bytes.
//!
//! First what is wrong, in a sentence a bank; then what crews have to know before they go; then the whole fleet as a table, what
//! needs a crew first; then a page for each of the worst banks.

pub(crate) mod answers;
mod axis;
pub(crate) mod bank;
mod certificate;
pub(crate) mod chart;
pub(crate) mod charts;
mod operations;
mod phasors;
pub(crate) mod table;
pub(crate) mod text;
mod timeline;
pub(crate) mod top;
mod trust;
pub(crate) mod unheard;
pub(crate) mod worklist;

use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;

use crate::analysis::Filter;
use crate::analysis::fleet::{FLAGGED_PERCENT, FleetRow, NEUTRAL, SILENT_MS, State, UNEXPLAINED_PU, fleet};
use crate::analysis::kvar::BASIS;
use crate::analysis::quality::end_of_records;
use crate::store::{Store, StoreError};
use answers::Answers;
use text::escape;

pub use certificate::{html as certificate_html, text as certificate_text};

/// How the page looks on screens and on paper.
pub(crate) const STYLE: &str = include_str!("report/style.css");

/// What to make a report of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Options {
    /// How many banks get a page of their own, the worst first.
    pub worst: usize,
    /// Which banks, and which time.
    pub filter: Filter,
}

impl Default for Options {
    /// The 50 worst of all banks, all of the time.
    fn default() -> Self {
        Self { worst: 50, filter: Filter::default() }
    }
}

/// A report.
#[derive(Clone, Debug)]
pub struct Report {
    /// The page: HTML in UTF-8.
    pub html: String,
    /// The banks, in its order.
    pub rows: Vec<FleetRow>,
}

impl Report {
    /// "2 of 12 banks need a crew".
    pub fn headline(&self) -> String {
        top::headline(&self.rows)
    }
}

/// What is wrong with a bank, in one sentence without its name; `None` if nothing was found.
pub fn sentence(row: &FleetRow) -> Option<String> {
    top::sentence(row)
}

/// Makes the page.
///
/// # Errors
/// The store cannot be read.
pub fn report(store: &Store, options: &Options) -> Result<Report, StoreError> {
    let rows = fleet(store, &options.filter)?;
    let pages = options.worst.min(rows.len());
    let mut html = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"generator\" \
         content=\"wyelog report\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><meta \
         name=\"color-scheme\" content=\"light dark\"><title>{}</title>\
         <style>\n{STYLE}</style></head><body><main>\n",
        escape(&top::headline(&rows))
    );
    let links = Links::Here { pages };
    html.push_str(&top::top(store, &rows, links));
    let crews = worklist::worklist(store, &rows, links)?;
    if !crews.is_empty() {
        // A list of thirty banks stands before the table.
        html.push_str("<p class=\"hint\"><a href=\"#fleet\">To the table of all banks</a></p>");
    }
    html.push_str(&crews);
    html.push_str(&table::table(&rows, 0..rows.len(), links));
    let end_ms = end_of_records(store, &options.filter)?;
    html.push_str(&unheard::section(store, &options.filter, end_ms));
    html.push_str(&top::cautions());
    let answers = Answers::of(store, &options.filter, &rows, pages)?;
    for (index, row) in rows.iter().enumerate().take(pages) {
        html.push('\n');
        html.push_str(&bank::page(store, row, &answers, index, rows.len())?);
    }
    html.push_str(&reading(rows.len() - pages));
    html.push_str("\n</main></body></html>\n");
    Ok(Report { html, rows })
}

/// Writes the page wholly or not at all. In the place of another file only with `replace`, or where that is an earlier page of the
/// same kind: such a page can be made again.
///
/// # Errors
/// The file cannot be written, or is something else.
pub fn save(path: &Path, html: &str, replace: bool) -> Result<(), StoreError> {
    if !replace && !is_such_a_page(path, html) {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    let fail = |source| StoreError::WriteOut { path: path.to_owned(), source };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new().prefix(".wyelog-report-").tempfile_in(folder).map_err(fail)?;
    file.write_all(html.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(fail)?;
    #[cfg(unix)]
    {
        // A temporary file is its maker's alone; a report is for others too, as any other file.
        use std::os::unix::fs::PermissionsExt;
        file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644)).map_err(fail)?;
    }
    file.persist(path).map(drop).map_err(|error| fail(error.error))
}

/// Whether there is nothing of that name, or a page made by what made `html`.
fn is_such_a_page(path: &Path, html: &str) -> bool {
    let made_by = |html: &str| {
        let (_, rest) = html.split_once("<meta name=\"generator\" content=\"")?;
        rest.split_once('"').map(|(name, _)| name.to_owned())
    };
    if !path.metadata().is_ok_and(|file| file.is_file() && file.len() > 0) {
        return true;
    }
    let mut head = Vec::new();
    let read = File::open(path).and_then(|file| file.take(500).read_to_end(&mut head));
    read.is_ok() && made_by(html).is_some_and(|name| made_by(&String::from_utf8_lossy(&head)) == Some(name))
}

/// How the numbers came about.
fn reading(without_page: usize) -> String {
    how_to_read(&match without_page {
        0 => String::new(),
        1 => "One bank has no page of its own: --worst asks for more. ".to_owned(),
        more => format!("{more} banks have no page of their own: --worst asks for more. "),
    })
}

/// The same, behind a text that is HTML.
pub(crate) fn how_to_read(first: &str) -> String {
    format!(
        "<section class=\"reading\"><h2>How to read this</h2><p>{first}Order: what is dangerous, by its kind (shorted \
         element, star-point ground possibly lost, pole stuck closed, intermittent phase, restrike, charged closing), then by \
         kvarh lost a day × how certain that is; restrikes and charged closings count for 30 days. kvarh lost is what whole phases \
         would have given at the voltages there were, less what was given; below zero where units have more capacitance than \
         rated. Basis of kvar: {}. Flagged intervals (interruption, clipped channel, lost frames) are left out of means \
         (IEC 61000-4-30). Unexplained neutral current is the median of the last day, per unit of the rated current; what \
         the voltages explain is not unexplained.</p><p>An <i>observation</i> is no alarm: no logger raised it. The neutral \
         current counts as not following the voltages when, over the last day, the voltages explain at least {} pu, less \
         than {:.0} % of it is measured, and less than {:.0} % of its changes arrive; where it does not change, {} pu must be \
         explained. More than {} pu unexplained is an observation, and so are records that end {:.0} h before those of the \
         store, and more than {:.0} % flagged intervals. These limits are our choice: common practice, no source.</p><p>Every \
         time is UTC. The report is made from what loggers recorded; it proves no line dead and no capacitor discharged.</p>\
         </section>",
        escape(BASIS),
        NEUTRAL.least_explained_pu,
        NEUTRAL.most_measured * 100.0,
        NEUTRAL.most_follows * 100.0,
        NEUTRAL.least_constant_pu,
        UNEXPLAINED_PU,
        SILENT_MS as f64 / 3_600_000.0,
        FLAGGED_PERCENT
    )
}

/// The name of a bank, or what stands for it.
pub(crate) fn name(row: &FleetRow) -> &str {
    if row.bank.trim().is_empty() { "(bank without a name)" } else { &row.bank }
}

/// Where the page of a bank is.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Links<'q> {
    /// Further down, of the first banks.
    Here {
        /// How many.
        pages: usize,
    },
    /// At an address of its own.
    Live {
        /// What the address ends with: the range of time that is asked for.
        range: &'q str,
    },
}

impl Links<'_> {
    fn to(self, row: &FleetRow, index: usize) -> Option<String> {
        match self {
            Self::Here { pages } => (index < pages).then(|| format!("#b{index}")),
            Self::Live { range } => Some(crate::serve::address("/bank", row) + range),
        }
    }
}

/// The name, as a link to its page if it has one.
fn linked(row: &FleetRow, index: usize, links: Links<'_>) -> String {
    let name = escape(name(row));
    match links.to(row, index) {
        Some(href) => format!("<a href=\"{}\">{name}</a>", escape(&href)),
        None => name,
    }
}

/// How the style calls a state.
pub(crate) const fn class(state: State) -> &'static str {
    match state {
        State::Hazard => "hazard",
        State::Crew => "crew",
        State::Look => "look",
        State::Engineer => "engineer",
        State::Note => "note",
        State::Nothing => "nothing",
    }
}

/// A shape for each state: colour is never alone.
fn mark(state: State) -> String {
    let shape = match state {
        State::Hazard => "M6 .5 12 11.5H0Z",
        State::Crew => "M1 1H11V11H1Z",
        State::Look => "M6 0 12 6 6 12 0 6Z",
        State::Engineer => "M6 1a5 5 0 1 0 .01 0Z",
        State::Note => "M6 1a5 5 0 1 0 .01 0ZM6 3.5a2.5 2.5 0 1 1-.01 0Z",
        State::Nothing => "M1 5H11V7H1Z",
    };
    format!("<svg class=\"mark\" viewBox=\"0 0 12 12\" aria-hidden=\"true\"><path d=\"{shape}\"/></svg>")
}

/// Shape and word.
pub(crate) fn badge(state: State) -> String {
    format!("<span class=\"state s-{}\">{}{}</span>", class(state), mark(state), state.words())
}
