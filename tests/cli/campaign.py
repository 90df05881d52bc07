"""A tiny campaign on disk: a short tube, two thermocouples, logs of a lumped wall."""

from pathlib import Path

import numpy as np

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
"""
RUN = '[[run]]\nname = "{name}"\nlog = "{name}.csv"\nblend = "{blend}"\n'
BURN = 4.0
WALL_LAG = 0.2


def log_rows(h=1500.0, gas=2000.0, peak=5.0, seed=0):
    """Rows of a 10 Hz log: a lumped wall heated while burning, noise of 0.3 K."""
    rng = np.random.default_rng(seed)
    t = np.arange(-2.0, 10.0, 0.1)
    T, out = 20.0, []
    for now in t:
        burning = 0.0 < now <= BURN
        heated = WALL_LAG < now <= BURN + WALL_LAG
        capacity = 7850.0 * 500.0 * (0.014**2 - 0.010**2) / (2.0 * 0.010)
        T += 0.1 * (h * (gas - 273.0 - T) if heated else -20.0 * (T - 20.0)) / capacity
        a, b = T + 0.3 * rng.standard_normal(2)
        out.append(f"{now:.2f},{peak * burning + 0.02 * rng.standard_normal():.3f},{a:.2f},{b:.2f}")
    return out


def write(
    folder: Path, *, runs=(("r1", "bare"), ("r2", "dosed")), material="carbon steel", z="25 mm",
    gas="2000 K +- 100 K", growth="auto", rows=None,
) -> Path:
    """Write the campaign and return its case file."""
    folder.mkdir(parents=True, exist_ok=True)
    text = CASE.format(material=material, z=z, gas=gas, growth=growth)
    for i, (name, blend) in enumerate(runs):
        text += RUN.format(name=name, blend=blend)
        made = log_rows(1500.0 if blend == "bare" else 1350.0, seed=i)
        lines = made if rows is None else rows
        header = "time [s],P [bar(g)],A [degC],B [degC]"
        (folder / f"{name}.csv").write_text("\n".join([header, *lines]) + "\n")
    path = folder / "case.toml"
    path.write_text(text)
    return path
