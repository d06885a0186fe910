//! Intervals and spectra as bytes: a stamp like any other record's, then bits.
//!
//! Orders are those that were shortest on simulated feeders of 12 to 35 kV at 50 and 60 Hz, with and without noise; any value
//! is written exactly, whatever the order. `tests/device/tests/record_sizes.rs` states the sizes.

use super::{BankState, Basis, HARMONICS, Interval, Polar, Quality, Range, Spectrum, Stamp};
use crate::packed::{Field, Reader, Writer, length};
use crate::quantity::{ABSENT, Quantity, Scale, Stepped, unzigzag, zigzag};

/// Steps of [`crate::quantity::Frequency`] in 10 Hz.
const TEN_HZ: i32 = 100_000;

/// Numbers of an interval. `schema.txt` has the same table, with names.
const INTERVAL: [Field; 31] = [
    // Windows, and those flagged.
    Field::near(300, 0),
    Field::plain(0),
    // Frequency: tens of Hz, and what it is above or below.
    Field::near(6, 0),
    Field::near(0, 6),
    // Voltage of A, B, C: rms, min, max.
    Field::plain(16),
    Field::beside(4, 3),
    Field::beside(4, 3),
    Field::beside(4, 12),
    Field::beside(7, 3),
    Field::beside(7, 3),
    Field::beside(4, 12),
    Field::beside(10, 3),
    Field::beside(10, 3),
    // Neutral current: rms, min, max.
    Field::plain(11),
    Field::beside(13, 3),
    Field::beside(13, 3),
    // Residual.
    Field::near(0, 8),
    // Phasors of the neutral current and of the residual: size, angle.
    Field::near(0, 9),
    Field::near(0, 14),
    Field::beside(16, 1),
    Field::near(0, 14),
    // u2, u0, NEMA.
    Field::plain(10),
    Field::plain(11),
    Field::beside(21, 5),
    // Connected capacitance of A, B, C.
    Field::near(10_000, 7),
    Field::near(10_000, 7),
    Field::near(10_000, 7),
    // Its quality: standard deviations of the differences and of the common part, what the latter rests on.
    Field::near(0, 7),
    Field::near(0, 9),
    Field::plain(1),
    // State of the bank.
    Field::near(2, 0),
];

/// Numbers of a spectrum.
const SPECTRUM: [Field; 11] = [
    Field::near(3000, 0),
    Field::plain(0),
    // Distortion of A, B, C.
    Field::plain(9),
    Field::beside(2, 5),
    Field::beside(2, 5),
    // Current loading.
    Field::near(1000, 7),
    Field::beside(5, 5),
    Field::beside(5, 6),
    // Reactive loading.
    Field::near(1000, 7),
    Field::beside(8, 6),
    Field::beside(8, 6),
];

/// Bits of the order of a channel's harmonics.
const ORDER_BITS: u32 = 3;

/// An interval as a payload; `None` when `out` is too small.
pub fn write_interval<'o>(record: &Interval, out: &'o mut [u8]) -> Option<&'o [u8]> {
    // The nearest ten; an absent frequency has none.
    let tens = record.frequency.steps().map_or(ABSENT, |steps| steps.wrapping_add(TEN_HZ / 2) / TEN_HZ);
    let rest = record.frequency.steps().map_or(ABSENT, |steps| steps.wrapping_sub(tens.wrapping_mul(TEN_HZ)));
    let [a, b, c] = &record.voltage;
    let n = &record.neutral;
    let (neutral, residual) = (&record.neutral_phasor, &record.residual_phasor);
    let [connected_a, connected_b, connected_c] = &record.connected;
    let numbers = [
        i32::from(record.windows),
        i32::from(record.flagged),
        tens,
        rest,
        a.rms.raw(),
        a.min.raw(),
        a.max.raw(),
        b.rms.raw(),
        b.min.raw(),
        b.max.raw(),
        c.rms.raw(),
        c.min.raw(),
        c.max.raw(),
        n.rms.raw(),
        n.min.raw(),
        n.max.raw(),
        record.residual.raw(),
        neutral.size.raw(),
        neutral.angle.raw(),
        residual.size.raw(),
        residual.angle.raw(),
        record.u2.raw(),
        record.u0.raw(),
        record.nema.raw(),
        connected_a.raw(),
        connected_b.raw(),
        connected_c.raw(),
        record.quality.difference_sigma.raw(),
        record.quality.common_sigma.raw(),
        i32::from(record.quality.common_basis as u8),
        i32::from(record.state as u8),
    ];
    write(&record.stamp, &INTERVAL, &numbers, None, out)
}

