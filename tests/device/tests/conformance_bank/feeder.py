"""The IEEE 13-node test feeder with a damaged bank at node 675, solved with OpenDSS.

Feeder data: IEEE PES Distribution System Analysis Subcommittee, 13-bus feeder (impedances in ohm per mile, loads in
kW and kvar, lengths in feet, as published); the distributed load 632–671 stands two thirds at a quarter of the length
and one third at the end. Regulators stand where the published solution has them: node RG60 is held at its published
voltages.

The bank is built of its parts: units in parallel in each phase, series sections in each unit, a star point that a
short wire takes to ground. The neutral current is the current of that wire.

Reads a list of banks as JSON on stdin, each {"held", "units", "sections", "out": [A, B, C], "shorted": [A, B, C]}:
`held` when node 675 is held at its published voltages, `out` units without connection, `shorted` sections of one
unit. Prints as JSON for each: voltages of A, B, C at node 675 in V, currents of A, B, C into the bank and the neutral
current (from star to ground) in A, as [re, im].
"""

import json
import math
import sys

import opendssdirect as dss

BASE = 4160 / math.sqrt(3)
# Published: node, per unit and degrees of A, B, C.
RG60 = [(1.0625, 0.0), (1.0500, -120.0), (1.0687, 120.0)]
NODE_675 = [(0.9835, -5.56), (1.0553, -122.52), (0.9758, 116.03)]

# Configuration: resistance, reactance (lower triangles, ohm per mile), capacitance to ground (nF per mile).
CODES = {
    "601": ("0.3465 | 0.1560 0.3375 | 0.1580 0.1535 0.3414", "1.0179 | 0.5017 1.0478 | 0.4236 0.3849 1.0348", 0),
    "602": ("0.7526 | 0.1580 0.7475 | 0.1560 0.1535 0.7436", "1.1814 | 0.4236 1.1983 | 0.5017 0.3849 1.2112", 0),
    # Phases C, B; then A, C.
    "603": ("1.3238 | 0.2066 1.3294", "1.3569 | 0.4591 1.3471", 0),
    "604": ("1.3238 | 0.2066 1.3294", "1.3569 | 0.4591 1.3471", 0),
    "605": ("1.3292", "1.3475", 0),
    "606": ("0.7982 | 0.3192 0.7891 | 0.2849 0.3192 0.7982", "0.4463 | 0.0328 0.4041 | -0.0143 0.0328 0.4463", 257),
    "607": ("1.3425", "0.5124", 236),
}
# From, to, configuration, feet. The closed switch 671–692 is no line.
LINES = [
    ("rg60.1.2.3", "632.1.2.3", "601", 2000),
    ("632.1.2.3", "quarter.1.2.3", "601", 500),
    ("quarter.1.2.3", "671.1.2.3", "601", 1500),
    ("632.1.2.3", "633.1.2.3", "602", 500),
    ("632.3.2", "645.3.2", "603", 500),
    ("645.3.2", "646.3.2", "603", 300),
    ("671.1.3", "684.1.3", "604", 300),
    ("684.3", "611.3", "605", 300),
    ("684.1", "652.1", "607", 800),
    ("671.1.2.3", "675.1.2.3", "606", 500),
]
# Node, kV across the load, OpenDSS model (1 constant power, 2 impedance, 5 current), kW, kvar.
LOADS = [
    ("634.1", 0.277, 1, 160, 110),
    ("634.2", 0.277, 1, 120, 90),
    ("634.3", 0.277, 1, 120, 90),
    ("645.2", 2.4, 1, 170, 125),
    ("646.2.3", 4.16, 2, 230, 132),
    ("652.1", 2.4, 2, 128, 86),
    ("671.1.2", 4.16, 1, 385, 220),
    ("671.2.3", 4.16, 1, 385, 220),
    ("671.3.1", 4.16, 1, 385, 220),
    ("675.1", 2.4, 1, 485, 190),
    ("675.2", 2.4, 1, 68, 60),
    ("675.3", 2.4, 1, 290, 212),
    ("671.3.1", 4.16, 5, 170, 151),
    ("611.3", 2.4, 5, 170, 80),
]
DISTRIBUTED = [(17, 10), (66, 38), (117, 68)]


def run(line):
    dss.Text.Command(line)


