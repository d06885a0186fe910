//! The phasor diagram of the neutral current.

use wyelog_electrical::Rotation;

use super::axis::Axis;
use super::chart::{HEIGHT, open, short};
use super::text::grouped;
use crate::analysis::fleet::{Phasor, Recent};

/// Middle of the circle.
const CENTRE: (f64, f64) = (140.0, 122.0);
/// Radius of the circle.
const RADIUS: f64 = 88.0;

/// Where the residual points when a whole phase is gone, by the feeder's rotation: on ACB, B and C change places (IEEE C37.99 has
/// the phasor diagrams, from memory; `wyelog_electrical::neutral` computes them).
const fn gone(rotation: Rotation) -> [(&'static str, f64); 3] {
    match rotation {
        Rotation::Abc => [("A gone", 180.0), ("B gone", 60.0), ("C gone", -60.0)],
        Rotation::Acb => [("A gone", 180.0), ("C gone", 60.0), ("B gone", -60.0)],
    }
}

/// The rotation, and how it is known.
const fn rotation_in_words(rotation: Option<Rotation>) -> &'static str {
    match rotation {
        None => "ABC rotation, assumed",
        Some(Rotation::Abc) => "ABC rotation, measured",
        Some(Rotation::Acb) => "ACB rotation, measured",
    }
}

/// Measured, explained and unexplained neutral current of the last day; where no rotation is known, ABC is assumed.
pub fn phasors(id: &str, recent: &Recent, rotation: Option<Rotation>) -> String {
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
    let known = rotation_in_words(rotation);
    let desc = if said.is_empty() {
        "There are no values that could be shown.".to_owned()
    } else {
        format!("{}; {known}", said.join("; "))
    };
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
    for (name, degrees) in gone(rotation.unwrap_or(Rotation::Abc)) {
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
    out.push_str(&format!("<text class=\"tick\" x=\"296\" y=\"226\">{known}</text>"));
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

#[cfg(test)]
mod tests {
    use wyelog_electrical::neutral::{residual_of_loss, to_reference};

    use super::*;

    /// Where its neutral current points in the diagram when a phase is gone, computed.
    fn computed(rotation: Rotation) -> Vec<f32> {
        let [a, b, c] = wyelog_electrical::Phasor::balanced(1.0);
        let volts = if rotation == Rotation::Abc { [a, b, c] } else { [a, c, b] };
        let of = |index: usize| {
            let mut lost = [0.0; 3];
            lost[index] = 1.0;
            to_reference(residual_of_loss(volts, lost, 1.0), volts, rotation).unwrap().angle_degrees()
        };
        (0..3).map(of).collect()
    }

    #[test]
    fn a_phase_that_is_gone_points_where_it_is_drawn() {
        for rotation in [Rotation::Abc, Rotation::Acb] {
            for (index, degrees) in computed(rotation).into_iter().enumerate() {
                let name = ["A gone", "B gone", "C gone"][index];
                let drawn = gone(rotation).into_iter().find(|(of, _)| *of == name).unwrap().1;
                let off = (f64::from(degrees) - drawn).rem_euclid(360.0);
                assert!(off.min(360.0 - off) < 0.01, "{rotation:?} {name}: {degrees}, drawn at {drawn}");
            }
        }
    }

    #[test]
    fn the_diagram_says_which_rotation_it_is_for_and_how_that_is_known() {
        let recent = Recent { measured: Some(Phasor::from_polar(0.1, 60.0)), ..Recent::default() };
        let order = |svg: &str| {
            let mut names = ["A gone", "B gone", "C gone"];
            names.sort_by_key(|name| svg.find(name).unwrap());
            names
        };
        let assumed = phasors("p", &recent, None);
        assert!(assumed.contains(">ABC rotation, assumed</text>"), "{assumed}");
        assert_eq!(order(&assumed), ["A gone", "B gone", "C gone"]);
        let reversed = phasors("p", &recent, Some(Rotation::Acb));
        assert!(
            reversed.contains(">ACB rotation, measured</text>") && !reversed.contains("assumed"),
            "{reversed}"
        );
        assert_eq!(order(&reversed), ["A gone", "C gone", "B gone"]);
    }
}
