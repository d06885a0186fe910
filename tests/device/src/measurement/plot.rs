//! The sweep as a picture: worst error against frequency, a panel for each quantity that has a limit, in SVG.
//!
//! Colours are from the Okabe–Ito palette, which colour-blind people can tell apart.

use std::fmt::Write;

use wyelog_protocol::bank::RatedFrequency;

use super::sweep::Point;
use super::tally::{LINES, Line};

const COLUMNS: usize = 3;
const PANEL: (f64, f64) = (312.0, 214.0);
/// Space around the axes of a panel: left, top, right, bottom.
const MARGIN: (f64, f64, f64, f64) = (50.0, 44.0, 12.0, 26.0);
const HEAD: f64 = 58.0;
const FOOT: f64 = 26.0;
const SPAN_HZ: (f64, f64) = (41.0, 70.5);
const TICKS_HZ: [f64; 6] = [45.0, 50.0, 55.0, 60.0, 65.0, 70.0];

pub(crate) const INK: &str = "#222";
pub(crate) const PALE: &str = "#e4e4e4";
const STANDARD: &str = "#8a8a8a";
pub(crate) const BLUE: &str = "#0072B2";
pub(crate) const VERMILLION: &str = "#D55E00";
pub(crate) const GREEN: &str = "#007A5A";

/// Keeps a label readable where a curve passes.
pub(crate) const HALO: &str = "stroke=\"#fff\" stroke-width=\"3\" paint-order=\"stroke\"";

/// Draws the panels.
pub fn svg(points: &[Point]) -> String {
    let lines: Vec<&Line> = LINES.iter().filter(|line| line.reach.is_some()).collect();
    let rows = lines.len().div_ceil(COLUMNS);
    let width = PANEL.0 * COLUMNS as f64;
    let height = HEAD + PANEL.1 * rows as f64 + FOOT;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\" font-family=\"system-ui, sans-serif\" font-size=\"11\" fill=\"{INK}\">\n\
         <title>Worst error of the measurement against frequency</title>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n\
         <text x=\"16\" y=\"24\" font-size=\"16\" font-weight=\"600\">Worst error against frequency, by quantity</text>\n\
         <text x=\"16\" y=\"43\">Every signal of the sweep at that frequency, ideal 24-bit converter: the error of the \
         computation alone. Logarithmic scales.</text>\n"
    );
    for (index, line) in lines.into_iter().enumerate() {
        let (column, row) = (index % COLUMNS, index / COLUMNS);
        let at = (PANEL.0 * column as f64, HEAD + PANEL.1 * row as f64);
        // Direct labels in the first panel suffice: all are alike.
        panel(&mut out, line, points, at, index == 0);
    }
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">frequency of the signal, Hz</text>\n</svg>",
        width / 2.0,
        height - 8.0
    );
    out
}

/// Axes of a panel: from Hz and error to its place.
struct Axes {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    /// Decades.
    low: i32,
    high: i32,
}

impl Axes {
    fn x(&self, hz: f64) -> f64 {
        self.left + (self.right - self.left) * (hz - SPAN_HZ.0) / (SPAN_HZ.1 - SPAN_HZ.0)
    }

    fn y(&self, error: f64) -> f64 {
        let (low, high) = (f64::from(self.low), f64::from(self.high));
        let decade = if error > 0.0 { libm::log10(error).clamp(low, high) } else { low };
        self.bottom - (self.bottom - self.top) * (decade - low) / (high - low)
    }
}

