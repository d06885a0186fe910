//! NOR flash in a file of the host.
//!
//! Strict: an erase sets a whole sector to ones, a program only ever clears bits. Times are those of common serial NOR
//! flash (common practice, no source): 0.7 ms a page, 45 ms a sector, 400 ms at the worst. Whoever calls is blocked that
//! long; interrupts are not.

use crate::clock::{self, TICKS_PER_SECOND};
use crate::options::Erase;
use crate::semihosting::{File, Mode};
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};

const SECTOR: u32 = 4096;
const PAGE: u32 = 256;
const NEW_CAPACITY: u32 = 1 << 20;
const PROGRAM_PAGE_TICKS: u32 = TICKS_PER_SECOND / 10_000 * 7;
const ERASE_TYPICAL_TICKS: u32 = TICKS_PER_SECOND / 1000 * 45;
const ERASE_WORST_TICKS: u32 = TICKS_PER_SECOND / 1000 * 400;
const ONES: [u8; 256] = [0xFF; 256];

/// The flash. Its capacity is the file's length, in whole sectors.
pub struct Flash {
    file: File,
    capacity: u32,
    program_ticks: u32,
    erase_ticks: u32,
    /// Sectors erased since the start.
    erased: u32,
}

/// Why the flash refused.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Error {
    /// An address not at a sector's border.
    NotAligned,
    /// An address behind the end.
    OutOfBounds,
    /// The host's file could not be read or written.
    Host,
}

impl NorFlashError for Error {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::Host => NorFlashErrorKind::Other,
        }
    }
}

impl Flash {
    /// Opens the file, or makes one of a mebibyte, all ones. Without `real_time` nothing takes time.
    pub fn open(name: &[u8], real_time: bool, erase: Erase) -> Option<Self> {
        let erase_ticks = match erase {
            Erase::Typical => ERASE_TYPICAL_TICKS,
            Erase::Worst => ERASE_WORST_TICKS,
            Erase::None => 0,
        };
        let (program_ticks, erase_ticks) = if real_time { (PROGRAM_PAGE_TICKS, erase_ticks) } else { (0, 0) };
        let file = match File::open(name, Mode::Update) {
            Some(file) => file,
            None => blank(name)?,
        };
        let capacity = file.length()? & !(SECTOR - 1);
        Some(Self { file, capacity, program_ticks, erase_ticks, erased: 0 })
    }

    /// Sectors erased since the start.
    pub const fn erased(&self) -> u32 {
        self.erased
    }

    fn check(&self, offset: u32, length: usize) -> Result<(), Error> {
        let length = u32::try_from(length).map_err(|_| Error::OutOfBounds)?;
        let end = offset.checked_add(length).ok_or(Error::OutOfBounds)?;
        if end <= self.capacity { Ok(()) } else { Err(Error::OutOfBounds) }
    }

    fn read_at(&self, offset: u32, bytes: &mut [u8]) -> Option<()> {
        self.file.seek(offset)?;
        let length = bytes.len();
        (self.file.read(bytes)? == length).then_some(())
    }

    fn program(&self, offset: u32, bytes: &[u8]) -> Option<()> {
        let mut at = offset;
        for piece in bytes.chunks(64) {
            let mut room = [0; 64];
            let cells = room.get_mut(..piece.len())?;
            self.read_at(at, cells)?;
            for (cell, byte) in cells.iter_mut().zip(piece) {
                *cell &= byte;
            }
            self.file.seek(at)?;
            self.file.write(cells)?;
            at = at.checked_add(u32::try_from(piece.len()).ok()?)?;
        }
        Some(())
    }
}

impl ErrorType for Flash {
    type Error = Error;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Error> {
        self.check(offset, bytes.len())?;
        self.read_at(offset, bytes).ok_or(Error::Host)
    }

    fn capacity(&self) -> usize {
        usize::try_from(self.capacity).unwrap_or(0)
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Error> {
        let length = to.checked_sub(from).ok_or(Error::OutOfBounds)?;
        self.check(from, usize::try_from(length).map_err(|_| Error::OutOfBounds)?)?;
        if !from.is_multiple_of(SECTOR) || !length.is_multiple_of(SECTOR) {
            return Err(Error::NotAligned);
        }
        self.file.seek(from).ok_or(Error::Host)?;
        for _ in 0..length / SECTOR {
            fill_sector(&self.file).ok_or(Error::Host)?;
            clock::wait(self.erase_ticks);
            self.erased = self.erased.saturating_add(1);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Error> {
        self.check(offset, bytes.len())?;
        if bytes.is_empty() {
            return Ok(());
        }
        self.program(offset, bytes).ok_or(Error::Host)?;
        let into_page = offset % PAGE;
        let length = u32::try_from(bytes.len()).map_err(|_| Error::OutOfBounds)?;
        let pages = into_page.saturating_add(length).div_ceil(PAGE);
        clock::wait(pages.saturating_mul(self.program_ticks));
        Ok(())
    }
}

/// Makes the file of a chip as it comes from the factory.
fn blank(name: &[u8]) -> Option<File> {
    let file = File::open(name, Mode::Create)?;
    for _ in 0..NEW_CAPACITY / SECTOR {
        fill_sector(&file)?;
    }
    Some(file)
}

fn fill_sector(file: &File) -> Option<()> {
    for _ in 0..SECTOR / PAGE {
        file.write(&ONES)?;
    }
    Some(())
}
