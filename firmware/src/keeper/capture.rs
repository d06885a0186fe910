//! Samples from the Meter into records, as many in each as there is room for.

use wyelog_protocol::record::{Capture, Follows, Stamp};
use wyelog_protocol::waveform::{Packer, Sample};

use crate::capture::{Item, Packed};
use crate::clock::frames_to_ms;

/// The capture under way.
#[derive(Debug)]
pub struct Assembly {
    /// Its first frame, and UTC of that.
    begin: u64,
    utc_ms: Option<u64>,
    /// Frame of the first sample in `packer`.
    first: u64,
    packer: Packer,
}

impl Assembly {
    pub const fn new() -> Self {
        Self { begin: 0, utc_ms: None, first: 0, packer: Packer::new() }
    }

    /// Takes an item; gives the record that it completes. The first samples of the next one stay here.
    pub fn take(&mut self, item: Packed, boot: u32) -> Option<Capture> {
        match item.unpack()? {
            Item::Begin(frame) => {
                *self = Self { begin: frame, first: frame, ..Self::new() };
                None
            }
            Item::Time(utc_ms) => {
                self.utc_ms = Some(utc_ms);
                None
            }
            Item::Sample(sample) => self.sample(sample, boot),
            Item::End { lost } => {
                let follows = if lost { Follows::Lost } else { Follows::Nothing };
                (self.packer.count() > 0).then(|| self.record(follows, boot))
            }
        }
    }

    fn sample(&mut self, sample: Sample, boot: u32) -> Option<Capture> {
        if self.packer.push(sample) {
            return None;
        }
        let full = self.record(Follows::More, boot);
        self.packer.push(sample);
        Some(full)
    }

    fn record(&mut self, follows: Follows, boot: u32) -> Capture {
        let after_ms = frames_to_ms(self.first.saturating_sub(self.begin));
        let utc_ms = self.utc_ms.and_then(|utc_ms| utc_ms.checked_add(after_ms?));
        let stamp = Stamp { boot, frame: self.first, utc_ms };
        self.first = self.first.saturating_add(u64::from(self.packer.count()));
        Capture { stamp, follows, samples: self.packer.take() }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;
    use wyelog_protocol::waveform::Samples;

    #[test]
    fn the_records_of_a_capture_join_without_a_gap() {
        let mut assembly = Assembly::new();
        // The second capture begins anew, whatever was left of the first.
        for (begin, utc_ms, count, lost) in
            [(100_u64, None, 3000_u32, false), (9000, Some(1_000_000), 333, true)]
        {
            let samples: Vec<Sample> =
                (0..count).map(|n| [n.wrapping_mul(40_503) as u16 as i16 / 2, n as i16, 7, -1]).collect();
            let mut items = Vec::from([Item::Begin(begin)]);
            items.extend(utc_ms.map(Item::Time));
            items.extend(samples.iter().map(|sample| Item::Sample(*sample)));
            items.push(Item::End { lost });
            let records: Vec<Capture> =
                items.into_iter().filter_map(|item| assembly.take(item.pack(), 5)).collect();
            let (last, others) = records.split_last().unwrap();
            assert!(others.iter().all(|record| record.follows == Follows::More) && !others.is_empty());
            assert_eq!(last.follows, if lost { Follows::Lost } else { Follows::Nothing });
            let mut joined: Vec<Sample> = Vec::new();
            for record in &records {
                let frame = begin + joined.len() as u64;
                let after_ms = joined.len() as u64 * 1000 / 4800;
                let utc_ms = utc_ms.map(|utc_ms| utc_ms + after_ms);
                assert_eq!(record.stamp, Stamp { boot: 5, frame, utc_ms });
                joined.extend(Samples::new(&record.samples).map(Result::unwrap));
            }
            assert_eq!(joined, samples);
        }
    }

    #[test]
    fn a_capture_without_a_sample_makes_no_record() {
        let mut assembly = Assembly::new();
        assert_eq!(assembly.take(Item::Begin(7).pack(), 1), None);
        assert_eq!(assembly.take(Item::End { lost: true }.pack(), 1), None);
    }
}
