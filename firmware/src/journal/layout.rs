//! The bytes of a header and of a record. Nothing here touches a flash.

use wyelog_protocol::frame::CRC32;

/// Longest payload of a record, in bytes.
pub const MAX_PAYLOAD: usize = 512;
/// Smallest sector the journal accepts, in bytes.
pub const MIN_SECTOR_SIZE: usize = 1024;
/// Fewest sectors.
pub const MIN_SECTORS: usize = 4;
/// Most sectors: 64 MiB of 1 KiB, less one.
pub const MAX_SECTORS: usize = 65_535;

pub(super) const HEADER_BYTES: usize = 24;
pub(super) const HEADER_SIZE: u32 = 24;
pub(super) const RECORD_HEADER: usize = 6;
/// Largest record with its padding.
pub(super) const MAX_SLOT: usize = 520;
/// How much is read at once: most records lie in one.
pub(super) const CHUNK: usize = 128;
pub(super) const CHUNK_SIZE: u32 = 128;
/// No sector of up to 64 KiB holds more records.
pub(super) const FOREIGN_MARGIN: u32 = 10_000;

const MAGIC: u32 = u32::from_le_bytes(*b"WyJ\n");
const VERSION: u8 = 1;
/// Bit of the granule in the headers of a second ring: a sector of one is foreign to the other.
const SECOND: u8 = 0x80;
/// So many of a part's sectors have one in its second ring.
const KEPT_SHARE: u16 = 32;
/// Bytes of a header under its CRC.
const COVERED: usize = 20;
const LENGTH_BITS: u16 = 9;
const LENGTH_MASK: u16 = 0x1FF;
const CHECK_SALT: u16 = 0x2A;

/// Why a part cannot hold a journal; the offending number is given.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum GeometryFault {
    /// The larger of read and write size is not 1, 2, 4 or 8 bytes.
    Granule(usize),
    /// The erase size is below [`MIN_SECTOR_SIZE`] or no multiple of the granule.
    SectorSize(usize),
    /// Not [`MIN_SECTORS`] to [`MAX_SECTORS`] sectors, or more than 4 GiB.
    Sectors(usize),
}

/// What the part's sizes are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Geometry {
    pub sector_size: u32,
    pub sectors: u16,
    pub granule: u8,
    /// Where its first sector lies, in sectors from the flash's beginning.
    start: u32,
    /// What headers have in the place of the granule.
    mark: u8,
}

impl Geometry {
    /// Checks a part of `capacity` bytes. A last part of a sector is left unused.
    pub fn new(read: usize, write: usize, erase: usize, capacity: usize) -> Result<Self, GeometryFault> {
        let unit = read.max(write);
        let granule = match (unit, u8::try_from(unit)) {
            (1 | 2 | 4 | 8, Ok(granule)) => granule,
            _ => return Err(GeometryFault::Granule(unit)),
        };
        let sector_size = match u32::try_from(erase) {
            Ok(size) if erase >= MIN_SECTOR_SIZE && size.is_multiple_of(u32::from(granule)) => size,
            _ => return Err(GeometryFault::SectorSize(erase)),
        };
        let count = capacity.checked_div(erase).unwrap_or(0);
        match u16::try_from(count) {
            Ok(sectors) if count >= MIN_SECTORS && u32::from(sectors).checked_mul(sector_size).is_some() => {
                Ok(Self { sector_size, sectors, granule, start: 0, mark: granule })
            }
            _ => Err(GeometryFault::Sectors(count)),
        }
    }

    /// Keeps the last [`KEPT_SHARE`]th of the sectors, but four at least, for a second ring, and gives the others.
    ///
    /// # Errors
    /// Too few sectors; their number is given.
    pub fn split(&mut self) -> Result<Self, GeometryFault> {
        let kept = self.sectors.checked_div(KEPT_SHARE).unwrap_or(0).max(4);
        let main = Self { sectors: self.sectors.saturating_sub(kept), ..*self };
        if usize::from(main.sectors) < MIN_SECTORS {
            return Err(GeometryFault::Sectors(usize::from(self.sectors)));
        }
        *self = Self { sectors: kept, start: u32::from(main.sectors), mark: self.granule | SECOND, ..*self };
        Ok(main)
    }

    /// Whether its numbers are those of the log: the second ring's are its own.
    pub const fn counts(&self) -> bool {
        self.mark == self.granule
    }

    /// Address of sector `sequence`.
    pub fn address(&self, sequence: u32) -> u32 {
        self.start.saturating_add(self.place(sequence)).saturating_mul(self.sector_size)
    }

