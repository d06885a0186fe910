//! The recorded waveforms kept beside these tests, written by an independent simulator: read, resampled and held
//! against their stated truth by plain arithmetic, before any logger sees them.

use std::f64::consts::TAU;
use std::path::Path;

use wyelog_simulator::complex::Complex;
use wyelog_simulator::comtrade::{BankSignals, Record};
use wyelog_simulator::scenario::BankFile;

struct Recorded {
    bank: BankFile,
    signals: BankSignals,
}

impl Recorded {
    fn read(name: &str) -> Self {
        let base = Path::new(env!("CARGO_MANIFEST_DIR")).join("records").join(name);
        let record = Record::read(&base.with_extension("cfg")).unwrap();
        let bank = BankFile::read(&base.with_extension("toml")).unwrap();
        assert_eq!(record.missing_samples, 0);
        let signals = record.bank_signals(&record.bank_channels(&bank.channels).unwrap()).unwrap();
        Self { bank, signals }
    }

    /// rms phasor of the fundamental over the 200 ms that begin at `from_s`.
    fn phasor(&self, samples: &[f64], from_s: f64) -> Complex {
        let first = (from_s * 4800.0).round() as usize;
        let per_frame = f64::from(self.bank.bank.frequency.hz()) / 4800.0;
        let mut sum = Complex::ZERO;
        for (k, &sample) in samples.iter().enumerate().skip(first).take(960) {
            sum += Complex::polar(sample, -360.0 * per_frame * k as f64);
        }
        sum.scaled(2_f64.sqrt() / 960.0)
    }

    /// Neutral current less what the voltages explain of it, per unit of the rated current, turned so that the ideal
    /// current of phase A (V1 + 90°) is 0°; and the share of rated voltage of the weakest phase.
    fn residual(&self, from_s: f64) -> (Complex, f64) {
        let volts = [0, 1, 2].map(|phase| self.phasor(&self.signals.volts[phase], from_s));
        let omega = TAU * f64::from(self.bank.bank.frequency.hz());
        let susceptance = Complex::new(0.0, omega * self.bank.bank.rated_farads());
        let explained = (volts[0] + volts[1] + volts[2]) * susceptance;
        let neutral = self.phasor(self.signals.neutral.as_ref().unwrap(), from_s);
        let (a, a2) = (Complex::polar(1.0, 120.0), Complex::polar(1.0, -120.0));
        let v1 = (volts[0] + volts[1] * a + volts[2] * a2).scaled(1.0 / 3.0);
        let turned = (neutral - explained) * Complex::polar(1.0, -(v1.degrees() + 90.0));
        let weakest = volts.iter().map(|v| v.abs()).fold(f64::INFINITY, f64::min);
        (turned.scaled(1.0 / self.bank.bank.rated_amps()), weakest / self.bank.bank.system_volts())
    }
}

#[test]
fn healthy_stays_healthy() {
    let record = Recorded::read("healthy");
    for from_s in [0.0, 1.0, 2.0, 3.0] {
        let (residual, weakest) = record.residual(from_s);
        assert!(residual.abs() < 0.03, "{from_s} s: {}", residual.abs());
        assert!(weakest > 0.95);
    }
}

#[test]
fn the_lost_phase_is_b() {
    let record = Recorded::read("blown_fuse");
    assert!(record.residual(3.0).0.abs() < 0.04);
    // B gone is +60°, of the size of its voltage (design: arrow from star to ground).
    for from_s in [3.6, 5.0, 7.2] {
        let (residual, _) = record.residual(from_s);
        assert!((residual.abs() - 1.0).abs() < 0.03, "{}", residual.abs());
        assert!((residual.degrees() - 60.0).abs() < 3.0, "{}", residual.degrees());
    }
    // Two cycles of fault current before, far above anything else.
    let neutral = record.signals.neutral.as_ref().unwrap();
    let peak = neutral.iter().map(|amps| amps.abs()).fold(0.0, f64::max);
    assert!(peak > 10.0 * record.bank.bank.rated_amps(), "{peak}");
}

#[test]
fn an_opening_stops_the_current_and_the_contact_says_so() {
    let record = Recorded::read("open_ok");
    let contact = record.signals.contact.as_ref().unwrap();
    let told = contact.iter().position(|closed| !closed).unwrap() as f64 / 4800.0;
    assert!((told - 2.983).abs() < 0.001, "{told}");
    assert!(contact[0] && contact.iter().filter(|closed| **closed).count() as f64 / 4800.0 == told);
    let neutral = record.signals.neutral.as_ref().unwrap();
    let rest = &neutral[((told + 0.05) * 4800.0) as usize..];
    let rms = (rest.iter().map(|amps| amps * amps).sum::<f64>() / rest.len() as f64).sqrt();
    assert!(rms < 0.01 * record.bank.bank.rated_amps(), "{rms}");
}

#[test]
fn an_earth_fault_elsewhere_is_explained_by_the_voltages() {
    let record = Recorded::read("ground_fault_elsewhere");
    let (before, _) = record.residual(2.0);
    let (during, weakest) = record.residual(3.4);
    assert!(weakest < 0.8, "{weakest}");
    // A third of the rated current flows in the neutral, and the residual hardly moves.
    let neutral = record.phasor(record.signals.neutral.as_ref().unwrap(), 3.4).abs();
    assert!(neutral > 0.3 * record.bank.bank.rated_amps(), "{neutral}");
    assert!((during - before).abs() < 0.02, "{}", (during - before).abs());
}
