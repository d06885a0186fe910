#!/usr/bin/env python3
"""The desk's answers computed again from the same Parquet, by pyarrow, pandas and numpy: a judge that knows nothing of
ours but the schema page (host/STORE.md). Prints one JSON object: {"unbalance": [...], "kvar": [...], "alarms": [...],
"worklist": [...], "certificate": [...], "whatif": [...]}.

usage: reference.py STORE"""

import hashlib
import json
import math
import pathlib
import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq


def table(store, name):
    """Every file of the table that counts: a log's mark or a manifest names it, and no manifest replaces it."""
    import tomllib

    def contents(folder):
        return [tomllib.loads(path.read_text()) for path in pathlib.Path(store, folder).glob("[!_]*.toml")]

    manifests = contents("compacted")
    files = {file for each in contents("logs") + manifests for file in each["files"]}
    files -= {file for manifest in manifests for file in manifest["replaces"]}
    files = sorted(pathlib.Path(store, file) for file in files if file.split("/")[0] == name)
    tables = [pq.read_table(file, partitioning=None) for file in files]
    if not tables:
        return pd.DataFrame()
    return pa.concat_tables(tables).to_pandas()


def hours(intervals):
    return intervals.windows * 0.2 / 3600 * (intervals.rated_hz / intervals.frequency_hz).fillna(1.0)


def ten_minutes(rows, values):
    """The clock's ten minutes: rms over the windows, flagged if one interval in them is; longer intervals stand for themselves."""
    rows = rows[rows.time.notna()].copy()
    rows["h"] = hours(rows)
    rows["end"] = (rows.time - pd.to_timedelta(rows.interval_s / 2, unit="s")).dt.floor("10min") + pd.Timedelta("10min")
    blocks = []
    for row in rows[rows.interval_s >= 600].itertuples():
        blocks.append([row.end, row.h, row.flagged != 0] + [getattr(row, value) for value in values])
    for end, group in rows[rows.interval_s < 600].groupby("end"):
        block = [end, group.h.sum(), (group.flagged != 0).any()]
        for value in values:
            known = group.dropna(subset=[value])
            weight = known.windows.sum()
            block.append(np.sqrt((known[value] ** 2 * known.windows).sum() / weight) if weight else np.nan)
        blocks.append(block)
    return pd.DataFrame(blocks, columns=["end", "h", "flagged", *values])


def weeks(rows, limit):
    blocks = ten_minutes(rows, ["u2_percent", "u0_percent", "nema_percent"])
    good = blocks[~blocks.flagged.astype(bool)]
    answer = {"ten_minute_values": len(good), "flagged_ten_minute_values": len(blocks) - len(good)}
    # The week of what ends at midnight on Monday is the one before.
    inside = good.end - pd.Timedelta("1ms")
    week = (inside - pd.to_timedelta(inside.dt.weekday, unit="D")).dt.floor("D")
    for name in ["u2", "u0", "nema"]:
        values = good[f"{name}_percent"]
        over = values > limit
        answer[f"{name}_over_hours"] = float(good.h[over].sum())
        answer[f"{name}_over_percent"] = 100 * over.sum() / values.count() if values.count() else None
        p95 = {day: np.percentile(own.dropna(), 95) for day, own in values.groupby(week) if own.count() >= 504}
        answer[f"{name}_week_p95_percent"] = max(p95.values(), default=None)
        answer[f"{name}_last_week_p95_percent"] = p95[max(p95)] if p95 else None
        if name == "u2":
            answer["weeks"] = len(p95)
            answer["last_week_begin"] = utc(max(p95)) if p95 else None
    return answer


