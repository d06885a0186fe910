//! What an address asks for, and addresses that ask for it.

use axum::extract::Query;
use axum::http::Uri;

use crate::analysis::fleet::{FleetRow, State};
use crate::report::class;
use crate::time::{moment, utc};

/// All states, the most urgent first.
pub const STATES: [State; 6] =
    [State::Hazard, State::Crew, State::Look, State::Engineer, State::Note, State::Nothing];

/// What an address asks for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ask {
    /// From this moment on: UTC ms.
    pub from_ms: Option<i64>,
    /// To just before this one.
    pub to_ms: Option<i64>,
    /// Banks whose names have one of these in them; of the page of a bank, its name.
    pub banks: Vec<String>,
    /// Banks on these feeders.
    pub feeders: Vec<String>,
    /// Banks that need one of these.
    pub states: Vec<State>,
    /// Serial number of the logger.
    pub device: Option<String>,
    /// Page of the table, from 1.
    pub page: usize,
}

impl Ask {
    /// Of an address; a parameter without a value is none.
    ///
    /// # Errors
    /// It makes no sense: what, and what to ask instead.
    pub fn of(uri: &Uri) -> Result<Self, String> {
        let pairs = Query::<Vec<(String, String)>>::try_from_uri(uri)
            .map_err(|_| "The address cannot be read: take it from a page of wyelog.".to_owned())?;
        let mut ask = Self { page: 1, ..Self::default() };
        for (name, value) in pairs.0 {
            if value.is_empty() && name != "bank" && name != "device" {
                continue;
            }
            let wrong = |words: String| format!("{name}={value}: {words}.");
            match name.as_str() {
                "from" => ask.from_ms = Some(moment(&value).map_err(wrong)?),
                "to" => ask.to_ms = Some(moment(&value).map_err(wrong)?),
                "bank" => ask.banks.push(value),
                "feeder" => ask.feeders.push(value),
                "device" => ask.device = Some(value),
                "state" => {
                    let state = STATES.into_iter().find(|state| class(*state) == value);
                    let names = STATES.map(class).join(", ");
                    ask.states.push(
                        state.ok_or_else(|| wrong(format!("there is no such state; there are {names}")))?,
                    );
                }
                "page" => {
                    let page = value.parse().ok().filter(|page| *page > 0);
                    ask.page = page.ok_or_else(|| wrong("pages are numbered from 1".to_owned()))?;
                }
                _ => {
                    let known = "bank, device, feeder, state, from, to and page";
                    return Err(format!("{name}: there is no such question; there are {known}."));
                }
            }
        }
        if let (Some(from), Some(to)) = (ask.from_ms, ask.to_ms)
            && from >= to
        {
            return Err(
                "The end is not after the beginning: give a later \"to\" or an earlier \"from\".".to_owned()
            );
        }
        Ok(ask)
    }

    /// Whether a bank of the fleet is asked for.
    pub fn wants(&self, row: &FleetRow) -> bool {
        let name = row.bank.to_lowercase();
        let is_named = |part: &String| name.contains(&part.to_lowercase());
        let on = |feeder: &String| row.feeder.as_ref() == Some(feeder);
        (self.banks.is_empty() || self.banks.iter().any(is_named))
            && (self.feeders.is_empty() || self.feeders.iter().any(on))
            && (self.states.is_empty() || self.states.contains(&row.state))
    }

    /// The end of an address that asks for the same range of time: `&from=…&to=…`.
    pub fn range(&self) -> String {
        range(self.from_ms, self.to_ms)
    }

    /// The address of the same question, another page of its table.
    pub fn at_page(&self, page: usize) -> String {
        let mut out = format!("/?page={page}");
        for (name, values) in [("bank", &self.banks), ("feeder", &self.feeders)] {
            for value in values {
                out.push_str(&format!("&{name}={}", encode(value)));
            }
        }
        for state in &self.states {
            out.push_str(&format!("&state={}", class(*state)));
        }
        out + &self.range()
    }
}

/// `&from=…&to=…` of what is given.
pub fn range(from_ms: Option<i64>, to_ms: Option<i64>) -> String {
    let part = |name: &str, ms: Option<i64>| {
        ms.map(|ms| format!("&{name}={}", encode(&short_moment(ms)))).unwrap_or_default()
    };
    part("from", from_ms) + &part("to", to_ms)
}

/// `2030-05-14T06:30`, with seconds where they are not zero.
fn short_moment(ms: i64) -> String {
    let text = utc(u64::try_from(ms).unwrap_or(0));
    let text = text.get(..19).unwrap_or(&text);
    text.strip_suffix(":00").unwrap_or(text).to_owned()
}

/// A field of a form for a moment: as text, so that it is written as everywhere here and not as in the
/// reader's country.
pub fn field(name: &str, words: &str, ms: Option<i64>) -> String {
    let value = ms.map(|ms| short_moment(ms).replace('T', " ")).unwrap_or_default();
    format!(
        "<label for=\"{name}\">{words}<input id=\"{name}\" name=\"{name}\" type=\"text\" size=\"16\" autocomplete=\"off\" \
         placeholder=\"2030-05-14 06:30\" value=\"{value}\"></label>"
    )
}

/// The address of what there is of a bank.
pub fn address(path: &str, row: &FleetRow) -> String {
    format!("{path}?bank={}&device={}", encode(&row.bank), encode(&row.device))
}

/// As a part of an address.
fn encode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~:".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(query: &str) -> Result<Ask, String> {
        Ask::of(&format!("/?{query}").parse().unwrap())
    }

    #[test]
    fn addresses_lead_back_to_what_was_asked() {
        let asked = ask(
            "bank=B%26+1&bank=ü%C3%BC&feeder=&feeder=East&state=crew&state=look&from=2030-05-01&to=2030-05-02T03:04:05&page=7",
        );
        let asked = asked.unwrap();
        assert_eq!(asked.banks, ["B& 1", "üü"]);
        assert_eq!((asked.feeders.as_slice(), asked.page), (&["East".to_owned()][..], 7));
        assert_eq!(asked.states, [State::Crew, State::Look]);
        let again = Ask::of(&asked.at_page(7).parse().unwrap()).unwrap();
        assert_eq!(again, asked);
        assert_eq!(asked.range(), "&from=2030-05-01T00:00&to=2030-05-02T03:04:05");
        assert_eq!(ask("").unwrap(), Ask { page: 1, ..Ask::default() });
    }

    #[test]
    fn nonsense_is_said_in_words() {
        for (query, word) in [
            ("from=yesterday", "give a day or a moment"),
            ("from=2030-05-02&to=2030-05-02", "not after"),
            ("state=fine", "hazard, crew, look"),
            ("page=0", "numbered from 1"),
            ("page=x", "numbered from 1"),
            ("bnak=1", "no such question"),
        ] {
            let words = ask(query).unwrap_err();
            assert!(words.contains(word), "{query}: {words}");
        }
        assert!(ask(&format!("to={}", "9".repeat(400))).is_err());
    }
}
