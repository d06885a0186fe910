"""Least squares with numpy, in double precision, of the windows that the recursive estimator took.

Reads {"windows": [[A, B, C, neutral], …], "ratio", "common", "longest"} as JSON on stdin, phasors as [re, im] per
unit; `ratio` is the frequency over the rated one, `common` the common part that the differences are sought against.
Prints as JSON the differences of the three connected capacitances from it:

"stacked": of all windows in one least-squares problem, the shortest solution; a window's weight is that of the
estimator, which is the plain mean of up to `longest` windows and then forgets by that share; "each": of each window
alone, averaged with the same weights.
"""

import json
import sys

import numpy as np


def rows(window, ratio, common):
    """Real and imaginary part of j·ratio·Σ Δy·(V − V0) = neutral − j·ratio·common·ΣV, for Δy without a common part."""
    values = np.array([complex(re, im) for re, im in window])
    volts, neutral = values[:3], values[3]
    unit = 1j * ratio * (volts - volts.mean())
    residual = neutral - 1j * ratio * common * volts.sum()
    return np.stack([unit.real, unit.imag]), np.array([residual.real, residual.imag])


def weights(count, longest):
    weight = np.zeros(count)
    for n in range(count):
        share = 1 / min(n + 1, longest)
        weight[:n] *= 1 - share
        weight[n] = share
    return weight


def shortest(matrix, right):
    return np.linalg.lstsq(matrix, right, rcond=1e-9)[0]


question = json.load(sys.stdin)
systems = [rows(window, question["ratio"], question["common"]) for window in question["windows"]]
weight = weights(len(systems), question["longest"])
root = np.sqrt(weight)
stacked = shortest(
    np.vstack([matrix * r for (matrix, _), r in zip(systems, root)]),
    np.concatenate([right * r for (_, right), r in zip(systems, root)]),
)
each = sum(shortest(matrix, right) * w for (matrix, right), w in zip(systems, weight))
json.dump({"stacked": stacked.tolist(), "each": each.tolist()}, sys.stdout)
