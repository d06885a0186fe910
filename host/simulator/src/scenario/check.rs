//! Turning what stands in a file into values that are allowed, or into a sentence about the line.

use std::fmt::Display;
use std::ops::RangeInclusive;

use serde::de::DeserializeOwned;
use toml::Spanned;

use super::error::Error;

/// The parser's words without its names of types.
fn plain(message: &str) -> String {
    [
        (" as i128", ""),
        ("expected f64", "expected a number"),
        ("expected i64", "expected a whole number"),
        ("floating point `", "number `"),
        ("unknown variant", "unknown value"),
    ]
    .into_iter()
    .fold(message.to_owned(), |text, (from, to)| text.replace(from, to))
}

/// The text of a file and its name: everything that a message about it needs.
pub(super) struct Source<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl Source<'_> {
    /// The file as `T`; the message of an unknown field lists the allowed ones.
    pub fn table<T: DeserializeOwned>(&self) -> Result<T, Error> {
        toml::from_str(self.text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            self.at(at, plain(&error.message().trim().replace('\n', "; ")))
        })
    }

    /// An error about the byte `at`.
    pub fn at(&self, at: usize, what: impl Into<String>) -> Error {
        let before = self.text.as_bytes().get(..at).unwrap_or_default();
        let line = before.iter().filter(|&&byte| byte == b'\n').count() + 1;
        Error::Line { file: self.file.to_owned(), line, what: what.into() }
    }

    /// An error about the value of a field: "bank.rated_kvar = -5: must be 10…20000 kvar".
    pub fn wrong<T: Display>(&self, value: &Spanned<T>, name: &str, must: impl Display) -> Error {
        self.at(value.span().start, format!("{name} = {}: {must}", value.get_ref()))
    }

    /// A number within `range`.
    pub fn number(
        &self,
        name: &str,
        value: &Spanned<f64>,
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Result<f64, Error> {
        if range.contains(value.get_ref()) {
            return Ok(*value.get_ref());
        }
        let (low, high) = range.into_inner();
        Err(self.wrong(value, name, format!("must be {low}…{high} {unit}").trim_end()))
    }

    /// A number within `range`, or `default` if the field is not there.
    pub fn number_or(
        &self,
        name: &str,
        value: Option<&Spanned<f64>>,
        default: f64,
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Result<f64, Error> {
        value.map_or(Ok(default), |value| self.number(name, value, range, unit))
    }

    /// A whole number within `range`.
    pub fn whole(&self, name: &str, value: &Spanned<i64>, range: RangeInclusive<i64>) -> Result<i64, Error> {
        if range.contains(value.get_ref()) {
            return Ok(*value.get_ref());
        }
        let (low, high) = range.into_inner();
        Err(self.wrong(value, name, format!("must be a whole number {low}…{high}")))
    }

    /// As [`Source::whole`], or `default` if the field is not there.
    pub fn whole_or(
        &self,
        name: &str,
        value: Option<&Spanned<i64>>,
        default: i64,
        range: RangeInclusive<i64>,
    ) -> Result<i64, Error> {
        value.map_or(Ok(default), |value| self.whole(name, value, range))
    }

    /// Refuses a field that the surrounding `kind` has no use for.
    pub fn unused<T>(&self, name: &str, value: Option<&Spanned<T>>, reason: &str) -> Result<(), Error> {
        value.map_or(Ok(()), |value| Err(self.at(value.span().start, format!("{name}: {reason}"))))
    }
}
