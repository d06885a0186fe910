//! Text, numbers and times as they stand in the page.

use wyelog_simulator::civil::Civil;

use crate::number;
pub use crate::time::minute;

/// Text of a log as text of the page. What HTML forbids becomes U+FFFD: names are bytes from outside.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            letter if letter.is_control() || is_no_character(letter) => out.push('\u{FFFD}'),
            letter => out.push(letter),
        }
    }
    out
}

fn is_no_character(letter: char) -> bool {
    let code = u32::from(letter);
    (0xFDD0..=0xFDEF).contains(&code) || code & 0xFFFE == 0xFFFE
}

/// As [`escape`], with each moment such as `2030-05-09 14:02 UTC` kept on one line.
pub fn escape_whole_times(text: &str) -> String {
    const SHAPE: &str = "0000-00-00 00:00";
    let escaped = escape(text);
    let mut out = String::with_capacity(escaped.len());
    let mut rest = escaped.as_str();
    while let Some(letter) = rest.chars().next() {
        let here = rest.get(..SHAPE.len()).filter(|here| {
            let same =
                |(is, shape): (char, char)| if shape == '0' { is.is_ascii_digit() } else { is == shape };
            here.chars().zip(SHAPE.chars()).all(same)
        });
        let (piece, is_time) = match here {
            Some(here) => {
                let utc =
                    if rest.get(here.len()..).is_some_and(|rest| rest.starts_with(" UTC")) { 4 } else { 0 };
                (rest.get(..here.len() + utc).unwrap_or(here), true)
            }
            None => (rest.get(..letter.len_utf8()).unwrap_or_default(), false),
        };
        if is_time {
            out.push_str(&format!("<span class=\"t\">{piece}</span>"));
        } else {
            out.push_str(piece);
        }
        rest = rest.get(piece.len().max(1)..).unwrap_or_default();
    }
    out
}

/// `12,345.6`, with a minus that is as wide as a plus.
pub fn grouped(value: f64, decimals: usize) -> String {
    let plain = number::plain(value, decimals);
    let (sign, digits) = plain.strip_prefix('-').map_or(("", plain.as_str()), |digits| ("−", digits));
    let (whole, part) = digits.split_once('.').map_or((digits, None), |(whole, part)| (whole, Some(part)));
    let mut out = sign.to_owned();
    let count = whole.chars().count();
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (count - index).is_multiple_of(3) && digit.is_ascii_digit() {
            out.push(',');
        }
        out.push(digit);
    }
    if let Some(part) = part {
        out.push('.');
        out.push_str(part);
    }
    out
}

/// A number, or a dash for what is not known.
pub fn or_dash(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |value| grouped(value, decimals))
}

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// A moment as fields.
pub fn civil(ms: i64) -> Civil {
    crate::time::civil(ms.div_euclid(1000))
}

fn month(civil: &Civil) -> &'static str {
    usize::try_from(civil.month - 1).ok().and_then(|month| MONTHS.get(month)).copied().unwrap_or("?")
}

/// `May`, or `Sept`.
pub fn short_month(civil: &Civil) -> &'static str {
    let name = month(civil);
    match name {
        "September" => "Sept",
        "June" | "July" => name,
        name => name.get(..3).unwrap_or(name),
    }
}

/// `2030-05-09 14:02:33`.
pub fn second(ms: i64) -> String {
    format!("{}:{:02}", minute(ms), civil(ms).second)
}

/// `1 to 14 May 2030`.
pub fn days(first_ms: i64, last_ms: i64) -> String {
    // The last interval of a day ends at the midnight behind it.
    let (first, last) = (civil(first_ms), civil(last_ms.saturating_sub(1)));
    let day = |civil: &Civil| format!("{} {} {}", civil.day, month(civil), civil.year);
    if (first.year, first.month, first.day) == (last.year, last.month, last.day) {
        day(&first)
    } else if (first.year, first.month) == (last.year, last.month) {
        format!("{} to {}", first.day, day(&last))
    } else if first.year == last.year {
        format!("{} {} to {}", first.day, month(&first), day(&last))
    } else {
        format!("{} to {}", day(&first), day(&last))
    }
}

/// `14 days`, `3 h`, `45 s`: about so long.
pub fn about(seconds: f64) -> String {
    let count = |number: f64, unit: &str| {
        let number = number.round();
        format!("{number} {unit}{}", if number == 1.0 { "" } else { "s" })
    };
    match seconds {
        ..90.0 => format!("{seconds:.0} s"),
        ..5400.0 => format!("{:.0} min", seconds / 60.0),
        ..172_800.0 => format!("{:.0} h", seconds / 3600.0),
        _ => count(seconds / 86_400.0, "day"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_is_markup() {
        assert_eq!(
            escape("<b>\"A&B\"'\u{0}\u{85}\u{FFFF}ü"),
            "&lt;b&gt;&quot;A&amp;B&quot;&#39;\u{FFFD}\u{FFFD}\u{FFFD}ü"
        );
    }

    #[test]
    fn moments_stay_on_one_line() {
        assert_eq!(
            escape_whole_times("ü <since 2030-05-09 14:02 UTC; 2030-05-09 14:0"),
            "ü &lt;since <span class=\"t\">2030-05-09 14:02 UTC</span>; 2030-05-09 14:0"
        );
    }

    #[test]
    fn numbers_have_groups() {
        let said = [(0.0, 0), (999.6, 0), (1234.56, 1), (-1_234_567.0, 0), (-0.01, 1)];
        assert_eq!(said.map(|(v, d)| grouped(v, d)), ["0", "1,000", "1,234.6", "−1,234,567", "0.0"]);
        assert_eq!(or_dash(None, 1), "–");
    }

    #[test]
    fn days_read_like_speech() {
        let day = 86_400_000;
        let start = 1_903_824_000_000;
        assert_eq!(days(start, start + 14 * day), "1 to 14 May 2030");
        assert_eq!(days(start, start + day), "1 May 2030");
        assert_eq!(days(start - day, start + day), "30 April to 1 May 2030");
        assert_eq!(days(start, start + 300 * day), "1 May 2030 to 24 February 2031");
        assert_eq!(days(i64::MIN, i64::MAX), "1 January 1970 to 31 December 9999");
        assert_eq!(minute(start + 61_000), "2030-05-01 00:01");
        assert_eq!([45.0, 600.0, 7200.0, 1_209_600.0].map(about), ["45 s", "10 min", "2 h", "14 days"]);
    }
}
