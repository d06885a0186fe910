//! What may be behind a condition: an event names up to four causes, the likeliest first.

use serde::{Deserialize, Serialize};

macro_rules! causes {
    ($($(#[$doc:meta])* $variant:ident = $name:literal;)*) => {
        /// What may be behind a condition. The enum only grows: the number on the wire is for ever.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Cause {
            $($(#[$doc])* $variant,)*
        }

        impl Cause {
            /// Every cause of this version, in the order of the wire.
            pub const ALL: [Self; [$($name),*].len()] = [$(Self::$variant),*];

            /// Name in logs, JSON and tables.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }
        }
    };
}

causes! {
    /// The fuse of the phase has operated.
    FuseOperated = "fuse_operated";
    /// A cutout or jumper of the phase is open.
    CutoutOpen = "cutout_open";
    /// The fuse had been gone before.
    FuseOpenBefore = "fuse_open_before";
    /// A switch pole did not close.
    PoleStuckOpen = "pole_stuck_open";
    /// A switch pole did not open.
    PoleStuckClosed = "pole_stuck_closed";
    /// A switch pole opened on its own.
    PoleOpened = "pole_opened";
    /// A unit has failed open, or its own fuse or lead has opened.
    UnitOpen = "unit_open";
    /// A series section of a unit is shorted.
    SectionShorted = "section_shorted";
    /// The units were changed.
    UnitsChanged = "units_changed";
    /// A fuse, jumper or pole makes and breaks contact.
    LooseContact = "loose_contact";
    /// The lead of the neutral current sensor is broken.
    NeutralLeadBroken = "neutral_lead_broken";
    /// The ground of the star point is broken or gone.
    StarGroundOpen = "star_ground_open";
    /// Another path to ground takes part of the neutral current.
    SecondGround = "second_ground";
    /// The lead or divider of a voltage sensor is broken.
    VoltageLeadBroken = "voltage_lead_broken";
    /// A phase of the feeder is open upstream.
    PhaseOpenUpstream = "phase_open_upstream";
    /// The feeder is dead.
    FeederDead = "feeder_dead";
    /// The feeder is disturbed, by a fault elsewhere or by switching.
    FeederDisturbed = "feeder_disturbed";
    /// The bank is open.
    BankOpen = "bank_open";
    /// The switch did not follow its command.
    SwitchStuck = "switch_stuck";
    /// The contact input or its wiring is wrong.
    ContactWrong = "contact_wrong";
    /// Somebody operated the switch by hand or another control did.
    OperatedByHand = "operated_by_hand";
    /// A pole carried current again after it had cleared.
    PoleRestruck = "pole_restruck";
    /// The bank was closed again before its charge was gone.
    ReclosedTooSoon = "reclosed_too_soon";
    /// The control switches to and fro.
    ControlHunting = "control_hunting";
    /// The voltage of the feeder is too high or too low.
    FeederVoltage = "feeder_voltage";
    /// Harmonics of the feeder.
    Harmonics = "harmonics";
    /// Load or line unbalance of the feeder.
    FeederUnbalance = "feeder_unbalance";
    /// Two phases or two sensors are swapped.
    PhasesSwapped = "phases_swapped";
    /// The neutral current sensor is turned round.
    NeutralReversed = "neutral_reversed";
    /// The nameplate or a ratio in the settings is wrong.
    NameplateWrong = "nameplate_wrong";
    /// The settings say that a sensor sits where it does not.
    LocationWrong = "location_wrong";
    /// The bank is not connected as the settings say.
    ConnectionWrong = "connection_wrong";
}

/// Most causes in an event.
pub const MAX_CAUSES: usize = 4;

/// Causes in an event, the likeliest first.
pub type Causes = heapless::Vec<Cause, MAX_CAUSES>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_on_the_wire_are_the_order_of_all() {
        for (number, cause) in Cause::ALL.into_iter().enumerate() {
            let bytes = postcard::to_stdvec(&cause).unwrap();
            assert_eq!(bytes.as_slice(), [u8::try_from(number).unwrap()]);
        }
    }
}
