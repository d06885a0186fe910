//! Who came and who went, and whether somebody had told the switch to.

use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::Location;
use wyelog_protocol::record::Action;

use super::{Circumstances, Cleared, Command, Judge, Judged, Neutral, Phase, SETTLED, Shot, seconds};
use crate::bank::carry::{self, Carry, Mask, has, only};
use crate::bank::look::{Look, Past};
use crate::bank::operation::Seen;

/// A burst is of the change that this window shows if it began no longer before it: 2 s.
const RECENT: u64 = seconds(2);
/// What happens so soon behind the return of the feeder came with it.
const WITH_FEEDER: u64 = seconds(3);
/// Poles that clear leave a crest of √2 in the neutral at most; one that restrikes on a charged capacitor makes more.
const RESTRUCK: f32 = 3.2;
/// Units have 0…+10 % (IEEE Std 18) and sensors a few percent of error: a whole bank of less than this is seen in part only.
const PATH: f32 = 0.92;
/// The voltage rises by the bank when it comes, and falls when it goes, by more than this, per unit.
const TRACE: f32 = 0.002;
/// Stray current, fundamental and third together, is less than this, per unit; and this is silence.
const STRAYS: f32 = 0.03;
const SILENT: f32 = 0.02;
/// Poles that clear one after the other leave a phase alone in the neutral, with a crest of √2; a lead that breaks does not.
pub(super) const ALONE: f32 = 0.7;
/// An operation that shows nothing for so long is not coming.
const NOTHING: u64 = seconds(3);
/// Capacitors above 600 V are to be below 50 V after five minutes (IEEE Std 18).
const DISCHARGED: u64 = seconds(300);
/// A day.
const DAY: u64 = 86_400 * FRAMES_PER_SECOND as u64;
/// What is over once it has been said is said for so long.
const SAID: u64 = seconds(1);
/// A capacitor that holds its charge shows a fundamental of less than this, per unit.
const HELD: f32 = 0.2;
/// How near a glimpse must be to what the others carry, per unit.
const GLIMPSE: f32 = 0.15;
/// Three drop-outs within this time make a phase intermittent.
const INTERMITTENT: u64 = seconds(600);

impl Cleared {
    /// The frame of the first current zero, and frames from it to that of each pole.
    fn since_first_zero(&self) -> (u64, [f32; 3]) {
        let mut first = f32::INFINITY;
        for zero in self.zeros {
            first = if zero < first { zero } else { first };
        }
        if !first.is_finite() {
            return (self.begin, self.zeros);
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few cycles")]
        let whole = first as u64;
        (self.begin.saturating_add(whole), self.zeros.map(|zero| zero - first))
    }
}

impl Judge {
    /// A command is being obeyed: poles may still be on their way.
    pub(super) fn must_wait(&self, circumstances: &Circumstances) -> bool {
        self.command.is_some()
            && circumstances
                .burst
                .is_some_and(|burst| circumstances.now < burst.begin.saturating_add(SETTLED))
    }

    /// Whether none or all of the phases `live` carry, when the neutral current alone says one of the two.
    pub(super) fn none_or_all(&self, look: &Look, live: Mask, circumstances: &Circumstances) -> Option<Mask> {
        let is_known = self.past.is_known() && self.carrying == Some(live);
        let stray =
            if is_known { [self.past.residual, self.past.third_residual] } else { Default::default() };
        let [none, all] = carry::none_and_all(look, self.estimate.y, live, stray);
        // Strays and tolerances are a few percent, until they are known.
        let least = if is_known { 0.02 } else { 0.06 };
        let says = match () {
            () if none < 0.5 * all && all > least => Some(0),
            () if all < 0.5 * none && none > least => Some(live),
            () => None,
        };
        let told = self.told.map(|closed| if closed { live } else { 0 });
        // The voltage falls when the other phases go too, and rises when the missing one comes back.
        let step = look.level() - self.level;
        let by_voltage = match () {
            () if step > TRACE => Some(live),
            () if step < -TRACE => Some(0),
            () => None,
        };
        let weakly = (none < 0.5 * all && all > 0.02).then_some(0);
        match self.carrying {
            Some(carrying) if carrying & !live != 0 => says.or(Some(carrying & live)),
            // A lead that broke would say 'none' as well: without a burst nobody operated.
            Some(carrying)
                if circumstances.burst.is_none()
                    && self.command.is_none()
                    && (carrying == 0 || carrying == live) =>
            {
                let came_with_feeder = carrying == 0 && self.returned.is_some();
                if came_with_feeder { says.or(Some(0)) } else { Some(carrying) }
            }
            Some(carrying) if self.command.is_some() => {
                let strongly = if none < all { all > 0.05 } else { none > 0.05 };
                let opens = self.told == Some(false);
                let step = if opens { self.level - look.level() } else { look.level() - self.level };
                let has_trace = circumstances.burst.is_some() || step > TRACE;
                let by_trace = if has_trace { told } else { Some(carrying) };
                says.filter(|says| strongly || Some(*says) == told).or(by_trace)
            }
            // An open bank has no current to make a burst of.
            Some(0) => says.or(Some(live)),
            Some(carrying) if carrying == live => {
                let has_cleared = self.clearing.is_some_and(|clearing| {
                    circumstances.now < clearing.begin.saturating_add(RECENT)
                        && clearing.zeros.iter().all(|zero| !zero.is_nan())
                });
                let is_large = circumstances.burst.is_some_and(|burst| burst.peak > ALONE + burst.crest);
                says.filter(|_| is_large).or(Some(if has_cleared { 0 } else { carrying }))
            }
            Some(_) => says.or(by_voltage).or(told).or(weakly).or(Some(live)),
            // Told to be closed and no current is a matter of the neutral's sensor. Without a word an open bank carries strays at
            // most, and a closed one that carries as little is not to be told from it, unless the voltages ask for more.
            None => match self.told {
                Some(true) => Some(live),
                Some(false) => says.or(Some(0)),
                None if none > STRAYS => Some(live),
                None if none < SILENT && all > least => Some(0),
                None => None,
            },
        }
    }

