use polars::prelude::{DataFrame, IntoLazy, UnionArgs, concat};

use super::*;
use crate::batches::in_batches;
use crate::store::{INTERVALS, of_trial};
use crate::tables::to_json;

fn ask(store: &Store, text: &str) -> Result<DataFrame, SqlError> {
    let mut all = Vec::new();
    in_batches(
        question(store, text)?,
        |error| refused(store, text, &error),
        |rows| {
            all.push(rows.lazy());
            Ok(())
        },
    )?;
    Ok(concat(all, UnionArgs::default()).unwrap().collect().unwrap())
}

fn sentence(store: &Store, text: &str) -> String {
    ask(store, text).unwrap_err().to_string()
}

#[test]
fn a_question_goes_over_tables_and_their_register() {
    let (_folder, store) = of_trial();
    let rows = ask(
        &store,
        "SELECT bank, f AS feeder, count(*) AS changes, min(begin_time) AS first \
         FROM events JOIN (SELECT bank, feeder AS f FROM banks) AS r USING (bank) \
         WHERE condition = 'blown_fuse' GROUP BY bank, f",
    );
    let rows = to_json(&rows.unwrap(), "row");
    assert_eq!(rows.len(), 1);
    assert_eq!(rows[0]["feeder"], "East");
    assert_eq!(rows[0]["changes"], 2);
    // 20 s into a trial that begins at 06:30.
    assert_eq!(rows[0]["first"], "2030-05-14T06:30:20.000Z");
    // What lies in the table is what the library scans.
    let all = ask(&store, "SELECT count(*) AS n, sum(windows) AS windows FROM intervals").unwrap();
    let scanned = store.scan(&INTERVALS).unwrap().collect().unwrap();
    assert_eq!(to_json(&all, "row")[0]["n"], scanned.height());
}

#[test]
fn times_are_compared_as_they_are_written() {
    let (_folder, store) = of_trial();
    let count = |text: &str| to_json(&ask(&store, text).unwrap(), "row")[0]["n"].as_u64().unwrap();
    let all = count("SELECT count(*) AS n FROM events");
    let late = count("SELECT count(*) AS n FROM events WHERE time >= '2030-05-14 06:31:00'");
    let early = count("SELECT count(*) AS n FROM events WHERE time < '2030-05-14 06:31:00'");
    assert!(late > 0 && early > 0 && late + early == all, "{late} {early} {all}");
}

#[test]
fn what_is_not_there_is_said_with_what_there_is() {
    let (_folder, store) = of_trial();
    let said = sentence(&store, "SELECT * FROM interval");
    assert!(said.contains("no table \"interval\"") && said.contains("intervals, days, spectra"), "{said}");
    assert!(said.ends_with("banks"), "{said}");
    let said = sentence(&store, "SELECT u2 FROM intervals");
    assert!(
        said.contains("no column \"u2\"") && said.contains("u2_percent") && said.contains("feeder"),
        "{said}"
    );
    let said = sentence(&store, "SELECT bank FROM events WHERE conditions = 'sag'");
    assert!(said.contains("no column \"conditions\"") && said.contains("events has device"), "{said}");
    let said = sentence(
        &store,
        "SELECT b.feeder AS feeder, count(*) AS n FROM events e JOIN banks b ON e.bank = b.bank GROUP BY b.feeder",
    );
    assert!(said.contains("column \"feeder\"") && said.contains("AS"), "{said}");
    let said = sentence(&store, "SELECT bank FROM");
    assert!(said.contains("wyelog sql --tables"), "{said}");
    for other in ["DROP TABLE intervals", "DELETE FROM intervals", "CREATE TABLE a AS SELECT 1", ""] {
        let said = sentence(&store, other);
        assert!(said.contains("never changed"), "{said}");
    }
}

#[test]
fn cells_are_what_json_and_csv_can_say() {
    let (_folder, store) = of_trial();
    let rows = ask(
        &store,
        "SELECT DATE '2030-05-14' AS day, 1 - 3 AS less, true AS yes, time - begin_time AS since, NULL AS nothing, \
         CAST(1 AS SMALLINT) AS small FROM events WHERE change = 'announced'",
    );
    let row = to_json(&rows.unwrap(), "row").remove(0);
    assert_eq!((&row["day"], &row["less"], &row["yes"]), (&"2030-05-14".into(), &(-2).into(), &true.into()));
    assert!(row["since"].as_f64().is_some() && row["nothing"].is_null() && row["small"] == 1, "{row}");
}

#[test]
fn every_table_is_listed_with_its_columns() {
    let (_folder, store) = of_trial();
    let tables = tables(&store).unwrap();
    assert_eq!(tables.len(), ALL_TABLES.len() + 1);
    for (table, columns) in tables {
        let rows = question(&store, &format!("SELECT * FROM {table}")).unwrap().limit(1).collect().unwrap();
        let names: Vec<String> = rows.get_column_names().iter().map(|name| name.to_string()).collect();
        let listed: Vec<&String> = columns.iter().map(|(name, _)| name).collect();
        assert_eq!(listed, names.iter().collect::<Vec<_>>(), "{table}");
    }
}
