//! NOR flash in RAM, as strict as the `embedded-storage` contract.
//!
//! - An erase sets whole sectors to ones.
//! - A program clears bits. One that would have to set a bit is an error, as is a second program of the same word
//!   without an erase in between (parts with error correction do not allow it).
//! - Addresses are checked for alignment and bounds.
//! - Everything is counted.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// NOR flash of words of `WRITE` bytes and sectors of `ERASE` bytes; reads have byte resolution.
#[derive(Clone, Debug)]
pub struct NorMemory<const WRITE: usize = 1, const ERASE: usize = 4096> {
    array: Array,
}

/// What has been done to a flash.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Read operations.
    pub reads: u64,
    /// Bytes read.
    pub bytes_read: u64,
    /// Program operations.
    pub programs: u64,
    /// Bytes programmed.
    pub bytes_programmed: u64,
    /// Sectors erased.
    pub erases: u64,
}

/// A use of the flash that a real part would refuse, or get wrong.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum FlashError {
    /// Not on a border of a word or sector.
    #[error("flash address {address:#x}, length {length}: not a multiple of {unit}; align the operation")]
    NotAligned {
        /// Start, in bytes.
        address: u32,
        /// Bytes.
        length: usize,
        /// Bytes of a word or sector.
        unit: usize,
    },
    /// Behind the end.
    #[error("flash address {address:#x}, length {length}: the flash ends at {capacity:#x}")]
    OutOfBounds {
        /// Start, in bytes.
        address: u32,
        /// Bytes.
        length: usize,
        /// Size of the flash in bytes.
        capacity: usize,
    },
    /// A program of ones onto zeros.
    #[error("flash address {address:#x}: a program cannot set a bit; erase the sector first")]
    SetsBit {
        /// First such byte.
        address: u32,
    },
    /// A word programmed twice.
    #[error("flash address {address:#x}: this word was programmed before; erase the sector first")]
    Rewrites {
        /// Start of the word.
        address: u32,
    },
}

impl NorFlashError for FlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned { .. } => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds { .. } => NorFlashErrorKind::OutOfBounds,
            Self::SetsBit { .. } | Self::Rewrites { .. } => NorFlashErrorKind::Other,
        }
    }
}

/// Why a flash image could not be read or kept.
#[derive(Debug, Error)]
pub enum ImageError {
    /// The file system said no.
    #[error("flash image {}: {source}; check the folder, its rights and the room on the disk", path.display())]
    File {
        /// The image.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// Not a whole number of sectors, or none, or above 4 GiB.
    #[error("flash image {}: {length} bytes are no flash of {sector}-byte sectors; use an image of another size", path.display())]
    Size {
        /// The image.
        path: PathBuf,
        /// Its length in bytes.
        length: usize,
        /// Bytes of a sector.
        sector: usize,
    },
}

/// A flash whose cells can be reached past its rules, to do what faults do.
pub trait Cells: NorFlash {
    /// All cells.
    fn cells(&self) -> &[u8];
    /// All cells, to be changed.
    fn cells_mut(&mut self) -> &mut [u8];
}

impl<const WRITE: usize, const ERASE: usize> NorMemory<WRITE, ERASE> {
    /// A new part of `sectors` sectors, all ones.
    pub fn new(sectors: usize) -> Self {
        Self::from_bytes(vec![0xFF; sectors * ERASE])
    }

    /// A part with this content, cut down to whole sectors.
    pub fn from_bytes(mut bytes: Vec<u8>) -> Self {
        bytes.truncate(bytes.len() / ERASE * ERASE);
        Self { array: Array::new(bytes, WRITE, ERASE) }
    }

    /// A part with the content of a file.
    ///
    /// # Errors
    /// The file cannot be read, or has no whole number of sectors.
    pub fn load(path: &Path) -> Result<Self, ImageError> {
        let bytes =
            std::fs::read(path).map_err(|source| ImageError::File { path: path.to_owned(), source })?;
        if bytes.is_empty() || !bytes.len().is_multiple_of(ERASE) || u32::try_from(bytes.len()).is_err() {
            return Err(ImageError::Size { path: path.to_owned(), length: bytes.len(), sector: ERASE });
        }
        Ok(Self::from_bytes(bytes))
    }

