//! What stands in a row of the invented store.

use std::f64::consts::TAU;

/// 2030-01-01 00:00 UTC in ms.
const START_MS: i64 = 1_893_456_000_000;
/// Rows of a bank a day: each ten minutes.
pub const ROWS_A_DAY: u32 = 144;
/// Frames of ten minutes.
const FRAMES: u64 = 600 * 4800;
/// A switched bank is closed from six in the morning to ten in the evening, in rows of a day.
const CLOSED: std::ops::Range<u32> = 36..132;

/// Which row: of a bank, so many ten minutes from the start; which of the bank's events, operations or the like.
#[derive(Clone, Copy)]
pub struct Row {
    pub bank: u32,
    pub step: u32,
    pub number: u32,
}

/// Two changes each of ten sags, a fortnight apart, and at every tenth bank of a fuse that blows halfway through the first
/// month.
pub fn events(bank: u32) -> Vec<Row> {
    let changes = 2 * (10 + u32::from(bank.is_multiple_of(10)));
    let row = |number| {
        let row = Row { bank, step: (1 + number / 2) * 14 * ROWS_A_DAY, number };
        Row { step: if row.is_fuse() { 15 * ROWS_A_DAY } else { row.step }, ..row }
    };
    (0..changes).map(row).collect()
}

/// In the morning and in the evening of each day; even ones close.
pub fn operations(bank: u32, days: u32) -> Vec<Row> {
    let of_day = |number: u32| if number.is_multiple_of(2) { CLOSED.start } else { CLOSED.end };
    let row = |number| Row { bank, step: number / 2 * ROWS_A_DAY + of_day(number), number };
    (0..if is_switched(bank) { 2 * days } else { 0 }).map(row).collect()
}

/// One a week.
pub fn weekly(bank: u32, days: u32) -> Vec<Row> {
    (0..days.div_ceil(7)).map(|number| Row { bank, step: number * 7 * ROWS_A_DAY, number }).collect()
}

/// Every second bank opens for the night.
fn is_switched(bank: u32) -> bool {
    bank % 2 == 1
}

pub fn name(bank: u32) -> String {
    format!("Bank {bank:04}")
}

/// What a column of real numbers holds.
pub fn real(column: &str) -> Box<dyn Fn(Row) -> Option<f64>> {
    let channel = column.strip_suffix("_percent").and_then(|stem| stem.rsplit_once("_h"));
    let harmonic = channel.and_then(|(channel, order)| Some((channel, order.parse::<u32>().ok()?)));
    let Some((channel, order)) = harmonic else {
        let column = column.to_owned();
        return Box::new(move |row| row.real(&column));
    };
    // Steps of 3 %, as the records have about; odd orders are larger. By bank, hour and a little by chance.
    let first = if order.is_multiple_of(2) { 0.04 } else { 2.0 } / f64::from(order);
    let steps: Vec<f64> = (0..32).map(|step| (first * 1.03_f64.powi(step) * 1e4).round() / 1e4).collect();
    let which = u64::from(order) * 4 + channel.bytes().map(u64::from).sum::<u64>() % 4;
    Box::new(move |row| {
        let level = 15.0 + 8.0 * row.load() + 4.0 * row.vary(which);
        steps.get(level as usize).copied()
    })
}

impl Row {
    /// Between −1 and 1, another for each use.
    fn vary(self, which: u64) -> f64 {
        let mixed = ((u64::from(self.bank) << 32) + u64::from(self.step) * 128 + which)
            .wrapping_mul(0x9E37_79B9_7F4A_7C15);
        (mixed >> 40) as f64 / 8_388_608.0 - 1.0
    }

    /// From 0 at night to 1 in the evening.
    fn load(self) -> f64 {
        0.5 - 0.5 * ((f64::from(self.step % ROWS_A_DAY) / f64::from(ROWS_A_DAY) - 0.15) * TAU).cos()
    }

    fn is_closed(self) -> bool {
        !is_switched(self.bank) || CLOSED.contains(&(self.step % ROWS_A_DAY))
    }

    fn is_fuse(self) -> bool {
        self.number / 2 == 10
    }

    /// The fuse of every tenth bank has blown.
    fn has_fuse(self) -> bool {
        !(self.bank.is_multiple_of(10) && self.step > 15 * ROWS_A_DAY)
    }

    pub fn text(self, column: &str) -> Option<String> {
        let text = match column {
            "device" => return Some(format!("L{:04}", self.bank)),
            "bank" => return Some(name(self.bank)),
            "time_quality" => "corrected",
            "common_basis" => "nameplate",
            "state" if self.is_closed() => "closed",
            "state" => "open",
            "bank_phases" => "ABC",
            "condition" if self.is_fuse() => "blown_fuse",
            "condition" => "sag",
            "route" if self.is_fuse() => "crew",
            "route" => "log_only",
            "change" if self.number.is_multiple_of(2) => "detected",
            "change" if self.is_fuse() => "announced",
            "change" => "ended",
            "phases" if self.is_fuse() => "B",
            "phases" => "ABC",
            "causes" if self.is_fuse() => "fuse_operated",
            "action" if self.number.is_multiple_of(2) => "closed",
            "action" => "opened",
            "status" if self.number.is_multiple_of(5) => "clock_set",
            "status" => "frames_lost",
            "detail" if self.number.is_multiple_of(5) => r#"{"source":"host"}"#,
            "detail" => r#"{"count":12}"#,
            _ => return None,
        };
        Some(text.to_owned())
    }

