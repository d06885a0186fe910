//! Reading the text of a `.cfg` file.

use super::config::{AnalogChannel, Config, Encoding, Rate, StatusChannel};
use super::error::Error;
use crate::civil::Civil;

impl Config {
    /// Reads a `.cfg` file from its bytes (UTF-8 or latin-1, CRLF or LF). `file` names it in errors.
    pub fn parse(file: &str, bytes: &[u8]) -> Result<Self, Error> {
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&byte| char::from(byte)).collect(),
        };
        Parser { file, lines: text.trim_start_matches('\u{feff}').lines(), line: 0 }.config()
    }
}

/// Primary over secondary rating that a transformer may have.
const RATIO: std::ops::RangeInclusive<f64> = 1e-6..=1e9;
/// Largest skew of a channel, in µs. Real ones are a fraction of a sample period.
const SKEW_US: f64 = 1e6;

const SEE_STANDARD: &str = "write the file again as IEEE C37.111-2013 asks";

struct Parser<'a> {
    file: &'a str,
    lines: std::str::Lines<'a>,
    line: usize,
}

impl<'a> Parser<'a> {
    fn error(&self, what: impl Into<String>, hint: &'static str) -> Error {
        Error::Config { file: self.file.to_owned(), line: self.line, what: what.into(), hint }
    }

