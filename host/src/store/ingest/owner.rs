//! Whose a log is that does not say it itself, since its first piece is damaged.

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::path::Path;

use polars::prelude::{
    DataFrame, Engine, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, Series, col, len, lit,
};
use wyelog_protocol::record::{Interval, Record, Stamp};

use crate::log::{Log, Sequenced};
use crate::number::count;
use crate::store::mark::Whose;
use crate::store::{INTERVALS, Mark, Store, StoreError, scan_parquet};

/// Intervals equal in everything, and different from each other, that prove it. Number, frame and time may be those of another
/// logger too, as on a bench; three times the same voltages and neutral current to the last digit are not.
const PROOF: usize = 3;

/// The logger that a log is of.
pub struct Owner {
    /// Its serial number.
    pub device: String,
    /// How that is known.
    pub whose: Whose,
    /// What a reader of the tables should know of it.
    pub note: Option<String>,
}

impl Owner {
    /// As the log itself says, whatever somebody `said`.
    pub fn of_log(serial: &str, said: Option<&str>) -> Self {
        let note = said.filter(|said| *said != serial).map(|said| {
            format!(
                "the log itself says that it is of logger {serial}: it is taken as that, not as one of {said}"
            )
        });
        Self { device: serial.to_owned(), whose: Whose::Log, note }
    }

    /// Of a log that does not say it: the only logger in the store that has its records, else the one that somebody `said`, now or
    /// when it came into the store in which `path` lies. `Err` is why there is none.
    pub fn found(
        store: &Store,
        path: &Path,
        hash: &str,
        log: &Log,
        said: Option<&str>,
    ) -> Result<Result<Self, String>, StoreError> {
        let own = intervals(log);
        let mut owners = Vec::new();
        for device in store.with_such_intervals(&own)? {
            if store.compare(&device, &own).0 >= PROOF {
                owners.push(device);
            }
        }
        owners.sort();
        let said_now = said.map(str::trim);
        let said = said_now.map(str::to_owned).or_else(|| said_elsewhere(path, hash));
        if let [device] = owners.as_slice() {
            let not = match said.filter(|said| said != device) {
                Some(said) => format!(", not of {said}"),
                None => String::new(),
            };
            let note =
                format!("its logger's name cannot be read: its records are those of logger {device}{not}");
            return Ok(Ok(Self { device: device.clone(), whose: Whose::Records, note: Some(note) }));
        }
        if let Some(device) = said {
            return Ok(match store.doubt(&device, &own, said_now.is_some()) {
                None => Ok(Self { device, whose: Whose::Said, note: None }),
                Some(doubt) => Err(format!(
                    "whose log this is cannot be read, and {doubt}; kept as unclaimed/{hash}.log, in no table"
                )),
            });
        }
        let whose = match owners.join(", ") {
            none if none.is_empty() => "no logger in the store has its records".to_owned(),
            several => format!("its records are those of several loggers: {several}"),
        };
        Ok(Err(format!(
            "whose log this is cannot be read, and {whose}{}; kept as unclaimed/{hash}.log, in no table: ingest it with \
             --device SERIAL once you know whose it is, or again when a log of the same days is in",
            store.nameplate(log)
        )))
    }
}

/// What the store in which a raw log lies says of it, where it was found out there.
fn said_elsewhere(path: &Path, hash: &str) -> Option<String> {
    let folder = path.parent().filter(|folder| folder.ends_with("raw"))?;
    let text = fs::read_to_string(super::mark(folder.parent()?, hash)).ok()?;
    let mark: Mark = toml::from_str(&text).ok()?;
    (mark.whose != Whose::Log).then_some(mark.device)
}

/// The intervals of a log in which there was a voltage, by their numbers.
fn intervals(log: &Log) -> HashMap<u32, Interval> {
    let is_live = |interval: &Interval| {
        interval.voltage.iter().any(|range| range.rms.value().is_some_and(|volts| volts > 0.0))
    };
    let of = |kept: &Sequenced| match &kept.record {
        Record::Interval(interval) if is_live(interval) => Some((kept.sequence, interval.clone())),
        _ => None,
    };
    log.records.iter().filter_map(of).collect()
}

