//! Making a log of whatever is in the flash.

use super::layout::{self, FOREIGN_MARGIN, Geometry, GeometryFault, HEADER_SIZE, Header, Parsed};
use super::search::Area;
use super::{Faults, Journal, Ring};
use embedded_storage::nor_flash::NorFlash;

/// Why there is no log. Nothing that the flash contains is a reason.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MountError<E> {
    /// No journal fits this part.
    Geometry(GeometryFault),
    /// The driver failed to read.
    Driver(E),
}

impl<E> From<E> for MountError<E> {
    fn from(error: E) -> Self {
        Self::Driver(error)
    }
}

/// What a mount found.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct MountReport {
    /// Owner's word of the newest sector (of the highest foreign one, if the log is empty). The owner's last boot
    /// number is this one, or a later one in the records visited.
    pub epoch: Option<u32>,
    /// Sound records in the newest sector: as many as were visited.
    pub records: u32,
    /// Damaged ones between them.
    pub damaged: u32,
    /// Numbers given up since the newest sector ends in something that is not a record (a torn one, most likely):
    /// they end at the log's next number.
    pub torn: u32,
    /// An erase or the opening of the next sector was interrupted: the newest one takes no more records.
    pub interrupted: bool,
    /// Sectors that neither look blank nor have a valid header.
    pub garbage_sectors: u32,
    /// Sectors with a header of another geometry or a later version.
    pub foreign_sectors: u32,
    /// Headers with one flipped bit that was set right in reading.
    pub repaired_headers: u32,
}

/// What the headers say together.
#[derive(Default)]
struct Survey {
    newest: Option<Header>,
    foreign_next: u32,
    foreign_epoch: Option<u32>,
}

impl<F: NorFlash> Journal<F> {
    /// Mounts the log and calls `visit` with number and payload of each sound record of the newest sector, oldest
    /// first. Reads every header once. Writes nothing.
    ///
    /// A flash without a log is an empty log; it starts with record 0, or well behind the highest number of foreign
    /// headers, so that a number never means two records.
    ///
    /// # Errors
    /// An impossible geometry, or the driver's own.
    pub fn mount(
        flash: F,
        visit: &mut dyn FnMut(u32, &[u8]),
    ) -> Result<(Self, MountReport), MountError<F::Error>> {
        let mut journal = Self::open(flash)?;
        let report = journal.mount_ring(visit)?;
        Ok((journal, report))
    }

    /// A log over all of the flash that has not been looked at.
    pub(crate) fn open(flash: F) -> Result<Self, MountError<F::Error>> {
        let geometry = Geometry::new(F::READ_SIZE, F::WRITE_SIZE, F::ERASE_SIZE, flash.capacity())
            .map_err(MountError::Geometry)?;
        Ok(Self { flash, ring: Ring::new(geometry), epoch: 0, faults: Faults::default() })
    }

    /// Mounts the ring, which is new.
    pub(crate) fn mount_ring(&mut self, visit: &mut dyn FnMut(u32, &[u8])) -> Result<MountReport, F::Error> {
        let mut report = MountReport::default();
        let survey = self.survey(&mut report)?;
        if let Some(newest) = survey.newest {
            report.epoch = Some(newest.epoch);
            self.ring.newest = Some(newest.sequence);
            self.walk(newest, visit, &mut report)?;
            self.close_before_garbage(&mut report)?;
            let lowest = self.lowest_behind(newest.sequence);
            let oldest = self.first_valid(lowest, newest.sequence, newest.first)?.unwrap_or(newest);
            self.ring.oldest_sector = oldest.sequence;
            self.ring.oldest = oldest.first;
        } else {
            report.epoch = survey.foreign_epoch;
            self.ring.next = survey.foreign_next;
            self.ring.oldest = survey.foreign_next;
        }
        self.epoch = report.epoch.unwrap_or(0);
        Ok(report)
    }

    /// Reads all headers.
    fn survey(&mut self, report: &mut MountReport) -> Result<Survey, F::Error> {
        let mut survey = Survey::default();
        for place in 0..u32::from(self.ring.geometry.sectors) {
            match self.parsed(place)? {
                Parsed::Blank => {}
                Parsed::Garbage => report.garbage_sectors = report.garbage_sectors.saturating_add(1),
                Parsed::Foreign(header) => {
                    report.foreign_sectors = report.foreign_sectors.saturating_add(1);
                    survey.foreign_next =
                        survey.foreign_next.max(header.first.saturating_add(FOREIGN_MARGIN));
                    survey.foreign_epoch = survey.foreign_epoch.max(Some(header.epoch));
                }
                Parsed::Valid { header, repaired } => {
                    report.repaired_headers = report.repaired_headers.saturating_add(u32::from(repaired));
                    if survey.newest.is_none_or(|newest| newest.sequence < header.sequence) {
                        survey.newest = Some(header);
                    }
                }
            }
        }
        Ok(survey)
    }

    /// Visits the newest sector's records and finds where, and whether, the next one goes there.
    fn walk(
        &mut self,
        newest: Header,
        visit: &mut dyn FnMut(u32, &[u8]),
        report: &mut MountReport,
    ) -> Result<(), F::Error> {
        let area = Area { sector: newest.sequence, limit: self.ring.geometry.sector_size };
        let mut payload = [0; layout::MAX_PAYLOAD];
        let mut offset = HEADER_SIZE;
        let mut expected = newest.first;
        for _ in 0..=self.ring.geometry.most_records().saturating_mul(2) {
            if let Some(found) = self.verify(area, offset, (expected, expected), &mut payload)? {
                visit(found.sequence, payload.get(..found.length).unwrap_or_default());
                report.records = report.records.saturating_add(1);
                offset = offset.saturating_add(found.slot);
                expected = expected.saturating_add(1);
            } else if let Some(found) = self.search(area, offset, expected, u32::MAX)? {
                report.damaged = report.damaged.saturating_add(found.sequence.saturating_sub(expected));
                offset = found.offset;
                expected = found.sequence;
            } else {
                break;
            }
        }
        report.torn = self.numbers_at(newest.sequence, offset)?;
        self.ring.next = expected.saturating_add(report.torn);
        self.ring.tail = if report.torn == 0 { offset } else { self.ring.geometry.sector_size };
        Ok(())
    }

    /// Closes the newest sector if one of those that may come next starts with garbage. That may be a header torn by a
    /// power cut, whose cells read as sound the next time; it would then claim the numbers that the newest sector had
    /// got meanwhile.
    fn close_before_garbage(&mut self, report: &mut MountReport) -> Result<(), F::Error> {
        for sector in self.candidates() {
            if self.parsed(sector)? == Parsed::Garbage {
                report.interrupted = true;
                self.ring.tail = self.ring.geometry.sector_size;
            }
        }
        Ok(())
    }

    /// The lowest sector sequence whose cells are not taken by a later one once `sector` is.
    pub(super) fn lowest_behind(&self, sector: u32) -> u32 {
        sector.saturating_add(1).saturating_sub(u32::from(self.ring.geometry.sectors))
    }
}
