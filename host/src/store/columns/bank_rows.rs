//! Records of the bank into rows.

use wyelog_protocol::bank::{Connection, Fusing, Location, SensorKind, Switching};
use wyelog_protocol::record::{BankRecord, BaselineRecord, Operation, SettingsRecord};

use super::builder::Cell;
use super::rows::{basis, real};

pub(super) fn operation(record: &Operation, begin: Cell) -> Vec<Cell> {
    let mut cells = vec![
        record.action.name().into(),
        Cell::Whole(record.told.map(u64::from)),
        record.begin.frame.into(),
        begin,
    ];
    cells.extend(record.poles_us.map(|us| Cell::Whole(us.map(u64::from))));
    cells.extend([real(record.neutral_peak), real(record.voltage_step)]);
    cells.push(Cell::Real(record.since_opening_ms.map(|ms| ms as f64 / 1000.0)));
    cells
}

pub(super) fn bank(record: &BankRecord) -> Vec<Cell> {
    let mut cells = vec![record.state.name().into()];
    cells.extend(record.connected.map(real));
    cells.extend(record.sigma.map(real));
    cells.extend([real(record.quality.difference_sigma), real(record.quality.common_sigma)]);
    cells.push(Cell::Text(basis(&record.quality).map(Into::into)));
    cells
}

pub(super) fn baseline(record: &BaselineRecord) -> Vec<Cell> {
    let mut cells = vec![record.state.name().into(), record.reason.name().into()];
    cells.extend(record.connected.map(real));
    cells.extend([real(record.quality.difference_sigma), real(record.quality.common_sigma)]);
    cells.push(Cell::Text(basis(&record.quality).map(Into::into)));
    cells.extend([real(record.change_sigma), real(record.lowest), real(record.highest)]);
    let counts = [record.hours.into(), record.openings.into(), record.closings.into()];
    cells.extend(counts.map(|count: u32| Cell::from(count)));
    cells
}

pub(super) fn settings(record: &SettingsRecord) -> Vec<Cell> {
    let (plate, sensors) = (&record.settings.nameplate, &record.settings.sensors);
    let connection = match plate.connection {
        Connection::GroundedWye => "grounded_wye",
        Connection::SinglePhase => "single_phase",
        Connection::TwoPhase => "two_phase",
    };
    let switching = match plate.build.switching {
        Switching::None => "none",
        Switching::Ganged => "ganged",
        Switching::PerPole => "per_pole",
    };
    let fusing = match plate.build.fusing {
        Fusing::None => "none",
        Fusing::Group => "group",
        Fusing::Individual => "individual",
    };
    let phases: String = plate.build.phases.letters().collect();
    let control_power: String = sensors.control_power.letters().collect();
    let mut cells = vec![
        connection.into(),
        phases.as_str().into(),
        real(plate.rated_power),
        real(plate.system_voltage),
        real(plate.unit_voltage),
        Cell::Real(Some(f64::from(plate.frequency.hz()))),
        u32::from(plate.units_per_phase).into(),
        // Zero is not known.
        Cell::Whole(Some(u64::from(plate.build.sections)).filter(|sections| *sections > 0)),
        switching.into(),
        fusing.into(),
        u32::from(plate.build.second_step_units).into(),
    ];
    cells.extend(sensors.voltage.map(|sensor| {
        Cell::from(match sensor.kind {
            SensorKind::Absent => "absent",
            SensorKind::Divider => "divider",
            SensorKind::Transformer => "transformer",
        })
    }));
    cells.extend(sensors.voltage.map(|sensor| {
        Cell::from(match sensor.location {
            Location::Line => "line",
            Location::FuseSwitch => "fuse_switch",
            Location::Capacitor => "capacitor",
        })
    }));
    cells.push(Cell::Text(Some(control_power.as_str().into()).filter(|_| !control_power.is_empty())));
    cells.push(u32::from(sensors.has_contact).into());
    let class = &sensors.class;
    cells.extend([
        real(class.ratio),
        real(class.displacement),
        real(class.own_third),
        real(class.stray),
        real(class.stray_third),
        Cell::Real(Some(f64::from(record.settings.interval_s))),
    ]);
    cells
}
