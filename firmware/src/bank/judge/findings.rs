//! What is there now, from what the judge knows; and what else it could be.

use wyelog_protocol::bank::Fusing;
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases};

use super::voltages::VoltageVerdict;
use super::{Judge, Neutral, Phase, Shot};
use crate::bank::carry::{Mask, only};
use crate::bank::finding::{Finding, Findings};
use crate::bank::look::Look;

/// Three drop-outs in ten minutes are intermittent.
const DROPS: u8 = 3;
/// Below this a phase that feeds the controls is dead, per unit.
const CONTROL_DEAD: f32 = 0.5;

impl Judge {
    /// All that is there at frame `now`.
    pub fn findings(&self, look: Option<&Look>, now: u64) -> Findings {
        let mut out = Findings::new();
        // What finds no room is not there: at most so many can be at once.
        let mut add = |finding: Finding| {
            let _ = out.push(finding);
        };
        let (mut missing, mut stuck) = (Gathered::default(), Gathered::default());
        let mut has_carried = false;
        for (index, ((phase, voltage), (drops, since))) in
            self.phase.iter().zip(self.voltage).zip(self.drops).enumerate()
        {
            let phases = Phases::single(index);
            let is_intermittent = drops >= DROPS && now < since.saturating_add(super::seconds(1200));
            if is_intermittent {
                add(Finding::new(
                    Condition::IntermittentPhase,
                    phases,
                    since,
                    &[Cause::LooseContact, Cause::CutoutOpen, Cause::FuseOperated],
                ));
            }
            match *phase {
                Phase::Healthy => {}
                Phase::Lost { .. } if is_intermittent => {}
                Phase::Lost { begin, from_start } => {
                    let causes: &[Cause] = if from_start {
                        &[Cause::FuseOperated, Cause::CutoutOpen, Cause::PoleStuckOpen]
                    } else {
                        &[Cause::FuseOperated, Cause::CutoutOpen, Cause::PoleOpened, Cause::LooseContact]
                    };
                    let finding = Finding::new(Condition::BlownFuse, phases, begin, causes);
                    add(Finding { fraction: 1.0, ..finding });
                }
                Phase::Missing { begin, carried } => {
                    has_carried |= carried;
                    missing.add(index, begin);
                }
                Phase::Stuck { begin } => stuck.add(index, begin),
                Phase::Less { begin, fraction } => {
                    let finding = self.less(phases, begin, fraction);
                    add(Finding { fraction, ..finding });
                }
            }
            if let VoltageVerdict::Lead { begin } = voltage {
                add(Finding::new(
                    Condition::VoltageSignalLost,
                    phases,
                    begin,
                    &[Cause::VoltageLeadBroken, Cause::PhaseOpenUpstream],
                ));
            }
        }
        let causes: &[Cause] = if has_carried {
            &[Cause::PoleStuckOpen, Cause::FuseOperated, Cause::CutoutOpen]
        } else {
            &[Cause::FuseOpenBefore, Cause::CutoutOpen, Cause::PoleStuckOpen]
        };
        missing.finding(Condition::PhaseMissingAtClose, causes).map(&mut add);
        stuck
            .finding(Condition::PoleFailedToOpen, &[Cause::PoleStuckClosed, Cause::PoleRestruck])
            .map(&mut add);
        self.neutral_findings(&mut add);
        self.feeder_findings(look, &mut add);
        self.switch_findings(now, &mut add);
        out
    }

    fn less(&self, phases: Phases, begin: u64, fraction: f32) -> Finding {
        if fraction < 0.0 {
            return Finding::new(
                Condition::ElementShort,
                phases,
                begin,
                &[Cause::SectionShorted, Cause::UnitsChanged, Cause::NameplateWrong],
            );
        }
        let causes: &[Cause] = if self.fusing == Fusing::Group {
            &[Cause::UnitOpen, Cause::UnitsChanged, Cause::NameplateWrong]
        } else {
            &[Cause::FuseOperated, Cause::UnitOpen, Cause::UnitsChanged]
        };
        Finding::new(Condition::UnitOut, phases, begin, causes)
    }

