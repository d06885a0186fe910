//! Power cuts in the flash log: every operation, torn in every way, and again during the recovery.
//!
//! A history of appends and prepares runs on a small ring, long enough to go round several times. Before each action
//! the whole state is copied; in the copy the power is cut within each program and erase of that action, by each
//! fault model of `wyelog_simulator::flash`, with several seeds. After each cut a fresh driver and a fresh mount look at
//! the cells; the history then goes on there, with more cuts.
//!
//! Invariants, at every point:
//! 1. The mount succeeds, and visits only records that were written, exactly as they were.
//! 2. Every acknowledged record is read back exactly, but for those that the interrupted action, had it been allowed to
//!    end, would have overwritten.
//! 3. Nothing else is read, but the record that was under way, whole, under the number it would have had.
//! 4. A number that was acknowledged or read is never given to another record.
//! 5. The log takes records again at once.
//! 6. All this also if the torn record, damaged at the mount, reads as whole later (marginal cells): then it is what was
//!    under way, and its number has not been used again.
//!
//! The number of points is printed (`--nocapture`). `WYELOG_CUT_SEEDS=130` tries ten times as many.

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use wyelog_firmware::journal::{Journal, MAX_PAYLOAD, Read};
use wyelog_simulator::flash::{EraseModel, FaultyFlash, NorMemory, ProgramModel, Torn};

/// Each erase model and each program model, in half of the pairs.
const MODELS: [(ProgramModel, EraseModel); 4] = [
    (ProgramModel::Prefix, EraseModel::LowFirst),
    (ProgramModel::Scattered, EraseModel::HighFirst),
    (ProgramModel::Prefix, EraseModel::RandomBits),
    (ProgramModel::Scattered, EraseModel::ZeroedFirst),
];

type Part<const WORD: usize, const SECTOR: usize> = NorMemory<WORD, SECTOR>;
type Log<const WORD: usize, const SECTOR: usize> = Journal<FaultyFlash<Part<WORD, SECTOR>>>;

/// When the sector ahead is erased.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Prepare {
    Never,
    AtOnce,
    Sometimes,
}

#[derive(Clone, Copy, Debug)]
enum Action {
    /// A record with this payload.
    Append(usize),
    Prepare,
}

/// What must be in the flash.
#[derive(Clone)]
struct Truth {
    /// Number and payload of each record, acknowledged or once read.
    records: Vec<(u32, usize)>,
    /// All lower numbers may be in use.
    top: u32,
}

impl Truth {
    fn payload(&self, sequence: u32) -> Option<usize> {
        let at = self.records.binary_search_by_key(&sequence, |record| record.0).ok()?;
        Some(self.records[at].1)
    }

    fn acknowledge(&mut self, sequence: u32, payload: usize) {
        assert!(sequence >= self.top, "record number {sequence} was given twice");
        self.records.push((sequence, payload));
        self.top = sequence + 1;
    }
}

/// A torn program, and the record it was part of.
struct Ghost {
    torn: Torn,
    under_way: Option<(u32, usize)>,
}

struct Lab<const WORD: usize, const SECTOR: usize> {
    random: Pcg32,
    payloads: Vec<Vec<u8>>,
    prepare: Prepare,
    points: u64,
    unacknowledged_but_whole: u64,
}

impl<const WORD: usize, const SECTOR: usize> Lab<WORD, SECTOR> {
    fn new(prepare: Prepare, seed: u64) -> Self {
        let random = Pcg32::new(seed, 7);
        Self { random, payloads: Vec::new(), prepare, points: 0, unacknowledged_but_whole: 0 }
    }

    fn one_in(&mut self, n: u32) -> bool {
        self.random.next_u32().is_multiple_of(n)
    }

    /// A payload never used before: most as long as an interval record, some short, some of any length; some mostly
    /// ones or zeros, as erased or torn cells are.
    fn payload(&mut self) -> usize {
        let longest = match self.random.next_u32() % 16 {
            0 => MAX_PAYLOAD as u32,
            1 | 2 => 4,
            _ => 90,
        };
        let length = 1 + self.random.next_u32() % longest;
        let mut bytes = vec![0; length as usize];
        self.random.fill_bytes(&mut bytes);
        match self.random.next_u32() % 8 {
            0 => bytes.iter_mut().for_each(|byte| *byte |= 0xFE),
            1 => bytes.iter_mut().for_each(|byte| *byte &= 0x01),
            _ => {}
        }
        self.payloads.push(bytes);
        self.payloads.len() - 1
    }

    fn action(&mut self, log: &Log<WORD, SECTOR>) -> Action {
        let prepare = log.needs_prepare()
            && match self.prepare {
                Prepare::Never => false,
                Prepare::AtOnce => true,
                Prepare::Sometimes => self.one_in(12),
            };
        if prepare { Action::Prepare } else { Action::Append(self.payload()) }
    }

