//! The phasor diagram of the neutral current.

use super::axis::Axis;
use super::chart::{HEIGHT, open, short};
use super::text::grouped;
use crate::analysis::fleet::{Phasor, Recent};

/// Middle of the circle.
const CENTRE: (f64, f64) = (140.0, 122.0);
/// Radius of the circle.
const RADIUS: f64 = 88.0;

/// Where the residual points when a whole phase is gone, on ABC rotation (IEEE C37.99 has the phasor diagrams, from
/// memory; `wyelog_electrical::signature` computes them).
const GONE: [(&str, f64); 3] = [("A gone", 180.0), ("B gone", 60.0), ("C gone", -60.0)];

/// Measured, explained and unexplained neutral current of the last day.
pub fn phasors(id: &str, recent: &Recent) -> String {
    let title = "Phasor diagram of the neutral current";
    let parts = [
        ("measured", "ink", recent.measured),
        ("explained", "dash", recent.explained),
        ("not explained", "rest", recent.residual),
    ];
    let largest = parts.iter().filter_map(|(_, _, phasor)| Some(phasor.as_ref()?.size())).fold(0.0, f64::max);
    let scale = Axis::numbers(0.0, largest.max(0.02), 6.0).to;
    let said: Vec<String> = parts
        .iter()
        .filter_map(|(name, _, phasor)| {
            phasor.map(|phasor| format!("{name} {}", in_words(phasor, recent.rated_a)))
        })
        .collect();
    let desc =
        if said.is_empty() { "There are no values that could be shown.".to_owned() } else { said.join("; ") };
    let mut out = open(id, HEIGHT, title, &desc);
    let at = |degrees: f64, radius: f64| {
        let phasor = Phasor::from_polar(radius, degrees);
        (CENTRE.0 + phasor.re, CENTRE.1 - phasor.im)
    };
    for radius in [RADIUS / 2.0, RADIUS] {
        out.push_str(&format!(
            "<circle class=\"grid\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            short(CENTRE.0),
            short(CENTRE.1),
            short(radius)
        ));
    }
    let (right, _) = at(0.0, RADIUS);
    out.push_str(&format!(
        "<path class=\"axis\" d=\"M{} {}H{}\"/><text class=\"tick\" x=\"{}\" y=\"{}\">0°</text>",
        short(CENTRE.0),
        short(CENTRE.1),
        short(right),
        short(right + 6.0),
        short(CENTRE.1 + 5.0)
    ));
    for (name, degrees) in GONE {
        let (x, y) = at(degrees, RADIUS);
        out.push_str(&format!(
            "<path class=\"way\" d=\"M{} {}L{} {}\"/>",
            short(CENTRE.0),
            short(CENTRE.1),
            short(x),
            short(y)
        ));
        let (x, y) = at(degrees, RADIUS + 8.0);
        let (anchor, down) =
            if degrees > 90.0 { ("end", 5.0) } else { ("start", if y > CENTRE.1 { 12.0 } else { 2.0 }) };
        out.push_str(&format!(
            "<text class=\"tick\" x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\">{name}</text>",
            short(x),
            short(y + down)
        ));
    }
    // The measured one on top.
    for (_, class, phasor) in parts.iter().rev() {
        let Some(phasor) = phasor else { continue };
        out.push_str(&arrow(class, at(phasor.degrees(), RADIUS * (phasor.size() / scale).min(1.0)), phasor));
    }
    out.push_str(&table(&parts, recent, scale));
    out.push_str("</svg>");
    out
}

/// What stands beside the circle: each phasor with its number, in its colour and with its kind of line.
fn table(parts: &[(&str, &str, Option<Phasor>); 3], recent: &Recent, scale: f64) -> String {
    let mut out = String::new();
    let mut y = 44.0;
    for (name, class, phasor) in parts {
        out.push_str(&format!(
            "<path class=\"line {class}\" d=\"M296 {}h26\"/><text class=\"end {class}\" x=\"330\" y=\"{}\">{name}</text>",
            short(y - 5.0),
            short(y)
        ));
        let value = phasor.map_or_else(|| "not known".to_owned(), |phasor| in_words(phasor, recent.rated_a));
        out.push_str(&format!("<text class=\"tick\" x=\"330\" y=\"{}\">{value}</text>", short(y + 18.0)));
        y += 52.0;
    }
    out.push_str(&format!(
        "<text class=\"tick\" x=\"296\" y=\"{}\">outer circle: {} pu</text>",
        short(y + 4.0),
        grouped(scale, if scale < 1.0 { 2 } else { 1 })
    ));
    out
}

fn in_words(phasor: Phasor, rated_a: Option<f64>) -> String {
    let amps = rated_a.map(|amps| format!("{} A, ", grouped(phasor.size() * amps, 2))).unwrap_or_default();
    format!("{amps}{} pu at {}°", grouped(phasor.size(), 3), grouped(phasor.degrees(), 0))
}

fn arrow(class: &str, (x, y): (f64, f64), phasor: &Phasor) -> String {
    let shaft = format!(
        "<path class=\"line {class}\" d=\"M{} {}L{} {}\"/>",
        short(CENTRE.0),
        short(CENTRE.1),
        short(x),
        short(y)
    );
    if libm::hypot(x - CENTRE.0, y - CENTRE.1) < 10.0 {
        // Too short for a head: a dot.
        return format!("<circle class=\"head {class}\" cx=\"{}\" cy=\"{}\" r=\"3.5\"/>", short(x), short(y));
    }
    let wing = |turn: f64| {
        let wing = Phasor::from_polar(11.0, phasor.degrees() + 180.0 + turn);
        format!("{} {}", short(x + wing.re), short(y - wing.im))
    };
    format!(
        "{shaft}<path class=\"head {class}\" d=\"M{} {} {} {}Z\"/>",
        short(x),
        short(y),
        wing(22.0),
        wing(-22.0)
    )
}