    /// The phases that carry are now these.
    pub(super) fn follow(
        &mut self,
        now: Mask,
        look: &Look,
        circumstances: &Circumstances,
        judged: &mut Judged,
    ) {
        let Some(before) = self.carrying else {
            self.begin_with(now, look);
            judged.burst_done = true;
            return;
        };
        let returned = self.came_with_feeder(now, circumstances);
        if now == before {
            self.nothing_happened(now, circumstances);
            let glimpsed = core::mem::take(&mut self.glimpsed);
            for phase in (0..3).filter(|phase| has(glimpsed, *phase)) {
                self.dropped_out(phase, look.begin);
            }
            judged.burst_done = circumstances
                .burst
                .is_some_and(|burst| circumstances.now > burst.end.saturating_add(SETTLED));
            return;
        }
        let recent = circumstances.burst.filter(|burst| burst.begin.saturating_add(RECENT) > look.begin);
        let begin = match recent {
            Some(burst) => burst.begin,
            None => self.moved.unwrap_or(look.begin),
        };
        let obeyed =
            self.command.take().filter(|_| self.told == Some(now.count_ones() > before.count_ones()));
        let (lost, gained) = (before & !now, now & !before);
        let opens = now == 0 || (obeyed.is_some() && self.told == Some(false) && lost != 0);
        let closes = before == 0 || (obeyed.is_some() && self.told == Some(true) && gained != 0);
        if opens {
            self.carried = before;
            for phase in (0..3).filter(|phase| has(now, *phase)) {
                self.set_phase(phase, Phase::Stuck { begin });
            }
        } else if closes {
            self.close(now, begin);
        } else {
            for phase in (0..3).filter(|phase| has(lost, *phase)) {
                self.set_phase(phase, Phase::Lost { begin, from_start: false });
                self.dropped_out(phase, begin);
            }
            self.glimpsed = 0;
        }
        for phase in (0..3).filter(|phase| has(gained, *phase)) {
            self.came_back(phase);
        }
        if opens {
            for phase in (0..3).filter(|phase| has(lost, *phase)) {
                self.clear_stuck(phase);
            }
        }
        if (opens || closes) && !returned {
            judged.operation =
                Some(self.operated((opens, now == 0), obeyed.is_some(), begin, look, circumstances));
        }
        judged.burst_done = true;
        self.carrying = Some(now);
        self.past = Past::NONE;
        self.estimate.restart();
        self.failed = None;
    }

    /// The first time that anything is known of the bank.
    fn begin_with(&mut self, now: Mask, look: &Look) {
        self.carrying = Some(now);
        let begin = look.begin;
        let missing = self.all & !now;
        if self.told == Some(false) && now == self.all {
            self.failed = Some(begin);
        }
        for phase in 0..3 {
            if self.told == Some(false) && has(now, phase) && missing != 0 {
                self.set_phase(phase, Phase::Stuck { begin });
            } else if self.told != Some(false) && has(missing, phase) && now != 0 {
                self.set_phase(phase, Phase::Lost { begin, from_start: true });
            }
        }
    }

    /// Whether what happened came with the feeder; says so when the bank has come back with it.
    fn came_with_feeder(&mut self, now: Mask, circumstances: &Circumstances) -> bool {
        let Some(at) = self.returned else { return false };
        let is_recent = circumstances.now < at.saturating_add(WITH_FEEDER);
        if now != 0 && is_recent && self.command.is_none() {
            let begin = circumstances.burst.map_or(at, |burst| burst.begin);
            self.energised = Shot { begin, until: circumstances.now.saturating_add(SAID), phases: now };
            self.returned = None;
            return true;
        }
        if !is_recent {
            self.returned = None;
        }
        false
    }

