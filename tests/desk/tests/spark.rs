//! The store beyond one PC: Apache Spark, on two workers, reads the same folder as one table and answers as the tool does.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use wyelog::store::Store;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::python::spark_python;
use wyelog_desk_tests::{repository, wyelog_in};

/// Beyond this it hangs: a cluster on one machine is up in seconds.
const LIMIT: Duration = Duration::from_secs(170);

/// Rows of a bank.
const INTERVALS: u64 = 1008;

/// Of these loggers, `L1` was lent to another bank and came back, `L5` hung on one that its nameplate does not name, and of `L2` and
/// `L4` the register says what their nameplates say anyway.
const REGISTER: &str = "\
# As the crews have it.
bank,feeder,pole,device,from,to,source
Alder 1,North,N-7,L1,,2030-05-02,register
\"O'Birch \"\"3\"\"\",South,,,,,
Birch 6,South,S-1,L1,2030-05-02,2030-05-04T06:30,register
Alder 1,North,,L1,2030-05-04T06:30:00Z,,register
Alder 2,North,,L2,,,nameplate
Birch 4,South,,L4,2030-05-03T12:00:00.500Z,,register
Alder 7,North,,L5,,,
";

/// The same, with moments as TOML has them.
const SAME: &str = r#"
[[bank]]
name = "Alder 1"
feeder = "North"
pole = "N-7"
[[bank.logger]]
device = "L1"
to = 2030-05-02
[[bank.logger]]
device = "L1"
from = 2030-05-04T06:30:00Z
[[bank]]
name = "Alder 2"
feeder = "North"
[[bank]]
name = "O'Birch \"3\""
feeder = "South"
[[bank]]
name = "Birch 6"
feeder = "South"
[[bank.logger]]
device = "L1"
from = "2030-05-02"
to = 2030-05-04T06:30:00
[[bank]]
name = "Birch 4"
feeder = "South"
[[bank.logger]]
device = "L4"
from = 2030-05-03T12:00:00.5Z
[[bank]]
name = "Alder 7"
feeder = "North"
[[bank.logger]]
device = "L5"
"#;

/// A week of five loggers on six banks of two feeders, in `desk`.
fn desk(folder: &Path) {
    let well = Fabricated {
        serial: "L1",
        bank: "Alder 1",
        interval_s: 600,
        intervals: INTERVALS,
        story: Story::Healthy,
    };
    let blown = Story::BlownFuse { phase: 1, at: 500, until: None };
    let repaired = Story::BlownFuse { phase: 2, at: 100, until: Some(300) };
    let banks = [
        well,
        Fabricated { serial: "L2", bank: "Alder 2", story: blown, ..well },
        Fabricated { serial: "L3", bank: "O'Birch \"3\"", story: Story::DeadNeutral { at: 600 }, ..well },
        Fabricated { serial: "L4", bank: "Birch 4", story: Story::DeadFeeder { at: 300, length: 4 }, ..well },
        Fabricated { serial: "L5", bank: "Birch 5", story: repaired, ..well },
    ];
    let mut store = Store::open_or_create(&folder.join("desk")).unwrap();
    let mut writer = store.writer().unwrap();
    for bank in banks {
        let path = folder.join(format!("{}.log", bank.serial));
        std::fs::write(&path, bank.log()).unwrap();
        writer.ingest(&path).unwrap();
    }
    drop(writer);
    std::fs::write(folder.join("desk/banks.csv"), REGISTER).unwrap();
    // What a killed ingest may have left belongs to no log, and counts for nobody.
    let kept = folder.join("desk/intervals/month=2030-05");
    let first = std::fs::read_dir(&kept).unwrap().next().unwrap().unwrap();
    std::fs::copy(first.path(), kept.join("left-over.parquet")).unwrap();
}

fn spark(folder: &Path) -> Value {
    let out = std::fs::File::create(folder.join("answers.json")).unwrap();
    let err = std::fs::File::create(folder.join("spark.txt")).unwrap();
    let script = repository("tests/desk/spark_reference.py");
    let mut command = Command::new(spark_python());
    let mut child =
        command.arg(script).arg("desk").current_dir(folder).stdout(out).stderr(err).spawn().unwrap();
    let start = Instant::now();
    let said = || std::fs::read_to_string(folder.join("spark.txt")).unwrap();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if start.elapsed() > LIMIT {
            child.kill().unwrap();
            panic!("Spark has not answered within {LIMIT:?}: {}", said());
        }
        std::thread::sleep(Duration::from_millis(200));
    };
    assert!(status.success(), "{}", said());
    println!("Apache Spark answered in {:.0} s", start.elapsed().as_secs_f64());
    serde_json::from_str(&std::fs::read_to_string(folder.join("answers.json")).unwrap()).unwrap()
}

