#!/usr/bin/env python3
"""The times of intervals computed again from the same Parquet, by pyarrow, pandas and numpy: straight lines between the moments at which
a host set the clock, of each start that has two or more. Prints one JSON object: how many intervals were compared, and the largest
difference from the column `time` in ms.

usage: clock_reference.py STORE"""

import json
import sys

import numpy as np
from reference import table


def ms(times):
    return times.dt.tz_convert(None).to_numpy().astype("datetime64[ms]").astype(np.int64)


def main():
    store = sys.argv[1]
    intervals, status = table(store, "intervals"), table(store, "status")
    sets = status[status.status == "clock_set"].copy()
    details = [json.loads(detail) for detail in sets.detail]
    sets["source"] = [detail["source"] for detail in details]
    sets["after_ms"] = [detail["after_ms"] for detail in details]
    sets = sets[sets.source == "host"]
    compared, worst = 0, 0.0
    for boot, anchors in sets.groupby("boot"):
        anchors = anchors.sort_values("frame")
        if len(anchors) < 2:
            continue
        rows = intervals[(intervals.boot == boot) & intervals.frame.between(anchors.frame.min(), anchors.frame.max())]
        expected = np.interp(rows.frame.astype(float), anchors.frame.astype(float), anchors.after_ms.astype(float))
        worst = max(worst, float(np.abs(ms(rows.time) - expected).max()))
        compared += len(rows)
        assert ((rows.time_quality == "corrected") | rows.frame.isin(anchors.frame)).all()
    print(json.dumps({"compared": compared, "worst_ms": worst}))


main()
