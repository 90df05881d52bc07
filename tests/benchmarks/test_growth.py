"""Cost and memory against the number of unknowns, each size in a process of its own."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]
BANDED = [(6, n_z, 120) for n_z in (120, 480, 1920, 11520)]
SPARSE = [(24, n_z, 32) for n_z in (32, 128, 512, 3072)]
STEEPEST = 1.15


def measured(size):
    command = [sys.executable, "-m", "tests.benchmarks.growth", *map(str, size)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


@pytest.mark.parametrize(("sizes", "band"), [(BANDED, True), (SPARSE, False)],
                         ids=["banded", "sparse"])
def test_cost_is_linear_from_three_thousand_to_three_hundred_thousand_unknowns(sizes, band):
    """Asked: time and memory with an exponent of at most 1.15, and the largest march finishes.

    Longer walls of equal cells; the sparse factor is taken where 24 cells across make the band
    wide. The smallest wall hardly shows in a process's memory, and is left out there.
    """
    rows = [measured(size) for size in sizes]
    n = np.array([row["unknowns"] for row in rows])
    assert all(row["band"] is band for row in rows)
    assert n[0] < 3500
    assert n[-1] > 290_000
    slopes = {}
    for what, unit in (("step", "ms"), ("set-up", "ms"), ("memory", "MB")):
        values = np.array([row[what] for row in rows])
        first = 1 if what == "memory" else 0
        slopes[what] = np.polyfit(np.log(n[first:]), np.log(values[first:]), 1)[0]
        scaled = values * (1e3 if unit == "ms" else 1e-6)
        print(f"\n{what}: {', '.join(f'{v:.4g}' for v in scaled)} {unit} at "
              f"{', '.join(map(str, n))} unknowns: exponent {slopes[what]:.2f}", end="")
    assert max(slopes.values()) <= STEEPEST, slopes