    /// Does the action and takes note of what was acknowledged; false if it failed.
    fn perform(&self, log: &mut Log<WORD, SECTOR>, truth: &mut Truth, action: Action) -> bool {
        match action {
            Action::Append(payload) => match log.append(&self.payloads[payload]) {
                Ok(sequence) => truth.acknowledge(sequence, payload),
                Err(_) => return false,
            },
            Action::Prepare => return log.prepare().is_ok(),
        }
        true
    }

    /// Mounts what is left after a cut and checks it all. `oldest` is the lowest number that may not be lost;
    /// `under_way` the number and payload of the interrupted record.
    fn recover(
        &mut self,
        part: Part<WORD, SECTOR>,
        truth: &mut Truth,
        oldest: u32,
        under_way: Option<(u32, usize)>,
    ) -> Log<WORD, SECTOR> {
        let known = |sequence| {
            truth
                .payload(sequence)
                .or(under_way.filter(|record| record.0 == sequence).map(|record| record.1))
                .unwrap_or_else(|| panic!("record {sequence} was read; no one wrote it"))
        };
        let mut visited = Vec::new();
        let flash = FaultyFlash::new(part, self.random.next_u64());
        let (mut log, report) = Journal::mount(flash, &mut |sequence, bytes| {
            assert_eq!(bytes, self.payloads[known(sequence)], "visited record {sequence}");
            visited.push(sequence);
        })
        .expect("a mount succeeds on any content");
        let extent = log.extent();
        assert!(extent.oldest <= oldest, "{} records too many are gone", extent.oldest - oldest);
        assert!(extent.next >= truth.top, "number {} would be used twice", extent.next);

        let mut found = Vec::new();
        let mut cursor = log.cursor(extent.oldest);
        let mut buffer = [0; MAX_PAYLOAD];
        let mut expected = extent.oldest;
        loop {
            match log.read(&mut cursor, &mut buffer).expect("the flash has power") {
                Read::Record { sequence, length } => {
                    assert_eq!(sequence, expected);
                    assert_eq!(buffer[..length], self.payloads[known(sequence)], "record {sequence}");
                    found.push((sequence, known(sequence)));
                    expected = sequence + 1;
                }
                Read::Gap { from, to } => {
                    assert!(from == expected && from < to, "gap {from}..{to} after {expected}");
                    expected = to;
                }
                Read::End => break,
                Read::Overwritten { .. } => panic!("the extent said that {expected} is there"),
            }
        }
        assert_eq!(expected, extent.next, "the numbers are complete");
        let tail: Vec<u32> = found.iter().rev().take(visited.len()).rev().map(|record| record.0).collect();
        assert_eq!(visited, tail, "the newest sector's records were visited");
        assert_eq!(report.records as usize, visited.len());
        // A cut never damages what lies before it in its sector.
        assert_eq!(report.damaged, 0);
        let mut found_numbers = found.iter().map(|record| record.0);
        for &(sequence, _) in truth.records.iter().filter(|record| record.0 >= oldest) {
            assert!(found_numbers.any(|number| number == sequence), "acknowledged record {sequence} is lost");
        }
        if under_way.is_some_and(|record| found.contains(&record)) {
            self.unacknowledged_but_whole += 1;
        }
        truth.top = found.last().map_or(truth.top, |record| truth.top.max(record.0 + 1));
        truth.records = found;
        log
    }

    /// Cuts the power in the `operation`-th operation of the action, recovers, and checks that the log goes on.
    fn cut(
        &mut self,
        log: &Log<WORD, SECTOR>,
        truth: &Truth,
        action: Action,
        operation: u64,
        models: (ProgramModel, EraseModel),
        oldest: u32,
    ) -> (Log<WORD, SECTOR>, Truth, Option<Ghost>) {
        let (mut log, mut truth) = (log.clone(), truth.clone());
        let seed = self.random.next_u64();
        let flash = log.flash_mut();
        flash.reseed(seed);
        flash.set_models(models.0, models.1);
        flash.cut_at(operation);
        let under_way = match action {
            Action::Append(payload) => Some((log.extent().next, payload)),
            Action::Prepare => None,
        };
        assert!(!self.perform(&mut log, &mut truth, action), "nothing is acknowledged without power");
        assert!(log.flash().is_lost());
        self.points += 1;
        let ghost = log.flash().torn().cloned().map(|torn| Ghost { torn, under_way });
        let log = self.recover(log.into_flash().into_inner(), &mut truth, oldest, under_way);
        (log, truth, ghost)
    }

    /// Marginal cells: what was torn reads as whole after all, and a fresh mount finds it so.
    fn haunt(&mut self, mut log: Log<WORD, SECTOR>, truth: &mut Truth, ghost: &Ghost) -> Log<WORD, SECTOR> {
        ghost.torn.complete(log.flash_mut().inner_mut());
        let payload = self.payload();
        assert!(self.perform(&mut log, truth, Action::Append(payload)), "the log goes on");
        let oldest = log.extent().oldest;
        self.recover(log.into_flash().into_inner(), truth, oldest, ghost.under_way)
    }

