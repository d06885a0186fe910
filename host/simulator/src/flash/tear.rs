//! What an interrupted program or erase leaves in the cells. The models are described in [`super::FaultyFlash`]'s file.

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;

/// What an interrupted program leaves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ProgramModel {
    /// The first bytes, and one in part.
    Prefix,
    /// Any of the bits.
    Scattered,
}

impl ProgramModel {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::Prefix, Self::Scattered];
}

/// What an interrupted erase leaves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum EraseModel {
    /// Ones up to some address.
    LowFirst,
    /// Ones from some address on.
    HighFirst,
    /// Any bits are ones already.
    RandomBits,
    /// Zeros on the way to all zero, or ones on the way from there.
    ZeroedFirst,
}

impl EraseModel {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::LowFirst, Self::HighFirst, Self::RandomBits, Self::ZeroedFirst];
}

pub(super) fn tear_program(cells: &mut [u8], bytes: &[u8], model: ProgramModel, random: &mut Pcg32) {
    match model {
        // One in eight is cut before any cell has changed: rare by length alone, and a case of its own.
        ProgramModel::Prefix if random.next_u32().is_multiple_of(8) => {}
        ProgramModel::Prefix => {
            let whole = random.next_u32() as usize % (bytes.len() + 1);
            for (at, (cell, byte)) in cells.iter_mut().zip(bytes).take(whole + 1).enumerate() {
                *cell &= if at < whole { *byte } else { byte | random.next_u32() as u8 };
            }
        }
        ProgramModel::Scattered => {
            let density = random.next_u32();
            for (cell, byte) in cells.iter_mut().zip(bytes) {
                *cell &= byte | !some_bits(density, random);
            }
        }
    }
}

pub(super) fn tear_erase(cells: &mut [u8], model: EraseModel, random: &mut Pcg32) {
    let edge = random.next_u32() as usize % (cells.len() + 1);
    let partial = random.next_u32() as u8;
    let density = random.next_u32();
    match model {
        EraseModel::LowFirst => {
            cells[..edge].fill(0xFF);
            if let Some(cell) = cells.get_mut(edge) {
                *cell |= partial;
            }
        }
        EraseModel::HighFirst => {
            cells[edge..].fill(0xFF);
            if let Some(cell) = cells[..edge].last_mut() {
                *cell |= partial;
            }
        }
        EraseModel::RandomBits => {
            for cell in cells {
                *cell |= some_bits(density, random);
            }
        }
        EraseModel::ZeroedFirst if partial.is_multiple_of(4) => {
            for cell in cells {
                *cell &= !some_bits(density, random);
            }
        }
        EraseModel::ZeroedFirst => {
            for cell in cells {
                *cell = some_bits(density, random);
            }
        }
    }
}

/// Random bits, each one with one of nine probabilities from 0 to 1.
fn some_bits(density: u32, random: &mut Pcg32) -> u8 {
    let word = random.next_u32();
    let [a, b, c, d] = word.to_le_bytes();
    match density % 9 {
        0 => 0,
        1 => a & b & c & d,
        2 => a & b & c,
        3 => a & b,
        4 => a,
        5 => a | b,
        6 => a | b | c,
        7 => a | b | c | d,
        _ => 0xFF,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{FaultyFlash, NorMemory};
    use super::*;
    use embedded_storage::nor_flash::NorFlash;

    fn flash(seed: u64) -> FaultyFlash<NorMemory<1, 1024>> {
        FaultyFlash::new(NorMemory::new(4), seed)
    }

    #[test]
    fn a_torn_program_clears_no_bit_that_it_should_not() {
        for model in ProgramModel::ALL {
            let (mut none, mut all) = (0, 0);
            for seed in 0..400 {
                let mut flash = flash(seed);
                flash.set_models(model, EraseModel::LowFirst);
                flash.cut_at(0);
                assert!(flash.write(8, &[0x5A; 6]).is_err());
                let cells = flash.into_inner().into_bytes();
                assert!(cells[8..14].iter().all(|cell| cell & 0x5A == 0x5A), "{model:?}, seed {seed}");
                assert!(cells[..8].iter().chain(&cells[14..]).all(|&cell| cell == 0xFF));
                none += usize::from(cells[8..14] == [0xFF; 6]);
                all += usize::from(cells[8..14] == [0x5A; 6]);
            }
            assert!(none > 5 && all > 5, "{model:?}: from nothing ({none}) to all ({all})");
        }
    }

    #[test]
    fn torn_erases_leave_what_their_model_says() {
        for seed in 0..200 {
            let torn = |model| {
                let mut flash = flash(seed);
                flash.write(1024, &[0xA5; 1024]).unwrap();
                flash.set_models(ProgramModel::Prefix, model);
                flash.cut_at(0);
                assert!(flash.erase(1024, 2048).is_err());
                let cells = flash.into_inner().into_bytes();
                assert!(cells[..1024].iter().chain(&cells[2048..]).all(|&cell| cell == 0xFF));
                cells[1024..2048].to_vec()
            };
            let low = torn(EraseModel::LowFirst);
            let edge = low.iter().take_while(|&&cell| cell == 0xFF).count();
            assert!(low[(edge + 1).min(1024)..].iter().all(|&cell| cell == 0xA5));
            let high = torn(EraseModel::HighFirst);
            let edge = high.iter().rev().take_while(|&&cell| cell == 0xFF).count();
            assert!(high[..1023_usize.saturating_sub(edge)].iter().all(|&cell| cell == 0xA5));
            assert!(torn(EraseModel::RandomBits).iter().all(|cell| cell & 0xA5 == 0xA5));
        }
    }
}
