#!/usr/bin/env python3
"""More of the desk's answers computed again from the same Parquet, by pandas and numpy (see reference.py): switching, stress,
usage, quality. Prints one JSON object.

usage: reference_answers.py STORE"""

import json
import sys

import numpy as np
import pandas as pd

from reference import hours, table, utc

TABLES = ["intervals", "spectra", "events", "captures", "status", "settings", "operations", "bank", "baselines"]
KEY = ["bank", "device"]
YEAR = pd.Timedelta(days=365.25)


def number(value):
    return None if pd.isna(value) else float(value)


def own(rows, bank, device):
    return rows[(rows.bank == bank) & (rows.device == device)] if len(rows) else rows


def line(times, values):
    """Slope per year and its standard deviation."""
    known = values.notna() & times.notna()
    if known.sum() < 3 or times[known].nunique() < 2:
        return None, None
    years = ((times[known] - times[known].min()) / YEAR).to_numpy()
    fit, covariance = np.polyfit(years, values[known].to_numpy(), 1, cov=True)
    return float(fit[0]), float(np.sqrt(covariance[0, 0]))


def occurrences(events, condition):
    rows = events[events.condition == condition]
    return len(rows.drop_duplicates(["boot", "occurrence", "begin_frame"]))


def switching(intervals, operations, events):
    for (bank, device), rows in intervals.groupby(KEY):
        done = own(operations, bank, device).sort_values(["boot", "begin_frame"])
        opened, closed = done[done.action == "opened"], done[done.action == "closed"]
        days = hours(rows).sum() / 24
        answer = {"bank": bank, "device": device, "operations": len(done), "watched_days": days}
        answer |= {"openings": len(opened), "closings": len(closed), "operations_per_day": len(done) / days}
        answer |= {"told": int((done.told == 1).sum()), "untold": int((done.told == 0).sum())}
        poles = opened[["pole_a_us", "pole_b_us", "pole_c_us"]].astype(float)
        spread = (poles.max(axis=1) - poles.min(axis=1))[poles.notna().sum(axis=1) >= 2] / 1000
        answer |= {"zero_spread_openings": len(spread), "zero_spread_median_ms": number(spread.median())}
        answer |= {"zero_spread_max_ms": number(spread.max())}
        slope, sigma = line(opened.begin_time[spread.index], spread)
        answer |= {"zero_spread_slope_ms_per_year": slope, "zero_spread_slope_sigma": sigma}
        all_three = poles.dropna()
        late = all_three.sub(all_three.mean(axis=1), axis=0) / 1000
        answer["pole_openings"] = len(late)
        for pole in "abc":
            own_late = late[f"pole_{pole}_us"]
            answer[f"pole_{pole}_late_ms"] = number(own_late.mean())
            answer[f"pole_{pole}_late_sigma_ms"] = number(own_late.sem())
            slope, sigma = line(opened.begin_time[late.index], own_late)
            answer |= {f"pole_{pole}_late_slope_ms_per_year": slope, f"pole_{pole}_late_slope_sigma": sigma}
        inrush = closed.neutral_peak_a
        answer |= {"inrush_median_a": number(inrush.median()), "inrush_max_a": number(inrush.max())}
        slope, sigma = line(closed.begin_time, inrush)
        answer |= {"inrush_slope_a_per_year": slope, "inrush_slope_sigma": sigma}
        answer |= {"early_closings": int((closed.since_opening_s < 300).sum())}
        answer |= {"shortest_open_s": number(closed.since_opening_s.min())}
        answer["charged_closings"] = occurrences(own(events, bank, device), "closed_while_charged")
        yield answer


def sides(spectra, intervals, operations):
    """'in' or 'out' for each spectrum of one bank; None in ten minutes that the switch or the intervals divide."""
    window = 960
    found = []
    for _, ten in spectra.iterrows():
        begin, end = int(ten.frame) - 600 * 4800, int(ten.frame)
        same = intervals[intervals.boot == ten.boot]
        middle = same.frame.astype("int64") - same.windows.astype("int64") * window // 2
        states = set(same.state[(middle > begin) & (middle <= end)])
        side = {"closed": "in", "open": "out"}.get(next(iter(states))) if len(states) == 1 else None
        done = operations[operations.boot == ten.boot].begin_frame if len(operations) else pd.Series(dtype=int)
        found.append(None if ((done > begin) & (done <= end)).any() else side)
    return pd.Series(found, index=spectra.index, dtype=object)


def of_limit(answer, name, values, length, limit):
    known = values.dropna()
    answer[f"{name}_p95_percent"] = float(np.percentile(known, 95)) if len(known) else None
    answer[f"{name}_max_percent"] = number(known.max())
    if limit:
        answer[f"{name}_over_hours"] = float(length[values > limit].sum())