    pub(super) fn nothing_happened(&mut self, now: Mask, circumstances: &Circumstances) {
        let Some(Command { at }) = self.command else { return };
        let is_there = match self.told {
            Some(true) => now != 0,
            _ => now == 0,
        };
        if is_there {
            self.command = None;
        } else if circumstances.now > at.saturating_add(NOTHING.min(self.operate)) && self.failed.is_none() {
            if matches!(self.neutral, Neutral::Lost { .. }) {
                // Without the neutral current nobody knows.
                self.command = None;
                self.carrying = None;
            } else {
                self.failed = Some(at);
            }
        }
        // What comes later than this comes on its own.
        if circumstances.now > at.saturating_add(self.operate) {
            self.command = None;
        }
    }

    fn close(&mut self, now: Mask, begin: u64) {
        let missing = self.all & !now;
        for phase in (0..3).filter(|phase| has(missing, *phase)) {
            let carried = has(self.carried, phase);
            // A fuse that was known to be out still is.
            if !matches!(self.phase.get(phase), Some(Phase::Lost { .. })) {
                self.set_phase(phase, Phase::Missing { begin, carried });
            }
        }
    }

    /// A phase carries again.
    fn came_back(&mut self, phase: usize) {
        if matches!(self.phase.get(phase), Some(Phase::Lost { .. } | Phase::Missing { .. })) {
            self.set_phase(phase, Phase::Healthy);
        }
    }

    /// A window without a burst in it that shows one phase alone missing, though it may be back in the next.
    pub(super) fn glimpse(&mut self, look: &Look) {
        if self.carrying != Some(self.all) || self.measured & self.all != self.all {
            return;
        }
        // Behind the contact a voltage goes with its current.
        let mut dark = 0;
        for ((shown, place), bit) in look.shown.iter().zip(self.location).zip([1, 2, 4]) {
            dark |= if place != Location::Line && shown.magnitude() < HELD { bit } else { 0 };
        }
        let missing = match carry::carry(look, self.estimate.y, self.all & !dark, GLIMPSE) {
            Carry::Part(mask) => self.all & !mask,
            _ => dark,
        };
        self.glimpsed |= if missing.count_ones() == 1 { missing } else { 0 };
    }

    fn dropped_out(&mut self, phase: usize, begin: u64) {
        let Some((count, since)) = self.drops.get_mut(phase) else { return };
        if *count == 0 || begin > since.saturating_add(INTERMITTENT) {
            (*count, *since) = (0, begin);
        }
        *count = count.saturating_add(1);
    }

    fn clear_stuck(&mut self, phase: usize) {
        if matches!(self.phase.get(phase), Some(Phase::Stuck { .. })) {
            self.set_phase(phase, Phase::Healthy);
        }
    }

    /// An opening is a test of the capacitance of all phases.
    fn learn_from_opening(&mut self, clearing: &Cleared, begin: u64) {
        let common = clearing.y.iter().sum::<f32>() / 3.0;
        self.whole_bank_is(common, PATH, begin);
        if matches!(self.neutral, Neutral::Good) {
            self.estimate.opening(clearing.y, clearing.common_sigma, clearing.difference_sigma);
            self.reference = self.estimate.y;
        }
    }

    pub(super) fn set_phase(&mut self, phase: usize, to: Phase) {
        if let Some(place) = self.phase.get_mut(phase) {
            *place = to;
        }
    }

    fn operated(
        &mut self,
        (opens, is_open): (bool, bool),
        obeyed: bool,
        begin: u64,
        look: &Look,
        circumstances: &Circumstances,
    ) -> Seen {
        let until = circumstances.now.saturating_add(SAID);
        let shot = |phases| Shot { begin, until, phases };
        let now = circumstances.now;
        let burst = circumstances.burst.unwrap_or_default();
        let opened = self.opened;
        if opens {
            self.opened = Some(begin);
            let strikes = burst.returns > 0 || burst.peak > RESTRUCK + burst.crest;
            if strikes && is_open && self.all == 0b111 && self.returned.is_none() {
                self.restrike = shot(only(usize::from(burst.phase)));
            }
        } else if opened.is_some_and(|opened| begin < opened.saturating_add(DISCHARGED)) {
            self.charged = shot(self.all);
        }
        let is_as_told = self.told == Some(!opens);
        self.unexpected = (!obeyed && !is_as_told && self.told.is_some()).then_some(begin);
        let (count, since) = self.operations;
        let is_new_day = count == 0 || now > since.saturating_add(DAY);
        let (count, since) = if is_new_day { (1, begin) } else { (count.saturating_add(1), since) };
        self.operations = (count, since);
        if count > self.per_day {
            self.frequent = shot(self.all);
        }
        let clearing =
            self.clearing.take().filter(|clearing| opens && clearing.begin.abs_diff(begin) < seconds(1));
        let (mut begin, mut poles) = (begin, [f32::NAN; 3]);
        if let Some(clearing) = clearing {
            (begin, poles) = clearing.since_first_zero();
            if self.all == 0b111 && self.carrying.is_some_and(|before| before == self.all) {
                self.learn_from_opening(&clearing, begin);
            }
        }
        Seen {
            action: if opens { Action::Opened } else { Action::Closed },
            told: self.told.map(|_| obeyed || is_as_told),
            begin,
            poles,
            peak: burst.peak,
            voltage_step: look.level() - self.level,
            opened,
        }
    }
}
