//! `[told]`: what the logger is told wrongly about a simulated bank.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::{Location, RatedFrequency};

use super::bank::Bank;
use super::check::Source;
use super::error::Error;
use super::installed::Place;
use super::phases::{Phase, Phases};

/// Only what is not as it really hangs there.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ToldTable {
    rated_kvar: Option<Spanned<f64>>,
    rated_kv_ll: Option<Spanned<f64>>,
    unit_kv: Option<Spanned<f64>>,
    frequency_hz: Option<Spanned<f64>>,
    units_per_phase: Option<Spanned<i64>>,
    location: Option<Place>,
    swapped: Option<Spanned<Phases>>,
}

impl ToldTable {
    /// The nameplate as told. Wrong places go into `location`, swapped leads into `wiring`.
    pub fn check(
        &self,
        source: &Source,
        real: &Bank,
        location: &mut [Location; 3],
        wiring: &mut [Phase; 3],
    ) -> Result<Bank, Error> {
        let mut told = real.clone();
        let kvar = self.rated_kvar.as_ref();
        told.rated_kvar =
            source.number_or("told.rated_kvar", kvar, real.rated_kvar, 10.0..=20_000.0, "kvar")?;
        let kv_ll = self.rated_kv_ll.as_ref();
        told.rated_kv_ll = source.number_or("told.rated_kv_ll", kv_ll, real.rated_kv_ll, 1.0..=46.0, "kV")?;
        // Who enters a wrong system voltage without a word on the units gets units to match.
        let unit_kv = kv_ll.map_or(real.unit_kv, |_| told.rated_kv_ll / libm::sqrt(3.0));
        told.unit_kv = source.number_or("told.unit_kv", self.unit_kv.as_ref(), unit_kv, 0.4..=30.0, "kV")?;
        told.frequency = match &self.frequency_hz {
            None => real.frequency,
            Some(hz) if *hz.get_ref() == 50.0 => RatedFrequency::Hz50,
            Some(hz) if *hz.get_ref() == 60.0 => RatedFrequency::Hz60,
            Some(hz) => return Err(source.wrong(hz, "told.frequency_hz", "must be 50 or 60 Hz")),
        };
        let units = self.units_per_phase.as_ref();
        told.units_per_phase =
            source.whole_or("told.units_per_phase", units, i64::from(real.units_per_phase), 1..=24)? as u8;
        if let Some(stated) = kvar.or(kv_ll).or(self.unit_kv.as_ref()).filter(|_| told.rated_amps() > 2_000.0)
        {
            let what = format!(
                "told: makes {:.0} A a phase at this voltage; must be at most 2000 A",
                told.rated_amps()
            );
            return Err(source.at(stated.span().start, what));
        }
        if let Some(place) = self.location {
            *location = [place.location(); 3];
        }
        if let Some(swapped) = &self.swapped {
            let pair: Vec<Phase> = swapped.get_ref().iter().collect();
            let [first, second] = pair[..] else {
                let quoted = Spanned::new(swapped.span(), format!("\"{}\"", swapped.get_ref()));
                return Err(source.wrong(&quoted, "told.swapped", "must be two phases, such as \"AB\""));
            };
            wiring.swap(first.index(), second.index());
        }
        Ok(told)
    }
}
