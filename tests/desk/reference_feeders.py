#!/usr/bin/env python3
"""Events of feeders and rates of alarms computed again from the same Parquet, by pandas and numpy (see reference.py), after
what host/STORE.md says of an event: every episode is held against every other one, without ours' short cuts. Loggers are in
their first start: what has no end goes on. Prints one JSON object: {"feeder_events": [...], "rates": [...]}.

usage: reference_feeders.py STORE"""

import json
import pathlib
import sys
import tomllib

import numpy as np
import pandas as pd

from reference import identity, table, utc

KEY = ["device", "boot", "occurrence", "condition", "begin_frame"]
SHAPES = ["sag", "swell", "interruption", "open_phase_upstream", "energised_with_feeder"]
# Of the feeder, or of what the switch did: they take no bank away.
NOT_OF_THE_BANK = [
    "sag", "swell", "overvoltage", "capacitor_overload", "phase_rotation_reversed", "open_phase_upstream", "undervoltage",
    "voltage_unbalance", "closed_while_charged", "restrike", "unexpected_operation", "frequent_switching",
    "energised_with_feeder",
]
FRAMES_S = 4800.0
WINDOW_S, UNKNOWN_ERROR_S = 5.0, 600.0


def occurrences(intervals, events):
    """A row an alarm."""
    assert (events.boot == 1).all()
    changes = events.sort_values("frame", kind="stable")
    rows = changes.groupby(KEY, sort=False).agg(
        bank=("bank", "first"),
        route=("route", "first"),
        phases=("phases", "last"),
        begin=("begin_time", "first"),
        error_s=("time_error_s", "first"),
        **{f"voltage_{p}_v": (f"voltage_{p}_v", "last") for p in "abc"},
    ).reset_index()
    ended = changes[changes.change == "ended"].groupby(KEY).end_frame.first().rename("end_frame").reset_index()
    rows = rows.merge(ended, on=KEY, how="left")
    last = intervals.groupby(["device", "boot"]).frame.max().rename("last_frame").reset_index()
    rows = rows.merge(last, on=["device", "boot"], how="left")
    rows["is_open"] = rows.end_frame.isna()
    until = rows.end_frame.astype(float).fillna(rows.last_frame.astype(float))
    rows["duration_s"] = ((until - rows.begin_frame.astype(float)) / FRAMES_S).fillna(0.0).clip(lower=0.0)
    rows["id"] = [
        identity(row.device, row.condition, row.boot, row.occurrence, row.begin_frame) for row in rows.itertuples()
    ]
    return rows


def seconds(moment):
    return None if pd.isna(moment) else round(moment.timestamp() * 1000) / 1000


class Episode:
    """What one logger saw on end."""

    def __init__(self, rows, nominal, feeders):
        first = rows[0]
        self.rows, self.device, self.bank = rows, first.device, first.bank
        self.feeder = feeders.get(first.bank)
        self.begin, self.error_s = seconds(first.begin), None if pd.isna(first.error_s) else first.error_s
        self.is_open = any(row.is_open for row in rows)
        # A bank that comes back says nothing of how deep it was.
        deep = [row for row in rows if row.condition != "energised_with_feeder"]
        self.phases = sorted({letter for row in deep for letter in row.phases})
        ends = [row.begin_frame / FRAMES_S + row.duration_s for row in deep or rows]
        self.duration_s = max(ends) - first.begin_frame / FRAMES_S
        self.depths = []
        for phase in "abc":
            known = [getattr(row, f"voltage_{phase}_v") / nominal.get((row.bank, row.device), np.nan) for row in deep]
            known = [value for value in known if not np.isnan(value)]
            self.depths.append(max(known, key=lambda value: abs(value - 1), default=None))

    def slack(self):
        return UNKNOWN_ERROR_S if self.error_s is None else self.error_s

    def unlike(self, other):
        if self.phases != other.phases or self.is_open != other.is_open:
            return None
        off = []
        if not self.is_open:
            allowed = max(0.1 * max(self.duration_s, other.duration_s), 0.06)
            off.append(abs(self.duration_s - other.duration_s) / allowed)
        pairs = zip(self.depths, other.depths)
        off += [abs(a - b) / 0.1 for a, b in pairs if a is not None and b is not None]
        window = WINDOW_S + self.slack() + other.slack()
        off.append(abs(self.begin - other.begin) / window)
        return sum(off) if max(off) <= 1 else None


