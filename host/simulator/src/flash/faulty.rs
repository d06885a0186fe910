//! A flash that fails the way parts fail, by seed.
//!
//! # Fault model
//!
//! - **Power cut** at the n-th program or erase ([`FaultyFlash::cut_at`]). That operation is done in part, by the
//!   models below, from nothing of it to all of it; from then on every operation fails, until a fresh driver is made
//!   of [`FaultyFlash::into_inner`]. (A cut during a read changes no cell: it is the cut before the next program.)
//! - **Torn program**, two models. `Prefix`: some bytes are right, the next has some of its bits cleared, the others
//!   none. `Scattered`: any of the bits to be cleared are, as where a page is programmed at once.
//! - **Torn erase**, four models. `LowFirst`, `HighFirst`: addresses become ones in this order. `RandomBits`: any
//!   bits have become ones. `ZeroedFirst`: the part programs all cells to zero before it erases them: any bits are
//!   zero, or, later, any are one.
//! - **Bit flips** anywhere, either way ([`FaultyFlash::flip`]): at rest, not by an operation.
//! - **Driver errors** in chosen sectors ([`FaultyFlash::fail_erases`], [`FaultyFlash::fail_programs`]): reported, and
//!   done in part as if torn.
//! - **Worn cells** ([`FaultyFlash::stick`]) that stay zero or one, which the driver does not notice.
//!
//! - **Marginal cells**: cells of a torn program may read as untouched at first and as programmed later
//!   ([`FaultyFlash::torn`], [`Torn::complete`]).
//!
//! Not modelled: a read that fails now and then.

use super::memory::Cells;
use super::tear::{EraseModel, ProgramModel, tear_erase, tear_program};
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use std::collections::BTreeSet;
use thiserror::Error;

/// An operation that did not succeed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum FaultError<E> {
    /// The power was cut; take a fresh driver.
    #[error("the flash has no power since operation {operation}; take a fresh driver over the same cells")]
    PowerLost {
        /// The program or erase that was interrupted, counted from 0.
        operation: u64,
    },
    /// A sector that was told to fail.
    #[error("flash sector {sector} fails, as it was told to")]
    Failing {
        /// The sector, by place.
        sector: u32,
    },
    /// The flash below refused.
    #[error(transparent)]
    Below(E),
}

impl<E: NorFlashError> NorFlashError for FaultError<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::PowerLost { .. } | Self::Failing { .. } => NorFlashErrorKind::Other,
            Self::Below(error) => error.kind(),
        }
    }
}

/// A bit that was flipped.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Flip {
    /// Address of its byte.
    pub address: u32,
    /// 0 is the least significant.
    pub bit: u8,
}

/// A program that was interrupted after it had changed something.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Torn {
    address: u32,
    bytes: Vec<u8>,
}

impl Torn {
    /// Where it began.
    pub fn address(&self) -> u32 {
        self.address
    }

    /// Lets the rest of the cells read as programmed after all. Only before they are erased.
    pub fn complete(&self, cells: &mut impl Cells) {
        for (cell, byte) in cells.cells_mut().iter_mut().skip(self.address as usize).zip(&self.bytes) {
            *cell &= byte;
        }
    }
}

/// Faults over the flash `F`. Without any set, it does nothing but count.
#[derive(Clone, Debug)]
pub struct FaultyFlash<F> {
    inner: F,
    random: Pcg32,
    operations: u64,
    cut_at: Option<u64>,
    lost_at: Option<u64>,
    program_model: ProgramModel,
    erase_model: EraseModel,
    fail_erases: BTreeSet<u32>,
    fail_programs: BTreeSet<u32>,
    stuck: Vec<Stuck>,
    torn: Option<Torn>,
}

#[derive(Clone, Copy, Debug)]
struct Stuck {
    address: u32,
    mask: u8,
    ones: bool,
}