def unbalance(intervals):
    volts = intervals[["voltage_a_v", "voltage_b_v", "voltage_c_v"]].to_numpy()
    mean = volts.mean(axis=1)
    intervals["pvur_percent"] = 100 * np.abs(volts - mean[:, None]).max(axis=1) / mean
    intervals["ieee_936_percent"] = 100 * (volts.max(axis=1) - volts.min(axis=1)) / mean
    for (bank, device), rows in intervals.groupby(["bank", "device"]):
        good = rows[rows.flagged == 0]
        answer = {"bank": bank, "device": device, "flagged_intervals": int((rows.flagged != 0).sum())}
        for name in ["u2", "u0", "nema", "pvur", "ieee_936"]:
            values = good[f"{name}_percent"].dropna().to_numpy()
            if len(values):
                answer[f"{name}_mean_percent"] = float(np.sqrt(np.mean(values**2)))
                answer[f"{name}_p95_percent"] = float(np.percentile(values, 95))
                answer[f"{name}_max_percent"] = float(values.max())
        yield answer | weeks(rows, 2.0)


def kvar(intervals, events, states, baselines):
    stretch = (intervals.rated_hz / intervals.frequency_hz).fillna(1.0)
    intervals["h"] = intervals.windows * 0.2 / 3600 * stretch
    for (bank, device), rows in intervals.groupby(["bank", "device"]):
        known = rows.dropna(subset=["kvar_a", "kvar_b", "kvar_c"])
        answer = {"bank": bank, "device": device, "hours": rows.h.sum(), "known_hours": known.h.sum()}
        delivered = expected = 0.0
        for phase in "abc":
            ratio = known[f"voltage_{phase}_v"] / known.unit_voltage_v
            has_phase = known.bank_phases.str.contains(phase.upper())
            whole = known.rated_kvar_phase * ratio**2 * known.frequency_hz / known.rated_hz * known.h
            whole = whole.where(has_phase, 0.0).sum()
            kvarh = (known[f"kvar_{phase}"] * known.h).sum()
            answer[f"kvarh_{phase}"] = kvarh
            answer[f"kvar_{phase}"] = kvarh / known.h.sum() if known.h.sum() else None
            answer[f"kvarh_lost_{phase}"] = whole - kvarh
            delivered, expected = delivered + kvarh, expected + whole
        answer["available_percent"] = 100 * delivered / expected if expected else None
        answer["closed_hours"] = rows.h[rows.state == "closed"].sum()
        answer["open_hours"] = rows.h[rows.state == "open"].sum()
        rows = rows.sort_values("time")
        basis = rows.common_basis.dropna()
        answer["common_basis"] = basis.iloc[-1] if len(basis) else None
        day = rows.time.dt.floor("D")
        for name in ["difference_sigma_pu", "common_sigma_pu"]:
            daily = rows[name].groupby(day).mean().dropna()
            answer[name] = float(daily.iloc[-1]) if len(daily) else None
        proofs = proven(bank, device, rows, states, baselines)
        answer["last_proven_time"] = utc(proofs[-1][0]) if proofs else None
        answer["last_proven_by"] = proofs[-1][1] if proofs else None
        answer.update(trend(rows, events[(events.bank == bank) & (events.device == device)] if len(events) else events))
        yield answer


def proven(bank, device, rows, states, baselines):
    """Each moment that proved what the phases have in common, in order."""
    proofs = [(time, "harmonics") for time in rows.time[rows.common_basis == "harmonics"].dropna()]
    if len(states):
        own = states[(states.bank == bank) & (states.device == device)]
        opened = own[(own.common_basis == "opening") & (own.state == "open")]
        proofs += [(time, "opening") for time in opened.time.dropna()]
        poles = own[own.common_basis == "pole"].groupby("boot").time.min()
        proofs += [(time, "pole") for time in poles.dropna()]
    if len(baselines):
        own = baselines[(baselines.bank == bank) & (baselines.device == device)]
        own = own[own.state.isin(["provisional", "confirmed"])]
        same = ["state", "connected_a", "connected_b", "connected_c"]
        proofs += [(time, "baseline") for time in own.groupby(same, dropna=False).time.min().dropna()]
    return sorted(proofs)


CHANGES = ["blown_fuse", "phase_missing_at_close", "unit_out", "element_short", "second_neutral_path"]