def episodes(seen, nominal, feeders):
    seen = seen.assign(place=[SHAPES.index(name) for name in seen.condition])
    seen = seen.sort_values(["begin_frame", "place"])
    found = []
    for _, rows in seen.groupby(["device", "bank", "boot"]):
        end = None
        for row in rows.itertuples():
            if end is None or row.begin_frame > end + 0.25 * FRAMES_S:
                found.append([])
                end = None
            if end is None or row.condition != "energised_with_feeder":
                end = max(end or 0.0, row.begin_frame + row.duration_s * FRAMES_S)
            found[-1].append(row)
    return [Episode(rows, nominal, feeders) for rows in found]


def clusters(found):
    alone = [[one] for one in found if one.feeder is None or one.begin is None]
    together = []
    rest = [one for one in found if one.feeder is not None and one.begin is not None]
    for one in sorted(rest, key=lambda one: (one.begin, one.device)):
        choices = []
        for place, cluster in enumerate(together):
            if cluster[0].feeder != one.feeder or one.device in [member.device for member in cluster]:
                continue
            unlike = cluster[0].unlike(one)
            if unlike is not None:
                choices.append((unlike, -place))
        if choices:
            together[-min(choices)[1]].append(one)
        else:
            together.append([one])
    return alone + together


def middle(values):
    values = [value for value in values if value is not None]
    return float(np.median(values)) if values else None


def event_of(cluster):
    rows = [row for one in cluster for row in one.rows]
    best = min(cluster, key=lambda one: (one.begin is None, np.inf if one.error_s is None else one.error_s))
    earliest = min(cluster, key=lambda one: (one.begin or 0.0, one.device))
    begins = [one.begin for one in cluster if one.begin is not None]
    names = {row.condition for row in rows}
    event = {"id": earliest.rows[0].id, "feeder": best.feeder, "begin": best.begin, "time_error_s": best.error_s}
    event["begin_time"] = utc(best.rows[0].begin)
    event["duration_s"] = middle([one.duration_s for one in cluster])
    event["conditions"] = ", ".join(name for name in SHAPES if name in names)
    event["phases"] = "".join(sorted({letter for one in cluster for letter in one.phases}))
    for place, phase in enumerate("abc"):
        event[f"voltage_{phase}_pu"] = middle([one.depths[place] for one in cluster])
    event["names"] = sorted({one.bank for one in cluster})
    event |= {"banks": "; ".join(event["names"]), "seen_by": len(event["names"])}
    event["spread_s"] = max(begins) - min(begins) if begins else None
    event["is_open"] = any(one.is_open for one in cluster)
    event["lost"] = set()
    return event


def find_lost(alarms, events, feeders):
    def slack(error):
        return WINDOW_S + (UNKNOWN_ERROR_S if error is None or pd.isna(error) else error)

    for alarm in alarms[alarms.is_open & alarms.begin.notna()].itertuples():
        is_lost = alarm.condition not in NOT_OF_THE_BANK and alarm.route != "log_only"
        if not is_lost and alarm.condition != "interruption":
            continue
        choices, feeder = [], feeders.get(alarm.bank)
        for place, event in enumerate(events):
            is_here = event["feeder"] == feeder and (feeder is not None or alarm.bank in event["names"])
            if not is_here or event["conditions"] == "swell" or event["begin"] is None:
                continue
            both = slack(alarm.error_s) + slack(event["time_error_s"])
            since = seconds(alarm.begin) - event["begin"]
            late = max(since - event["duration_s"] - both, 0.0)
            if since >= -both and late <= 600.0:
                choices.append((late, -event["begin"], place))
        if choices:
            text = f"{alarm.bank}: {alarm.condition.replace('_', ' ')} {alarm.phases}".strip()
            events[min(choices)[2]]["lost"].add(text)


