//! What the log of a bank weighs in flash, of every kind of record: the demo's fleet, and feeders that nothing was tuned on.
//!
//! `cargo test -p wyelog-device-tests --test record_sizes -- --nocapture` prints the tables that WIRE.md quotes.

#[path = "../../../host/src/demo/fleet.rs"]
mod fleet;

use std::collections::BTreeMap;

use wyelog_device_tests::play::{Stored, device, play, stored};
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::record::{KINDS, Kind};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::levels::Levels;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;

/// What the journal puts around a record: `firmware/src/journal.rs`.
const RECORD_HEADER: usize = 6;
const SECTOR: usize = 4096;
const SECTOR_HEADER: usize = 24;

/// As long as the demo: what befalls a bank comes once, and weighs the more in a shorter time.
const DAYS: u16 = 14;

/// Sizes in flash, framing included.
#[derive(Default)]
struct Weight {
    minutes: f64,
    sizes: BTreeMap<u8, Vec<usize>>,
    /// Bytes of flash that all records together take, headers and ends of sectors included.
    flash: usize,
}

impl Weight {
    fn add(&mut self, records: &[Stored], minutes: f64) {
        self.minutes += minutes;
        let mut at = SECTOR;
        for (_, bytes) in records {
            let size = bytes.len() + RECORD_HEADER;
            self.sizes.entry(bytes[0]).or_default().push(size);
            if at + size > SECTOR {
                self.flash += SECTOR - at + SECTOR_HEADER;
                at = SECTOR_HEADER;
            }
            at += size;
            self.flash += size;
        }
    }

    /// Mean, 99th percentile and largest size of a kind.
    fn of(&mut self, kind: Kind) -> (f64, usize, usize) {
        let sizes = self.sizes.get_mut(&kind.number()).expect("records of this kind");
        sizes.sort_unstable();
        let mean = sizes.iter().sum::<usize>() as f64 / sizes.len() as f64;
        (mean, sizes[(sizes.len() - 1) * 99 / 100], sizes[sizes.len() - 1])
    }

    fn per_minute(&self) -> f64 {
        self.flash as f64 / self.minutes
    }

    fn print(&mut self, title: &str) {
        println!("\n{title}: {:.0} minutes, {:.1} B/min in all", self.minutes, self.per_minute());
        println!("{:<12}{:>8}{:>8}{:>8}{:>8}{:>8}", "kind", "records", "mean", "p99", "largest", "B/min");
        for (kind, _) in KINDS {
            let Some(sizes) = self.sizes.get(&kind.number()) else { continue };
            let (count, sum) = (sizes.len(), sizes.iter().sum::<usize>());
            let (mean, p99, largest) = self.of(kind);
            let name = format!("{kind:?}").to_lowercase();
            println!("{name:<12}{count:>8}{mean:>8.1}{p99:>8}{largest:>8}{:>8.2}", sum as f64 / self.minutes);
        }
    }
}

/// At window level between what happens, as the demo is made.
fn at_two_levels(scenario: &Scenario) -> Vec<Stored> {
    let mut buffers = Box::new(Buffers::new());
    let (mut logger, mounted) =
        Logger::start(&mut buffers, NorMemory::new(1024), device(), scenario.settings(), None);
    mounted.expect("the flash mounts");
    for step in Levels::new(scenario) {
        step.enter(&mut logger);
    }
    stored(logger.into_flash().expect("it has been mounted"))
}

#[test]
fn the_demo_fleet_weighs_what_wire_md_says() {
    let mut all = Weight::default();
    for member in fleet::fleet(DAYS).expect("the fleet") {
        let mut one = Weight::default();
        let records = at_two_levels(&member.scenario);
        let minutes = member.scenario.duration_s / 60.0;
        one.add(&records, minutes);
        all.add(&records, minutes);
        let ((interval, ..), (spectrum, ..)) = (one.of(Kind::Interval), one.of(Kind::Spectrum));
        println!(
            "{} on {}: interval {interval:.1} B, spectrum {spectrum:.1} B, {:.1} B/min",
            member.serial,
            member.feeder,
            one.per_minute()
        );
        assert!(one.per_minute() <= 96.0);
    }
    all.print(&format!("demo fleet, 13 banks, {DAYS} days"));
    let (interval, spectrum) = (all.of(Kind::Interval), all.of(Kind::Spectrum));
    assert!(interval.1 <= 80 && interval.0 <= 56.0, "{interval:?}");
    assert!(spectrum.1 <= 80 && spectrum.0 <= 64.0, "{spectrum:?}");
    assert!(all.per_minute() <= 64.0, "{} B/min", all.per_minute());
}

/// A feeder with every harmonic on it. `percent` is that of each odd one times its order; the even ones are a tenth of it.
fn feeder(hz: f64, kv: f64, percent: f64, seconds: u32) -> String {
    let harmonics: Vec<String> = (2..=25)
        .map(|order| {
            let part = if order % 2 == 0 { 0.1 } else { 1.0 };
            let size = percent * part / f64::from(order);
            format!("{{ order = {order}, percent = {size:?}, angle_deg = {} }}", order * 67 % 360 - 180)
        })
        .collect();
    let rated = if hz < 55.0 { 50 } else { 60 };
    format!(
        "name = \"every harmonic\"\nseed = 11\nduration_s = {seconds}\nstart_utc = \"2031-05-06T07:59:30Z\"\n[feeder]\n\
         kv_ll = {kv:?}\nfrequency_hz = {hz:?}\nr_ohm = 1.2\nx_ohm = 3.4\nv1_pu = 1.02\nu2_percent = 1.3\nu0_percent = 0.6\n\
         u0_angle_deg = 75\nharmonics = [{}]\n[feeder.daily]\npeak_utc_h = 15\nv1_drop_percent = 3\nu0_rise_percent = 0.8\n\
         harmonics_rise_percent = 40\nwander_percent = 0.3\n[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 1200\n\
         rated_kv_ll = {kv:?}\nfrequency_hz = {rated}\ntolerance_percent = [0.4, 3.7, 1.9]\n[sensors.A]\ngain_percent = -0.3\n\
         noise_percent = 0.1\n[sensors.B]\nangle_deg = 0.15\nnoise_percent = 0.1\n[sensors.C]\nnoise_percent = 0.1\n[sensors.N]\n\
         noise_percent = 0.1\n",
        harmonics.join(", ")
    )
}

/// With noise, every harmonic and a frequency off the rated one, sample by sample: as little can be foretold as in the field.
#[test]
fn a_noisy_feeder_keeps_within_the_limits_too() {
    let mut all = Weight::default();
    for (hz, kv, percent) in [(59.98, 13.8, 8.0), (50.03, 33.0, 15.0), (60.02, 7.2, 25.0)] {
        let scenario = Scenario::parse("feeder", &feeder(hz, kv, percent, 1260)).expect("the scenario");
        let records = play(tape::from_scenario(&scenario));
        let mut one = Weight::default();
        one.add(&records, scenario.duration_s / 60.0);
        one.print(&format!("every harmonic, {hz} Hz, {kv} kV, {:.1} % of fifth", percent / 5.0));
        all.add(&records, scenario.duration_s / 60.0);
    }
    let (interval, spectrum) = (all.of(Kind::Interval), all.of(Kind::Spectrum));
    assert!(interval.2 <= 72, "{interval:?}");
    // Nothing can be left out of 96 harmonics of which none is small.
    assert!(spectrum.2 <= 104, "{spectrum:?}");
    assert!(interval.0 + spectrum.0 / 10.0 <= 72.0);
}
