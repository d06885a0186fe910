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
//! kind = "sag"                         # interruption | sag | ground_fault_elsewhere
//! at_s = 20
//! duration_s = 0.2
//! phases = "AC"                        # a sag's; all unless stated
//! depth_percent = 40                   # lost voltage: of a sag (30), of an earth fault's `phase` (50)
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
//! closed_at_start = true
//!
//! [[bank.event]]
//! kind = "fuse_blows"                  # fuse_blows | unit_out | opens | closes
//! at_s = 30
//! phase = "B"                          # a fault's; `phases` names the poles that obey an operation
//! fault_cycles = 2                     # also: count (unit_out), delay_ms (opens, closes), spread_ms (closes)
//!
//! [sensors]
//! location = "line"
//! control_power = "A"                  # the phase that feeds the controls
//!
//! [sensors.A]                          # and B, C, N
//! gain_percent = 0.3
//! angle_deg = 0.1
//! noise_percent = 0.04
//! offset_percent = 0.0
//! clip_pu = 1.8
//!
//! [[sensors.broken_wire]]
//! channel = "C"
//! at_s = 60
//! pickup = 0.1
//!
//! [contact]
//! present = true
//!
//! [limits]
//! crew_delay_s = 60                    # and the other fields of the logger's limits
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
//! [sensors.A]                          # and B, C, N
//! present = true                       # false: there is none (voltages only)
//! kind = "divider"                     # divider | transformer; of N: ct | rogowski
//! ratio = "7200:120"                   # as printed on it, or a number
//! phase_deg = 0.2                      # its output leads by; taken out again
//! burden_ohm = 1e6
//! clip = 25_000                        # saturates at, primary V or A (instantaneous)
//! ```
//!
//! An unknown field, a value of the wrong kind and a number out of its range are errors that name file, line, field
//! and what is allowed.

mod bank;
mod check;
mod daily;
mod error;
mod feeder;
mod file;
mod installed;
mod limits;
mod phases;
mod sensors;
mod shape;

pub use bank::{Bank, BankEvent, BankEventKind, SimulatedBank};
pub use daily::Daily;
pub use error::Error;
pub use feeder::{Feeder, FeederEvent, FeederEventKind, Harmonic, Sequence, SequenceVoltages};
pub use file::{BankFile, Scenario, Told};
pub use installed::{InstalledSensor, SensorKind};
pub use phases::{Channel, Phase, Phases};
pub use sensors::{BrokenWire, SensorError, Sensors};
pub use shape::Built;

#[cfg(test)]
mod tests;