impl Store {
    /// Why a log with these intervals is not taken for one of the logger that somebody says it is of: what is mixed is mixed for good.
    fn doubt(&self, device: &str, own: &HashMap<u32, Interval>, is_said_now: bool) -> Option<String> {
        let (_, others) = self.compare(device, own);
        if others >= PROOF as u64 {
            return Some(format!(
                "{} measured something else than what logger {device} has under the same number: it is another one's",
                count(others, "interval")
            ));
        }
        let is_known = self.marks.iter().any(|mark| mark.device == device) || self.banks.knows(device);
        (is_said_now && !is_known).then(|| {
            format!(
                "neither a log in the store nor the register names a logger {device}: correct the number, or name it in \
                 banks.toml first"
            )
        })
    }

    /// How many of these intervals a logger has too, without those equal to another but for their time; and under how many of
    /// their numbers it has others. It is the raw logs that say it: they hold everything.
    fn compare(&self, device: &str, own: &HashMap<u32, Interval>) -> (usize, u64) {
        let (mut equal, mut others): (Vec<Interval>, u64) = (Vec::new(), 0);
        for mark in self.marks.iter().filter(|mark| mark.device == device) {
            let Ok(log) = Log::read(&super::raw(&self.dir, &mark.hash)) else { continue };
            // An older program took the name of a file for that of a logger.
            if log.identity.is_none() && mark.whose == Whose::Log {
                continue;
            }
            for (number, interval) in intervals(&log) {
                match own.get(&number) {
                    Some(own) if *own == interval => {
                        let timeless = Interval { stamp: Stamp::default(), ..interval };
                        if equal.len() < PROOF && !equal.contains(&timeless) {
                            equal.push(timeless);
                        }
                    }
                    Some(_) => others += 1,
                    None => {}
                }
            }
        }
        (equal.len(), others)
    }

    /// Loggers that may be: in the tables they have intervals of the same numbers, frames and times.
    fn with_such_intervals(&self, own: &HashMap<u32, Interval>) -> Result<Vec<String>, StoreError> {
        const KEY: [&str; 4] = ["sequence", "boot", "frame", "time_logger"];
        if own.len() < PROOF {
            return Ok(Vec::new());
        }
        let stamps = || own.values().map(|interval| &interval.stamp);
        let times: Vec<Option<i64>> = stamps().map(|stamp| super::prepare::logger_ms(stamp.utc_ms)).collect();
        let columns = vec![
            Series::new("sequence".into(), own.keys().copied().collect::<Vec<u32>>()).into(),
            Series::new("boot".into(), stamps().map(|stamp| stamp.boot).collect::<Vec<u32>>()).into(),
            Series::new("frame".into(), stamps().map(|stamp| stamp.frame).collect::<Vec<u64>>()).into(),
            Series::new("time_logger".into(), times).into(),
        ];
        // A join takes no null for equal to another.
        let key = |frame: LazyFrame| {
            let time = col("time_logger").to_physical().fill_null(lit(-1_i64));
            frame.with_column(time.alias("time_logger"))
        };
        let own = key(DataFrame::new_infer_height(columns)?.lazy());
        let held = scan_parquet(&INTERVALS, &self.files(&INTERVALS))?;
        let held =
            key(held.select([&KEY[..], &["device"]].concat().into_iter().map(col).collect::<Vec<_>>()));
        let keys = KEY.map(col);
        let found = held.join(own, keys.clone(), keys, JoinArgs::new(JoinType::Inner));
        let found = found.group_by([col("device")]).agg([len().alias("rows")]);
        let found = found.filter(col("rows").gt_eq(lit(PROOF as u32)));
        let found = found.collect_with_engine(Engine::Streaming)?.unwrap_single();
        let devices = found.column("device")?.str()?;
        Ok(devices.iter().flatten().map(str::to_owned).collect())
    }

    /// What the nameplate in a log says, and which loggers say the same of themselves: it proves nothing, but who has to find out
    /// begins there.
    fn nameplate(&self, log: &Log) -> String {
        let name = log.records.iter().rev().find_map(|kept| match &kept.record {
            Record::Settings(record) => Some(record.settings.nameplate.name.as_str()),
            _ => None,
        });
        let Some(name) = name.filter(|name| !name.is_empty()) else { return String::new() };
        let says_so = |mark: &&Mark| mark.banks.iter().any(|bank| bank == name);
        let loggers: BTreeSet<&str> =
            self.marks.iter().filter(says_so).map(|mark| mark.device.as_str()).collect();
        match loggers.into_iter().collect::<Vec<_>>().join(", ") {
            none if none.is_empty() => format!(" (its nameplate says {name})"),
            loggers => format!(" (its nameplate says {name}, as does {loggers})"),
        }
    }
}
