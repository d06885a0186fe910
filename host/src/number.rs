//! Numbers as people read them.

use wyelog_protocol::quantity::{Quantity, Scale};

/// A quantity with its unit, or `otherwise` if it is not known.
pub fn quantity<S: Scale>(quantity: Quantity<S>, decimals: usize, otherwise: &str) -> String {
    match quantity.value() {
        Some(_) => without_signed_zero(format!("{quantity:.decimals$}")),
        None => otherwise.to_owned(),
    }
}

/// A number, without its unit.
pub fn plain(value: f64, decimals: usize) -> String {
    without_signed_zero(format!("{value:.decimals$}"))
}

/// "1 record", "2 records", "2 retries".
pub fn count(number: u64, noun: &str) -> String {
    // A city, two cities; a day, two days.
    let stem = noun.strip_suffix('y').filter(|stem| !stem.ends_with(['a', 'e', 'o', 'u']));
    match (number, stem) {
        (1, _) => format!("1 {noun}"),
        (_, Some(stem)) => format!("{number} {stem}ies"),
        _ => format!("{number} {noun}s"),
    }
}

/// What rounds to zero has no sign: a reader would look for what is negative.
fn without_signed_zero(text: String) -> String {
    let is_zero = !text.contains(|digit| ('1'..='9').contains(&digit));
    match text.strip_prefix('-') {
        Some(size) if is_zero => size.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_protocol::quantity::{Angle, PerUnit};

    #[test]
    fn what_rounds_to_zero_has_no_sign() {
        assert_eq!(plain(-0.004, 2), "0.00");
        assert_eq!(plain(-0.005_1, 2), "-0.01");
        assert_eq!(quantity(PerUnit::quantise(-0.0004), 3, "-"), "0.000 pu");
        assert_eq!(quantity(PerUnit::quantise(-0.005), 3, "-"), "-0.005 pu");
        assert_eq!(quantity(Angle::quantise(-0.04), 1, "-"), "0.0 deg");
        assert_eq!(quantity(Angle::default(), 1, "unknown"), "unknown");
    }

    #[test]
    fn one_is_singular() {
        assert_eq!(
            [count(1, "retry"), count(2, "retry"), count(0, "time"), count(14, "day")],
            ["1 retry", "2 retries", "0 times", "14 days"]
        );
    }
}