def trend(rows, events):
    """Least squares through the daily means since the last change of a phase; no baseline, no change of the nameplate."""
    letters = [phase for phase in "abc" if rows[f"connected_{phase}"].notna().any()]
    connected = [f"connected_{phase}" for phase in letters]
    answer = {"trend_days": None, "difference_slope_a_pu_per_year": None, "crossing_time": None}
    good = rows[(rows.flagged == 0) & (rows.state == "closed")].dropna(subset=["kvar_a", "kvar_b", "kvar_c"])
    changes = events[events.condition.isin(CHANGES)] if len(events) else events
    if len(changes):
        last = pd.concat([changes.begin_time, changes.end_time]).max()
        good = good[good.time.dt.floor("D") >= last]
    if not len(good):
        return answer
    day = good.time.dt.floor("D")
    mean = good[connected].mean(axis=1)
    enough = good.h.groupby(day).sum() >= 1.0
    days = enough.index[enough]
    if len(days) < 7:
        return answer
    x = (days - days[0]).total_seconds().to_numpy() / (365.25 * 86400)
    answer["trend_days"] = len(days)
    soonest = None
    for phase in letters:
        weighted = ((good[f"connected_{phase}"] - mean) * good.h).groupby(day).sum() / good.h.groupby(day).sum()
        y = weighted[days].to_numpy()
        slope, begin = np.polyfit(x, y, 1)
        residual = y - (begin + slope * x)
        squares = (residual**2).sum()
        r = min(max((residual[1:] * residual[:-1]).sum() / squares, 0.0), 0.99) if squares > 0 else 0.0
        sigma = math.sqrt(squares / (len(x) - 2) / ((x - x.mean()) ** 2).sum() * (1 + r) / (1 - r))
        answer[f"difference_{phase}_pu"] = begin + slope * x[-1]
        answer[f"difference_slope_{phase}_pu_per_year"] = slope
        answer[f"difference_slope_sigma_{phase}_pu_per_year"] = sigma
        years = 0.04 / abs(slope) if abs(slope) > 2 * sigma else None
        if years is not None and years <= 100 and (soonest is None or years < soonest[0]):
            soonest = (years, phase.upper())
    answer["crossing_phase"] = soonest[1] if soonest else None
    if soonest:
        # To the minute: the line's last digits are not ours.
        crossing = days[0] + pd.Timedelta(days=365.25 * soonest[0])
        answer["crossing_time"] = utc(crossing)[:13]
    return answer


def utc(moment):
    return None if pd.isna(moment) else moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def identity(device, condition, boot, occurrence, begin_frame):
    """Names an occurrence."""
    numbers = b"".join(int(number).to_bytes(8, "big") for number in (boot, occurrence, begin_frame))
    return hashlib.sha256(device.encode() + b"\0" + condition.encode() + b"\0" + numbers).hexdigest()[:10]


def alarms(intervals, events):
    """Row by row, as one would with pencil and paper."""
    key = ["device", "boot", "occurrence", "condition", "begin_frame"]
    for (device, boot, occurrence, condition, begin), changes in events.groupby(key):
        own = intervals[(intervals.device == device) & (intervals.boot == boot)]
        when = {row.change: row for row in changes.itertuples()}
        end = when["ended"].end_frame if "ended" in when else None
        until = end if end is not None else own.frame.max() if len(own) else begin
        answer = {"device": device, "boot": int(boot), "occurrence": int(occurrence), "condition": condition}
        answer["bank"] = changes.bank.iloc[0]
        answer["id"] = identity(device, condition, boot, occurrence, begin)
        # Of loggers in their first start: nothing later shows that it is over.
        answer["is_open"] = end is None
        answer["begin_time"] = utc(changes.begin_time.iloc[0])
        answer["detected_time"] = utc(when["detected"].time) if "detected" in when else None
        answer["announced_time"] = utc(when["announced"].time) if "announced" in when else None
        answer["end_time"] = utc(when["ended"].end_time) if "ended" in when else None
        answer["duration_s"] = max(0.0, (float(until) - float(begin)) / 4800)
        answer["kvarh_lost"] = None
        known = changes.sort_values("frame").fraction.dropna()
        answer["fraction"] = float(known.iloc[-1]) if len(known) else None
        if condition in ("blown_fuse", "phase_missing_at_close", "unit_out") and len(own):
            part_lost = answer["fraction"] if answer["fraction"] is not None else 1.0
            lost = 0.0
            for row in own.itertuples():
                stretch = row.rated_hz / row.frequency_hz if not np.isnan(row.frequency_hz) else 1.0
                length_h = row.windows * 0.2 / 3600 * stretch
                first = row.frame - length_h * 3600 * 4800
                part = (min(row.frame, float(until)) - max(first, begin)) / (row.frame - first)
                if part <= 0:
                    continue
                for phase in changes.phases.iloc[0].lower():
                    volts = getattr(row, f"voltage_{phase}_v")
                    whole = row.rated_kvar_phase * (volts / row.unit_voltage_v) ** 2 * row.frequency_hz / row.rated_hz
                    lost += 0.0 if np.isnan(whole) else whole * length_h * part * part_lost
            answer["kvarh_lost"] = lost
        yield answer