/// A spectrum as a payload; `None` when `out` is too small.
pub fn write_spectrum<'o>(record: &Spectrum, out: &'o mut [u8]) -> Option<&'o [u8]> {
    let [thd_a, thd_b, thd_c] = &record.thd;
    let [current_a, current_b, current_c] = &record.current_loading;
    let [reactive_a, reactive_b, reactive_c] = &record.reactive_loading;
    let numbers = [
        i32::from(record.windows),
        i32::from(record.flagged),
        thd_a.raw(),
        thd_b.raw(),
        thd_c.raw(),
        current_a.raw(),
        current_b.raw(),
        current_c.raw(),
        reactive_a.raw(),
        reactive_b.raw(),
        reactive_c.raw(),
    ];
    write(&record.stamp, &SPECTRUM, &numbers, Some(record), out)
}

fn write<'o>(
    stamp: &Stamp,
    fields: &[Field],
    numbers: &[i32],
    spectrum: Option<&Spectrum>,
    out: &'o mut [u8],
) -> Option<&'o [u8]> {
    let stamp = postcard::to_slice(stamp, out).ok()?.len();
    let mut writer = Writer::new(out.get_mut(stamp..)?);
    writer.numbers(fields, numbers);
    if let Some(spectrum) = spectrum {
        let [a, b, c] = &spectrum.voltage;
        let a = indexes(a);
        write_channel(&mut writer, &a, &[]);
        write_channel(&mut writer, &indexes(b), &a);
        write_channel(&mut writer, &indexes(c), &a);
        write_channel(&mut writer, &indexes(&spectrum.neutral), &[]);
    }
    let end = stamp.checked_add(writer.finish()?)?;
    out.get(..end)
}

fn indexes<S: Scale>(harmonics: &[Stepped<S>; HARMONICS]) -> [u8; HARMONICS] {
    let mut indexes = [0; HARMONICS];
    for (index, harmonic) in indexes.iter_mut().zip(harmonics) {
        *index = harmonic.index();
    }
    indexes
}

/// The harmonics of a channel: by how much they differ from those of A, or as they are, in the order that is shortest. Slices,
/// not arrays, so that the loops stay loops.
#[inline(never)]
fn write_channel(writer: &mut Writer, channel: &[u8], a: &[u8]) {
    let (mut order, mut least) = (0, u32::MAX);
    for candidate in 0..1 << ORDER_BITS {
        let bits = (0..channel.len())
            .fold(0_u32, |bits, place| bits.wrapping_add(length(harmonic(channel, a, place), candidate)));
        if bits < least {
            (order, least) = (candidate, bits);
        }
    }
    writer.bits(order, ORDER_BITS);
    for place in 0..channel.len() {
        writer.code(harmonic(channel, a, place), order);
    }
}

/// What is coded of a harmonic; A itself and the neutral have no `a` beside them.
#[inline(never)]
fn harmonic(channel: &[u8], a: &[u8], place: usize) -> u32 {
    let index = i32::from(channel.get(place).copied().unwrap_or_default());
    match a.get(place) {
        None => index.unsigned_abs(),
        Some(a) => zigzag(index.wrapping_sub(i32::from(*a))),
    }
}

/// The interval in a payload.
pub fn read_interval(payload: &[u8]) -> Option<Interval> {
    let (stamp, rest) = postcard::take_from_bytes(payload).ok()?;
    let mut reader = Reader::new(rest);
    let numbers = reader.numbers(&INTERVAL)?;
    reader.finish()?;
    let [windows, flagged, tens, hertz, numbers @ ..] = numbers;
    let [a_rms, a_min, a_max, b_rms, b_min, b_max, c_rms, c_min, c_max, numbers @ ..] = numbers;
    let [n_rms, n_min, n_max, residual, numbers @ ..] = numbers;
    let [neutral_size, neutral_angle, residual_size, residual_angle, numbers @ ..] = numbers;
    let [u2, u0, nema, connected_a, connected_b, connected_c, numbers @ ..] = numbers;
    let [difference_sigma, common_sigma, basis, state] = numbers;
    let is_nearest = (-TEN_HZ / 2..TEN_HZ / 2).contains(&hertz);
    let frequency = match (tens, hertz) {
        (ABSENT, ABSENT) => ABSENT,
        (ABSENT, _) | (_, ABSENT) => return None,
        _ if is_nearest => tens.checked_mul(TEN_HZ)?.checked_add(hertz)?,
        _ => return None,
    };
    Some(Interval {
        stamp,
        windows: u16::try_from(windows).ok()?,
        flagged: u16::try_from(flagged).ok()?,
        frequency: Quantity::from_raw(frequency)?,
        voltage: [range(a_rms, a_min, a_max)?, range(b_rms, b_min, b_max)?, range(c_rms, c_min, c_max)?],
        neutral: range(n_rms, n_min, n_max)?,
        residual: Quantity::from_raw(residual)?,
        neutral_phasor: polar(neutral_size, neutral_angle)?,
        residual_phasor: polar(residual_size, residual_angle)?,
        u2: Quantity::from_raw(u2)?,
        u0: Quantity::from_raw(u0)?,
        nema: Quantity::from_raw(nema)?,
        connected: three([connected_a, connected_b, connected_c])?,
        quality: Quality {
            difference_sigma: Quantity::from_raw(difference_sigma)?,
            common_sigma: Quantity::from_raw(common_sigma)?,
            common_basis: *Basis::ALL.get(usize::try_from(basis).ok()?)?,
        },
        state: *BankState::ALL.get(usize::try_from(state).ok()?)?,
    })
}