    /// Writes the content to a file, by way of `NAME.part`: what was there stays if it cannot be written whole.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), ImageError> {
        let mut part = path.as_os_str().to_owned();
        part.push(".part");
        let written = std::fs::write(&part, &self.array.bytes).and_then(|()| std::fs::rename(&part, path));
        written.map_err(|source| {
            // What did not fit is of no use to anybody.
            let _ = std::fs::remove_file(&part);
            ImageError::File { path: path.to_owned(), source }
        })
    }

    /// What has been done to it so far.
    pub fn counts(&self) -> Counts {
        self.array.counts
    }

    /// How often each sector has been erased.
    pub fn wear(&self) -> &[u32] {
        &self.array.wear
    }

    /// The content.
    pub fn into_bytes(self) -> Vec<u8> {
        self.array.bytes
    }
}

impl<const WRITE: usize, const ERASE: usize> ErrorType for NorMemory<WRITE, ERASE> {
    type Error = FlashError;
}

impl<const WRITE: usize, const ERASE: usize> ReadNorFlash for NorMemory<WRITE, ERASE> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashError> {
        self.array.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.array.bytes.len()
    }
}

impl<const WRITE: usize, const ERASE: usize> NorFlash for NorMemory<WRITE, ERASE> {
    const WRITE_SIZE: usize = WRITE;
    const ERASE_SIZE: usize = ERASE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashError> {
        self.array.erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashError> {
        self.array.program(offset, bytes)
    }
}

impl<const WRITE: usize, const ERASE: usize> Cells for NorMemory<WRITE, ERASE> {
    fn cells(&self) -> &[u8] {
        &self.array.bytes
    }

    fn cells_mut(&mut self) -> &mut [u8] {
        &mut self.array.bytes
    }
}

/// The work, without type parameters: so it is compiled, optimised, in this crate.
#[derive(Clone, Debug)]
struct Array {
    bytes: Vec<u8>,
    /// One bit a word: programmed since its erase.
    programmed: Vec<u64>,
    wear: Vec<u32>,
    word: usize,
    sector: usize,
    counts: Counts,
}

impl Array {
    fn new(bytes: Vec<u8>, word: usize, sector: usize) -> Self {
        let mut array = Self {
            programmed: vec![0; (bytes.len() / word).div_ceil(64)],
            wear: vec![0; bytes.len() / sector],
            word,
            sector,
            counts: Counts::default(),
            bytes,
        };
        // Most parts are new: 64 words at a time are looked at only if they are not blank.
        for (words, bits) in array.bytes.chunks(64 * word).zip(&mut array.programmed) {
            if words.iter().fold(0xFF, |all, byte| all & byte) == 0xFF {
                continue;
            }
            for (place, cells) in words.chunks_exact(word).enumerate() {
                if cells.iter().any(|&byte| byte != 0xFF) {
                    *bits |= 1 << place;
                }
            }
        }
        array
    }

    fn range(&self, address: u32, length: usize, unit: usize) -> Result<std::ops::Range<usize>, FlashError> {
        let start = address as usize;
        if length > self.bytes.len() || start > self.bytes.len() - length {
            return Err(FlashError::OutOfBounds { address, length, capacity: self.bytes.len() });
        }
        if !start.is_multiple_of(unit) || !length.is_multiple_of(unit) {
            return Err(FlashError::NotAligned { address, length, unit });
        }
        Ok(start..start + length)
    }

