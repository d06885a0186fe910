#!/usr/bin/env python3
"""Questions to a store of wyelog as plain SQL on Apache Spark: a local cluster of two workers reads the store's own files as
one table, beside the register of the banks. It knows nothing of ours but the schema page (host/STORE.md). Prints one JSON
object: {"kvar": [...], "unbalance": [...], "feeders": [...], "workers": 2}; or with --register, without Spark, what the
register says: {"banks": [...], "stays": [...]}.

usage: spark_reference.py STORE [--register]"""

import csv
import datetime
import importlib.util
import json
import os
import pathlib
import sys
import tempfile
import tomllib

# One processor and 1 GiB for each of two workers, which run in processes of their own.
CLUSTER = "local-cluster[2,1,1024]"

# The bank of a row is the one on which its logger hung then by the register; else the one that the logger says.
# A window is 10 or 12 cycles: 0.2 s at the rated frequency. With a D a number is a double, without it a decimal fraction.
INTERVALS = """
SELECT rows.* EXCEPT (bank), coalesce(stays.bank, rows.bank) AS bank,
       windows * 0.2D / 3600D * coalesce(try_divide(rated_hz, frequency_hz), 1D) AS h,
       kvar_a IS NOT NULL AND kvar_b IS NOT NULL AND kvar_c IS NOT NULL AS known,
       (voltage_a_v + voltage_b_v + voltage_c_v) / 3D AS mean_v,
       try_divide(frequency_hz, rated_hz) AS speed
FROM intervals_in_files AS rows LEFT JOIN stays
     ON stays.device = rows.device
    AND (stays.from_time IS NULL OR rows.time >= stays.from_time)
    AND (stays.to_time IS NULL OR rows.time < stays.to_time)
"""

# Delivered against what a whole phase would have given at the voltage and frequency there were.
KVAR = """
WITH phases AS (
    SELECT bank, device, h, known,
           kvar_a * h AS a, kvar_b * h AS b, kvar_c * h AS c,
           CASE WHEN contains(bank_phases, 'A')
                THEN rated_kvar_phase * pow(voltage_a_v / unit_voltage_v, 2) * speed * h ELSE 0D END AS whole_a,
           CASE WHEN contains(bank_phases, 'B')
                THEN rated_kvar_phase * pow(voltage_b_v / unit_voltage_v, 2) * speed * h ELSE 0D END AS whole_b,
           CASE WHEN contains(bank_phases, 'C')
                THEN rated_kvar_phase * pow(voltage_c_v / unit_voltage_v, 2) * speed * h ELSE 0D END AS whole_c
    FROM intervals
), sums AS (
    SELECT bank, device, sum(h) AS hours, coalesce(sum(h) FILTER (WHERE known), 0D) AS known_hours,
           coalesce(sum(a) FILTER (WHERE known), 0D) AS kvarh_a,
           coalesce(sum(b) FILTER (WHERE known), 0D) AS kvarh_b,
           coalesce(sum(c) FILTER (WHERE known), 0D) AS kvarh_c,
           coalesce(sum(whole_a) FILTER (WHERE known), 0D) AS whole_a,
           coalesce(sum(whole_b) FILTER (WHERE known), 0D) AS whole_b,
           coalesce(sum(whole_c) FILTER (WHERE known), 0D) AS whole_c
    FROM phases GROUP BY bank, device
)
SELECT bank, device, hours, known_hours, kvarh_a, kvarh_b, kvarh_c,
       whole_a - kvarh_a AS kvarh_lost_a, whole_b - kvarh_b AS kvarh_lost_b, whole_c - kvarh_c AS kvarh_lost_c,
       try_divide(100D * (kvarh_a + kvarh_b + kvarh_c), whole_a + whole_b + whole_c) AS available_percent
FROM sums
"""

# Flagged intervals are counted, and left out of the rest. `percentile` is exact, linear between ranks.
UNBALANCE = """
WITH shares AS (
    SELECT bank, device, h, flagged, u2_percent, u0_percent, nema_percent,
           100D * greatest(abs(voltage_a_v - mean_v), abs(voltage_b_v - mean_v), abs(voltage_c_v - mean_v)) / mean_v
               AS pvur_percent,
           100D * (greatest(voltage_a_v, voltage_b_v, voltage_c_v) - least(voltage_a_v, voltage_b_v, voltage_c_v)) / mean_v
               AS ieee_936_percent
    FROM intervals WHERE flagged = 0
), flagged AS (
    SELECT bank, device, sum(h) AS hours, count_if(flagged <> 0) AS flagged_intervals
    FROM intervals GROUP BY bank, device
), good AS (
    SELECT bank, device, {columns} FROM shares GROUP BY bank, device
)
SELECT * FROM flagged LEFT JOIN good USING (bank, device)
"""
DEFINITIONS = ["u2", "u0", "nema", "pvur", "ieee_936"]
COLUMNS = """
sqrt(avg({0}_percent * {0}_percent)) AS {0}_mean_percent,
percentile({0}_percent, 0.95) AS {0}_p95_percent,
max({0}_percent) AS {0}_max_percent
"""

# The register of the banks, from its file.
BANKS = """
SELECT bank, feeder FROM (SELECT inline(from_json(:banks, 'array<struct<bank string, feeder string>>')))
"""

# Which logger hung on which bank, from a moment on to just before another; without one, since ever or until now.
STAYS = """
SELECT device, bank, timestamp_millis(from_ms) AS from_time, timestamp_millis(to_ms) AS to_time
FROM (SELECT inline(from_json(:stays, 'array<struct<device string, bank string, from_ms bigint, to_ms bigint>>')))
"""