def feeder_events(alarms, settings, feeders):
    volts = settings.groupby(["bank", "device"]).system_voltage_v.last() / np.sqrt(3)
    seen = alarms[alarms.condition.isin(SHAPES)]
    events = [event_of(cluster) for cluster in clusters(episodes(seen, volts.to_dict(), feeders))]
    events.sort(key=lambda event: (event["begin"] or 0.0, event["id"]))
    find_lost(alarms, events, feeders)
    on = [feeders.get(bank) for bank in settings.bank.unique()]
    for event in events:
        event["feeder_banks"] = on.count(event["feeder"]) if event["feeder"] is not None else None
        event["did_not_come_back"] = "; ".join(sorted(event["lost"])) or None
    return events


YEAR_MS = 365.25 * 86_400_000


def rates(intervals, alarms, events, feeders):
    spans = intervals.groupby("bank").time.agg(["min", "max"])
    years = (spans["max"] - spans["min"]) / pd.Timedelta(milliseconds=YEAR_MS)

    def repeated(own):
        begins = own[own.condition == "blown_fuse"].begin.dropna().sort_values()
        return bool((begins.diff().dropna() <= pd.Timedelta(milliseconds=YEAR_MS)).any())

    def line(level, bank, feeder, banks, seen):
        own = alarms[alarms.bank.isin(banks)]
        first, last = spans["min"][banks].min(), spans["max"][banks].max()
        time, event_time = years[banks].sum(), (last - first) / pd.Timedelta(milliseconds=YEAR_MS)
        answer = {"level": level, "bank": bank, "feeder": feeder, "years": time}
        answer |= {"first_time": utc(first), "last_time": utc(last)}
        for route in ["hazard", "crew", "engineer", "log_only"]:
            answer[route] = int((own.route == route).sum())
            answer[f"{route}_per_year"] = answer[route] / time if time >= 30 / 365.25 else None
        answer["voltage_events"] = seen
        answer["voltage_events_per_year"] = seen / event_time if event_time >= 30 / 365.25 else None
        fuses = own[own.condition == "blown_fuse"].sort_values(["begin", "phases"])
        answer |= {"fuse_operations": len(fuses), "fuse_phases": ", ".join(fuses.phases) or None}
        answer["repeated_fuse"] = any(repeated(own[own.bank == name]) for name in banks)
        return answer

    for bank in spans.index:
        yield line("bank", bank, feeders.get(bank), [bank], sum(bank in event["names"] for event in events))
    for feeder in sorted({feeders[bank] for bank in spans.index if bank in feeders}):
        banks = [bank for bank in spans.index if feeders.get(bank) == feeder]
        yield line("feeder", None, feeder, banks, sum(event["feeder"] == feeder for event in events))


def main():
    register = tomllib.loads(pathlib.Path(sys.argv[1], "banks.toml").read_text())["bank"]
    feeders = {bank["name"]: bank["feeder"] for bank in register if "feeder" in bank}
    intervals = table(sys.argv[1], "intervals")
    alarms = occurrences(intervals, table(sys.argv[1], "events"))
    events = feeder_events(alarms, table(sys.argv[1], "settings"), feeders)
    lines = list(rates(intervals, alarms, events, feeders))
    private = ["begin", "names", "lost"]
    events = [{name: value for name, value in event.items() if name not in private} for event in events]
    print(json.dumps({"feeder_events": events, "rates": lines}, default=float, allow_nan=False))


if __name__ == "__main__":
    main()