def rise(spectra, side):
    """The harmonic that rises most with the bank, of values at the same hours of the day."""
    orders = range(2, 26)
    recent = spectra.time > spectra.time.max() - pd.Timedelta(days=30)
    good = (spectra.flagged == 0) & side.notna() & recent
    squares = pd.DataFrame(
        {h: (spectra[[f"voltage_{p}_h{h}_percent" for p in "abc"]] ** 2).mean(axis=1) for h in orders}
    )[good]
    frame = squares.groupby([side[good], spectra.time[good].dt.hour])
    means, counts = frame.mean(), frame.size()
    inside, outside = counts.get("in", pd.Series(dtype=int)), counts.get("out", pd.Series(dtype=int))
    both = inside.index.intersection(outside.index)
    values = [int(inside[both].sum()), int(outside[both].sum())]
    answer = {"in_values": values[0], "out_values": values[1], "rising_harmonic": None}
    if min(values) >= 36:
        weight = np.minimum(inside[both], outside[both])
        rms = [np.sqrt((means.loc[s].loc[both].mul(weight, axis=0)).sum() / weight.sum()) for s in ("in", "out")]
        rises = [h for h in orders if rms[0][h] >= 1.2 * rms[1][h] and rms[0][h] - rms[1][h] >= 0.1]
        if rises:
            most = max(rises, key=lambda h: rms[0][h] - rms[1][h])
            answer["rising_harmonic"] = most
            answer |= {"rising_in_percent": float(rms[0][most]), "rising_out_percent": float(rms[1][most])}
    return answer


def stress(intervals, spectra, operations, settings):
    for (bank, device), rows in intervals.groupby(KEY):
        carried = rows[rows.state != "open"]
        good = carried[carried.flagged == 0]
        length = hours(good)
        answer = {"bank": bank, "device": device, "loaded_hours": length.sum()}
        answer["flagged_intervals"] = len(carried) - len(good)
        volts = good[["voltage_a_v", "voltage_b_v", "voltage_c_v"]].max(axis=1)
        of_limit(answer, "voltage", 100 * volts / good.unit_voltage_v, length, 110)
        done = own(operations, bank, device)
        closings = done[(done.action == "closed") & done.voltage_step_pu.notna()] if len(done) else done
        step = closings.voltage_step_pu.median() if len(closings) else np.nan
        answer["resonant_order"] = float(np.sqrt(1 / step)) if step > 0 else None
        ten = own(spectra, bank, device)
        if len(ten):
            side = sides(ten, rows, done)
            if (rows.state == "open").any():
                answer |= rise(ten, side)
                ten = ten[side != "out"]
            flat = ten[ten.flagged == 0]
            # The ten minutes before its end, or all since the start of the logger.
            length = np.minimum(flat.frame.astype("int64"), 600 * 4800) / 4800 / 3600
            answer |= {"spectrum_hours": length.sum(), "flagged_spectra": len(ten) - len(flat)}
            worst = lambda name: flat[[f"{name}_{p}_percent" for p in "abc"]].max(axis=1)
            of_limit(answer, "current", worst("current_loading"), length, 135)
            of_limit(answer, "reactive", worst("reactive_loading"), length, 135)
            of_limit(answer, "thd", worst("thd"), length, None)
            plate = own(settings, bank, device).sort_values(["boot", "sequence"]).iloc[-1]
            unit = plate.system_voltage_v / np.sqrt(3) / plate.unit_voltage_v / 100
            crests = []
            for p in "abc":
                parts = {h: unit * flat[f"voltage_{p}_h{h}_percent"] for h in range(2, 26)}
                rest = flat[f"reactive_loading_{p}_percent"] / 100 - sum(h * v**2 for h, v in parts.items())
                crests.append(100 * (np.sqrt(rest.clip(lower=0)) + sum(parts.values())))
            of_limit(answer, "crest", pd.concat(crests, axis=1).max(axis=1), length, 120)
        yield answer


def visit(device, settings, status, baselines):
    """Last moment at which somebody was there, and what they did."""
    found = []
    plate = settings[settings.device == device].sort_values(["boot", "sequence"])
    head = ["sequence", "boot", "frame", "time", "time_logger", "time_quality", "time_error_s"]
    told = [tuple(None if pd.isna(v) else v for v in row) for row in plate.drop(columns=head).itertuples(index=False)]
    for number_, (row, now) in enumerate(zip(plate.itertuples(), told)):
        if (number_ == 0 and row.boot == 1) or (number_ and told[number_ - 1] != now):
            found.append((row.time, "settings_changed"))
    if len(status):
        for row in status[(status.device == device) & (status.status == "clock_set")].itertuples():
            if json.loads(row.detail)["source"] == "host":
                found.append((row.time, "clock_set"))
    before = None
    if len(baselines):
        for row in baselines[baselines.device == device].sort_values(["boot", "sequence"]).itertuples():
            if (row.state, row.reason) != before:
                if row.reason.endswith("_replaced"):
                    found.append((row.time, "baseline_discarded"))
                elif row.state == "provisional" and row.hours == 0:
                    found.append((row.time, "baseline_learned"))
            before = (row.state, row.reason)
    found = [one for one in found if not pd.isna(one[0])]
    return max(found, key=lambda one: one[0], default=(None, None))


