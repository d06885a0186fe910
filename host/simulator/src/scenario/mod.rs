//! The scenario language: a feeder, a bank on it, its sensors, and what happens, as TOML.
//!
//! ```toml
//! name = "fuse B blows"
//! seed = 7
//! duration_s = 90
//! start_utc = "2030-01-01T00:00:00Z"   # optional, as everything below that is not marked
//!
//! [feeder]
//! kv_ll = 12.47                        # needed: nominal, line to line
//! frequency_hz = 60                    # needed
//! frequency_drift_hz_per_s = 0.0
//! rotation = "ABC"                     # or "ACB"
//! r_ohm = 1.0                          # source impedance at the bank's rated frequency, positive sequence
//! x_ohm = 3.0
//! r0_ohm = 3.0                         # zero sequence; three times the positive unless stated
//! x0_ohm = 9.0
//! v1_pu = 1.02                         # source, the bank open
//! v1_angle_deg = 0
//! u2_percent = 0.5
//! u2_angle_deg = 40
//! u0_percent = 1.0
//! u0_angle_deg = -95
//! harmonics = [{ order = 5, percent = 1.5, angle_deg = 20, sequence = "negative" }]
//!
//! [feeder.daily]                       # without it the voltages stand still but for the events
//! peak_utc_h = 18                      # needed: hour of the heaviest load, from which all goes as a cosine
//! v1_drop_percent = 3                  # at the heaviest load: V1 lower by,
//! u2_rise_percent = 0.4                # u2 and u0 larger by (percent of V1),
//! u0_rise_percent = 0.8
//! harmonics_rise_percent = 30          # each harmonic larger by (percent of itself)
//! wander_percent = 0.1                 # each phase on its own, from minute to minute
//!
//! [[feeder.event]]
//! kind = "sag"                         # and others: see below
//! at_s = 20
//! duration_s = 0.2
//! phases = "AC"                        # all unless stated
//! depth_percent = 40
//!
//! [air]                                # without it the capacitors are as at 25 °C
//! celsius = 10                         # needed: mean; with its swings within -40…50
//! day_swing_celsius = 8                # to either side, warmest at
//! warmest_utc_h = 15
//! year_swing_celsius = 15
//! warmest_day = 200                    # counted from 1 January
//!
//! [bank]
//! name = "example"
//! connection = "grounded_wye"          # needed; or two_phase, single_phase
//! phases = "ABC"                       # needed of those: the phases it has
//! rated_kvar = 600                     # needed: of all its phases, at the units' voltage
//! rated_kv_ll = 12.47                  # needed: of the system
//! unit_kv = 7.2                        # of the units, line to neutral
//! frequency_hz = 60                    # rated: 50 or 60; needed in a bank file
//! units_per_phase = 1
//! sections_per_unit = 0                # series sections in a unit; 0: not known
//! switching = "ganged"                 # none | ganged | per_pole
//! fusing = "group"                     # none | group (a fuse a phase) | individual (a fuse a unit)
//! second_step_units = 0                # units a phase of a second step with a switch of its own
//! tolerance_percent = [1.0, 3.0, 2.0]
//! percent_per_celsius = -0.04          # of the capacitance, with the temperature of the air
//! closed_at_start = true
//!
//! [[bank.event]]
//! kind = "fuse_blows"                  # and others: see below
//! at_s = 30                            # at 0: it was so before (fuse_blows, unit_out, element_short)
//! phase = "B"
//! fault_cycles = 2
//!
//! [sensors]
//! location = "line"                    # line | fuse_switch | capacitor; per phase too, in [sensors.A]
//! control_power = "A"                  # the phase that feeds the controls
//!
//! [sensors.class]                      # largest errors that the logger is told of; these unless stated
//! ratio_percent = 3                    # of the voltage sensors,
//! displacement_deg = 1.5               # and against the neutral sensor
//! own_third_percent = 0.2              # third harmonic that a voltage sensor makes
//! stray_percent = 1.5                  # current in the neutral conductor that is not the bank's, of the rated one
//! stray_third_percent = 0.6
//!
//! [sensors.A]                          # and B, C, N
//! gain_percent = 0.3
//! angle_deg = 0.1
//! noise_percent = 0.04
//! offset_percent = 0.0
//! clip_pu = 1.8
//! slope_deg_per_order = 0.5            # further lead at order h: h - 1 times this
//! harmonic_ratio_percent = 3           # further gain error of every order above the first
//! third_percent = 0.1                  # made by the sensor itself, of the fundamental that it reads
//! third_angle_deg = 60                 # against three times the angle of that
//!
//! [sensors.B]
//! present = false                      # no sensor: the channel reads zero
//!
//! [sensors.N]
//! stray_percent = 1.0                  # currents that are not the bank's, of the rated one; as the feeder's V1 goes
//! stray_angle_deg = 30                 # against V1
//! stray_third_percent = 0.5
//! stray_third_angle_deg = -20          # against three times the angle of V1
//!
//! [[sensors.broken_wire]]
//! channel = "C"                        # reads part of the next phase (A); N so many rated amperes, in phase with A
//! at_s = 60
//! until_s = 80                         # for good unless stated
//! pickup = 0.1
//!
//! [[sensors.second_path]]
//! at_s = 85
//! percent = 30                         # of the neutral current, that the sensor does not see from now on
//!
//! [contact]
//! present = true
//!
//! [[commissioning]]                    # what somebody at the bank tells the logger while it runs
//! at_s = 60
//! baseline = "learn"                   # learn | link_replaced | unit_replaced | sensor_replaced
//!
//! [limits]
//! crew_delay_s = 60                    # and the other fields of the logger's limits
//!
//! [told]                               # what the logger is told wrongly; the rest is told as it is
//! rated_kvar = 300                     # also rated_kv_ll (and unit_kv to match), unit_kv, units_per_phase,
//! frequency_hz = 50                    # location (of all phases)
//! swapped = "AB"                       # two voltage leads on each other's channel
//! ```
//!
//! A **bank file** is the `[bank]` nameplate with `[limits]` and `interval_s`, for signals that come from a record; its
//! `[channels]` may name the record's channels (`A`, `B`, `C`, `N`, `contact`; `none`: there is none), `[contact] present`
//! says whether a contact input is wired (a record's own channel decides otherwise), and its `[sensors]` describe the sensors
//! that are installed:
//!
//! ```toml
//! [sensors]
//! location = "line"                    # line | fuse_switch | capacitor; per phase too, in [sensors.A]
//!
//! [sensors.class]                      # as above
//! ratio_percent = 0.5
//!
//! [sensors.A]                          # and B, C, N
//! present = true                       # false: there is none (voltages only)
//! kind = "divider"                     # divider | transformer; of N: ct | rogowski
//! ratio = "7200:120"                   # as printed on it, or a number
//! phase_deg = 0.2                      # its output leads by; taken out again
//! burden_ohm = 1e6
//! clip = 25_000                        # saturates at, primary V or A (instantaneous)
//! ```
//!
//! # What can happen
//!
//! ```toml
//! name = "everything at once"
//! duration_s = 900
//!
//! [feeder]
//! kv_ll = 12.47
//! frequency_hz = 60
//!
//! [[feeder.event]]
//! kind = "interruption"                # the source is gone, in all phases
//! at_s = 10
//! duration_s = 3
//!
//! [[feeder.event]]
//! kind = "outage"                      # the same, for long
//! at_s = 20
//! duration_s = 60
//! ramp_s = 5                           # how long the return takes (0)
//!
//! [[feeder.event]]
//! kind = "reclose"                     # a fault, then dead, and again for each dead time
//! at_s = 100
//! dead_s = [0.5, 15]                   # one to four
//! fault_s = 0.1                        # for so long a sag of `phases` by `depth_percent` (50)
//! live_s = 0                           # between return and the next sag
//!
//! [[feeder.event]]
//! kind = "sag"
//! at_s = 140
//! duration_s = 0.3
//! depth_percent = 30                   # lost voltage of `phases`
//!
//! [[feeder.event]]
//! kind = "swell"
//! at_s = 150
//! duration_s = 0.3
//! phases = "B"
//! rise_percent = 20
//!
//! [[feeder.event]]
//! kind = "ground_fault_elsewhere"
//! at_s = 160
//! duration_s = 0.5
//! phase = "A"
//! depth_percent = 50                   # lost voltage of `phase`
//! shift_percent = 15                   # the others move away by this much of it
//!
//! [[feeder.event]]
//! kind = "load_step"                   # the fundamental of `phases` moves; for good unless `duration_s` is stated
//! at_s = 170
//! phases = "C"
//! percent = -1
//! angle_deg = -0.3
//!
//! [[feeder.event]]
//! kind = "regulator_step"              # 0.625 % a step, of `phases`; for good unless `duration_s` is stated
//! at_s = 180
//! steps = -2
//!
//! [[feeder.event]]
//! kind = "single_phasing"              # `phase` opens upstream and is fed back; for good unless `duration_s` is stated
//! at_s = 190
//! duration_s = 30
//! phase = "A"
//! size_pu = 0.5                        # 0.05…0.95 of the voltage that it had,
//! angle_deg = 150                      # turned from where it was,
//! third_percent = 8                    # with a third and a fifth harmonic of itself
//! fifth_percent = 5
//!
//! [bank]
//! connection = "grounded_wye"
//! rated_kvar = 600
//! rated_kv_ll = 12.47
//! units_per_phase = 2
//!
//! [[bank.event]]
//! kind = "fuse_blows"                  # at the next zero of its current,
//! at_s = 300
//! phase = "B"
//! fault_cycles = 2                     # after so many cycles of a short in a unit (0)
//!
//! [[bank.event]]
//! kind = "unit_out"                    # `count` (1) units leave by their own fuses
//! at_s = 310
//! phase = "C"
//!
//! [[bank.event]]
//! kind = "element_short"               # a unit of `sections` in series has `count` (1) of them shorted; or `percent` of
//! at_s = 320                           # the phase's rated capacitance come to it
//! phase = "C"
//! sections = 4
//!
//! [[bank.event]]
//! kind = "drops_out"                   # a loose contact at the cutout parts and makes again
//! at_s = 330
//! phase = "A"
//! duration_s = 1
//!
//! [[bank.event]]
//! kind = "opens"
//! at_s = 400
//! phases = "AB"                        # poles that obey; all unless stated
//! told = true                          # false: the contact input does not show it
//! delay_ms = 20                        # from the command to the poles; each clears at its own zero
//! lag_ms = [0, 5, 0]                   # of each pole
//! spread_ms = 0                        # and at random
//! restrikes = "A"                      # these poles re-ignite once,
//! restrike_ms = 8                      # so long after they have cleared
//!
//! [[bank.event]]
//! kind = "repaired"                    # fuses, units and contacts of `phases`; the capacitors are discharged
//! at_s = 450
//!
//! [[bank.event]]
//! kind = "closes"                      # fields as of "opens"; on a charged bank if it was open for a short time only
//! at_s = 500
//!
//! [[bank.event]]
//! kind = "fails_to_open"               # told and no pole moves; also "fails_to_close"
//! at_s = 600
//! ```
//!
//! [`Scenario::truth`] says what really happens and how much capacitance each phase really has.
//!
//! An unknown field, a value of the wrong kind and a number out of its range are errors that name file, line, field
//! and what is allowed.

mod air;
mod bank;
mod bank_event;
mod check;
mod class;
mod commissioning;
mod daily;
mod error;
mod feeder;
mod feeder_event;
mod file;
mod installed;
mod limits;
mod phases;
mod sensors;
mod shape;
mod simulated;
mod told;

pub use air::Air;
pub use bank::{Bank, SimulatedBank};
pub use bank_event::{BankEvent, BankEventKind, Manner};
pub use commissioning::Commissioning;
pub use daily::Daily;
pub use error::Error;
pub use feeder::{Feeder, Harmonic, Sequence, SequenceVoltages};
pub use feeder_event::{FeederEvent, FeederEventKind};
pub use file::{BankFile, Scenario, Told};
pub use installed::{InstalledSensor, SensorKind};
pub use phases::{Channel, Phase, Phases};
pub use shape::Built;
pub use simulated::{BrokenWire, SecondPath, SensorError, Sensors};

#[cfg(test)]
mod tests;
