//! Power cuts through the Keeper: within every operation of a life of the logger, its start included, and again in the next.
//!
//! The flash is eight sectors of 1 KiB, four to each ring. A life is a start, some records and the erasing ahead. It is lived
//! without a cut first, to see what it writes and how many programs and erases that takes; then again from the same cells
//! with the power cut within each of them, in every way of `wyelog_simulator::flash`.
//!
//! Invariants, after every cut, by a fresh mount:
//! 1. Every record that had been acknowledged, or once read, is read back, exactly, under its number, once. Excepted are those
//!    that the life, followed by a sector's worth of records for each ring, would have overwritten.
//! 2. Nothing else is read but what was under way, whole, under the number it would have had.
//! 3. A number that was acknowledged or read is never given to another record.
//! 4. Records of the kinds to be kept among these outlive the main ring: those whose copy was cut get it now.
//! 5. The baseline that was stored last is the one that the next start finds.
//! 6. All this also if the torn bytes read as whole later (marginal cells).
//!
//! `WYELOG_CUT_SEEDS=40` tries ten times as many.

use std::collections::{BTreeMap, BTreeSet};

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use wyelog_device_tests::play::device;
use wyelog_device_tests::samples;
use wyelog_firmware::keeper::Keeper;
use wyelog_protocol::record::{BaselineRecord, Record, Stamp};
use wyelog_simulator::flash::{Cells, EraseModel, FaultyFlash, NorMemory, ProgramModel, Torn};

use super::{bytes, flood, interval, rare, records, settings};

const MODELS: [(ProgramModel, EraseModel); 4] = [
    (ProgramModel::Prefix, EraseModel::LowFirst),
    (ProgramModel::Scattered, EraseModel::HighFirst),
    (ProgramModel::Prefix, EraseModel::RandomBits),
    (ProgramModel::Scattered, EraseModel::ZeroedFirst),
];

type Part = NorMemory<1, 1024>;
type Records = BTreeMap<u32, Vec<u8>>;

#[derive(Clone, Copy, Debug)]
enum Action {
    Interval(u32),
    Rare(u32),
    Baseline(u16),
    Idle,
}

fn baseline(boot: u32, hours: u16) -> Record {
    let sample = samples::records().into_iter().find_map(|(_, record)| match record {
        Record::Baseline(baseline) => Some(baseline),
        _ => None,
    });
    let stamp = Stamp { boot, frame: u64::from(hours), utc_ms: None };
    Record::Baseline(BaselineRecord { stamp, hours, ..sample.expect("there is one") })
}

/// What is known of a flash.
#[derive(Clone, Default)]
struct Truth {
    /// Acknowledged, or once read.
    records: Records,
    /// What a number that is in neither may turn out to be: it was under way when the power went.
    ghosts: BTreeMap<u32, BTreeSet<Vec<u8>>>,
    /// What the baseline may be; the last one alone unless one was under way.
    baselines: Vec<u16>,
    /// Whether there is one for sure.
    has_baseline: bool,
    /// Those that were under way when the power went.
    baseline_ghosts: Vec<u16>,
}

/// What a life left behind.
struct Life {
    part: Part,
    torn: Option<Torn>,
    operations: u64,
    acknowledged: Records,
    /// All that it wrote, if it was not cut.
    written: Records,
    baseline: Option<u16>,
    baseline_under_way: Option<u16>,
}

