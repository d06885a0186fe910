//! What the Meter makes of a window for the bank: its judge, the fit of an opening, conditions, and the record of what is known.

use wyelog_electrical::Rotation;
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::PerUnit;
use wyelog_protocol::record::{BankRecord, BankState, Quality, Record};

use super::Meter;
use crate::bank::baseline::Sight;
use crate::bank::finding::Findings;
use crate::bank::judge::Circumstances;
use crate::bank::look::Look;
use crate::bank::opening::{Opening, Progress, Setup};
use crate::detect::{self, Scene};
use crate::identify::Measured;
use crate::interval::Known;
use crate::outbox::Outbox;

impl Meter<'_> {
    /// Lets the judge of the bank have a window; whether it was evidence.
    #[inline(never)]
    pub(super) fn weigh(&mut self, measured: &Measured, look: Option<&Look>, out: &mut impl Outbox) -> bool {
        let circumstances = Circumstances {
            now: self.clock.frames(),
            rotation: measured.fundamental.as_ref().map_or(Rotation::Abc, |f| f.rotation),
            in_doubt: measured.in_doubt,
            burst: self.bursts.burst().copied(),
        };
        let judged = match look {
            Some(look) => self.judge.window(look, &circumstances),
            None => {
                // A capacitor that was cut off at its crest holds 1.4 of the rms, and a voltage transformer takes it away in a
                // few cycles; half a cycle alone has a mean of 0.04.
                let holds = |mean: &&f32| mean.abs() > 0.06;
                let charged = measured.voltage_mean.iter().filter(holds).count() > 1 || self.was_charged;
                self.judge.dead(measured.begin, charged, &circumstances)
            }
        };
        self.was_charged = measured.voltage_mean.iter().filter(|mean| mean.abs() > 0.06).count() > 1;
        if judged.burst_done {
            self.bursts.clear();
        }
        if let Some(seen) = judged.operation {
            self.baseline.operated(seen.action);
            let operation = seen.record(self.clock.frames(), &self.clock, self.scaling.base_current);
            self.record(Record::Operation(operation), out);
        }
        self.bursts.expect(self.judge.expected());
        judged.is_evidence
    }

    /// Learns and watches the baseline.
    #[inline(never)]
    pub(super) fn baseline(&mut self, look: &Look, out: &mut impl Outbox) {
        let now = self.clock.frames();
        let sight = Sight {
            now,
            state: self.judge.state(),
            is_identifiable: self.judge.is_identifiable(),
            is_healthy: self.judge.is_healthy(),
            estimate: self.judge.estimate(),
            voltage: look.level() * self.scaling.base_voltage / self.scaling.unit_ratio,
        };
        if let Some(record) = self.baseline.window(&sight, self.clock.stamp(now)) {
            self.record(Record::Baseline(record), out);
        }
    }

    /// Makes conditions of what is there.
    #[inline(never)]
    pub(super) fn detect(
        &mut self,
        measured: &Measured,
        look: Option<&Look>,
        is_evidence: bool,
        out: &mut impl Outbox,
    ) {
        let now = self.clock.frames();
        let mut findings: Findings = self.judge.findings(look, now);
        let loaded = if self.judge.state() == BankState::Open { 0 } else { Phases::ABC.bits() };
        let doubtful = self.judge.blind() | self.judge.odd();
        self.limited.window(measured, loaded, doubtful, &mut findings);
        let scene = Scene { now, voltages_good: 0, evidence: self.evidence };
        for place in 0..detect::PLACES {
            if let Some(event) = self.detector.place(place, &findings, is_evidence, scene, &self.clock) {
                self.event(event, out);
            }
        }
    }

    /// What is known of the bank now.
    pub(super) fn known(&self) -> Known {
        let estimate = self.judge.estimate();
        let is_known = self.judge.is_identifiable();
        let sigma = |sigma: f32| if is_known { PerUnit::quantise(sigma) } else { PerUnit::ABSENT };
        Known {
            state: self.judge.state(),
            quality: Quality {
                difference_sigma: sigma(estimate.difference_sigma),
                common_sigma: sigma(estimate.common_sigma),
                common_basis: estimate.basis,
            },
        }
    }

    /// Records what is known of the bank when that has changed.
    #[inline(never)]
    pub(super) fn bank_record(&mut self, out: &mut impl Outbox) {
        /// A change of a connected capacitance that is worth a record.
        const WORTH: f32 = 0.02;
        let Known { state, quality } = self.known();
        let connected = self.judge.connected_if_known();
        let is_new = match &self.bank {
            None => true,
            Some(before) => {
                let moved = |before: &PerUnit, now: f32| match before.value() {
                    Some(before) => now.is_nan() || (before - now).abs() > WORTH,
                    None => !now.is_nan(),
                };
                before.state != state
                    || before.quality.common_basis != quality.common_basis
                    || before.connected.iter().zip(connected).any(|(before, now)| moved(before, now))
            }
        };
        if !is_new {
            return;
        }
        let sigma = self.judge.estimate().sigma();
        let is_known = self.judge.is_identifiable();
        let record = BankRecord {
            stamp: self.clock.stamp(self.clock.frames()),
            state,
            connected: connected.map(PerUnit::quantise),
            sigma: sigma.map(|sigma| if is_known { PerUnit::quantise(sigma) } else { PerUnit::ABSENT }),
            quality,
        };
        self.bank = Some(record.clone());
        self.record(Record::Bank(record), out);
    }

    /// Looks whether a step was the opening of the bank, a piece at each frame.
    #[inline(never)]
    pub(super) fn fit_opening(&mut self, stepped: Option<u64>, frequency: f32) {
        if let Some(earliest) = stepped.filter(|_| self.opening.is_none()) {
            let (class, shown) = (self.judge.estimate().class(), self.judge.estimate().shown());
            let setup = Setup { scaling: self.scaling, frequency, class, shown };
            self.opening = Some(Opening::new(setup, earliest));
        }
        let Some(opening) = &mut self.opening else { return };
        match opening.step(&self.buffers.history) {
            Progress::Waiting | Progress::Working => return,
            Progress::Done(clearing) => self.judge.cleared(&clearing),
            Progress::NotIdentifiable(_) => {}
        }
        self.opening = None;
    }
}