# What each feeder's banks delivered: the intervals beside the register of the banks.
FEEDERS = """
SELECT feeder, count(DISTINCT bank) AS banks, sum((kvar_a + kvar_b + kvar_c) * h) AS kvarh
FROM intervals JOIN banks USING (bank)
GROUP BY feeder
"""


def moment(value):
    """UTC in ms since 1970 of a day or a moment, as TOML has it or as text; None where there is none."""
    if not value:
        return None
    if isinstance(value, str):
        value = datetime.datetime.fromisoformat(value)
    if not isinstance(value, datetime.datetime):
        value = datetime.datetime.combine(value, datetime.time())
    utc = value if value.tzinfo else value.replace(tzinfo=datetime.UTC)
    return round(utc.timestamp() * 1000)


def rows_of_toml(path):
    """A row a bank, and one for each of its loggers."""
    for bank in tomllib.loads(path.read_text()).get("bank", []):
        yield {"bank": bank["name"], "feeder": bank["feeder"]}
        for logger in bank.get("logger", []):
            yield {"bank": bank["name"], **logger}


def rows_of_csv(path):
    """A row a bank and logger; one that the logs brought alone (`wyelog banks --csv` shows them too) names no stay."""
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        row = {name.strip(): (cell or "").strip() for name, cell in row.items()}
        if row.get("source") == "nameplate" and not row.get("from") and not row.get("to"):
            del row["device"]
        yield row


def register(store):
    """The banks with their feeders, and the stays of loggers on them, by `banks.toml` or `banks.csv`; neither may be there. For
    a register in which `wyelog banks` finds no mistake: what makes no sense, wyelog leaves out."""
    rows = []
    for name, rows_of in [("banks.toml", rows_of_toml), ("banks.csv", rows_of_csv)]:
        if (store / name).exists():
            rows = list(rows_of(store / name))
    feeders = {row["bank"]: row["feeder"] for row in reversed(rows) if row.get("feeder")}
    stays = [
        {"device": row["device"], "bank": row["bank"], "from_ms": moment(row.get("from")), "to_ms": moment(row.get("to"))}
        for row in rows
        if row.get("device")
    ]
    return {
        "banks": [{"bank": bank, "feeder": feeder} for bank, feeder in sorted(feeders.items())],
        "stays": sorted(stays, key=lambda stay: (stay["bank"], stay["from_ms"] or 0)),
    }


def live_files(store, table):
    """The files of a table that count: those that the mark of a log names, but for those that compaction has replaced: of each
    folder of a table the manifest with the highest number says by what. Whatever else lies beside them is left over."""

    def read(folder):
        return [tomllib.loads(path.read_text()) for path in sorted(store.glob(f"{folder}/[!_]*.toml"))]

    manifests = {}
    for manifest in sorted(read("compacted"), key=lambda manifest: manifest["number"]):
        manifests[manifest["folder"]] = manifest
    replaced = {file for manifest in manifests.values() for file in manifest["replaces"]}
    files = [file for mark in read("logs") for file in mark["files"] if file not in replaced]
    files += [file for manifest in manifests.values() for file in manifest["files"]]
    return [str(store / file) for file in files if file.split("/")[0] == table]


def session(scratch):
    """A cluster that listens on loopback only and leaves nothing behind outside of `scratch`."""
    # What Spark writes beside its own files it shall write beside links to them.
    installed = pathlib.Path(importlib.util.find_spec("pyspark").origin).parent
    home = scratch / "home"
    home.mkdir()
    for part in ["bin", "jars", "sbin"]:
        (home / part).symlink_to(installed / part)
    os.environ["SPARK_HOME"] = str(home)
    os.environ["SPARK_LOCAL_IP"] = os.environ["SPARK_LOCAL_HOSTNAME"] = "127.0.0.1"

    from pyspark.sql import SparkSession

    builder = SparkSession.builder.master(CLUSTER).appName("wyelog")
    settings = {
        "spark.driver.bindAddress": "127.0.0.1",
        "spark.driver.host": "127.0.0.1",
        "spark.driver.memory": "512m",
        "spark.executor.memory": "1g",
        "spark.local.dir": str(scratch / "local"),
        "spark.log.level": "ERROR",
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.shuffle.partitions": "4",
        "spark.sql.warehouse.dir": str(scratch / "warehouse"),
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
    }
    for name, value in settings.items():
        builder = builder.config(name, value)
    return builder.getOrCreate()


def workers(spark):
    """How many workers hold a part of the cluster; the driver is none."""
    return spark.sparkContext._jsc.sc().getExecutorMemoryStatus().size() - 1


def rows(spark, question):
    return [row.asDict() for row in spark.sql(question).collect()]


def main():
    store = pathlib.Path(sys.argv[1]).resolve()
    known = register(store)
    if sys.argv[2:] == ["--register"]:
        print(json.dumps(known))
        return
    with tempfile.TemporaryDirectory() as scratch:
        spark = session(pathlib.Path(scratch))
        spark.read.parquet(*live_files(store, "intervals")).createOrReplaceTempView("intervals_in_files")
        spark.sql(BANKS, args={"banks": json.dumps(known["banks"])}).createOrReplaceTempView("banks")
        spark.sql(STAYS, args={"stays": json.dumps(known["stays"])}).createOrReplaceTempView("stays")
        spark.sql(INTERVALS).createOrReplaceTempView("intervals")
        columns = ",".join(COLUMNS.format(name) for name in DEFINITIONS)
        answers = {
            "kvar": rows(spark, KVAR),
            "unbalance": rows(spark, UNBALANCE.format(columns=columns)),
            "feeders": rows(spark, FEEDERS),
            "workers": workers(spark),
        }
        spark.stop()
    print(json.dumps(answers))


if __name__ == "__main__":
    main()