    /// The fields of the next line.
    fn fields(&mut self, meaning: &str) -> Result<Vec<&'a str>, Error> {
        self.line += 1;
        match self.lines.next() {
            Some(line) => Ok(line.split(',').map(str::trim).collect()),
            None => {
                Err(self.error(format!("the file ends before the {meaning}"), "use the complete .cfg file"))
            }
        }
    }

    fn field(&self, fields: &[&'a str], at: usize, name: &str) -> Result<&'a str, Error> {
        fields.get(at).copied().ok_or_else(|| {
            self.error(
                format!("field {} ({name}) is missing", at + 1),
                "keep every comma, even of empty fields",
            )
        })
    }

    fn number(&self, fields: &[&'a str], at: usize, name: &str) -> Result<f64, Error> {
        let text = self.field(fields, at, name)?;
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(self.error(format!("{name} = \"{text}\" is not a number"), SEE_STANDARD)),
        }
    }

    fn optional(&self, fields: &[&'a str], at: usize, name: &str, default: f64) -> Result<f64, Error> {
        match fields.get(at) {
            None | Some(&"") => Ok(default),
            Some(_) => self.number(fields, at, name),
        }
    }

    fn count(&self, text: &str, suffix: &str, name: &str) -> Result<usize, Error> {
        let digits = text.strip_suffix(suffix).or_else(|| text.strip_suffix(&suffix.to_lowercase()));
        digits.unwrap_or("?").parse::<u32>().ok().filter(|&n| n <= 999_999).map(|n| n as usize).ok_or_else(
            || self.error(format!("{name} = \"{text}\" is not a count such as 4{suffix}"), SEE_STANDARD),
        )
    }

    fn config(mut self) -> Result<Config, Error> {
        let head = self.fields("station line")?;
        let revision = match head.get(2).copied().unwrap_or("") {
            "" | "1991" => {
                return Err(self.error("revision 1991 is not read", "convert the record to 1999 or 2013"));
            }
            text => match text.parse::<u32>() {
                Ok(1999..=2012) => 1999,
                Ok(2013..=2099) => 2013,
                _ => {
                    return Err(
                        self.error(format!("rev_year = \"{text}\": must be 1999 or 2013"), SEE_STANDARD)
                    );
                }
            },
        };
        let counts = self.fields("channel counts")?;
        let total = self.count(self.field(&counts, 0, "TT")?, "", "TT")?;
        let analog_count = self.count(self.field(&counts, 1, "##A")?, "A", "##A")?;
        let status_count = self.count(self.field(&counts, 2, "##D")?, "D", "##D")?;
        if analog_count + status_count != total {
            return Err(self.error(
                format!("{analog_count} analog and {status_count} status channels do not make {total}"),
                SEE_STANDARD,
            ));
        }
        let mut analog = Vec::new();
        for _ in 0..analog_count {
            analog.push(self.analog()?);
        }
        let mut status = Vec::new();
        for _ in 0..status_count {
            status.push(self.status()?);
        }
        let line_frequency_hz = self.line_frequency()?;
        let (rates, sample_count) = self.rates()?;
        let (start_ns, digits) = self.time("time of the first sample")?;
        let (trigger_ns, _) = self.time("time of the trigger")?;
        let encoding = self.encoding(revision)?;
        let time_multiplier = self.time_multiplier()?;
        let utc_offset_min = if revision == 2013 { self.utc_offset()? } else { 0 };
        Ok(Config {
            station: head.first().copied().unwrap_or("").to_owned(),
            device: head.get(1).copied().unwrap_or("").to_owned(),
            revision,
            analog,
            status,
            line_frequency_hz,
            rates,
            sample_count,
            start_ns,
            trigger_ns,
            encoding,
            time_multiplier,
            stamp_unit_s: if digits > 6 { 1e-9 } else { 1e-6 },
            utc_offset_min,
        })
    }

    fn analog(&mut self) -> Result<AnalogChannel, Error> {
        let fields = self.fields("analog channels")?;
        let text = |at, name| self.field(&fields, at, name).map(str::to_owned);
        let a = self.number(&fields, 5, "a")?;
        if a == 0.0 {
            return Err(self.error("a = 0 makes every value equal", SEE_STANDARD));
        }
        let side = fields.get(12).copied().unwrap_or("");
        let is_secondary = match side {
            "P" | "p" | "" => false,
            "S" | "s" => true,
            _ => return Err(self.error(format!("PS = \"{side}\": must be P or S"), SEE_STANDARD)),
        };
        let primary = self.optional(&fields, 10, "primary", 1.0)?;
        let secondary = self.optional(&fields, 11, "secondary", 1.0)?;
        if is_secondary && !(primary > 0.0 && secondary > 0.0 && RATIO.contains(&(primary / secondary))) {
            return Err(self.error(
                format!(
                    "ratio {primary} : {secondary} of a secondary value must be positive and {} to {}",
                    RATIO.start(),
                    RATIO.end()
                ),
                "state the transformer's ratio",
            ));
        }
        let skew_us = self.optional(&fields, 7, "skew", 0.0)?;
        if libm::fabs(skew_us) > SKEW_US {
            return Err(
                self.error(format!("skew = {skew_us} µs must be within one second"), "state the skew in µs")
            );
        }
        Ok(AnalogChannel {
            id: text(1, "ch_id")?,
            phase: text(2, "ph")?,
            component: text(3, "ccbm")?,
            unit: text(4, "uu")?,
            a,
            b: self.number(&fields, 6, "b")?,
            skew_us,
            min: self.optional(&fields, 8, "min", -99_999.0)?,
            max: self.optional(&fields, 9, "max", 99_998.0)?,
            primary,
            secondary,
            is_secondary,
        })
    }

    fn status(&mut self) -> Result<StatusChannel, Error> {
        let fields = self.fields("status channels")?;
        let text = |at, name| self.field(&fields, at, name).map(str::to_owned);
        let normal = match fields.get(4).copied().unwrap_or("") {
            "0" | "" => false,
            "1" => true,
            other => {
                return Err(self.error(format!("normal state = \"{other}\": must be 0 or 1"), SEE_STANDARD));
            }
        };
        Ok(StatusChannel {
            id: text(1, "ch_id")?,
            phase: text(2, "ph")?,
            component: text(3, "ccbm")?,
            normal,
        })
    }

    fn line_frequency(&mut self) -> Result<Option<f64>, Error> {
        let fields = self.fields("line frequency")?;
        if fields.first().is_none_or(|text| text.is_empty()) {
            return Ok(None);
        }
        let hz = self.number(&fields, 0, "line frequency")?;
        if !(hz > 0.0 && hz <= 1000.0) {
            return Err(
                self.error(format!("line frequency = {hz}: must be above 0 and up to 1000 Hz"), SEE_STANDARD)
            );
        }
        Ok(Some(hz))
    }

    fn rates(&mut self) -> Result<(Vec<Rate>, u64), Error> {
        let fields = self.fields("number of rates")?;
        let nrates = self.count(self.field(&fields, 0, "nrates")?, "", "nrates")?;
        let mut rates = Vec::new();
        let mut last = 0;
        for _ in 0..nrates.max(1) {
            let fields = self.fields("sample rates")?;
            let hz = self.number(&fields, 0, "samp")?;
            let text = self.field(&fields, 1, "endsamp")?;
            let Some(end) = text.parse::<u64>().ok().filter(|&end| end <= 9_999_999_999) else {
                return Err(self.error(format!("endsamp = \"{text}\" is not a sample number"), SEE_STANDARD));
            };
            if end <= last {
                return Err(self.error(format!("endsamp = {end} must be above {last}"), SEE_STANDARD));
            }
            last = end;
            if nrates > 0 {
                if !(0.01..=1e9).contains(&hz) {
                    return Err(self.error(format!("samp = {hz}: must be 0.01…1e9 Hz"), SEE_STANDARD));
                }
                rates.push(Rate { hz, last_sample: end });
            }
        }
        Ok((rates, last))
    }

    /// A date and time in ns since 1970, and the number of decimals of its seconds.
    fn time(&mut self, meaning: &str) -> Result<(i64, usize), Error> {
        let fields = self.fields(meaning)?;
        let date = self.field(&fields, 0, "date")?;
        let clock = self.field(&fields, 1, "time")?;
        parse_time(date, clock).ok_or_else(|| {
            self.error(
                format!("{meaning} \"{date},{clock}\" is impossible"),
                "write dd/mm/yyyy,hh:mm:ss.ssssss",
            )
        })
    }

    fn encoding(&mut self, revision: u32) -> Result<Encoding, Error> {
        let fields = self.fields("file type")?;
        let word = fields.first().copied().unwrap_or("");
        let all = [Encoding::Ascii, Encoding::Binary, Encoding::Binary32, Encoding::Float32];
        match all.into_iter().find(|known| known.word().eq_ignore_ascii_case(word)) {
            Some(Encoding::Binary32 | Encoding::Float32) if revision < 2013 => {
                Err(self
                    .error(format!("file type {word} exists only from 2013"), "state the revision as 2013"))
            }
            Some(known) => Ok(known),
            None => Err(self.error(
                format!("file type = \"{word}\": must be ASCII, BINARY, BINARY32 or FLOAT32"),
                SEE_STANDARD,
            )),
        }
    }

    fn time_multiplier(&mut self) -> Result<f64, Error> {
        let fields = self.fields("time multiplier")?;
        let value = self.optional(&fields, 0, "timemult", 1.0)?;
        if value > 0.0 {
            return Ok(value);
        }
        Err(self.error(format!("timemult = {value} must be positive"), SEE_STANDARD))
    }

    /// The time code of a 2013 file, such as `-5h30`; files that end before it are taken as UTC.
    fn utc_offset(&mut self) -> Result<i64, Error> {
        let Ok(fields) = self.fields("time code") else { return Ok(0) };
        let code = fields.first().copied().unwrap_or("");
        parse_offset(code).ok_or_else(|| {
            self.error(
                format!("time_code = \"{code}\" is impossible"),
                "write hours from UTC, such as -5 or 5h30",
            )
        })
    }
}

fn parse_offset(code: &str) -> Option<i64> {
    if code.is_empty() || code.eq_ignore_ascii_case("x") {
        return Some(0);
    }
    let (sign, size) = match code.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, code.strip_prefix('+').unwrap_or(code)),
    };
    let (hours, minutes) = size.split_once(['h', 'H']).unwrap_or((size, "0"));
    let hours = hours.parse::<u8>().ok().filter(|&h| h <= 24)?;
    let minutes = minutes.parse::<u8>().ok().filter(|&m| m < 60)?;
    Some(sign * (i64::from(hours) * 60 + i64::from(minutes)))
}

fn parse_time(date: &str, clock: &str) -> Option<(i64, usize)> {
    let mut date = date.splitn(3, '/').map(|part| part.parse::<u32>().ok());
    let mut clock = clock.splitn(3, ':');
    let (day, month, year) = (date.next()??, date.next()??, date.next()??);
    let hour = clock.next()?.parse::<u32>().ok()?;
    let minute = clock.next()?.parse::<u32>().ok()?;
    let (second, fraction) = {
        let text = clock.next()?;
        text.split_once('.').unwrap_or((text, ""))
    };
    if fraction.len() > 9 || !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let fraction_ns = format!("{fraction:0<9}").parse::<i64>().ok()?;
    let seconds = Civil {
        year: i64::from(year),
        month: i64::from(month),
        day: i64::from(day),
        hour: i64::from(hour),
        minute: i64::from(minute),
        second: i64::from(second.parse::<u32>().ok()?),
    }
    .unix_seconds()?;
    Some((seconds.checked_mul(1_000_000_000)?.checked_add(fraction_ns)?, fraction.len()))
}