fn panel(out: &mut String, line: &Line, points: &[Point], at: (f64, f64), labelled: bool) {
    let errors = points.iter().map(|point| point.tally.of(line.quantity)).filter(|worst| worst.values > 0);
    let limits = [line.reach, line.standard.map(|(limit, _)| limit)];
    let all: Vec<f64> = errors
        .map(|worst| worst.error)
        .chain(limits.into_iter().flatten())
        .filter(|error| *error > 0.0 && error.is_finite())
        .collect();
    let decade = |error: f64| libm::log10(error);
    let low = all.iter().copied().map(decade).fold(f64::INFINITY, f64::min);
    let high = all.iter().copied().map(decade).fold(f64::NEG_INFINITY, f64::max);
    let axes = Axes {
        left: at.0 + MARGIN.0,
        right: at.0 + PANEL.0 - MARGIN.2,
        top: at.1 + MARGIN.1,
        bottom: at.1 + PANEL.1 - MARGIN.3,
        low: libm::floor(low) as i32,
        high: libm::ceil(high + 0.1) as i32,
    };
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" font-weight=\"600\">{}</text>\n<text x=\"{:.1}\" y=\"{:.1}\">{}</text>",
        at.0 + 16.0,
        axes.top - 24.0,
        line.name,
        at.0 + 16.0,
        axes.top - 9.0,
        line.unit
    );
    grid(out, &axes);
    if let Some((limit, _)) = line.standard {
        limit_line(out, &axes, limit, STANDARD, "4 3", "standard’s limit");
    }
    if let Some(limit) = line.reach {
        let label =
            if line.standard.is_some_and(|(standard, _)| standard <= limit) { "" } else { "our limit" };
        limit_line(out, &axes, limit, GREEN, "", label);
    }
    for (rated, colour, label) in
        [(RatedFrequency::Hz50, BLUE, "50 Hz bank"), (RatedFrequency::Hz60, VERMILLION, "60 Hz bank")]
    {
        let shown: Vec<(f64, f64)> = points
            .iter()
            .filter(|point| point.rated == rated)
            .map(|point| (point.hz, point.tally.of(line.quantity)))
            .filter(|(_, worst)| worst.values > 0)
            .map(|(hz, worst)| (axes.x(hz), axes.y(worst.error)))
            .collect();
        let places: Vec<String> = shown.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let _ = writeln!(
            out,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.6\" \
             stroke-linejoin=\"round\"/>",
            places.join(" ")
        );
        if labelled && let (Some(first), Some(last)) = (shown.first(), shown.last()) {
            let (x, anchor) =
                if rated == RatedFrequency::Hz50 { (first.0, "start") } else { (last.0, "end") };
            let lowest = shown.iter().map(|(_, y)| *y).fold(f64::NEG_INFINITY, f64::max);
            let _ = writeln!(
                out,
                "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" fill=\"{colour}\" {HALO}>{label}</text>",
                (lowest + 14.0).min(axes.bottom - 4.0)
            );
        }
    }
}

fn grid(out: &mut String, axes: &Axes) {
    for decade in axes.low..=axes.high {
        let y = axes.y(libm::pow(10.0, f64::from(decade)));
        let _ = writeln!(
            out,
            "<path d=\"M{:.1} {y:.1}H{:.1}\" stroke=\"{PALE}\"/>\n\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            axes.left,
            axes.right,
            axes.left - 5.0,
            y + 4.0,
            power(decade)
        );
    }
    for hz in TICKS_HZ {
        let x = axes.x(hz);
        let _ = writeln!(
            out,
            "<path d=\"M{x:.1} {:.1}v4\" stroke=\"{INK}\"/>\n\
             <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{hz}</text>",
            axes.bottom,
            axes.bottom + 16.0
        );
    }
    let _ = writeln!(
        out,
        "<path d=\"M{:.1} {:.1}V{:.1}H{:.1}\" fill=\"none\" stroke=\"{INK}\"/>",
        axes.left, axes.top, axes.bottom, axes.right
    );
}

fn limit_line(out: &mut String, axes: &Axes, limit: f64, colour: &str, dashes: &str, label: &str) {
    let y = axes.y(limit);
    let dashes = if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dashes}\"") };
    let _ = writeln!(
        out,
        "<path d=\"M{:.1} {y:.1}H{:.1}\" stroke=\"{colour}\" stroke-width=\"1.3\"{dashes}/>\n\
         <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{colour}\" {HALO}>{label}</text>",
        axes.left,
        axes.right,
        axes.right,
        y - 4.0
    );
}

/// A power of ten as people write it.
fn power(decade: i32) -> String {
    let (zeros, after) = (decade.unsigned_abs() as usize, decade < 0);
    match zeros {
        0 => "1".to_owned(),
        1..=3 if after => format!("0.{}1", "0".repeat(zeros - 1)),
        1..=3 => format!("1{}", "0".repeat(zeros)),
        _ => format!("10<tspan dy=\"-4\" font-size=\"8\">{}{zeros}</tspan>", if after { "−" } else { "" }),
    }
}
