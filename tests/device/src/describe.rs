//! Records in words, one line each, for expected outputs that a person can read.

use wyelog_protocol::record::{Event, Follows, Quality, Record, Stamp, Status};
use wyelog_protocol::waveform::Samples;

/// One line a record, without what differs from version to version.
pub fn lines(records: &[Record]) -> String {
    let mut captured = 0;
    let mut text = String::new();
    for record in records {
        // A capture is one line, where it ends.
        if let Record::Capture(capture) = record {
            captured += Samples::new(&capture.samples).count();
            if capture.follows != Follows::More {
                text += &format!("{}; {captured} samples in all\n", line(record));
                captured = 0;
            }
        } else {
            text += &(line(record) + "\n");
        }
    }
    text
}

fn seconds(frame: u64) -> f64 {
    frame as f64 / f64::from(wyelog_protocol::FRAMES_PER_SECOND)
}

fn line(record: &Record) -> String {
    let Stamp { boot, frame, utc_ms } = *record.stamp();
    let utc = utc_ms.map_or("no UTC".into(), |ms| {
        format!("{:02}:{:06.3} past the hour", ms / 60_000 % 60, (ms % 60_000) as f64 / 1000.0)
    });
    let at = format!("boot {boot} {:8.3} s ({utc})", seconds(frame));
    match record {
        Record::Interval(i) => format!(
            "{at} interval: {} windows, {} flagged, {}; A {} B {} C {}, min {} {} {}; neutral {}; residual {}; u2 {} u0 {} nema {}; connected {} {} {}, {}; bank {}",
            i.windows,
            i.flagged,
            i.frequency,
            i.voltage[0].rms,
            i.voltage[1].rms,
            i.voltage[2].rms,
            i.voltage[0].min,
            i.voltage[1].min,
            i.voltage[2].min,
            i.neutral.rms,
            i.residual,
            i.u2,
            i.u0,
            i.nema,
            i.connected[0],
            i.connected[1],
            i.connected[2],
            quality(&i.quality),
            i.state.name(),
        ),
        Record::Event(e) => format!(
            "{at} {} {} {}, occurrence {}, since {:.3} s{}{}; residual {} at {}; connected {} {} {} from {} {} {}",
            e.condition.name(),
            e.phases.letters().collect::<String>(),
            e.change.name(),
            e.occurrence,
            seconds(e.begin.frame),
            e.end.map_or(String::new(), |end| format!(", until {:.3} s", seconds(end.frame))),
            verdict(e),
            e.evidence.residual,
            e.evidence.residual_angle,
            e.evidence.connected_after[0],
            e.evidence.connected_after[1],
            e.evidence.connected_after[2],
            e.evidence.connected_before[0],
            e.evidence.connected_before[1],
            e.evidence.connected_before[2],
        ),
        Record::Status(s) => match &s.status {
            Status::Boot { reset, torn_records, .. } => {
                format!("{at} started: {reset:?}, {torn_records} torn")
            }
            other => format!("{at} {other:?}"),
        },
        Record::Spectrum(s) => format!(
            "{at} spectrum of {} windows, {} flagged; thd {} {} {}; fifth {} {} {}; loading {} {} {}",
            s.windows,
            s.flagged,
            s.thd[0],
            s.thd[1],
            s.thd[2],
            s.voltage[0][3],
            s.voltage[1][3],
            s.voltage[2][3],
            s.current_loading[0],
            s.current_loading[1],
            s.current_loading[2],
        ),
        Record::Capture(c) => {
            format!(
                "{at} last {} samples of a capture, then {:?}",
                Samples::new(&c.samples).count(),
                c.follows
            )
        }
        Record::Operation(o) => format!(
            "{at} {}{}, since {:.3} s; poles {} us; neutral peak {}; voltage step {}{}",
            o.action.name(),
            o.told.map_or("", |told| if told { ", as told" } else { ", not told" }),
            seconds(o.begin.frame),
            o.poles_us.map(|us| us.map_or("absent".into(), |us| us.to_string())).join(" "),
            o.neutral_peak,
            o.voltage_step,
            o.since_opening_ms.map_or(String::new(), |ms| format!("; {ms} ms since the last opening")),
        ),
        Record::Bank(b) => format!(
            "{at} bank {}; connected {} {} {}, sigma {} {} {}, {}",
            b.state.name(),
            b.connected[0],
            b.connected[1],
            b.connected[2],
            b.sigma[0],
            b.sigma[1],
            b.sigma[2],
            quality(&b.quality),
        ),
        Record::Baseline(b) => format!(
            "{at} baseline {} ({}): {} {} {}, a change +-{}; {}; {} to {}, {} h, {} openings, {} closings",
            b.state.name(),
            b.reason.name(),
            b.connected[0],
            b.connected[1],
            b.connected[2],
            b.change_sigma,
            quality(&b.quality),
            b.lowest,
            b.highest,
            b.hours,
            b.openings,
            b.closings,
        ),
        Record::Settings(s) => format!("{at} settings of a bank of {}", s.settings.nameplate.rated_power),
    }
}

/// What an event says beyond its evidence: how much of a phase, and the causes, if it names any.
fn verdict(event: &Event) -> String {
    let fraction =
        event.fraction.value().map_or(String::new(), |_| format!("; {} of a phase", event.fraction));
    let causes: Vec<_> = event.causes.iter().map(|cause| cause.name()).collect();
    if causes.is_empty() { fraction } else { format!("{fraction}; {}", causes.join(", ")) }
}

fn quality(quality: &Quality) -> String {
    format!(
        "sigma of differences {}, of the common part {} by {}",
        quality.difference_sigma,
        quality.common_sigma,
        quality.common_basis.name()
    )
}