    pub fn whole(self, column: &str) -> Option<u64> {
        let is_flagged = self.vary(9) > 0.996;
        Some(match column {
            "sequence" => u64::from(self.step) + u64::from(self.number),
            "boot" | "units_per_phase" => 1,
            "frame" => (u64::from(self.step) + 1) * FRAMES,
            "windows" => 3000,
            "flagged" => u64::from(is_flagged),
            "occurrence" => u64::from(self.number / 2) + 1,
            "begin_frame" => u64::from(self.step) * FRAMES,
            "end_frame" if self.number % 2 == 1 && !self.is_fuse() => u64::from(self.step) * FRAMES + 4800,
            "told" | "has_contact" => 1,
            "pole_a_us" => 0,
            "pole_b_us" => 2778 + u64::from(self.number % 7) * 40,
            "pole_c_us" => 5556 + u64::from(self.number % 5) * 60,
            _ => return None,
        })
    }

    pub fn ms(self, column: &str) -> Option<i64> {
        let begin = START_MS + i64::from(self.step) * 600_000;
        match column {
            "time" | "time_logger" => Some(begin + 600_000),
            "begin_time" => Some(begin),
            "end_time" if self.number % 2 == 1 && !self.is_fuse() => Some(begin + 1000),
            _ => None,
        }
    }

    /// In steps such as the logger's quantities have: what is written compresses as a log's would.
    fn real(self, column: &str) -> Option<f64> {
        let rounded = |value: f64, steps: f64| Some((value * steps).round() / steps);
        let volts = |which: u64| 7200.0 * (1.03 - 0.035 * self.load() + 0.004 * self.vary(which));
        match column {
            "time_error_s" => rounded(0.3, 10.0),
            "interval_s" => Some(600.0),
            "frequency_hz" => rounded(60.0 + 0.02 * self.vary(0), 1000.0),
            "voltage_a_v" => rounded(volts(1), 10.0),
            "voltage_b_v" => rounded(volts(2), 10.0),
            "voltage_c_v" => rounded(volts(3), 10.0),
            "voltage_min_a_v" => rounded(volts(1) - 9.0, 10.0),
            "voltage_min_b_v" => rounded(volts(2) - 9.0, 10.0),
            "voltage_min_c_v" => rounded(volts(3) - 9.0, 10.0),
            "voltage_max_a_v" => rounded(volts(1) + 8.0, 10.0),
            "voltage_max_b_v" => rounded(volts(2) + 8.0, 10.0),
            "voltage_max_c_v" => rounded(volts(3) + 8.0, 10.0),
            "neutral_a" | "neutral_max_a" => rounded(1.2 + 0.4 * self.vary(4), 100.0),
            "neutral_min_a" => rounded(1.0 + 0.4 * self.vary(4), 100.0),
            "residual_pu" | "residual_phasor_pu" => {
                rounded(if self.has_fuse() { 0.01 } else { 1.0 } + 0.004 * self.vary(5), 1000.0)
            }
            "neutral_phasor_pu" => rounded(0.05 + 0.02 * self.vary(4), 1000.0),
            "neutral_phasor_deg" | "residual_phasor_deg" => rounded(60.0 + 40.0 * self.vary(6), 10.0),
            "u2_percent" | "nema_percent" => rounded(0.4 + 0.6 * self.load() + 0.1 * self.vary(7), 100.0),
            "u0_percent" => rounded(0.6 + 0.8 * self.load() + 0.1 * self.vary(8), 100.0),
            "connected_a" | "connected_b" | "connected_c" if !self.is_closed() => None,
            "kvar_a" | "kvar_b" | "kvar_c" if !self.is_closed() => None,
            "connected_b" | "kvar_b" if !self.has_fuse() => Some(0.0),
            "connected_a" | "connected_b" | "connected_c" => rounded(1.0 + 0.003 * self.vary(10), 1000.0),
            "difference_sigma_pu" => Some(0.008),
            "common_sigma_pu" => Some(0.05),
            "rated_kvar_phase" => Some(200.0),
            "rated_kvar" => Some(600.0),
            "system_voltage_v" => Some(12_470.0),
            "unit_voltage_v" => Some(7200.0),
            "rated_hz" => Some(60.0),
            "kvar_a" | "kvar_b" | "kvar_c" => {
                rounded(200.0 * (volts(1) / 7200.0) * (volts(1) / 7200.0), 100.0)
            }
            "fraction" if self.is_fuse() => Some(1.0),
            "neutral_peak_a" => rounded(80.0 + 20.0 * self.vary(11), 10.0),
            "voltage_step_pu" => rounded(0.012 + 0.002 * self.vary(12), 10_000.0),
            "since_opening_s" if self.number.is_multiple_of(2) => Some(28_800.0),
            // The phases are alike, and so is the largest of them.
            "thd_percent" | "thd_a_percent" | "thd_b_percent" | "thd_c_percent" => {
                rounded(1.5 + self.load() + 0.1 * self.vary(13), 100.0)
            }
            "current_loading_percent"
            | "current_loading_a_percent"
            | "current_loading_b_percent"
            | "current_loading_c_percent" => rounded(104.0 + 5.0 * self.load() + 0.5 * self.vary(14), 10.0),
            "reactive_loading_percent"
            | "reactive_loading_a_percent"
            | "reactive_loading_b_percent"
            | "reactive_loading_c_percent" => rounded(103.0 + 5.0 * self.load() + 0.5 * self.vary(15), 10.0),
            "crest_loading_percent"
            | "crest_loading_a_percent"
            | "crest_loading_b_percent"
            | "crest_loading_c_percent" => Some(101.0 + 6.0 * self.load() + 0.5 * self.vary(16)),
            _ => None,
        }
    }
}
