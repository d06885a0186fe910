//! `wyelog replay`

mod json;

use std::io::Write;
use std::path::PathBuf;

use wyelog::alarms::{Alarm, details};
use wyelog::replay::{Output, Source};
use wyelog::time::frames_to_seconds;
use wyelog_protocol::bank::{Settings, VoltageSensor};
use wyelog_protocol::message::Live;
use wyelog_protocol::record::{BankRecord, Operation};
use wyelog_simulator::comtrade::ChannelNames;

use super::progress::Progress;
use super::sheet;
use super::{Failure, Outcome, say};

/// Run the logger firmware over a recorded waveform (COMTRADE), here, and show what it finds.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The channels are found by the record's phase and unit fields (A, B, C in V or kV to ground, N in A),
or named here or in the bank file. One voltage and the neutral current must be there; a voltage that
is not in the record is taken as not measured. A status channel named after the close command or the
switch status is the contact input.

Examples:
  wyelog replay fault.cfg --bank b3.toml
  wyelog replay fault.cfg --bank b3.toml --json     one object a line: windows, events, state
  wyelog replay bus.cfg --bank b3.toml --voltage-a VA1 --voltage-b VB1 --voltage-c VC1

A bank file:
  [bank]
  connection = \"grounded_wye\"   # or two_phase, single_phase with phases = \"A\"
  rated_kvar = 600          # of all its phases
  rated_kv_ll = 12.47
  frequency_hz = 60
  [sensors]                 # optional
  location = \"line\"
  control_power = \"A\"
  [sensors.A]
  ratio = \"7200:120\"
  phase_deg = -0.2
  [sensors.B]
  present = false           # this voltage is not measured
  [limits]                  # optional
  sag_percent = 88")]
pub struct Arguments {
    /// The record's .cfg file; the .dat file lies beside it
    #[arg(value_name = "RECORD.cfg")]
    record: PathBuf,
    /// What the logger is told about the bank
    #[arg(long, value_name = "BANK.toml")]
    bank: PathBuf,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
    /// Channel with the voltage to ground of A, by its name, or #3 for the third; none: not measured
    #[arg(long, value_name = "NAME", help_heading = "Channels")]
    voltage_a: Option<String>,
    /// The same of B
    #[arg(long, value_name = "NAME", help_heading = "Channels")]
    voltage_b: Option<String>,
    /// The same of C
    #[arg(long, value_name = "NAME", help_heading = "Channels")]
    voltage_c: Option<String>,
    /// Channel with the neutral current, star to ground; none: voltages only
    #[arg(long, value_name = "NAME", help_heading = "Channels")]
    neutral: Option<String>,
    /// Status channel that is on while the bank is closed, or told to be; none: no contact input
    #[arg(long, value_name = "NAME", help_heading = "Channels")]
    contact: Option<String>,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let Arguments { voltage_a, voltage_b, voltage_c, neutral, contact, .. } = arguments;
    let names = ChannelNames {
        voltage: [voltage_a.clone(), voltage_b.clone(), voltage_c.clone()],
        neutral: neutral.clone(),
        contact: contact.clone(),
    };
    let source = Source::read(&arguments.record, &arguments.bank, names)?;
    let name = arguments.record.display().to_string();
    for note in &source.notes {
        say(&note.to_string());
    }
    let is_whole = !source.notes.iter().any(|note| note.is_loss);
    let settings = source.settings().clone();
    let view =
        json::View { settings: settings.clone(), scaling: source.scaling(), has_neutral: source.has_neutral };
    let heading = Heading { name, duration_s: source.duration_s, has_contact: source.has_contact };
    let mut evaluated = false;
    let mut last_state = None;
    let mut found = Found::default();
    let mut written = Ok(());
    let seconds = source.duration_s.ceil() as u64;
    // Beside lines on the same terminal it would only disturb.
    let mut progress = (!arguments.json).then(|| Progress::new(seconds, "s"));
    let alarms = source.run(&mut |output| {
        if let Output::Window(window) = &output {
            if let Some(progress) = &mut progress {
                progress.update(frames_to_seconds(window.measured.end) as u64, seconds, String::new);
            }
            evaluated |= window.live.as_ref().is_some_and(|live| is_evaluated(live, &settings));
        }
        if let Output::Bank(bank) = &output {
            last_state = Some(bank.clone());
        }
        if written.is_err() {
            return;
        }
        if arguments.json {
            written = writeln!(out, "{}", view.output(&output));
        } else {
            found.take(output);
        }
    });
    drop(progress);
    written?;
    if arguments.json {
        for alarm in &alarms {
            writeln!(out, "{}", json::event(alarm))?;
        }
        writeln!(out, "{}", view.last_state(last_state.as_deref(), heading.duration_s))?;
    } else {
        show(&heading, &settings, &found, &alarms, out)?;
    }
    if !evaluated && alarms.is_empty() {
        say(&format!(
            "{}: in no window could the voltages be evaluated, so nothing was looked for; check the record's length, \
             rate and units, and the voltage and frequency in {}",
            heading.name,
            arguments.bank.display()
        ));
        return Ok(Outcome::Partly);
    }
    Ok(if is_whole { Outcome::Whole } else { Outcome::Partly })
}

