"""A tiny campaign on disk: a short tube, two thermocouples, logs of a wall of eight rings."""

import re
from functools import cache
from pathlib import Path

import numpy as np

from wallsim.materials import load_solid

CASE = """\
title = "tiny"
[tube]
material = "{material}"
bore = "20 mm"
wall = "4 mm"
length = "80 mm"
outside = {{ ambient = "20 degC" }}
[[sensor]]
name = "A"
z = "{z}"
lag = "0.05 s"
lead_loss = "0 %"
[[sensor]]
name = "B"
z = "55 mm"
lag = "0.05 s"
lead_loss = "0 %"
[pressure]
channel = "P"
[blend.bare]
gas_temperature = "{gas}"
[blend.dosed]
like = "bare"
deposit = {{ growth = "{growth}" }}
[fit]
tolerance = "1 K"
"""
RUN = '[[run]]\nname = "{name}"\nlog = "{name}.csv"\nblend = "{blend}"\n'
AMBIENT = 293.15
BURN = (0.05, 4.05)
RESISTANCE = 1.5e-4
CELLS = 8
STEP = 0.004


@cache
def log_rows(resistance=0.0, *, h=1500.0, gas=2000.0, seed=0, growth=lambda share: share):
    """Rows of a 10 Hz log: a steel wall of rings, noise of 0.3 K.

    The deposit has grown to ``growth`` of its resistance after a ``share`` of the burn.
    """
    rng = np.random.default_rng(seed)
    r = np.linspace(0.010, 0.014, CELLS + 1)
    volume = 0.5 * (r[1:] ** 2 - r[:-1] ** 2)
    steel = load_solid("carbon steel")
    T, reading, out = np.full(CELLS, AMBIENT), AMBIENT, []
    for i in range(round(9.0 / STEP)):
        t = i * STEP - 2.0
        burning = BURN[0] <= t < BURN[1]
        if i % round(0.1 / STEP) == 0:
            P = 5.0 * burning + 0.02 * rng.standard_normal()
            A, B = reading - 273.15 + 0.3 * rng.standard_normal(2)
            out.append(f"{t:.2f},{P:.3f},{A:.2f},{B:.2f}")
        since = t - BURN[0]
        R = resistance * growth(since / (BURN[1] - BURN[0]))
        U = 1.0 / (1.0 / h + R) if burning else 50.0
        T_gas = AMBIENT + (gas - AMBIENT) * -np.expm1(-since / 0.1) if burning else AMBIENT
        k = steel.conductivity(T)
        flow = np.zeros(CELLS + 1)
        flow[0] = r[0] * U * (T_gas - T[0])
        flow[1:-1] = -r[1:-1] * 0.5 * (k[1:] + k[:-1]) * np.diff(T) / (r[1] - r[0])
        flow[-1] = r[-1] * (10.0 * (T[-1] - AMBIENT) + 4.5e-8 * (T[-1] ** 4 - AMBIENT**4))
        T = T - STEP * np.diff(flow) / (volume * steel.density * steel.specific_heat(T))
        reading += STEP / 0.05 * (T[-1] - reading)
    return tuple(out)


def _aside(row, by):
    """Return a row with its last reading moved: no two firings have the same log."""
    rest, comma, last = row.rpartition(",")
    if not (by and comma and re.fullmatch(r"-?\d+\.\d+", last)):
        return row
    return f"{rest},{float(last) + by:.{len(last.partition('.')[2])}f}"


def write(
    folder: Path, *, runs=(("r1", "bare"), ("r2", "dosed")), material="carbon steel", z="25 mm",
    gas="2000 K +- 40 K", growth="auto", rows=None,
) -> Path:
    """Write the campaign and return its case file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = CASE.format(material=material, z=z, gas=gas, growth=growth)
    for i, (name, blend) in enumerate(runs):
        text += RUN.format(name=name, blend=blend)
        lines = [_aside(row, 0.01 * i) for row in rows or ()]
        if rows is None:
            lines = log_rows(0.0 if blend == "bare" else RESISTANCE, seed=i)
        header = "time [s],P [bar(g)],A [degC],B [degC]"
        (folder / f"{name}.csv").write_text("\n".join([header, *lines]) + "\n")
    path = folder / "case.toml"
    path.write_text(text)
    return path