HAZARDS = {
    "element_short": "shorted element",
    "neutral_signal_lost": "star-point ground possibly lost",
    "pole_failed_to_open": "pole stuck closed",
    "intermittent_phase": "intermittent phase",
    "restrike": "restrike",
    "closed_while_charged": "closed while charged",
}


def worklist(intervals, events):
    """Banks with an open alarm for a crew or an engineer: hazards by their kind, then by kvarh lost a day × certainty. What is
    only observed is not in here."""
    routes = events.groupby("condition").route.first() if len(events) else {}
    sigmas = {(row["bank"], row["device"]): row["difference_sigma_pu"] for row in kvar(intervals.copy(), events, [], [])}
    banks = {}
    for alarm in alarms(intervals, events) if len(events) else []:
        if alarm["is_open"] and routes[alarm["condition"]] != "log_only":
            banks.setdefault((alarm["bank"], alarm["device"]), []).append(alarm)
    rows = []
    for key, open_alarms in banks.items():
        lost = [a["kvarh_lost"] / a["duration_s"] * 86400 for a in open_alarms if a["kvarh_lost"] is not None]
        priority = 0.0
        for alarm in open_alarms:
            certain = 1.0 if alarm["announced_time"] or alarm["duration_s"] > 900 else 0.5
            if alarm["fraction"] is not None and sigmas[key]:
                certain *= math.erf(abs(alarm["fraction"]) / sigmas[key] / math.sqrt(2))
            if alarm["kvarh_lost"] is not None:
                priority += certain * alarm["kvarh_lost"] / alarm["duration_s"] * 86400
        kinds = [kind for kind in HAZARDS if any(alarm["condition"] == kind for alarm in open_alarms)]
        place = list(HAZARDS).index(kinds[0]) if kinds else len(HAZARDS)
        answer = {"bank": key[0], "device": key[1], "hazard": HAZARDS[kinds[0]] if kinds else None}
        answer["kvarh_lost_per_day"] = sum(lost) if lost else None
        answer["priority"] = priority
        rows.append((place, -priority, answer))
    for _, _, answer in sorted(rows, key=lambda row: row[:2]):
        yield answer


def certificates(intervals):
    """Of banks without a baseline, of all records and of a range: the soak begins with the first interval."""
    yield from pages(intervals, None, None)
    begin = intervals.time.min().floor("D")
    days = [begin + pd.Timedelta(days=days) for days in (2, 5)]
    yield from pages(intervals[(intervals.time >= days[0]) & (intervals.time < days[1])].copy(), *days)