    /// Where sector `sequence` lies, in sectors.
    pub fn place(&self, sequence: u32) -> u32 {
        sequence.checked_rem(u32::from(self.sectors)).unwrap_or(0)
    }

    /// Bytes that a payload of `length` takes in flash, header and padding included.
    pub fn slot(&self, length: usize) -> Option<u32> {
        if !(1..=MAX_PAYLOAD).contains(&length) {
            return None;
        }
        u32::try_from(length.checked_add(RECORD_HEADER)?)
            .ok()?
            .checked_next_multiple_of(u32::from(self.granule))
    }

    /// Bytes of the smallest record.
    pub fn smallest_slot(&self) -> u32 {
        self.slot(1).unwrap_or(8)
    }

    /// Bytes to read so that a record's word is among them.
    pub fn word_read(&self) -> u32 {
        if self.granule > 2 { u32::from(self.granule) } else { 2 }
    }

    /// No sector holds more records than this.
    pub fn most_records(&self) -> u32 {
        self.sector_size.checked_div(self.smallest_slot()).unwrap_or(0)
    }
}

/// What a header says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Header {
    pub sequence: u32,
    pub first: u32,
    pub epoch: u32,
}

/// What the first bytes of a sector are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Parsed {
    /// All ones. That says nothing about the sector.
    Blank,
    /// Not a header.
    Garbage,
    /// A header of another geometry or version, or one that was copied to another place.
    Foreign(Header),
    /// Ours; `repaired` if one bit had to be set right.
    Valid { header: Header, repaired: bool },
}

/// The header's bytes.
pub(super) fn encode_header(header: &Header, geometry: &Geometry) -> [u8; HEADER_BYTES] {
    let mut bytes = [0; HEADER_BYTES];
    put(&mut bytes, 0, &MAGIC.to_le_bytes());
    put(&mut bytes, 4, &[VERSION, geometry.mark]);
    put(&mut bytes, 6, &geometry.sectors.to_le_bytes());
    put(&mut bytes, 8, &header.sequence.to_le_bytes());
    put(&mut bytes, 12, &header.first.to_le_bytes());
    put(&mut bytes, 16, &header.epoch.to_le_bytes());
    let sum = header_sum(&bytes);
    put(&mut bytes, COVERED, &sum.to_le_bytes());
    bytes
}

/// Reads the header found at `place` (in sectors).
pub(super) fn parse_header(bytes: &[u8; HEADER_BYTES], geometry: &Geometry, place: u32) -> Parsed {
    if bytes.iter().all(|&byte| byte == 0xFF) {
        return Parsed::Blank;
    }
    let Some((bytes, repaired)) = sound(bytes) else { return Parsed::Garbage };
    let header = Header { sequence: word(&bytes, 8), first: word(&bytes, 12), epoch: word(&bytes, 16) };
    let [sectors_low, sectors_high] = geometry.sectors.to_le_bytes();
    let ours = bytes.get(4..8) == Some([VERSION, geometry.mark, sectors_low, sectors_high].as_slice());
    if ours && geometry.place(header.sequence) == place {
        Parsed::Valid { header, repaired }
    } else {
        Parsed::Foreign(header)
    }
}

/// The bytes if magic and CRC are right, with at most one bit repaired. Bits are tried only where the magic says that
/// there was a header: random content is not given 192 chances.
fn sound(bytes: &[u8; HEADER_BYTES]) -> Option<([u8; HEADER_BYTES], bool)> {
    let wrong = word(bytes, 0) ^ MAGIC;
    let mut fixed = *bytes;
    match wrong.count_ones() {
        0 => {
            if header_sum(bytes) == word(bytes, COVERED) {
                return Some((fixed, false));
            }
            for at in 4..HEADER_BYTES {
                for bit in 0..8_u32 {
                    let mask = 1_u8.wrapping_shl(bit);
                    flip(&mut fixed, at, mask);
                    if header_sum(&fixed) == word(&fixed, COVERED) {
                        return Some((fixed, true));
                    }
                    flip(&mut fixed, at, mask);
                }
            }
            None
        }
        1 => {
            put(&mut fixed, 0, &MAGIC.to_le_bytes());
            (header_sum(&fixed) == word(&fixed, COVERED)).then_some((fixed, true))
        }
        _ => None,
    }
}

fn header_sum(bytes: &[u8; HEADER_BYTES]) -> u32 {
    CRC32.checksum(bytes.get(..COVERED).unwrap_or_default())
}

