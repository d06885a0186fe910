"""The same counts that the firmware measured, measured again with numpy and scipy in double precision.

For each name given: NAME.counts (little-endian i32, four channels a frame), NAME.json (what they mean, and the limits) and
NAME.jsonl (what the firmware said: windows and sags). Prints the worst differences; ends with 1 if one is beyond its limit.
"""

import json
import sys

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares

HARMONICS = 25
SETTLED_S = 1.0
A = np.exp(2j * np.pi / 3)

worst = {}
failures = []


def compare(name, quantity, measured, truth, limit):
    if measured is None:
        failures.append(f"{name}: {quantity} is missing")
        return
    error = abs(measured - truth)
    if not error <= worst.get(quantity, (0.0,))[0]:
        worst[quantity] = (error, name)
    if not error <= limit:
        failures.append(f"{name}: {quantity} {measured}, numpy and scipy {truth}, off by {error}, allowed {limit}")


def frequency(volts, rate, guess):
    """Of three phases together: fundamental and harmonics by least squares, and the frequency that leaves the least."""
    t = (np.arange(len(volts)) - len(volts) / 2) / rate
    orders = np.arange(1, HARMONICS + 1)

    def left(x):
        turns = 2 * np.pi * np.outer(t, orders * x[0])
        basis = np.hstack([np.cos(turns), np.sin(turns), np.ones((len(t), 1))])
        fit, *_ = np.linalg.lstsq(basis, volts, rcond=None)
        return (volts - basis @ fit).ravel()

    return least_squares(left, [guess], x_scale=1e-3, xtol=1e-14, ftol=1e-15, gtol=1e-15).x[0]


def windows(name, head, values, said):
    cycles, frames, limits = head["cycles"], head["frames"], head["limits"]
    judged = 0
    for window in said:
        first = window["first"]
        begin = round(first)
        if first < SETTLED_S * head["rate"] or begin + frames > len(values):
            continue
        judged += 1
        run = values[begin : begin + frames]
        hz = frequency(run[:, :3], head["rate"], cycles * head["rate"] / frames)
        distorted = "harm" in head["name"] or "10 %" in head["name"]
        limit = limits["FrequencyDistorted" if distorted else "Frequency"]
        compare(name, "frequency, mHz", 1e3 * window["frequency"], 1e3 * hz, limit)
        rms = np.sqrt(np.mean(run**2, axis=0))
        bins = np.sqrt(2) * np.fft.rfft(run, axis=0) / frames
        # IEC 61000-4-7: the bin of the harmonic and the two beside it.
        groups = np.array(
            [
                np.sqrt(np.sum(np.abs(bins[cycles * h - 1 : cycles * h + 2]) ** 2, axis=0))
                for h in range(1, HARMONICS + 1)
            ]
        )
        va, vb, vc, neutral = bins[cycles]
        a = np.conj(A) if window["acb"] else A
        positive, negative = (va + a * vb + a**2 * vc) / 3, (va + a**2 * vb + a * vc) / 3
        zero = (va + vb + vc) / 3
        back = np.conj(positive) / abs(positive)
        for channel in range(4):
            compare(name, "rms, %", 100 * window["rms"][channel], 100 * rms[channel], limits["Rms"])
            truth = bins[cycles][channel] * back
            if abs(truth) > 0.05 and abs(hz - head["nominal"]) <= 5:
                measured = complex(*window["phasors"][channel])
                tve = 100 * abs(measured - truth) / abs(truth)
                compare(name, "phasor, % TVE", tve, 0.0, limits["Tve"])
            for order in range(2, HARMONICS + 1):
                truth = groups[order - 1, channel]
                measured = window["harmonics"][channel][order - 1]
                if truth >= 0.01:
                    error = 100 * (measured / truth - 1)
                    compare(name, "harmonics, % of reading", error, 0.0, limits["HarmonicLarge"])
                else:
                    error = 100 * (measured - truth)
                    compare(name, "harmonics, % of nominal", error, 0.0, limits["HarmonicSmall"])
        for phase in range(3):
            if groups[0, phase] > 0.05:
                thd = 100 * np.sqrt(np.sum(groups[1:, phase] ** 2)) / groups[0, phase]
                limit = limits["Thd"] * max(1.0, thd / 5.0) / groups[0, phase]
                compare(name, "THD, points", window["thd"][phase], thd, limit)
        unbalance = [100 * abs(negative / positive), 100 * abs(zero / positive)]
        if max(unbalance) < 5.5:
            compare(name, "u2, points", window["u2"], unbalance[0], limits["Unbalance"])
            compare(name, "u0, points", window["u0"], unbalance[1], limits["Unbalance"])
    if judged < 4:
        failures.append(f"{name}: only {judged} windows")


def sags(name, head, values, said):
    """Residual voltages by Urms(1/2) of IEC 61000-4-30 (from memory): one cycle from a zero crossing, each half cycle."""
    rate = head["rate"]
    settled = values[int(0.2 * rate) : int(1.1 * rate), :3]
    hz = frequency(settled, rate, head["nominal"] if head["nominal"] == 60 else 48.7)
    lowest = []
    for channel in range(3):
        # The fundamental's angle at frame 0, from the second before the first sag.
        n = np.arange(int(0.2 * rate), int(0.2 * rate) + len(settled))
        turns = 2 * np.pi * hz * n / rate
        fit, *_ = np.linalg.lstsq(
            np.stack([np.cos(turns), np.sin(turns)], axis=1), settled[:, channel], rcond=None
        )
        angle = np.arctan2(-fit[1], fit[0])
        first = (np.pi / 2 - angle) / (2 * np.pi * hz) * rate
        half = 0.5 * rate / hz
        starts = first + half * np.arange(4, int((len(values) - 4 * half) / half))
        energy = CubicSpline(np.arange(len(values)), values[:, channel] ** 2).antiderivative()
        lowest.append((starts, np.sqrt((energy(starts + 2 * half) - energy(starts)) / (2 * half))))
    judged = 0
    for sag in said:
        if sag["end"] - sag["begin"] < 1.9 * rate / hz:
            continue
        judged += 1
        near = [
            rms[(starts > sag["begin"] - 2.5 * rate / hz) & (starts < sag["end"] + rate / hz)].min()
            for starts, rms in lowest
        ]
        compare(name, "residual of a sag, %", 100 * sag["residual"], 100 * min(near), 0.1)
    if judged < 10:
        failures.append(f"{name}: only {judged} sags")


for name in sys.argv[1:]:
    with open(name + ".json", encoding="utf-8") as file:
        head = json.load(file)
    with open(name + ".jsonl", encoding="utf-8") as file:
        said = [json.loads(line) for line in file]
    counts = np.fromfile(name + ".counts", dtype="<i4").reshape(-1, 4)
    values = counts / np.array(head["counts_per_unit"])
    title = f"{name} ({head['name']})"
    if head["frames"]:
        windows(title, head, values, [line for line in said if line["type"] == "window"])
    else:
        sags(title, head, values, [line for line in said if line["type"] == "sag"])

for quantity, (error, name) in sorted(worst.items()):
    print(f"{quantity:26} {error:.2e}  {name}")
if failures:
    sys.exit("\n".join(failures[:12]) + f"\n{len(failures)} beyond their limits")