fn ask(folder: &Path, words: &[&str]) -> Vec<Value> {
    let ended = wyelog_in(folder, &[words, &["--store", "desk", "--json"]].concat());
    assert_eq!(ended.code, Some(0), "{ended:?}");
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// Every number of Spark's rows is that of the tool's, but for two things: the tool prints six decimals, and a sum of n
/// numbers differs by up to n roundings (2⁻⁵³ each) of its size with the order of its terms, which a cluster does not keep. A
/// difference of two sums differs by as much as these.
fn agree(question: &str, keys: &[&str], ours: &[Value], theirs: &Value) {
    let key = |row: &Value| keys.iter().map(|key| row[key].as_str().unwrap().to_owned()).collect::<Vec<_>>();
    let theirs = theirs.as_array().unwrap();
    assert_eq!(ours.len(), theirs.len(), "{question}");
    let by_key: BTreeMap<Vec<String>, &Value> = ours.iter().map(|row| (key(row), row)).collect();
    for row in theirs {
        let own = by_key[&key(row)];
        let row = row.as_object().unwrap();
        let numbers = row.values().filter_map(Value::as_f64);
        let largest =
            numbers.fold(0.0, |most: f64, value| if value.abs() > most { value.abs() } else { most });
        // Of five banks at most.
        let terms = 5.0 * INTERVALS as f64;
        let tolerance = 0.5e-6 + 2.0 * terms * largest * (-53_f64).exp2();
        for (name, value) in row {
            match (value.as_f64(), own[name].as_f64()) {
                (Some(theirs), Some(ours)) => {
                    let difference = (theirs - ours).abs();
                    assert!(
                        difference <= tolerance,
                        "{question}: {name}: {ours}, Spark has {theirs}: {row:?}"
                    );
                }
                _ => assert_eq!(value, &own[name], "{question}: {name}"),
            }
        }
    }
}

/// What the script says of the register.
fn register(folder: &Path) -> Value {
    let script = repository("tests/desk/spark_reference.py");
    let said =
        Command::new(spark_python()).arg(script).args(["desk", "--register"]).current_dir(folder).output();
    let said = said.unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    serde_json::from_slice(&said.stdout).unwrap()
}

#[test]
fn a_register_is_the_same_as_toml_and_as_csv() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let desk = folder.join("desk");
    Store::open_or_create(&desk).unwrap();
    assert_eq!(register(folder), serde_json::json!({"banks": [], "stays": []}));
    // As wyelog reads it: the table, what it makes of the table, the same by hand, and what it makes of that.
    let (table, text) = (desk.join("banks.csv"), desk.join("banks.toml"));
    std::fs::write(&table, REGISTER).unwrap();
    let expected = register(folder);
    assert_eq!(
        (expected["banks"].as_array().unwrap().len(), expected["stays"].as_array().unwrap().len()),
        (6, 5)
    );
    let of_table = Store::open(&desk).unwrap().banks().text().unwrap();
    std::fs::remove_file(&table).unwrap();
    for written in [of_table, SAME.to_owned()] {
        std::fs::write(&text, &written).unwrap();
        assert_eq!(register(folder), expected, "{written}");
    }
    let store = Store::open(&desk).unwrap();
    assert_eq!(store.banks().problems().len(), 0);
    std::fs::write(&text, store.banks().text().unwrap()).unwrap();
    assert_eq!(register(folder), expected);
}

#[test]
fn a_cluster_of_two_workers_gives_the_tool_s_answers() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    desk(folder);
    let theirs = spark(folder);
    assert_eq!(theirs["workers"], 2);
    let kvar = ask(folder, &["kvar"]);
    assert_eq!(kvar.len(), 6);
    // Two days and six and a half hours of `L1` are those of Birch 6, of the rest of its week in Alder 1.
    let hours: Vec<f64> = ["Birch 6", "Alder 1"]
        .map(|bank| kvar.iter().find(|row| row["bank"] == bank).unwrap()["hours"].as_f64().unwrap())
        .to_vec();
    assert!((hours[0] - 54.5).abs() < 1e-3 && (hours[1] - 113.5).abs() < 1e-3, "{hours:?}");
    let keys = ["bank", "device"];
    agree("kvar", &keys, &kvar, &theirs["kvar"]);
    agree("unbalance", &keys, &ask(folder, &["unbalance"]), &theirs["unbalance"]);
    let feeders = "SELECT feeder, count(DISTINCT bank) AS banks, sum((kvar_a + kvar_b + kvar_c) * windows * 0.2 / 3600.0 \
                   * rated_hz / frequency_hz) AS kvarh FROM intervals GROUP BY feeder";
    let feeders = ask(folder, &["sql", feeders]);
    assert_eq!(feeders.len(), 2);
    agree("feeders", &["feeder"], &feeders, &theirs["feeders"]);
}