    fn read(&mut self, address: u32, bytes: &mut [u8]) -> Result<(), FlashError> {
        let range = self.range(address, bytes.len(), 1)?;
        self.counts.reads += 1;
        self.counts.bytes_read += bytes.len() as u64;
        bytes.copy_from_slice(&self.bytes[range]);
        Ok(())
    }

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashError> {
        let length = (to as usize).saturating_sub(from as usize);
        let range = self.range(from, length, self.sector)?;
        self.bytes[range.clone()].fill(0xFF);
        for word in range.start / self.word..range.end / self.word {
            self.programmed[word / 64] &= !(1 << (word % 64));
        }
        for sector in range.start / self.sector..range.end / self.sector {
            self.wear[sector] += 1;
            self.counts.erases += 1;
        }
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashError> {
        let range = self.range(address, bytes.len(), self.word)?;
        self.counts.programs += 1;
        self.counts.bytes_programmed += bytes.len() as u64;
        for word in range.start / self.word..range.end / self.word {
            if self.programmed[word / 64] >> (word % 64) & 1 == 1 {
                return Err(FlashError::Rewrites { address: (word * self.word) as u32 });
            }
            self.programmed[word / 64] |= 1 << (word % 64);
        }
        let mut sets = None;
        for (at, (cell, byte)) in self.bytes[range].iter_mut().zip(bytes).enumerate() {
            if byte & !*cell != 0 && sets.is_none() {
                sets = Some(address + at as u32);
            }
            *cell &= byte;
        }
        sets.map_or(Ok(()), |address| Err(FlashError::SetsBit { address }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Small = NorMemory<4, 1024>;

    #[test]
    fn an_erase_sets_and_a_program_clears() {
        let mut flash = Small::new(2);
        flash.write(4, &[0x0F; 4]).unwrap();
        let mut bytes = [0; 12];
        flash.read(0, &mut bytes).unwrap();
        assert_eq!(bytes, [0xFF, 0xFF, 0xFF, 0xFF, 0x0F, 0x0F, 0x0F, 0x0F, 0xFF, 0xFF, 0xFF, 0xFF]);
        flash.erase(0, 1024).unwrap();
        assert!(flash.cells().iter().all(|&byte| byte == 0xFF));
        let expected = Counts { reads: 1, bytes_read: 12, programs: 1, bytes_programmed: 4, erases: 1 };
        assert_eq!(flash.counts(), expected);
        assert_eq!(flash.wear(), [1, 0]);
    }

    #[test]
    fn misuse_is_refused() {
        let mut flash = Small::new(2);
        assert!(matches!(flash.write(2, &[0; 4]), Err(FlashError::NotAligned { .. })));
        assert!(matches!(flash.write(0, &[0; 3]), Err(FlashError::NotAligned { .. })));
        assert!(matches!(flash.erase(4, 1024), Err(FlashError::NotAligned { .. })));
        assert!(matches!(flash.write(2048, &[0; 4]), Err(FlashError::OutOfBounds { .. })));
        assert!(matches!(flash.read(2047, &mut [0; 2]), Err(FlashError::OutOfBounds { .. })));
        flash.write(0, &[0xF0; 4]).unwrap();
        assert_eq!(flash.write(0, &[0xF0; 4]), Err(FlashError::Rewrites { address: 0 }));
        flash.cells_mut()[8] = 0;
        assert_eq!(flash.write(8, &[0x01; 4]), Err(FlashError::SetsBit { address: 8 }));
    }

    #[test]
    fn an_image_comes_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("flash.bin");
        let mut flash = Small::new(3);
        flash.write(1024, b"kept").unwrap();
        flash.save(&path).unwrap();
        let mut again = Small::load(&path).unwrap();
        assert_eq!(again.cells(), flash.cells());
        assert_eq!(again.write(1024, b"kept"), Err(FlashError::Rewrites { address: 1024 }));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "something else is left");
        let error = flash.save(&folder.path().join("no/such.bin")).unwrap_err().to_string();
        assert!(error.ends_with("check the folder, its rights and the room on the disk"), "{error}");
        std::fs::write(&path, [0; 1025]).unwrap();
        assert!(matches!(Small::load(&path), Err(ImageError::Size { length: 1025, .. })));
        assert!(matches!(Small::load(&folder.path().join("none")), Err(ImageError::File { .. })));
    }
}
