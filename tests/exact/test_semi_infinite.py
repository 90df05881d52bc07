"""Semi-infinite solid whose surface is suddenly in a hotter gas.

Carslaw & Jaeger, Conduction of Heat in Solids (2nd ed. 1959), section 2.7 (number from memory).
"""

import numpy as np
import pytest
from scipy.special import erfc, erfcx

from tests.exact.bodies import graded, metal, run, slab

BIOT = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
XI = np.array([0.0, 0.1, 0.25, 0.5, 0.75, 1.0, 1.5])


def rise(B, xi):
    """Return the rise over that of the gas; B = h sqrt(a t)/k, xi = x/(2 sqrt(a t))."""
    return erfc(xi) - np.exp(-(xi**2)) * erfcx(xi + B)


def test_closed_form_equals_the_tabulated_values():
    """Row B = 1 summed to nine digits."""
    row = [0.572416424, 0.489803908, 0.378135957, 0.229049148, 0.126472081, 0.0633443884,
           0.0116760262]
    np.testing.assert_allclose(rise(1.0, XI), row, atol=6e-10)


@pytest.fixture(scope="module")
def history():
    """Step ends and temperatures at every x of the rows; k = rho c = h = 1, so B = sqrt(t)."""
    cells = np.concatenate(([0.0], np.geomspace(0.02, 60.0, 67)))
    t = graded(np.array(BIOT) ** 2, 25)
    x = np.concatenate([2.0 * XI * B for B in BIOT])
    T = run(slab(cells, metal(1.0, 1.0, 1.0)), lambda t, burning: (1.0, 1300.0), t, x,
            np.full(x.size, 0.5))
    return t, (T - 300.0) / 1000.0


@pytest.mark.parametrize("row", range(len(BIOT)), ids=lambda i: f"B{BIOT[i]:g}")
def test_semi_infinite_solid(history, row):
    t, got = history
    now = np.argmin(np.abs(t - BIOT[row] ** 2))
    points = slice(row * XI.size, (row + 1) * XI.size)
    np.testing.assert_allclose(got[now, points], rise(BIOT[row], XI), atol=5e-5)
