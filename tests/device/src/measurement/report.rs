//! The table as text.

use super::sag::{LIMITS, SagTally};
use super::sweep::{Disturbed, Point, worst};
use super::tally::{LINES, Worst};

/// The whole report: limits and worst errors, then what is told only. Markdown.
pub fn table(points: &[Point], sags: &SagTally, disturbed: &[Disturbed]) -> String {
    let worst = worst(points);
    let mut text = String::from(
        "| quantity | unit of the error | standard allows | we allow | worst measured | at this signal |\n\
         |---|---|---|---|---|---|\n",
    );
    for line in &LINES {
        let standard = line.standard.map_or("–".to_owned(), |(limit, name)| format!("±{limit} ({name})"));
        let reach = line.reach.map_or("–".to_owned(), |reach| format!("±{reach}"));
        let worst = worst.of(line.quantity);
        let Worst { at, .. } = worst;
        text +=
            &format!("| {} | {} | {standard} | {reach} | {} | {at} |\n", line.name, line.unit, number(worst));
    }
    let [residual, duration] =
        LIMITS.map(|(standard, reach)| format!("±{standard} (IEC 61000-4-30 class A) | ±{reach}"));
    for (name, unit, limits, worst) in [
        (
            "residual voltage of a sag of 1½ cycles and more",
            "% of declared",
            residual.as_str(),
            &sags.residual,
        ),
        ("residual voltage of a sag of one cycle", "% of declared", "– | –", &sags.residual_of_short),
        ("duration of a sag", "cycles", duration.as_str(), &sags.duration),
        ("begin of a sag", "cycles", "– | –", &sags.begin),
    ] {
        text += &format!("| {name} | {unit} | {limits} | {} | {} |\n", number(worst), worst.at);
    }
    text += "\nTold, not limited:\n\n\
             | signal | rms, % of declared | frequency, mHz | phasors, % TVE | u2 and u0, points | harmonics, % of nominal |\n\
             |---|---|---|---|---|---|\n";
    for line in disturbed {
        let Disturbed { name, rms, frequency, tve, unbalance, harmonics } = line;
        let [rms, frequency, tve, unbalance, harmonics] =
            [rms, frequency, tve, unbalance, harmonics].map(number);
        text += &format!("| {name} | {rms} | {frequency} | {tve} | {unbalance} | {harmonics} |\n");
    }
    text
}

/// Two significant digits.
pub fn number(worst: &Worst) -> String {
    let value = worst.error;
    if worst.values == 0 {
        return "–".to_owned();
    }
    if !value.is_finite() {
        return "not measured".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    // Written with one digit behind the first, and read back, so that 0.0996 is 0.10 and not 0.100.
    let rounded = format!("{value:.1e}");
    let exponent: i32 = rounded.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let rounded: f64 = rounded.parse().unwrap_or(value);
    let decimals = usize::try_from(1 - exponent).unwrap_or(0);
    format!("{rounded:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits() {
        let of = |error| number(&Worst { error, values: 1, ..Worst::default() });
        let all = [0.0, 0.012_34, 0.099_6, 0.996, 9.96, 123.4, 0.000_012, f64::INFINITY].map(of);
        assert_eq!(all, ["0", "0.012", "0.10", "1.0", "10", "120", "0.000012", "not measured"]);
    }
}
