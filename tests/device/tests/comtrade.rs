//! The recorded waveforms kept beside these tests, written by an independent simulator: read, resampled and held
//! against their stated truth by plain arithmetic, before any logger sees them.

use std::f64::consts::TAU;
use std::path::Path;

use wyelog_firmware::identify::{Identified, Measured};
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::Outbox;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record as Logged;
use wyelog_simulator::complex::Complex;
use wyelog_simulator::comtrade::{BankSignals, Record};
use wyelog_simulator::scenario::BankFile;
use wyelog_simulator::tape::from_comtrade;

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

/// All windows that come out.
#[derive(Default)]
struct Windows(Vec<Measured>);

impl Outbox for Windows {
    fn record(&mut self, _: Logged) -> Result<(), Logged> {
        Ok(())
    }

    fn live(&mut self, _: Live) {}

    fn window(&mut self, measured: &Measured, _: Option<&Identified>) {
        self.0.push(*measured);
    }
}

/// A distorted three-phase wave of 59.7 Hz over 2 s, in FLOAT32, with these stretches of (Hz, until s).
fn windows_of(rates: &[(f64, f64)]) -> Vec<Measured> {
    const HZ: f64 = 59.7;
    let lines =
        [(1.0, 1.0, 0.0), (3.0, 0.02, 40.0), (5.0, 0.05, -20.0), (7.0, 0.03, 75.0), (23.0, 0.01, 10.0)];
    let (mut dat, mut count, mut start, mut stated) = (Vec::new(), 0_u32, 0.0, String::new());
    for &(hz, until) in rates {
        let len = ((until - start) * hz).round() as u32;
        for k in 0..len {
            let time = start + f64::from(k) / hz;
            count += 1;
            dat.extend(count.to_le_bytes());
            dat.extend(((time * 1e6) as u32).to_le_bytes());
            for (crest, shift) in [(10_180.0, 0.0), (9_900.0, -121.0), (10_300.0, 119.5), (11.0, 33.0)] {
                let wave = lines.iter().map(|(order, part, angle)| {
                    part * (TAU * (order * HZ * time + (order * shift + angle) / 360.0)).cos()
                });
                dat.extend(((crest * wave.sum::<f64>()) as f32).to_le_bytes());
            }
        }
        start += f64::from(len) / hz;
        stated += &format!("{hz},{count}\r\n");
    }
    let cfg = format!(
        "S,D,2013\r\n4,4A,0D\r\n1,VA,A,,V,1,0,0,-1e9,1e9,1,1,P\r\n2,VB,B,,V,1,0,0,-1e9,1e9,1,1,P\r\n\
         3,VC,C,,V,1,0,0,-1e9,1e9,1,1,P\r\n4,IN,N,,A,1,0,0,-1e9,1e9,1,1,P\r\n60\r\n{}\r\n{stated}\
         01/01/2030,00:00:00.000000\r\n01/01/2030,00:00:00.000000\r\nFLOAT32\r\n1\r\n0,0\r\n0,0\r\n",
        rates.len()
    );
    let record = Record::parse("r.cfg", cfg.as_bytes(), "r.dat", &dat).unwrap();
    assert_eq!(record.missing_samples, 0);
    let bank =
        "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
    let tape = from_comtrade(&record, &BankFile::parse("b.toml", bank).unwrap()).unwrap();
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &tape.settings().clone(), 0);
    let mut windows = Windows::default();
    for input in tape {
        meter.input(input, &mut windows);
    }
    windows.0
}

#[test]
fn the_rate_of_a_record_makes_no_difference_to_its_windows() {
    let reference = windows_of(&[(4800.0, 2.0)]);
    assert!(reference.len() >= 8, "{}", reference.len());
    let close = |what: &str, found: f32, expected: f32, nominal: f32| {
        let off = f64::from(found - expected).abs();
        assert!(off <= 1e-4 * f64::from(nominal), "{what}: {found}, not {expected}");
    };
    // Rates above, below and beside the logger's; one that is no whole number; a change of the rate within a window.
    let rates: [&[(f64, f64)]; 6] = [
        &[(15_360.0, 2.0)],
        &[(20_000.0, 2.0)],
        &[(100_000.0, 2.0)],
        &[(3840.0, 2.0)],
        &[(9599.4, 2.0)],
        &[(7680.0, 0.55), (15_360.0, 1.25), (5760.0, 2.0)],
    ];
    for rate in rates {
        let windows = windows_of(rate);
        assert_eq!(windows.len(), reference.len(), "{rate:?}");
        for (window, expected) in windows.iter().zip(&reference) {
            let what = format!("{rate:?} frame {}", expected.begin);
            let place = |w: &Measured| w.begin as f64 + f64::from(w.fraction) / 4_294_967_296.0;
            assert!((place(window) - place(expected)).abs() < 0.01, "{what}: {}", place(window));
            assert!(!window.flagged && !window.gap, "{what}");
            let fundamental = window.fundamental.as_ref().unwrap();
            let expected_fundamental = expected.fundamental.as_ref().unwrap();
            for phase in 0..3 {
                close(&what, window.voltage_rms[phase], expected.voltage_rms[phase], 1.0);
                let off = (fundamental.voltage[phase] - expected_fundamental.voltage[phase]).magnitude();
                close(&what, off, 0.0, 1.0);
                for order in 0..25 {
                    let [found, expected] = [window, expected].map(|w| w.voltage_harmonics[phase][order]);
                    close(&format!("{what} harmonic {}", order + 1), found, expected, 1.0);
                }
            }
            close(&what, window.neutral_rms, expected.neutral_rms, expected.neutral_rms);
        }
    }
}
