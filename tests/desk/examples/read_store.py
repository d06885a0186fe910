#!/usr/bin/env python3
"""Reads a store of wyelog with pyarrow alone: what each bank delivered in each month, as CSV.

The schema is host/STORE.md. usage: read_store.py STORE"""

import pathlib
import sys
import tomllib

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

store = pathlib.Path(sys.argv[1])


def contents(folder):
    return [tomllib.loads(path.read_text()) for path in store.glob(f"{folder}/[!_]*.toml")]


# Files count that a log's mark or a manifest of compaction names, but for those that a manifest replaces.
# `partitioning=None`: the month is in the path and, as time, in the rows.
manifests = contents("compacted")
files = {file for each in contents("logs") + manifests for file in each["files"]}
files -= {file for manifest in manifests for file in manifest["replaces"]}
files = sorted(store / file for file in files if file.startswith("intervals/"))
intervals = pa.concat_tables(pq.read_table(file, partitioning=None) for file in files)

# A window is 10 or 12 cycles: 0.2 s at the rated frequency. Intervals in which the capacitance was not known have null.
hours = pc.multiply(
    pc.multiply(pc.cast(intervals["windows"], pa.float64()), 0.2 / 3600),
    pc.divide(intervals["rated_hz"], intervals["frequency_hz"]),
)
kvar = pc.add(pc.add(intervals["kvar_a"], intervals["kvar_b"]), intervals["kvar_c"])
# An interval belongs to the month in which it began: its time is its end.
month = pc.strftime(pc.subtract(intervals["time"], pa.scalar(1, pa.duration("ms"))), format="%Y-%m")
table = pa.table({"bank": intervals["bank"], "month": month, "kvarh": pc.multiply(kvar, hours)})
sums = table.group_by(["bank", "month"]).aggregate([("kvarh", "sum")])

print("bank,month,kvarh")
for row in sorted(sums.to_pylist(), key=lambda row: (row["bank"], row["month"] or "")):
    print(f"{row['bank']},{row['month'] or 'unknown'},{row['kvarh_sum'] or 0:.1f}")