/// Line-to-line over line-to-neutral voltage: √3.
const LINE_TO_NEUTRAL: f64 = 1.732_050_807_568_877_2;

/// Whether the voltages of a window could be evaluated: as sequences, or, where not all are measured, one that is there and its
/// frequency.
fn is_evaluated(live: &Live, settings: &Settings) -> bool {
    let sensors = &settings.sensors.voltage;
    if sensors.iter().all(VoltageSensor::is_present) {
        return live.u2.value().is_some();
    }
    let system = settings.nameplate.system_voltage.value_f64().unwrap_or(f64::NAN) / LINE_TO_NEUTRAL;
    let least = settings.limits.interruption.value_f64().unwrap_or(f64::NAN) / 100.0 * system;
    let mut present = sensors.iter().zip(&live.voltage).filter(|(sensor, _)| sensor.is_present());
    live.frequency.value().is_some()
        && present.any(|(_, volts)| volts.value_f64().is_some_and(|volts| volts >= least))
}

struct Heading {
    name: String,
    duration_s: f64,
    has_contact: bool,
}

/// What the text form shows of the windows.
#[derive(Default)]
struct Found {
    first: Option<Live>,
    last: Option<Live>,
    windows: u64,
    flagged: u64,
    contacts: Vec<(u64, bool)>,
    operations: Vec<Operation>,
    states: Vec<BankRecord>,
}

impl Found {
    fn take(&mut self, output: Output) {
        match output {
            Output::Window(window) => {
                self.windows += 1;
                self.flagged += u64::from(window.measured.flagged);
                if let Some(live) = window.live {
                    self.first.get_or_insert(live);
                    self.last = Some(live);
                }
            }
            Output::Operation(operation) => self.operations.push(*operation),
            Output::Bank(bank) => self.states.push(*bank),
            Output::Contact { frame, closed } => self.contacts.push((frame, closed)),
            Output::Interval(_) => {}
        }
    }
}

fn show(
    heading: &Heading,
    settings: &Settings,
    found: &Found,
    alarms: &[Alarm],
    out: &mut impl Write,
) -> Result<(), Failure> {
    let contact = if heading.has_contact { "with" } else { "without" };
    writeln!(out, "Record    {}: {:.3} s, {contact} a contact input", heading.name, heading.duration_s)?;
    writeln!(out, "Bank      {}", sheet::bank(settings))?;
    if let (Some(first), Some(last)) = (&found.first, &found.last) {
        write!(out, "First     {}", sheet::live(first))?;
        write!(out, "Last      {}", sheet::live(last))?;
    }
    writeln!(
        out,
        "Windows   {}, each of {} cycles; flagged: {}",
        found.windows,
        settings.nameplate.frequency.cycles_per_window(),
        found.flagged
    )?;
    for (frame, closed) in &found.contacts {
        let to = if *closed { "closed" } else { "open" };
        writeln!(out, "Contact   {to} from {:.3} s on", frames_to_seconds(*frame))?;
    }
    for operation in &found.operations {
        writeln!(out, "Switch    {}", sheet::operation(operation))?;
    }
    for state in &found.states {
        writeln!(out, "State     {}", sheet::state(state))?;
    }
    writeln!(out)?;
    if alarms.is_empty() {
        writeln!(out, "No condition was found.")?;
    }
    for (number, alarm) in alarms.iter().enumerate() {
        writeln!(out, "Condition {}, begun {:.3} s into the record", number + 1, alarm.begin.seconds())?;
        write!(out, "{}", details(alarm))?;
    }
    Ok(())
}