    fn neutral_findings(&self, add: &mut dyn FnMut(Finding)) {
        match self.neutral {
            Neutral::Good => {}
            Neutral::Lost { begin, ever } => {
                let causes: &[Cause] = if ever {
                    &[Cause::NeutralLeadBroken, Cause::StarGroundOpen, Cause::BankOpen]
                } else {
                    &[
                        Cause::NeutralLeadBroken,
                        Cause::ConnectionWrong,
                        Cause::StarGroundOpen,
                        Cause::BankOpen,
                    ]
                };
                add(Finding::new(Condition::NeutralSignalLost, Phases::single(3), begin, causes));
            }
            Neutral::Divided { begin, share } => {
                let causes: &[Cause] =
                    &[Cause::SecondGround, Cause::NeutralLeadBroken, Cause::NameplateWrong];
                let finding = Finding::new(Condition::SecondNeutralPath, Phases::single(3), begin, causes);
                add(Finding { fraction: 1.0 - share, ..finding });
            }
        }
    }

    fn feeder_findings(&self, look: Option<&Look>, add: &mut dyn FnMut(Finding)) {
        let mut upstream = Gathered::default();
        for (index, voltage) in self.voltage.iter().enumerate() {
            if let VoltageVerdict::Upstream { begin } = voltage {
                upstream.add(index, *begin);
                let shown = look.and_then(|look| look.shown.get(index));
                let bit = only(index);
                if self.control_power & bit != 0 && shown.is_some_and(|v| v.magnitude() < CONTROL_DEAD) {
                    let causes: &[Cause] = &[Cause::PhaseOpenUpstream, Cause::FuseOperated];
                    add(Finding::new(Condition::ControlPowerLost, Phases::single(index), *begin, causes));
                }
            }
        }
        if let Some(mismatch) = self.mismatch {
            let phases = Phases::from_bits(self.all);
            add(Finding::new(Condition::SettingsMismatch, phases, mismatch.begin, mismatch.causes));
        }
        upstream
            .finding(Condition::OpenPhaseUpstream, &[Cause::PhaseOpenUpstream, Cause::VoltageLeadBroken])
            .map(add);
    }

    fn switch_findings(&self, now: u64, add: &mut dyn FnMut(Finding)) {
        let all = Phases::from_bits(self.all);
        if let Some(begin) = self.failed {
            let causes: &[Cause] = &[Cause::SwitchStuck, Cause::ContactWrong];
            add(Finding::new(Condition::FailedToOperate, all, begin, causes));
        }
        if let Some(begin) = self.unexpected {
            let causes: &[Cause] = &[Cause::OperatedByHand, Cause::ContactWrong, Cause::PoleOpened];
            add(Finding::new(Condition::UnexpectedOperation, all, begin, causes));
        }
        let shots: [(&Shot, Condition, &[Cause]); 4] = [
            (&self.restrike, Condition::Restrike, &[Cause::PoleRestruck]),
            (&self.charged, Condition::ClosedWhileCharged, &[Cause::ReclosedTooSoon, Cause::ControlHunting]),
            (&self.energised, Condition::EnergisedWithFeeder, &[Cause::FeederDead]),
            (&self.frequent, Condition::FrequentSwitching, &[Cause::ControlHunting, Cause::OperatedByHand]),
        ];
        for (shot, condition, causes) in shots {
            if now < shot.until {
                add(Finding::new(condition, Phases::from_bits(shot.phases), shot.begin, causes));
            }
        }
    }
}

/// Phases of one finding, and when the first of them began.
#[derive(Default)]
struct Gathered {
    phases: Mask,
    begin: u64,
}

impl Gathered {
    fn add(&mut self, index: usize, begin: u64) {
        let is_first = self.phases == 0 || begin < self.begin;
        self.begin = if is_first { begin } else { self.begin };
        self.phases |= Phases::single(index).bits();
    }

    fn finding(&self, condition: Condition, causes: &'static [Cause]) -> Option<Finding> {
        (self.phases != 0)
            .then(|| Finding::new(condition, Phases::from_bits(self.phases), self.begin, causes))
    }
}
