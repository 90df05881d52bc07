"""What wallsim refuses, seed after seed: one firing whose deposit does not change.

Gas-side coefficient, deposit, gas temperature and noise are drawn from the seed; the logs are
those of the tiny campaign, a wall of eight rings.
"""

import re
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import log_rows, write
from tests.statistics.campaigns import Here
from wallsim.estimate.identify import has_value

SEEDS = range(50)
FEW_SEEDS = range(5)
OF_A_DEPOSIT = ("resistance", "thickness", "heat_load", "upper_limit_m2K_W")


def constant(share):
    return 1.0


def linear(share):
    return share


def saturating(share):
    return np.expm1(-3.0 * share) / np.expm1(-3.0)


def drawn(seed):
    """Return gas-side coefficient [W/(m^2 K)], resistance [m^2 K/W] and gas temperature [K]."""
    rng = np.random.default_rng([seed, 7])
    h, R = 1500.0 * np.exp(0.3 * rng.standard_normal()), 2e-4 * np.exp(0.4 * rng.standard_normal())
    return float(h), float(R), float(2000.0 + 40.0 * rng.standard_normal())


def result(seed, grows, growth, bare=0):
    """Fit one dosed firing, and ``bare`` firings; return document and exit code."""
    h, R, gas = drawn(seed)
    runs = [("dosed", "dosed"), *((f"bare{i}", "bare") for i in range(bare))]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = write(folder, runs=runs, growth=growth, rows=[])
        for i, (run, blend) in enumerate(runs):
            rows = log_rows(R if blend == "dosed" else 0.0, h=h, gas=gas, seed=100 * seed + i,
                            growth=grows)
            text = "\n".join(["time [s],P [bar(g)],A [degC],B [degC]", *rows])
            (folder / f"{run}.csv").write_text(f"{text}\n", encoding="utf-8")
        fit = wallsim.fit(wallsim.load_case(path), executor=Here())
    return fit.document, fit.exit_code


def numbers(node, place=""):
    """Return where a part of a document holds numbers."""
    if isinstance(node, dict):
        return [at for key, item in node.items() for at in numbers(item, f"{place}.{key}")]
    if isinstance(node, list):
        return [at for item in node for at in numbers(item, f"{place}[]")]
    return [place] if isinstance(node, int | float) and not isinstance(node, bool) else []


def printed(document):
    """Return where the document of one dosed firing says how much R, its thickness or h is."""
    wanted = "|".join(OF_A_DEPOSIT)
    deposit = document["blends"]["dosed"]["deposit"]
    told = {key: item for key, item in deposit.items() if "combined" not in key}
    parts = {
        "deposit": {key: item for key, item in told.items() if re.search(wanted, key)},
        "in_time": deposit["in_time"]["mean_resistance_m2K_W"],
        "runs": [run["deposit"] for run in document["runs"].values()],
        "comparisons": [
            document["comparisons"][key] for key in ("pairs", "ranking", "per_silicon")
        ],
        "quick_looks": document["quick_looks"]["blends"],
        "intervals": [
            entry for entry in document["intervals"]["readouts"]
            if re.search(wanted, entry["quantity"])
        ],
        "h": document["gas_side"]["coefficient_W_m2K"],
        "parameters": [
            (p["estimate"], p["sd"]) for p in document["parameters"]
            if p["name"].startswith(("R dosed at ", "h at "))
        ],
    }
    return numbers(parts)


def misses(growth, seed):
    """Return what is amiss in the refusal of one firing with a constant deposit."""
    document, exit_code = result(seed, constant, growth)
    deposit = document["blends"]["dosed"]["deposit"]
    out = [f"seed {seed}: {at} is a number" for at in printed(document)]
    if deposit["identifiable"]:
        out.append(f"seed {seed}: identifiable")
    if "Add a bare firing" not in deposit["reason"]:
        out.append(f"seed {seed}: reason {deposit['reason']!r}")
    if exit_code != 5:
        out.append(f"seed {seed}: exit code {exit_code}")
    return out


def value(grows, bare, seed):
    """Return whether a growing deposit has a value."""
    return has_value(result(seed, grows, "auto", bare)[0]["blends"]["dosed"]["deposit"])


def spread(function, seeds):
    """Return ``function`` of each seed, worked out by two processes."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return list(pool.map(function, seeds))


@pytest.mark.slow
@pytest.mark.parametrize("growth", ["auto", "constant"])
def test_one_firing_with_a_constant_deposit_is_refused_whatever_the_seed(growth):
    assert [miss for one in spread(partial(misses, growth), SEEDS) for miss in one] == []


@pytest.mark.slow
@pytest.mark.parametrize(("bare", "grows"), [
    (0, linear), (1, linear), (1, saturating),
    pytest.param(0, saturating, marks=pytest.mark.xfail(
        reason="without a bare firing one of five is refused since the exponent of growth is "
        "expected at 0.7: a fast start may be any deposit")),
])
def test_a_deposit_that_grows_is_not_refused(grows, bare):
    assert spread(partial(value, grows, bare), FEW_SEEDS) == [True] * len(FEW_SEEDS)