/// Lives on `part`, with the power cut within one of the operations or not at all.
fn live(part: &Part, plan: &[Action], cut: Option<(u64, u64, usize)>) -> Life {
    let mut flash = FaultyFlash::new(part.clone(), 0);
    if let Some((operation, seed, model)) = cut {
        flash.reseed(seed);
        flash.set_models(MODELS[model].0, MODELS[model].1);
        flash.cut_at(operation);
    }
    let mut life = Life {
        part: part.clone(),
        torn: None,
        operations: 0,
        acknowledged: Records::new(),
        written: Records::new(),
        baseline: None,
        baseline_under_way: None,
    };
    let (mut keeper, _) = Keeper::start(&mut flash, device(), settings(), None);
    let is_lost =
        |keeper: &Keeper<&mut FaultyFlash<Part>>| keeper.flash().is_none_or(|flash| flash.is_lost());
    if !is_lost(&keeper) {
        // The records of the start, and what the cut before it left.
        life.acknowledged = records(keeper.flash().expect("it has power").inner().clone());
        life.written = life.acknowledged.clone();
    }
    for action in plan {
        let boot = keeper.boot();
        let record = match *action {
            Action::Interval(count) => interval(boot, count),
            Action::Rare(count) => rare(boot, count),
            Action::Baseline(hours) => baseline(boot, hours),
            Action::Idle => {
                keeper.idle();
                continue;
            }
        };
        if is_lost(&keeper) {
            break;
        }
        keeper.store(&record);
        let hours = if let Action::Baseline(hours) = action { Some(*hours) } else { None };
        if is_lost(&keeper) {
            life.baseline_under_way = hours;
            break;
        }
        life.baseline = hours.or(life.baseline);
        let number = keeper.extent().next - 1;
        assert_eq!(keeper.extent().refused, 0);
        life.acknowledged.insert(number, bytes(&record));
        if cut.is_none() {
            life.written.append(&mut records(keeper.flash().expect("it has power").inner().clone()));
        }
    }
    life.operations = flash.operations();
    life.torn = flash.torn().cloned();
    life.part = flash.into_inner();
    life
}

struct Lab {
    random: Pcg32,
    count: u32,
    points: u64,
}

impl Lab {
    fn plan(&mut self, actions: u32) -> Vec<Action> {
        (0..actions)
            .map(|_| {
                self.count += 1;
                match self.random.next_u32() % 8 {
                    0..3 => Action::Interval(self.count),
                    3..5 => Action::Rare(self.count),
                    5 => Action::Baseline(self.count as u16),
                    _ => Action::Idle,
                }
            })
            .collect()
    }

    /// What of the records is still there after a life and a sector's worth more in each ring; and what then is still there
    /// when the main ring has gone round.
    fn lasting(life: &Life) -> [BTreeSet<u32>; 2] {
        let mut keeper = super::start(life.part.clone());
        for count in 0..50 {
            keeper.store(&rare(0, count));
            keeper.idle();
        }
        flood(&mut keeper, 12);
        let all = records(keeper.flash().expect("it mounted").clone()).into_keys().collect();
        flood(&mut keeper, 60);
        [all, records(keeper.into_flash().expect("it mounted")).into_keys().collect()]
    }

    /// Looks at what a cut has left.
    fn check(&mut self, part: &Part, truth: &mut Truth, [lasting, copied]: &[BTreeSet<u32>; 2]) {
        let found = records(part.clone());
        for (number, bytes) in &found {
            match truth.records.get(number) {
                Some(record) => assert_eq!(record, bytes, "record {number} is another one"),
                None => assert!(
                    truth.ghosts.get(number).is_some_and(|ghosts| ghosts.contains(bytes)),
                    "record {number} was read; nobody wrote it"
                ),
            }
        }
        for number in truth.records.keys().filter(|number| lasting.contains(number)) {
            assert!(found.contains_key(number), "record {number} is lost");
        }
        // What was never acknowledged, and comes true when later numbers have copies, gets none.
        let acknowledged = truth.records.clone();
        truth.records.extend(found);
        if self.random.next_u32().is_multiple_of(4) {
            // What had no copy has got one: it outlives the main ring.
            let mut keeper = super::start(part.clone());
            flood(&mut keeper, 60);
            let found = records(keeper.into_flash().expect("it mounted"));
            let frequent = super::kind(&bytes(&interval(0, 0)));
            for (number, bytes) in &acknowledged {
                if copied.contains(number) && super::kind(bytes) != frequent {
                    assert_eq!(found.get(number), Some(bytes), "record {number} has no copy");
                }
            }
        }
        let keeper = super::start(part.clone());
        let hours = keeper.baseline().map(|baseline| baseline.hours);
        if let Some(hours) = hours {
            assert!(truth.baselines.contains(&hours), "{hours} of {:?}", truth.baselines);
            truth.baselines = vec![hours];
            truth.has_baseline = true;
        } else {
            assert!(!truth.has_baseline, "the baseline is lost");
            truth.baselines.clear();
        }
        self.points += 1;
    }

