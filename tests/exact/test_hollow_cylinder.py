"""Transient of a hollow cylinder heated at the bore, outside insulated.

Reference values: the series of Carslaw & Jaeger, Conduction of Heat in Solids (2nd ed. 1959),
chapter VII, summed to ten digits and checked against spectral collocation.
"""

import numpy as np
import pytest

from tests.wall.walls import insulated, solid, surfaces, wall
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule

ROWS = [  # ro/ri, Bi, Fo = a t/ri^2, dimensionless rise at bore, mid-wall, outside
    (2.0, 0.1, 0.2, 0.0410367942, 0.0111410036, 0.0041111649),
    (2.0, 1.0, 0.5, 0.4179965295, 0.2191071677, 0.1619451428),
    (2.0, 1.0, 2.0, 0.7263625166, 0.6326752051, 0.6056322951),
    (2.0, 10.0, 0.1, 0.7990221611, 0.1511288230, 0.0227195270),
    (2.0, 10.0, 1.0, 0.9535889911, 0.7841761707, 0.7308899581),
    (1.1, 0.1, 0.01, 0.0127391423, 0.0090766461, 0.0078813438),
    (1.1, 1.0, 0.01, 0.1177765868, 0.0848784414, 0.0740671519),
    (1.1, 10.0, 0.005, 0.4858245294, 0.2867417646, 0.2181688720),
    (1.1, 10.0, 0.02, 0.8217098732, 0.7525033602, 0.7285426851),
]


@pytest.mark.parametrize(("ratio", "biot", "fourier", "bore", "mid", "outside"), ROWS)
def test_hollow_cylinder_with_robin_bore(ratio, biot, fourier, bore, mid, outside):
    k, c, rho, inner = 20.0, 500.0, 7850.0, 0.02
    metal = solid((k, 0.0), (c, 0.0), rho)
    thickness = (ratio - 1.0) * inner
    w = wall(thickness, n_r=24, n_z=1, metal=metal, inner=inner, length=0.05)
    end = fourier * inner**2 * rho * c / k
    steps = end * np.linspace(0.0, 1.0, 501) ** 2
    schedule = Schedule(steps, np.ones(500, dtype=bool))
    p = insulated(h=biot * k / inner, rise=1000.0)
    radii = inner + thickness * np.array([0.0, 0.5, 1.0])
    observe = w.probe(radii, np.full(3, 0.02))
    s = surfaces(w, n_knots=1, law="none", burn=2.0 * end, ambient=300.0)
    got = (march(w, s, p, schedule, observe, np.full(w.size, 300.0)).y[-1] - 300.0) / 1000.0
    np.testing.assert_allclose(got, [bore, mid, outside], atol=5e-6)