impl<F: Cells> FaultyFlash<F> {
    /// Wraps a flash. Equal seeds and operations give equal faults, on every machine.
    pub fn new(inner: F, seed: u64) -> Self {
        Self {
            inner,
            random: Pcg32::new(seed, 0xF1A5),
            operations: 0,
            cut_at: None,
            lost_at: None,
            program_model: ProgramModel::Prefix,
            erase_model: EraseModel::LowFirst,
            fail_erases: BTreeSet::new(),
            fail_programs: BTreeSet::new(),
            stuck: Vec::new(),
            torn: None,
        }
    }

    /// Draws anew from here on.
    pub fn reseed(&mut self, seed: u64) {
        self.random = Pcg32::new(seed, 0xF1A5);
    }

    /// Sets how torn operations look.
    pub fn set_models(&mut self, program: ProgramModel, erase: EraseModel) {
        (self.program_model, self.erase_model) = (program, erase);
    }

    /// Cuts the power within the program or erase that is `operations` ones away: 0 is the next.
    pub fn cut_at(&mut self, operations: u64) {
        self.cut_at = Some(self.operations + operations);
    }

    /// Calls off a cut that has not come yet.
    pub fn cancel_cut(&mut self) {
        self.cut_at = None;
    }

    /// Programs and erases so far, the interrupted one included.
    pub fn operations(&self) -> u64 {
        self.operations
    }

    /// True if the power has been cut.
    pub fn is_lost(&self) -> bool {
        self.lost_at.is_some()
    }

    /// The program that was torn last, unless that changed no bit.
    pub fn torn(&self) -> Option<&Torn> {
        self.torn.as_ref()
    }

    /// From now on erases of the sector at this place fail (or no longer do).
    pub fn fail_erases(&mut self, sector: u32, fail: bool) {
        if fail {
            self.fail_erases.insert(sector)
        } else {
            self.fail_erases.remove(&sector)
        };
    }

    /// From now on programs in the sector at this place fail (or no longer do).
    pub fn fail_programs(&mut self, sector: u32, fail: bool) {
        if fail {
            self.fail_programs.insert(sector)
        } else {
            self.fail_programs.remove(&sector)
        };
    }

    /// From the next erase or program on, the bits of `mask` at `address` stay one, or zero.
    pub fn stick(&mut self, address: u32, mask: u8, ones: bool) {
        self.stuck.push(Stuck { address, mask, ones });
    }

    /// Flips `count` random bits (a bit may be flipped back) and says which.
    pub fn flip(&mut self, count: usize) -> Vec<Flip> {
        let bits = self.inner.cells().len() as u64 * 8;
        let flips: Vec<Flip> = (0..count)
            .map(|_| {
                let at = self.random.next_u64() % bits;
                Flip { address: (at / 8) as u32, bit: (at % 8) as u8 }
            })
            .collect();
        for flip in &flips {
            self.inner.cells_mut()[flip.address as usize] ^= 1 << flip.bit;
        }
        flips
    }

    /// The flash below.
    pub fn inner(&self) -> &F {
        &self.inner
    }

    /// The flash below, to be changed past the faults.
    pub fn inner_mut(&mut self) -> &mut F {
        &mut self.inner
    }

    /// The cells as they are: what a fresh driver finds after a cut.
    pub fn into_inner(self) -> F {
        self.inner
    }

    /// Refuses if there is no power; counts; true if the power goes within this one.
    fn begin(&mut self) -> Result<bool, FaultError<F::Error>> {
        self.powered()?;
        let cut = self.cut_at == Some(self.operations);
        if cut {
            self.lost_at = Some(self.operations);
        }
        self.operations += 1;
        Ok(cut)
    }

    fn powered(&self) -> Result<(), FaultError<F::Error>> {
        self.lost_at.map_or(Ok(()), |operation| Err(FaultError::PowerLost { operation }))
    }

    fn sector(address: u32) -> u32 {
        address / F::ERASE_SIZE as u32
    }

    fn wear(&mut self) {
        for stuck in &self.stuck {
            if let Some(cell) = self.inner.cells_mut().get_mut(stuck.address as usize) {
                if stuck.ones { *cell |= stuck.mask } else { *cell &= !stuck.mask }
            }
        }
    }