fn flip(bytes: &mut [u8], at: usize, mask: u8) {
    if let Some(byte) = bytes.get_mut(at) {
        *byte ^= mask;
    }
}

/// The record's first word for a payload of `length` bytes (1..=512).
pub(super) fn length_word(length: usize) -> Option<u16> {
    let field = u16::try_from(length.checked_sub(1)?).ok()?;
    (field <= LENGTH_MASK).then(|| field | (check(field) << LENGTH_BITS))
}

/// The payload's length, if the word is one that [`length_word`] makes.
pub(super) fn word_length(word: u16) -> Option<usize> {
    let field = word & LENGTH_MASK;
    (word >> LENGTH_BITS == check(field)).then(|| usize::from(field).saturating_add(1))
}

/// CRC-7 of nine bits, x⁷+x⁶+x²+1, which has Hamming distance four at this length. The salt keeps a word of all ones
/// and one of all zeros from being valid.
fn check(field: u16) -> u16 {
    let mut rest = field << 7;
    for bit in (7..16_u32).rev() {
        if (rest >> bit) & 1 == 1 {
            rest ^= 0xC5 << bit.saturating_sub(7);
        }
    }
    (rest & 0x7F) ^ CHECK_SALT
}

/// Lays out a record of number `sequence`; the rest of `room` becomes ones. None if the payload is too long.
pub(super) fn encode_record(room: &mut [u8; MAX_SLOT], payload: &[u8], sequence: u32) -> Option<()> {
    let word = length_word(payload.len())?.to_le_bytes();
    room.fill(0xFF);
    put(room, 0, &word);
    put(room, 2, &record_sum(&word, payload, sequence).to_le_bytes());
    put(room, RECORD_HEADER, payload);
    Some(())
}

fn record_sum(word: &[u8; 2], payload: &[u8], sequence: u32) -> u32 {
    let mut digest = CRC32.digest();
    digest.update(word);
    digest.update(payload);
    digest.update(&sequence.to_le_bytes());
    digest.finalize()
}

/// The number of `from..=to` under which the record's bytes are sound.
pub(super) fn record_sequence(record: &[u8], length: usize, from: u32, to: u32) -> Option<u32> {
    let (head, rest) = record.split_first_chunk::<2>()?;
    let (stored, rest) = rest.split_first_chunk::<4>()?;
    let stored = u32::from_le_bytes(*stored);
    let mut digest = CRC32.digest();
    digest.update(head);
    digest.update(rest.get(..length)?);
    (from..=to).find(|sequence| {
        let mut digest = digest.clone();
        digest.update(&sequence.to_le_bytes());
        digest.finalize() == stored
    })
}

/// Payload length of the record that starts at `at` of `bytes`, if a valid word is there.
pub(super) fn length_at(bytes: &[u8], at: usize) -> Option<usize> {
    word_length(u16::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// Where the record at the start of `bytes` probably ends: its length, or, if the word is damaged, the only one that is
/// a single bit away.
pub(super) fn probable_length(bytes: &[u8]) -> Option<usize> {
    let word = u16::from_le_bytes(*bytes.first_chunk()?);
    if word == 0xFFFF {
        return None;
    }
    word_length(word).or_else(|| (0..16_u32).find_map(|bit| word_length(word ^ 1_u16.wrapping_shl(bit))))
}

/// The first multiple of `granule` in `from..to` at which `bytes` hold a valid word.
pub(super) fn next_candidate(bytes: &[u8], from: usize, to: usize, granule: u8) -> Option<usize> {
    // A step of zero would panic.
    (from..to).step_by(usize::from(granule).max(1)).find(|&at| length_at(bytes, at).is_some())
}

/// How many pieces of `size` bytes are not all ones.
pub(super) fn pieces_written(bytes: &[u8], size: usize) -> usize {
    // A chunk size of zero would panic.
    if size == 0 {
        return 0;
    }
    bytes.chunks(size).filter(|piece| !blank(piece)).count()
}

/// True if all bytes are ones.
pub(super) fn blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|&byte| byte == 0xFF)
}

/// Copies as much of `from` as fits to byte `at` of `to`.
pub(super) fn put(to: &mut [u8], at: usize, from: &[u8]) {
    for (to, from) in to.iter_mut().skip(at).zip(from) {
        *to = *from;
    }
}

fn word(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..).and_then(<[u8]>::first_chunk).map_or(0, |four| u32::from_le_bytes(*four))
}