/// The spectrum in a payload.
pub fn read_spectrum(payload: &[u8]) -> Option<Spectrum> {
    let (stamp, rest) = postcard::take_from_bytes(payload).ok()?;
    let mut reader = Reader::new(rest);
    let [windows, flagged, thd_a, thd_b, thd_c, loadings @ ..] = reader.numbers(&SPECTRUM)?;
    let [current_a, current_b, current_c, reactive_a, reactive_b, reactive_c] = loadings;
    let a = read_channel(&mut reader, None)?;
    let b = read_channel(&mut reader, Some(&a))?;
    let c = read_channel(&mut reader, Some(&a))?;
    let neutral = read_channel(&mut reader, None)?;
    reader.finish()?;
    Some(Spectrum {
        stamp,
        windows: u16::try_from(windows).ok()?,
        flagged: u16::try_from(flagged).ok()?,
        voltage: [a, b, c].map(|channel| channel.map(Stepped::from_index)),
        neutral: neutral.map(Stepped::from_index),
        thd: three([thd_a, thd_b, thd_c])?,
        current_loading: three([current_a, current_b, current_c])?,
        reactive_loading: three([reactive_a, reactive_b, reactive_c])?,
    })
}

fn read_channel(reader: &mut Reader, a: Option<&[u8; HARMONICS]>) -> Option<[u8; HARMONICS]> {
    let order = reader.bits(ORDER_BITS)?;
    let mut channel = a.copied().unwrap_or_default();
    for index in &mut channel {
        let code = reader.code(order)?;
        let number = match a {
            None => i32::try_from(code).ok()?,
            Some(_) => i32::from(*index).checked_add(unzigzag(code))?,
        };
        *index = u8::try_from(number).ok()?;
    }
    Some(channel)
}

fn three<S: Scale>([a, b, c]: [i32; 3]) -> Option<[Quantity<S>; 3]> {
    Some([Quantity::from_raw(a)?, Quantity::from_raw(b)?, Quantity::from_raw(c)?])
}

fn range<S: Scale>(rms: i32, min: i32, max: i32) -> Option<Range<Quantity<S>>> {
    let [rms, min, max] = three([rms, min, max])?;
    Some(Range { rms, min, max })
}

fn polar(size: i32, angle: i32) -> Option<Polar> {
    Some(Polar { size: Quantity::from_raw(size)?, angle: Quantity::from_raw(angle)? })
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    /// The table of `schema.txt` behind the line `packed NAME`.
    fn table(name: &str) -> Vec<Field> {
        let mut lines =
            crate::SCHEMA_TEXT.lines().skip_while(|line| *line != std::format!("packed {name}")).skip(1);
        let mut names = Vec::new();
        let mut fields = Vec::new();
        for line in lines.by_ref().take_while(|line| line.starts_with(' ')) {
            let words: Vec<&str> = line.split_whitespace().collect();
            let Ok(order) = words[1].parse() else {
                assert_eq!(words[1], "harmonics");
                continue;
            };
            fields.push(match words.get(2) {
                None => Field::plain(order),
                Some(word) => match word.parse() {
                    Ok(expected) => Field::near(expected, order),
                    Err(_) => {
                        let place = names.iter().position(|name| name == word).expect("an earlier number");
                        Field::beside(place as u8, order)
                    }
                },
            });
            names.push(words[0]);
        }
        fields
    }

    #[test]
    fn both_tables_are_as_the_schema_says() {
        assert_eq!(table("Interval"), INTERVAL);
        assert_eq!(table("Spectrum"), SPECTRUM);
    }
}
