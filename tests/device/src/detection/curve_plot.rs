//! The curve as a picture: smallest gain that is found against false calls a bank-year, a point a limit.

use std::fmt::Write;

use super::curve::Point;
use crate::measurement::plot::{BLUE, GREEN, HALO, INK, PALE, VERMILLION};

const SIZE: (f64, f64) = (640.0, 400.0);
const LEFT: f64 = 70.0;
const RIGHT: f64 = 600.0;
const TOP: f64 = 70.0;
const BOTTOM: f64 = 345.0;
/// Decades of the false calls a bank-year.
const DECADES: (f64, f64) = (-1.0, 4.0);

/// Draws it.
pub fn svg(points: &[Point]) -> String {
    let (width, height) = SIZE;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\" font-family=\"system-ui, sans-serif\" font-size=\"11\" fill=\"{INK}\">\n\
         <title>Smallest change found against false calls</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n\
         <text x=\"16\" y=\"24\" font-size=\"16\" font-weight=\"600\">What a smaller limit finds, and what it costs</text>\n\
         <text x=\"16\" y=\"43\">Each point is a limit, in % of a phase. Hollow: no false call in the years played, the bound is 3/N.</text>\n"
    );
    let most = points.iter().map(|point| 100.0 * point.smallest).filter(|size| size.is_finite());
    let most = libm::ceil(most.fold(1.0, f64::max) + 0.5);
    let x = |percent: f64| LEFT + (RIGHT - LEFT) * percent / most;
    let y = |rate: f64| {
        let decade = libm::log10(rate).clamp(DECADES.0, DECADES.1);
        BOTTOM - (BOTTOM - TOP) * (decade - DECADES.0) / (DECADES.1 - DECADES.0)
    };
    let mut decade = DECADES.0;
    while decade <= DECADES.1 {
        let rate = libm::pow(10.0, decade);
        let _ = writeln!(
            out,
            "<path d=\"M{LEFT} {:.1}H{RIGHT}\" stroke=\"{PALE}\"/>\n<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{rate}</text>",
            y(rate),
            LEFT - 6.0,
            y(rate) + 4.0
        );
        decade += 1.0;
    }
    for tick in 0..=(most as u32) {
        let place = x(f64::from(tick));
        let _ = writeln!(
            out,
            "<path d=\"M{place:.1} {BOTTOM}v4\" stroke=\"{INK}\"/>\n<text x=\"{place:.1}\" y=\"{}\" text-anchor=\"middle\">{tick}</text>",
            BOTTOM + 17.0
        );
    }
    let _ = writeln!(
        out,
        "<path d=\"M{LEFT} {TOP}V{BOTTOM}H{RIGHT}\" fill=\"none\" stroke=\"{INK}\"/>\n\
         <text x=\"{}\" y=\"{}\" text-anchor=\"middle\">smallest gain found in 98 % of the records, % of a phase</text>\n\
         <text x=\"{LEFT}\" y=\"{}\">false calls a bank-year</text>",
        (LEFT + RIGHT) / 2.0,
        height - 12.0,
        TOP - 8.0
    );
    let places: Vec<(f64, f64, &Point)> = points
        .iter()
        .filter(|point| point.smallest.is_finite())
        .map(|point| {
            let calls = if point.false_calls == 0 { 3.0 } else { point.false_calls as f64 };
            (x(100.0 * point.smallest), y(calls / point.years), point)
        })
        .collect();
    let line: Vec<String> = places.iter().map(|(x, y, _)| format!("{x:.1},{y:.1}")).collect();
    let _ = writeln!(
        out,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"{BLUE}\" stroke-width=\"1.6\"/>",
        line.join(" ")
    );
    for (x, y, point) in places {
        let fill = if point.false_calls == 0 { "#fff" } else { VERMILLION };
        let edge = if point.false_calls == 0 { GREEN } else { VERMILLION };
        let _ = writeln!(
            out,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"{fill}\" stroke=\"{edge}\" stroke-width=\"1.6\"/>\n\
             <text x=\"{:.1}\" y=\"{:.1}\" {HALO}>{} %</text>",
            x + 7.0,
            y - 6.0,
            100.0 * point.limit
        );
    }
    out + "</svg>\n"
}
