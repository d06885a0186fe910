"""A recording of a real sag, and what numpy finds in it.

`fetch FOLDER`: puts it there (60 Hz, 13.8 kV, 5760 samples/s: in the sdist of pyComtrade 0.2.0, GPL, so it is never kept in
this repository) and prints the path of its .cfg file.
`evaluate RECORD.cfg REPLAY.jsonl`: evaluates each window of the replay over the window's own span of time, from the raw
samples in double precision, and prints one JSON object a window.
"""

import hashlib
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np

SDIST = "pyComtrade==0.2.0"
SHA256 = "85e40c1586aa091241795320d1cfdfb411cf5013d2fdc18dab893394b8596bd9"
RATE = 5760.0


def fetch(folder):
    file = folder / "pyComtrade-0.2.0.zip"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-m", "pip", "download", "--quiet", "--no-binary", ":all:", "--no-deps", SDIST]
        subprocess.run([*words, "--dest", str(folder)], check=True, stdout=subprocess.DEVNULL)
    found = hashlib.sha256(file.read_bytes()).hexdigest()
    assert found == SHA256, f"{file} has SHA-256 {found}: not the recording; remove it"
    with zipfile.ZipFile(file) as archive:
        for end in ("cfg", "dat"):
            data = archive.read(f"pyComtrade-0.2.0/examples/test_data2/test2.{end}")
            (folder / f"recording.{end}").write_bytes(data)
    print(folder / "recording.cfg")


def voltages(cfg):
    """The first three channels in V."""
    lines = cfg.read_text().splitlines()
    scale = [float(line.split(",")[5]) for line in lines[2:5]]
    row = np.dtype([("number", "<u4"), ("stamp", "<u4"), ("analog", "<i2", 26), ("status", "u1", 2)])
    data = np.frombuffer(cfg.with_suffix(".dat").read_bytes(), dtype=row)
    return np.array([data["analog"][:, phase] * factor * 1000 for phase, factor in enumerate(scale)])


def between(values, times):
    """The band-limited wave at these times: sinc under a Kaiser window of 64 samples."""
    half = 32
    place = times * RATE
    base = np.floor(place).astype(int)
    out = np.zeros(len(times))
    for step in range(1 - half, half + 1):
        away = place - (base + step)
        window = np.i0(8 * np.sqrt(np.clip(1 - (away / half) ** 2, 0, 1))) / np.i0(8)
        out += values[np.clip(base + step, 0, len(values) - 1)] * np.sinc(away) * window
    return out


def evaluate(cfg, replay):
    volts = voltages(cfg)
    turn = np.exp(2j * np.pi / 3)
    for line in replay.read_text().splitlines():
        window = json.loads(line)
        if window["type"] != "window":
            continue
        points = 4096
        length = 12 / (window["frequency_hz"] or 60.0)
        times = window["t_s"] + np.arange(points) * length / points
        waves = np.array([between(phase, times) for phase in volts])
        bins = np.fft.rfft(waves, axis=1) / points * np.sqrt(2)
        a, b, c = bins[:, 12]
        positive = (a + turn * b + turn**2 * c) / 3
        harmonics = [
            [float(np.sqrt((abs(phase[12 * order - 1 : 12 * order + 2]) ** 2).sum())) for order in range(1, 26)]
            for phase in bins
        ]
        print(
            json.dumps(
                {
                    "t_s": window["t_s"],
                    "voltage_v": list(np.sqrt((waves**2).mean(axis=1))),
                    "u2_percent": 100 * abs((a + turn**2 * b + turn * c) / 3 / positive),
                    "u0_percent": 100 * abs((a + b + c) / 3 / positive),
                    "harmonics_v": harmonics,
                }
            )
        )


if sys.argv[1] == "fetch":
    fetch(Path(sys.argv[2]))
else:
    evaluate(Path(sys.argv[2]), Path(sys.argv[3]))