    /// Cuts the `operation`-th operation of `plan`'s life on `part`.
    fn cut(
        &mut self,
        part: &Part,
        truth: &Truth,
        plan: &[Action],
        whole: &Life,
        lasting: &[BTreeSet<u32>; 2],
        (operation, model): (u64, usize),
    ) -> (Part, Truth, Option<Torn>) {
        let life = live(part, plan, Some((operation, self.random.next_u64(), model)));
        let mut truth = truth.clone();
        for (number, bytes) in &whole.written {
            if !truth.records.contains_key(number) {
                truth.ghosts.entry(*number).or_default().insert(bytes.clone());
            }
        }
        for (number, bytes) in life.acknowledged {
            let known = truth.records.insert(number, bytes.clone());
            assert!(known.is_none_or(|known| known == bytes), "number {number} was given twice");
        }
        if let Some(hours) = life.baseline {
            (truth.baselines, truth.has_baseline) = (vec![hours], true);
        }
        truth.baselines.extend(life.baseline_under_way);
        truth.baseline_ghosts.extend(life.baseline_under_way);
        self.check(&life.part, &mut truth, lasting);
        (life.part, truth, life.torn)
    }

    /// A life of `part`: cut at each operation, with each model and `seeds` seeds, and the next life cut somewhere. Then the
    /// life itself.
    fn explore(&mut self, part: &mut Part, truth: &mut Truth, seeds: u32) {
        let plan = self.plan(7);
        let whole = live(part, &plan, None);
        let lasting = Self::lasting(&whole);
        for operation in 0..whole.operations {
            for model in 0..MODELS.len() {
                for _ in 0..seeds {
                    let (part, truth, torn) =
                        self.cut(part, truth, &plan, &whole, &lasting, (operation, model));
                    self.go_on(part, truth, torn);
                }
            }
        }
        for (number, bytes) in whole.written {
            assert!(truth.records.insert(number, bytes.clone()).is_none_or(|known| known == bytes));
        }
        if let Some(hours) = whole.baseline {
            (truth.baselines, truth.has_baseline) = (vec![hours], true);
        }
        *part = whole.part;
        self.check(part, truth, &Default::default());
        let held = records(part.clone());
        truth.records.retain(|number, _| held.contains_key(number));
    }

    fn go_on(&mut self, mut part: Part, mut truth: Truth, torn: Option<Torn>) {
        let plan = self.plan(3);
        let whole = live(&part, &plan, None);
        let lasting = Self::lasting(&whole);
        let at = (self.random.next_u64() % whole.operations, self.random.next_u32() as usize % MODELS.len());
        let before = part.clone();
        (part, truth, _) = self.cut(&part, &truth, &plan, &whole, &lasting, at);
        // Marginal cells, unless they have been erased or written since.
        if let Some(torn) = torn.filter(|_| self.random.next_u32().is_multiple_of(3)) {
            // A header's length: even two of those differ.
            let start = torn.address() as usize;
            let cells = start..(start + 24).min(8 * 1024);
            if before.cells()[cells.clone()] == part.cells()[cells] {
                torn.complete(&mut part);
                truth.baselines.extend(truth.baseline_ghosts.clone());
                self.check(&part, &mut truth, &lasting);
            }
        }
    }
}

#[test]
fn an_acknowledged_event_survives_a_cut_at_every_operation() {
    let seeds = std::env::var("WYELOG_CUT_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(4);
    let run = |seed| {
        let mut lab = Lab { random: Pcg32::new(seed, 5), count: 0, points: 0 };
        let (mut part, mut truth) = (Part::new(8), Truth::default());
        for _ in 0..20 {
            lab.explore(&mut part, &mut truth, seeds);
        }
        let oldest = super::start(part).extent().oldest;
        assert!(oldest > 0, "both rings have gone round");
        lab.points
    };
    let points: u64 = std::thread::scope(|scope| {
        let threads = [1, 2].map(|seed| scope.spawn(move || run(seed)));
        threads.into_iter().map(|thread| thread.join().expect("no invariant is broken")).sum()
    });
    println!("power cuts through the Keeper: {points} points");
    assert!(points >= 10_000, "{points} points are too few to mean much");
}