def sources(node, held):
    """Ideal voltages at a node."""
    for phase, (size, degrees) in enumerate(held, 1):
        head = "new circuit.feeder" if phase == 1 else f"new vsource.s{phase}"
        run(
            f"{head} bus1={node}.{phase} phases=1 basekv={BASE / 1000!r} pu={size} angle={degrees} frequency=60"
            " z1=[1e-7 1e-6] z0=[1e-7 1e-6] z2=[1e-7 1e-6]"
        )


def feeder():
    sources("rg60", RG60)
    for name, (r, x, c) in CODES.items():
        phases = r.count("|") + 1
        rows = [" ".join(str(c) if i == j else "0" for j in range(i + 1)) for i in range(phases)]
        run(
            f"new linecode.c{name} nphases={phases} basefreq=60 units=mi rmatrix=({r}) xmatrix=({x})"
            f" cmatrix=({' | '.join(rows)})"
        )
    for n, (begin, end, code, feet) in enumerate(LINES):
        phases = begin.count(".")
        run(f"new line.l{n} phases={phases} bus1={begin} bus2={end} linecode=c{code} length={feet} units=ft")
    run(
        "new transformer.t phases=3 windings=2 xhl=2 wdg=1 bus=633 conn=wye kv=4.16 kva=500 %r=0.55"
        " wdg=2 bus=634 conn=wye kv=0.48 kva=500 %r=0.55"
    )
    loads = list(LOADS)
    for phase, (kw, kvar) in enumerate(DISTRIBUTED, 1):
        loads.append((f"quarter.{phase}", 2.4, 1, kw * 2 / 3, kvar * 2 / 3))
        loads.append((f"671.{phase}", 2.4, 1, kw / 3, kvar / 3))
    for n, (bus, kv, model, kw, kvar) in enumerate(loads):
        # Each model holds at every voltage here.
        run(
            f"new load.d{n} bus1={bus} phases=1 conn={'delta' if bus.count('.') == 2 else 'wye'} kv={kv}"
            f" model={model} kw={kw!r} kvar={kvar!r} vminpu=0.5 vmaxpu=1.5"
        )
    run("new capacitor.at611 bus1=611.3 phases=1 kvar=100 kv=2.4")


def bank(units, sections, out, shorted):
    """600 kvar at 4.16 kV."""
    section = 200e3 / units / (2 * math.pi * 60 * BASE**2) * sections * 1e6
    for phase in range(3):
        for unit in range(units - out[phase]):
            left = sections - (shorted[phase] if unit == 0 else 0)
            ends = [f"675.{phase + 1}"] + [f"p{phase}u{unit}n{n}.1" for n in range(1, left)] + ["star.1"]
            for n in range(left):
                run(
                    f"new capacitor.p{phase}u{unit}s{n} bus1={ends[n]} bus2={ends[n + 1]} phases=1"
                    f" cuf=[{section!r}] kv={BASE / 1000 / sections!r}"
                )
    run("new reactor.neutral bus1=star.1 bus2=star.0 phases=1 r=1e-4 x=0")


def current(element):
    """Into the element at its first terminal."""
    dss.Circuit.SetActiveElement(element)
    re, im = dss.CktElement.Currents()[:2]
    return complex(re, im)


def solve(held, **parts):
    run("clear")
    run("set defaultbasefrequency=60")
    if held:
        sources("675", NODE_675)
    else:
        feeder()
    bank(**parts)
    connected = [range(parts["units"] - out) for out in parts["out"]]
    run("set mode=snapshot controlmode=off tolerance=1e-10 maxiterations=500")
    run("solve")
    assert dss.Solution.Converged(), parts
    dss.Circuit.SetActiveBus("675")
    flat = dss.Bus.Voltages()
    by_node = {node: complex(flat[2 * n], flat[2 * n + 1]) for n, node in enumerate(dss.Bus.Nodes())}
    currents = [sum(current(f"capacitor.p{phase}u{unit}s0") for unit in units) for phase, units in enumerate(connected)]
    return [by_node[1], by_node[2], by_node[3], *currents, current("reactor.neutral")]


if __name__ == "__main__":
    answers = []
    for parts in json.load(sys.stdin):
        solved = solve(**parts)
        answers.append([[value.real, value.imag] for value in solved])
    json.dump(answers, sys.stdout)