def usage(intervals, operations, events, settings, status, baselines):
    for (bank, device), rows in intervals.groupby(KEY):
        length = hours(rows)
        answer = {"bank": bank, "device": device, "hours": length.sum()}
        for state in ["closed", "open", "partly_closed", "unknown"]:
            answer[f"{state}_hours"] = float(length[rows.state == state].sum())
        plate = own(settings, bank, device).sort_values(["boot", "sequence"]).iloc[-1]
        level = 100 * rows[["voltage_a_v", "voltage_b_v", "voltage_c_v"]].mean(axis=1)
        level = level / (plate.system_voltage_v / np.sqrt(3))
        good = rows.flagged == 0
        for name, is_level in [("low", level < 97.5), ("high", level > 105)]:
            for state in ["closed", "open"]:
                answer[f"{name}_{state}_hours"] = float(length[good & is_level & (rows.state == state)].sum())
        done, own_events = own(operations, bank, device), own(events, bank, device)
        answer |= {"operations": len(done), "untold_operations": int((done.told == 0).sum()) if len(done) else 0}
        for name, condition in [("failed_operations", "failed_to_operate"), ("hunting", "frequent_switching")]:
            answer[name] = occurrences(own_events, condition) if len(own_events) else 0
        last = rows.sort_values(["boot", "frame"]).iloc[-1]
        in_use = rows[rows.state.isin(["closed", "partly_closed"])].time.max()
        when, what = visit(device, settings, status, baselines)
        answer |= {"state": last.state, "visit": what, "visit_time": utc(when) if what else None}
        is_left = what and last.state == "open" and not in_use > when
        left = (rows.time.max() - when) / pd.Timedelta("1h") if is_left else None
        answer["left_open_hours"] = left if left and left > 0 else None
        yield answer


def quality(tables):
    intervals = tables["intervals"]
    ends = sorted(intervals.groupby(KEY).time.max().dropna(), reverse=True)
    end = ends[1] if len(ends) > 2 else ends[0]
    every = pd.concat([tables[name][[*KEY, "sequence", "time"]] for name in TABLES if len(tables[name])])
    for (bank, device), rows in intervals.groupby(KEY):
        all_rows = own(every, bank, device)
        timed = rows[rows.time.notna()].sort_values("time")
        span = (timed.time.max() - timed.time.min()) / pd.Timedelta("1h") + timed.interval_s.iloc[0] / 3600
        covered = hours(timed).sum()
        step = timed.time.diff().max() / pd.Timedelta("1h") - rows.interval_s.max() / 3600
        answer = {"bank": bank, "device": device, "records": len(all_rows), "intervals": len(rows)}
        answer |= {"first_time": utc(all_rows.time.min()), "last_time": utc(all_rows.time.max())}
        answer |= {"flagged_percent": 100 * (rows.flagged > 0).mean(), "covered_hours": covered}
        answer |= {"uncovered_hours": max(0.0, span - covered), "longest_gap_hours": max(0.0, step)}
        for name in ["synced", "corrected", "rtc", "guessed", "unknown"]:
            answer[f"{name}_percent"] = 100 * (rows.time_quality == name).mean()
        answer["time_error_s"] = number(rows.time_error_s.max())
        silent = max(0.0, (end - all_rows.time.max()) / pd.Timedelta("1h"))
        answer |= {"silent_hours": silent, "is_silent": bool(silent > 24)}
        # Of all banks that the logger hung on.
        held = set(every[every.device == device].sequence)
        first = intervals[intervals.device == device].sequence.min()
        missing = [n for n in range(first, max(held)) if n not in held]
        answer["missing_records"] = len(missing)
        answer["gaps"] = sum(1 for n in missing if n - 1 not in missing)
        answer["overwritten_records"] = sum(1 for n in range(min(held), first) if n not in held)
        answer["double_numbers"] = int((every.device == device).sum()) - len(held)
        answer["other_loggers"] = every[(every.bank == bank) & (every.device != device)].device.nunique()
        lost = own(tables["status"], bank, device)
        lost = lost[lost.status == "frames_lost"] if len(lost) else lost
        answer["lost_frames"] = sum(json.loads(detail)["count"] for detail in lost.detail) if len(lost) else 0
        yield answer


def main():
    tables = {name: table(sys.argv[1], name) for name in TABLES}
    intervals, spectra, events = (tables[name] for name in ["intervals", "spectra", "events"])
    operations, settings = tables["operations"], tables["settings"]
    # Nothing happened: nothing to count.
    if not len(operations):
        names = ["bank", "device", "boot", "begin_frame", "begin_time", "action", "told", "since_opening_s"]
        names += ["pole_a_us", "pole_b_us", "pole_c_us", "neutral_peak_a", "voltage_step_pu"]
        operations = pd.DataFrame(columns=names)
        operations["begin_time"] = pd.to_datetime(operations.begin_time, utc=True)
    if not len(events):
        events = pd.DataFrame(columns=["bank", "device", "condition", "boot", "occurrence", "begin_frame"])
    answers = {
        "switching": list(switching(intervals, operations, events)),
        "stress": list(stress(intervals, spectra, operations, settings)),
        "usage": list(usage(intervals, operations, events, settings, tables["status"], tables["baselines"])),
        "quality": list(quality(tables)),
    }
    print(json.dumps(answers, default=float))


if __name__ == "__main__":
    main()