    /// One action: cut at each of its operations, with each model and `seeds` seeds; after each cut the history
    /// goes on, cut again `again` times. Then the action itself, uncut.
    fn explore(&mut self, log: &mut Log<WORD, SECTOR>, truth: &mut Truth, seeds: u32, again: u32) {
        let action = self.action(log);
        let (mut whole, mut whole_truth) = (log.clone(), truth.clone());
        assert!(self.perform(&mut whole, &mut whole_truth, action));
        let operations = whole.flash().operations() - log.flash().operations();
        let oldest = whole.extent().oldest;
        for operation in 0..operations {
            for models in MODELS {
                for _ in 0..seeds {
                    let (mut log, mut truth, ghost) = self.cut(log, truth, action, operation, models, oldest);
                    if let Some(ghost) = ghost.filter(|_| self.one_in(3)) {
                        log = self.haunt(log, &mut truth, &ghost);
                    }
                    for _ in 0..again {
                        (log, truth) = self.go_on(log, truth);
                    }
                    let payload = self.payload();
                    assert!(self.perform(&mut log, &mut truth, Action::Append(payload)), "the log goes on");
                }
            }
        }
        whole_truth.records.retain(|record| record.0 >= oldest);
        (*log, *truth) = (whole, whole_truth);
    }

    /// A few actions, the last one cut somewhere.
    fn go_on(&mut self, mut log: Log<WORD, SECTOR>, mut truth: Truth) -> (Log<WORD, SECTOR>, Truth) {
        for _ in 0..self.random.next_u32() % 4 {
            let action = self.action(&log);
            assert!(self.perform(&mut log, &mut truth, action), "the log goes on");
        }
        let action = self.action(&log);
        let (mut whole, mut unused) = (log.clone(), truth.clone());
        assert!(self.perform(&mut whole, &mut unused, action));
        let operations = whole.flash().operations() - log.flash().operations();
        let operation = self.random.next_u64() % operations;
        let models = MODELS[self.random.next_u32() as usize % MODELS.len()];
        let (log, truth, _) = self.cut(&log, &truth, action, operation, models, whole.extent().oldest);
        (log, truth)
    }

    fn empty(&mut self, sectors: usize) -> (Log<WORD, SECTOR>, Truth) {
        let mut truth = Truth { records: Vec::new(), top: 0 };
        let log = self.recover(Part::new(sectors), &mut truth, 0, None);
        (log, truth)
    }
}

fn seeds() -> u32 {
    std::env::var("WYELOG_CUT_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(13)
}

/// A history of `actions` on a ring of `sectors` KiB, cut everywhere. Returns the number of points.
fn short<const WORD: usize>(prepare: Prepare, sectors: usize, actions: u32, seed: u64) -> u64 {
    let mut lab = Lab::<WORD, 1024>::new(prepare, seed);
    let (mut log, mut truth) = lab.empty(sectors);
    for _ in 0..actions {
        lab.explore(&mut log, &mut truth, seeds(), 2);
    }
    assert!(log.extent().oldest > 0, "the history has gone round the ring");
    assert!(lab.unacknowledged_but_whole > 0, "some cuts came after the last bit");
    println!("{prepare:?}, words of {WORD}, {sectors} sectors: {} points, {:?}", lab.points, log.extent());
    lab.points
}

#[test]
fn short_histories_are_cut_at_every_operation() {
    let policies = [(1, Prepare::Never), (2, Prepare::AtOnce), (3, Prepare::Sometimes)];
    let points: u64 = std::thread::scope(|scope| {
        let run = |(seed, prepare)| {
            scope.spawn(move || {
                short::<1>(prepare, 4, 130, seed)
                    + short::<4>(prepare, 4, 130, seed + 10)
                    + short::<8>(prepare, 5, 160, seed + 20)
            })
        };
        let threads = policies.map(run);
        threads.into_iter().map(|thread| thread.join().expect("no invariant is broken")).sum()
    });
    println!("power cuts in short histories: {points} points");
    assert!(points >= 200_000, "{points} points are too few to mean much");
}

#[test]
fn long_histories_on_the_smallest_real_part() {
    // 64 KiB, 4 KiB sectors, filled more than once round before the cuts begin.
    let mut lab = Lab::<1, 4096>::new(Prepare::Sometimes, 4);
    let (mut log, mut truth) = lab.empty(16);
    while log.extent().oldest < 500 {
        let action = lab.action(&log);
        assert!(lab.perform(&mut log, &mut truth, action));
    }
    truth.records.retain(|record| record.0 >= log.extent().oldest);
    for _ in 0..8 {
        lab.explore(&mut log, &mut truth, 1, 1);
    }
    // One life with a cut every few actions.
    for _ in 0..300 {
        (log, truth) = lab.go_on(log, truth);
    }
    println!("power cuts in long histories: {} points, {:?}", lab.points, log.extent());
    assert!(lab.points >= 350);
}
