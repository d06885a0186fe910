//! Banks and feeders that are asked for and that nobody knows: a slip of the pen must not look like a sound fleet.

use std::collections::BTreeSet;
use std::fmt;

use super::Filter;
use crate::store::Store;

/// How like a name must be to be named instead: 1 is the same but for case, by edits over the length of the longer one. Our
/// choice.
const LEAST_LIKENESS: f64 = 0.5;

/// A bank or feeder that neither a log nor the register of the banks names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unknown {
    /// `bank` or `feeder`.
    pub what: &'static str,
    /// As it was asked for.
    pub name: String,
    /// The known name that is most like it, if one is.
    pub nearest: Option<String>,
}

impl fmt::Display for Unknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "there is no {} \"{}\"", self.what, self.name)?;
        self.nearest.as_ref().map_or(Ok(()), |nearest| write!(f, ", the nearest name is \"{nearest}\""))
    }
}

impl Filter {
    /// The banks and feeders among those asked for that nobody knows. A bank is known by its nameplate in a log or by the
    /// register, a feeder by the register.
    pub fn unknown(&self, store: &Store) -> Vec<Unknown> {
        let registered = || store.banks().all();
        let logged = store.marks().iter().flat_map(|mark| &mark.banks);
        let banks: BTreeSet<&str> =
            registered().map(|bank| bank.name.as_str()).chain(logged.map(String::as_str)).collect();
        let feeders: BTreeSet<&str> =
            registered().map(|bank| bank.feeder.as_str()).filter(|feeder| !feeder.is_empty()).collect();
        let among = |what, wanted: &[String], known: &BTreeSet<&str>| -> Vec<Unknown> {
            let unknown = wanted.iter().filter(|name| !known.contains(name.as_str()));
            unknown.map(|name| Unknown { what, name: name.clone(), nearest: nearest(name, known) }).collect()
        };
        [among("bank", &self.banks, &banks), among("feeder", &self.feeders, &feeders)].concat()
    }

    /// Whether it ends where it begins or before: nothing can be in it.
    pub fn is_reversed(&self) -> bool {
        self.from_ms.zip(self.to_ms).is_some_and(|(from, to)| from >= to)
    }
}

fn nearest(name: &str, known: &BTreeSet<&str>) -> Option<String> {
    let name = name.to_lowercase();
    let likeness = |other: &str| strsim::normalized_damerau_levenshtein(&name, &other.to_lowercase());
    let all = known.iter().map(|other| (likeness(other), *other));
    let like = all.filter(|(likeness, _)| *likeness >= LEAST_LIKENESS);
    like.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, name)| name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_said_where_one_is_near() {
        let known = BTreeSet::from(["Quillmere 3", "Quillmere 13", "Ostervane 2", ""]);
        let of = |name: &str| nearest(name, &known);
        assert_eq!(of("Quillmere3").as_deref(), Some("Quillmere 3"));
        assert_eq!(of("quillmere 3").as_deref(), Some("Quillmere 3"));
        assert_eq!(of("Quilmere 13").as_deref(), Some("Quillmere 13"));
        assert_eq!(of("Ostrevane 2").as_deref(), Some("Ostervane 2"));
        assert_eq!(of("Rosenhof"), None);
        assert_eq!(nearest("x", &BTreeSet::new()), None);
    }
}