    /// The failure that was asked for, after the operation has been done in part.
    fn interrupted<T>(&mut self, cut: bool, address: u32) -> Result<T, FaultError<F::Error>> {
        self.wear();
        if cut {
            self.powered()?
        }
        Err(FaultError::Failing { sector: Self::sector(address) })
    }
}

impl<F: Cells> ErrorType for FaultyFlash<F> {
    type Error = FaultError<F::Error>;
}

impl<F: Cells> ReadNorFlash for FaultyFlash<F> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.powered()?;
        self.inner.read(offset, bytes).map_err(FaultError::Below)
    }

    fn capacity(&self) -> usize {
        self.inner.capacity()
    }
}

impl<F: Cells> NorFlash for FaultyFlash<F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        let cut = self.begin()?;
        let (first, last) = (Self::sector(from), Self::sector(to.saturating_sub(1)));
        if cut || self.fail_erases.range(first..=last).next().is_some() {
            if let Some(cells) = self.inner.cells_mut().get_mut(from as usize..to as usize) {
                tear_erase(cells, self.erase_model, &mut self.random);
            }
            return self.interrupted(cut, from);
        }
        self.inner.erase(from, to).map_err(FaultError::Below)?;
        self.wear();
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let cut = self.begin()?;
        if cut || self.fail_programs.contains(&Self::sector(offset)) {
            let start = offset as usize;
            if let Some(cells) = self.inner.cells_mut().get_mut(start..start + bytes.len()) {
                let before = cells.to_vec();
                tear_program(cells, bytes, self.program_model, &mut self.random);
                self.torn = (before != *cells).then(|| Torn { address: offset, bytes: bytes.to_vec() });
            }
            return self.interrupted(cut, offset);
        }
        self.inner.write(offset, bytes).map_err(FaultError::Below)?;
        self.wear();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::memory::{FlashError, NorMemory};
    use super::*;

    type Small = FaultyFlash<NorMemory<1, 1024>>;

    fn flash(seed: u64) -> Small {
        FaultyFlash::new(NorMemory::new(4), seed)
    }

    #[test]
    fn after_a_cut_nothing_works_until_a_fresh_driver_is_taken() {
        let mut flash = flash(1);
        flash.cut_at(1);
        flash.write(0, b"first").unwrap();
        assert_eq!(flash.write(16, b"second"), Err(FaultError::PowerLost { operation: 1 }));
        assert!(flash.is_lost());
        assert_eq!(flash.read(0, &mut [0; 5]), Err(FaultError::PowerLost { operation: 1 }));
        assert_eq!(flash.erase(0, 1024), Err(FaultError::PowerLost { operation: 1 }));
        let mut fresh = flash.into_inner();
        let mut bytes = [0; 5];
        fresh.read(0, &mut bytes).unwrap();
        assert_eq!(&bytes, b"first");
    }

    #[test]
    fn equal_seeds_give_equal_faults() {
        let run = |seed| {
            let mut flash = flash(seed);
            flash.set_models(ProgramModel::Scattered, EraseModel::ZeroedFirst);
            flash.flip(7);
            flash.cut_at(0);
            let _ = flash.erase(0, 1024);
            flash.into_inner().into_bytes()
        };
        assert_eq!(run(5), run(5));
        assert_ne!(run(5), run(6));
    }

    #[test]
    fn sectors_fail_and_cells_stick_as_told() {
        let mut flash = flash(3);
        flash.fail_erases(1, true);
        flash.fail_programs(2, true);
        assert_eq!(flash.erase(1024, 2048), Err(FaultError::Failing { sector: 1 }));
        assert_eq!(flash.write(2048, &[0]), Err(FaultError::Failing { sector: 2 }));
        flash.fail_erases(1, false);
        flash.erase(1024, 2048).unwrap();
        flash.stick(5, 0x80, false);
        flash.stick(6, 0x01, true);
        flash.erase(0, 1024).unwrap();
        flash.write(6, &[0]).unwrap();
        assert_eq!(flash.inner().cells()[5..7], [0x7F, 0x01]);
        assert_eq!(flash.write(5, &[0xFF]), Err(FaultError::Below(FlashError::SetsBit { address: 5 })));
    }
}
