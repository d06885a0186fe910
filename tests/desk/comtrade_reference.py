"""COMTRADE records of every encoding and scaling, written with struct and read with the package comtrade: the values that a
reader has to find. In the folder given: one record each; on standard output: what is in them, as JSON."""

import itertools
import json
import random
import struct
import sys
from pathlib import Path

import comtrade

folder = Path(sys.argv[1])
random.seed(11)
SAMPLES = 24
# Encoding, its code and the ends of its range, the marker of a missing value.
ENCODINGS = {
    "ASCII": (None, 32_767, 99_999),
    "BINARY": ("h", 32_767, -32_768),
    "BINARY32": ("i", 2_000_000_000, -2_147_483_648),
    "FLOAT32": ("f", 8_000, None),
}
# Unit of voltage and current, multiplier, offset, primary, secondary, side; what makes primary V or A of it.
SCALINGS = {
    "kv_primary": ("kV", "A", 1.25e-3, 0.01, 7200, 120, "P", 1e3, 1.0),
    "v_secondary": ("V", "A", 0.02, -0.5, 7200, 120, "S", 60.0, 60.0),
    "v_primary": ("V", "kA", 0.5, 0.0, 1, 1, "P", 1.0, 1e3),
    "kv_secondary": ("kV", "mA", 2e-5, 0.0, 14400, 115, "S", 14400 / 115 * 1e3, 14400 / 115 * 1e-3),
}
found = []
for (encoding, (code, top, missing)), (scaling, fields), revision in itertools.product(
    ENCODINGS.items(), SCALINGS.items(), (1999, 2013)
):
    if revision == 1999 and encoding in ("BINARY32", "FLOAT32"):
        continue
    volt, ampere, a, b, primary, secondary, side, to_volts, to_amperes = fields
    name = f"{encoding}_{scaling}_{revision}"
    states = 19
    lines = [f"STATION,DEVICE,{revision}", f"{4 + states},4A,{states}D"]
    for number, (channel, phase, unit) in enumerate(
        [("VA", "A", volt), ("VB", "B", volt), ("VC", "C", volt), ("IN", "N", ampere)], 1
    ):
        lines.append(f"{number},{channel},{phase},BANK,{unit},{a},{b},0,{-top},{top},{primary},{secondary},{side}")
    lines += [f"{number},S{number},,,0" for number in range(1, states + 1)]
    lines += ["60", "1", f"4800,{SAMPLES}", "05/03/2026,14:07:09.123456", "05/03/2026,14:07:09.123456", encoding, "1"]
    if revision == 2013:
        lines += ["0,0", "0,0"]
    (folder / f"{name}.cfg").write_bytes("".join(line + "\r\n" for line in lines).encode())
    data = b""
    for sample in range(1, SAMPLES + 1):
        values = [random.uniform(-top, top) if code == "f" else random.randint(-top, top) for _ in range(4)]
        if sample == 7 and missing is not None:
            values[2] = missing
        bits = [random.getrandbits(1) for _ in range(states)]
        stamp = round((sample - 1) / 4800 * 1e6)
        if code is None:
            data += (",".join(map(str, [sample, stamp, *values, *bits])) + "\r\n").encode()
        else:
            words = [sum(bit << place for place, bit in enumerate(bits[at : at + 16])) for at in (0, 16)]
            data += struct.pack(f"<II4{code}2H", sample, stamp, *values, *words)
    (folder / f"{name}.dat").write_bytes(data)
    record = comtrade.Comtrade(use_double_precision=True)
    record.load(str(folder / f"{name}.cfg"), str(folder / f"{name}.dat"))
    assert record.total_samples == SAMPLES and record.ft == encoding
    known = lambda values: [None if value != value else value for value in values]
    factors = [to_volts] * 3 + [to_amperes]
    assert all(channel.pors == side for channel in record.cfg.analog_channels)
    found.append(
        {
            "name": name,
            "analog": [known(values) for values in record.analog],
            "primary": [
                known([value * factor for value in values]) for values, factor in zip(record.analog, factors)
            ],
            "status": [[int(state) for state in states] for states in record.status],
            "start": record.start_timestamp.timestamp() if record.start_timestamp.tzinfo else None,
        }
    )
json.dump(found, sys.stdout)
