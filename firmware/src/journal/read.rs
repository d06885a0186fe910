//! Reading from any record number on.

use super::Journal;
use super::layout::HEADER_SIZE;
use super::search::Area;
use embedded_storage::nor_flash::NorFlash;

/// A place in the log. It may be kept across appends and mounts of the same log.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Cursor {
    /// Number that is wanted next.
    wanted: u32,
    place: Option<Place>,
}

impl Cursor {
    /// The number of the record to be read next.
    pub const fn sequence(&self) -> u32 {
        self.wanted
    }
}

/// Where record `sequence` should start.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Place {
    sector: u32,
    offset: u32,
    sequence: u32,
}

/// What a read gave.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Read {
    /// A record; its payload is the first `length` bytes of the buffer.
    Record {
        /// Number of the record.
        sequence: u32,
        /// Bytes of its payload.
        length: usize,
    },
    /// The numbers `from..to` have no sound record: damaged, or given up at a torn tail.
    Gap {
        /// First missing number.
        from: u32,
        /// First number behind the gap.
        to: u32,
    },
    /// What was wanted has been overwritten. The next read goes on at `oldest`.
    Overwritten {
        /// First number that is still there.
        oldest: u32,
    },
    /// No more records yet.
    End,
}

/// Why nothing was read. The cursor stays.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ReadError<E> {
    /// The driver failed.
    Driver(E),
    /// The buffer is shorter than the payload, which has so many bytes.
    Buffer(usize),
}

impl<E> From<E> for ReadError<E> {
    fn from(error: E) -> Self {
        Self::Driver(error)
    }
}

enum Step {
    Record { sequence: u32, length: usize, next: Place },
    Gap { from: u32, to: u32, next: Place },
    Moved(Place),
}

impl<F: NorFlash> Journal<F> {
    /// A cursor at record `from`. Costs nothing: the first read finds the place. If `from` is beyond the log's next
    /// number (a reader of another log), reads say [`Read::End`]: compare with [`Journal::extent`].
    pub const fn cursor(&self, from: u32) -> Cursor {
        Cursor { wanted: from, place: None }
    }

    /// Reads the record at the cursor into `buffer` and moves the cursor behind it. May be mixed with appends.
    ///
    /// # Errors
    /// A buffer that is too small, or the driver's own. The cursor stays.
    pub fn read(&mut self, cursor: &mut Cursor, buffer: &mut [u8]) -> Result<Read, ReadError<F::Error>> {
        if cursor.wanted < self.ring.oldest {
            *cursor = self.cursor(self.ring.oldest);
            return Ok(Read::Overwritten { oldest: self.ring.oldest });
        }
        // Each turn passes a record, a gap or a sector.
        let turns = self.ring.geometry.most_records().saturating_add(u32::from(self.ring.geometry.sectors));
        for _ in 0..=turns {
            let Some(newest) = self.ring.newest.filter(|_| cursor.wanted < self.ring.next) else {
                return Ok(Read::End);
            };
            let place =
                match cursor.place.filter(|place| (self.ring.oldest_sector..=newest).contains(&place.sector))
                {
                    Some(place) => place,
                    None => self.locate(cursor.wanted, newest)?,
                };
            match self.step(place, newest, buffer)? {
                Step::Record { sequence, length, next } => {
                    if sequence >= cursor.wanted {
                        if length > buffer.len() {
                            return Err(ReadError::Buffer(length));
                        }
                        *cursor = Cursor { wanted: sequence.saturating_add(1), place: Some(next) };
                        return Ok(Read::Record { sequence, length });
                    }
                    cursor.place = Some(next);
                }
                Step::Gap { from, to, next } => {
                    let from = from.max(cursor.wanted);
                    cursor.place = Some(next);
                    if from < to {
                        cursor.wanted = to;
                        return Ok(Read::Gap { from, to });
                    }
                }
                Step::Moved(next) => cursor.place = Some(next),
            }
        }
        Ok(Read::End)
    }

    /// What is at `place`, which lies in a sector of the log and before its end.
    fn step(&mut self, place: Place, newest: u32, buffer: &mut [u8]) -> Result<Step, F::Error> {
        let Place { sector, offset, sequence: expected } = place;
        let limit = if sector == newest { self.ring.tail } else { self.ring.geometry.sector_size };
        let area = Area { sector, limit };
        if expected < self.ring.next
            && let Some(found) = self.verify(area, offset, (expected, expected), buffer)?
        {
            let next = Place {
                sector,
                offset: offset.saturating_add(found.slot),
                sequence: expected.saturating_add(1),
            };
            return Ok(Step::Record { sequence: expected, length: found.length, next });
        }
        // No record: the sector's end, or damage. The next sector's header knows.
        let beyond = self.beyond(place, newest)?;
        if beyond.sequence <= expected {
            return Ok(Step::Moved(beyond));
        }
        let next = match self.search(area, offset, expected, beyond.sequence)? {
            Some(found) => Place { sector, offset: found.offset, sequence: found.sequence },
            None => beyond,
        };
        Ok(Step::Gap { from: expected, to: next.sequence, next })
    }

    /// Where the log goes on behind the sector of `place`.
    fn beyond(&mut self, place: Place, newest: u32) -> Result<Place, F::Error> {
        let mut sector = place.sector;
        // Bounded by the ring's length.
        while sector < newest {
            let Some(header) = self.first_valid(sector.saturating_add(1), newest, self.ring.next)? else {
                break;
            };
            sector = header.sequence;
            if header.first >= place.sequence {
                return Ok(Place { sector, offset: HEADER_SIZE, sequence: header.first });
            }
        }
        Ok(Place { sector: newest, offset: self.ring.tail, sequence: self.ring.next })
    }

    /// The start of the last sector that begins at or before record `wanted`: the newest, where most readers want to
    /// be, else by binary search over the headers, past garbage.
    fn locate(&mut self, wanted: u32, newest: u32) -> Result<Place, F::Error> {
        if let Some(header) = self.header(newest)?.filter(|header| header.first <= wanted) {
            return Ok(Place { sector: newest, offset: HEADER_SIZE, sequence: header.first });
        }
        let mut best =
            Place { sector: self.ring.oldest_sector, offset: HEADER_SIZE, sequence: self.ring.oldest };
        let (mut low, mut high) = (self.ring.oldest_sector, newest);
        while low < high {
            let half = high.saturating_sub(low).saturating_add(1) >> 1;
            let middle = low.saturating_add(half);
            match self.last_valid(low.saturating_add(1), middle)? {
                Some(header) if header.first > wanted => high = header.sequence.saturating_sub(1),
                Some(header) => {
                    best = Place { sector: header.sequence, offset: HEADER_SIZE, sequence: header.first };
                    low = middle;
                }
                None => low = middle,
            }
        }
        Ok(best)
    }

    /// The last sector of `from..=to` that has a valid header.
    fn last_valid(&mut self, from: u32, to: u32) -> Result<Option<super::layout::Header>, F::Error> {
        for sector in (from..=to).rev() {
            if let Some(header) = self.header(sector)? {
                return Ok(Some(header));
            }
        }
        Ok(None)
    }
}
