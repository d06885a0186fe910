//! The confusion matrix: what was there against what was said, as a picture.

use std::fmt::Write;

use wyelog_protocol::condition::Condition;

use super::class::Class;
use super::judge::FalseCall;
use super::study::Judged;
use crate::measurement::plot::{BLUE, INK, PALE, VERMILLION};

/// What a record was called.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Called {
    /// This, in the right phases where phases matter.
    As(Condition),
    /// The right thing, or a cause of it, in other phases.
    OtherPhases,
    /// Nothing.
    Nothing,
}

impl Called {
    /// What this record was called: by the first thing that should have been found, or by the most urgent false call.
    pub fn of(judged: &Judged) -> Self {
        let urgent = judged.calls().min_by_key(|call| (call.condition.route(), call.condition));
        let by_call = |call: Option<&FalseCall>| call.map_or(Self::Nothing, |call| Self::As(call.condition));
        match judged.verdict.outcomes.first() {
            Some(outcome) if outcome.found && !outcome.phases_right => Self::OtherPhases,
            Some(outcome) => outcome.named.map_or_else(|| by_call(urgent), Self::As),
            None => by_call(urgent),
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::As(condition) => condition.name(),
            Self::OtherPhases => "other phases",
            Self::Nothing => "nothing",
        }
    }
}

/// Whether this is what the record should be called.
fn is_right(judged: &Judged, called: Called) -> bool {
    match judged.verdict.outcomes.first() {
        Some(outcome) => called == Called::As(outcome.expected.condition),
        None => called == Called::Nothing,
    }
}

const ROW: f64 = 17.0;
const COLUMN: f64 = 38.0;
const LEFT: f64 = 210.0;
const TOP: f64 = 190.0;

/// Draws it.
pub fn svg(judged: &[Judged]) -> String {
    let called: Vec<Called> = judged.iter().map(Called::of).collect();
    let mut columns = called.clone();
    columns.sort();
    columns.dedup();
    let width = LEFT + COLUMN * columns.len() as f64 + 80.0;
    let height = TOP + ROW * Class::ALL.len() as f64 + 20.0;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\" font-family=\"system-ui, sans-serif\" font-size=\"11\" fill=\"{INK}\">\n\
         <title>What was there against what was said</title>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n\
         <text x=\"16\" y=\"24\" font-size=\"16\" font-weight=\"600\">What was there, and what was said of it</text>\n\
         <text x=\"16\" y=\"43\">{} records: blue as it should be, vermillion otherwise; deeper is a larger part of the row.</text>\n",
        judged.len()
    );
    for (index, column) in columns.iter().enumerate() {
        let x = LEFT + COLUMN * (index as f64 + 0.6);
        let _ = writeln!(
            out,
            "<text transform=\"translate({x:.0} {:.0}) rotate(-55)\">{}</text>",
            TOP - 8.0,
            column.name()
        );
    }
    for (row, class) in Class::ALL.into_iter().enumerate() {
        let y = TOP + ROW * row as f64;
        let own: Vec<(&Judged, Called)> =
            judged.iter().zip(called.iter().copied()).filter(|(record, _)| record.class == class).collect();
        let _ = writeln!(
            out,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>\n<path d=\"M16 {:.1}H{:.0}\" stroke=\"{PALE}\"/>",
            LEFT - 8.0,
            y + 12.5,
            class.name(),
            y + ROW,
            width - 16.0
        );
        for (column, place) in columns.iter().zip(0..) {
            let here: Vec<bool> = own
                .iter()
                .filter(|(_, called)| called == column)
                .map(|(record, called)| is_right(record, *called))
                .collect();
            cell(&mut out, (LEFT + COLUMN * f64::from(place), y), &here, own.len());
        }
        let _ = writeln!(
            out,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">of {}</text>",
            width - 16.0,
            y + 12.5,
            own.len()
        );
    }
    out + "</svg>\n"
}

fn cell(out: &mut String, at: (f64, f64), here: &[bool], of: usize) {
    if here.is_empty() {
        return;
    }
    let part = here.len() as f64 / of as f64;
    let colour = if here.iter().all(|right| *right) { BLUE } else { VERMILLION };
    let opacity = 0.15 + 0.6 * part;
    let text = if opacity > 0.55 { "#fff" } else { INK };
    let _ = writeln!(
        out,
        "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{colour}\" fill-opacity=\"{opacity:.2}\"/>\n\
         <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{text}\">{}</text>",
        at.0 + 1.0,
        at.1 + 1.0,
        COLUMN - 2.0,
        ROW - 2.0,
        at.0 + COLUMN / 2.0,
        at.1 + 12.5,
        here.len()
    );
}