def pages(intervals, begin, end):
    stretch = (intervals.rated_hz / intervals.frequency_hz).fillna(1.0)
    intervals["h"] = intervals.windows * 0.2 / 3600 * stretch
    for (bank, device), rows in intervals.groupby(["bank", "device"]):
        first, last = rows.time.min(), rows.time.max()
        soak = rows[(rows.time > first) & (rows.time <= first + pd.Timedelta(days=7))]
        known = soak.dropna(subset=["kvar_a", "kvar_b", "kvar_c"])
        open_hours = soak.h[soak.state == "open"].sum()
        known_in = known.h[known.state != "open"].sum()
        is_over = last - first >= pd.Timedelta(days=6.99)
        day = rows[(rows.time > last - pd.Timedelta(days=1)) & (rows.flagged == 0) & (rows.state == "closed")]
        median = [day[f"connected_{phase}"].median() for phase in "abc"]
        yield {
            "bank": bank,
            "device": device,
            "range_from_time": utc(begin),
            "range_to_time": utc(end),
            "commissioned_time": utc(first),
            "soak_days": min((last - first) / pd.Timedelta(days=1), 7.0),
            "soak_hours": soak.h.sum(),
            "soak_known_hours": known_in + open_hours,
            "soak_known_in_hours": known_in,
            "soak_closed_hours": soak.h[soak.state == "closed"].sum(),
            "soak_flagged_hours": soak.h[soak.flagged > 0].sum(),
            "soak_is_done": bool(is_over and known_in + open_hours >= 0.95 * 168 and known_in >= 24),
            "left_connected": [None if np.isnan(value) else value for value in median],
            "left_residual_pu": None if day.residual_pu.dropna().empty else day.residual_pu.median(),
        }


REAL = [
    "blown_fuse", "phase_missing_at_close", "unit_out", "element_short", "pole_failed_to_open", "intermittent_phase",
    "second_neutral_path",
]


def whatif(intervals, events):
    """The default limits of the residual, run by run."""
    stretch = (intervals.rated_hz / intervals.frequency_hz).fillna(1.0)
    intervals["length"] = intervals.windows * 0.2 * stretch * 4800
    good = intervals[(intervals.flagged == 0) & intervals.residual_pu.notna()].sort_values(["device", "boot", "frame"])
    real = [alarm for alarm in (alarms(intervals, events) if len(events) else []) if alarm["condition"] in REAL]
    real = [alarm for alarm in real if alarm["announced_time"]]
    begins = {
        (row.device, row.boot, row.occurrence, row.condition): row.begin_frame for row in events.itertuples()
    }
    for alarm in real:
        begin = begins[(alarm["device"], alarm["boot"], alarm["occurrence"], alarm["condition"])]
        alarm["from"], alarm["to"] = begin, begin + alarm["duration_s"] * 4800
    for limit in [0.1, 0.15, 0.25, 0.5]:
        runs, before = [], None
        for row in good[good.residual_pu >= limit].itertuples():
            is_on = before is not None and (row.device, row.boot) == (before.device, before.boot)
            if is_on and row.frame - before.frame <= 1.5 * row.length:
                runs[-1][3] = row.frame
            else:
                runs.append([row.device, row.boot, row.frame - row.length, row.frame])
            before = row
        for persistence in [60.0, 600.0]:
            calls = [run for run in runs if run[3] - run[2] >= persistence * 4800]

            def meets(run, alarm):
                here = run[0] == alarm["device"] and run[1] == alarm["boot"]
                return here and run[2] <= alarm["to"] and run[3] >= alarm["from"]

            yield {
                "residual_pu": limit,
                "persistence_s": persistence,
                "alarms": float(len(real)),
                "caught": float(sum(any(meets(run, alarm) for run in calls) for alarm in real)),
                "calls": float(len(calls)),
                "false_calls": float(sum(not any(meets(run, alarm) for alarm in real) for run in calls)),
                "bank_years": good.length.sum() / 4800 / 3600 / 8766,
            }


def main():
    intervals, events = table(sys.argv[1], "intervals"), table(sys.argv[1], "events")
    states, baselines = table(sys.argv[1], "bank"), table(sys.argv[1], "baselines")
    answers = {
        "unbalance": list(unbalance(intervals.copy())),
        "kvar": list(kvar(intervals.copy(), events, states, baselines)),
        "alarms": list(alarms(intervals, events)) if len(events) else [],
        "worklist": list(worklist(intervals, events)),
        "certificate": list(certificates(intervals.copy())),
        "whatif": list(whatif(intervals.copy(), events)),
    }
    print(json.dumps(answers))


if __name__ == "__main__":
    main()
