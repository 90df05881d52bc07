"""Transient of a hollow cylinder heated at the bore, outside insulated.

Reference: the series of Carslaw & Jaeger, Conduction of Heat in Solids (2nd ed. 1959),
chapter VII. The tabulated values were summed to ten digits at 30 digits' precision, and checked
against spectral collocation to 1e-11; the series in `tests.exact.series` is held against them.
"""

import numpy as np
import pytest

from tests.exact import series
from tests.exact.bodies import FEEDING, graded, metal, run, slab, tube
from tests.wall.walls import insulated, solid, surfaces, wall
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule

K, C, RHO, INNER = 20.0, 500.0, 7850.0, 0.02
SECONDS = INNER**2 * RHO * C / K
WALL_FOURIER = np.array([0.01, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0])

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
def test_series_equals_the_tabulated_values(ratio, biot, fourier, bore, mid, outside):
    x = 1.0 + (ratio - 1.0) * np.array([0.0, 0.5, 1.0])
    got = series.robin(ratio, biot, x, [fourier])[0]
    np.testing.assert_allclose(got, [bore, mid, outside], atol=2e-10)


def heated(ratio, biot, t, active=None):
    """March the cylinder in a gas 1000 K hotter; points at bore, mid-wall, outside."""
    thickness = (ratio - 1.0) * INNER
    w = wall(thickness, n_r=16, n_z=1, metal=solid((K, 0.0), (C, 0.0), RHO), inner=INNER,
             length=0.05)
    observe = w.probe(INNER + thickness * np.array([0.0, 0.5, 1.0]), np.full(3, 0.02))
    s = surfaces(w, n_knots=1, law="none", burn=2.0 * t[-1], ambient=300.0)
    schedule = Schedule(t, np.ones(t.size - 1, dtype=bool))
    p = insulated(h=biot * K / INNER, rise=1000.0)
    columns = None if active is None else np.array([p.slots()[name].start for name in active])
    return march(w, s, p, schedule, observe, np.full(w.size, 300.0), columns)


@pytest.mark.parametrize("biot", [0.1, 1.0, 10.0])
@pytest.mark.parametrize("ratio", [1.1, 2.0])
def test_hollow_cylinder_with_robin_bore(ratio, biot):
    fourier = WALL_FOURIER * (ratio - 1.0) ** 2
    t = graded(fourier * SECONDS, 40)
    rise = (heated(ratio, biot, t).y[::2] - 300.0) / 1000.0
    got = np.array([rise[np.argmin(np.abs(t - f * SECONDS))] for f in fourier])
    x = 1.0 + (ratio - 1.0) * np.array([0.0, 0.5, 1.0])
    np.testing.assert_allclose(got, series.robin(ratio, biot, x, fourier), atol=2e-5)


SENSITIVITIES = [  # ro/ri, Bi, Fo, outside: rise and its derivatives to log h, log c, log k
    (2.0, 1.0, 0.5, 0.161945143, 0.115323772, -0.209202656, 0.0938788838),
    (2.0, 1.0, 1.0, 0.348017001, 0.212270877, -0.327767750, 0.115496873),
    (2.0, 1.0, 2.0, 0.605632295, 0.276679024, -0.396525483, 0.119846460),
    (1.1, 1.0, 0.01, 0.0740671519, 0.0690703817, -0.0853170987, 0.0162467170),
    (1.1, 1.0, 0.05, 0.359530519, 0.276153294, -0.295097189, 0.0189438946),
    (1.1, 10.0, 0.02, 0.728542685, 0.261158034, -0.383064596, 0.121906562),
]


@pytest.mark.parametrize(
    ("ratio", "biot", "fourier", "rise", "of_h", "of_c", "of_k"), SENSITIVITIES
)
def test_sensitivities_equal_those_of_the_series(ratio, biot, fourier, rise, of_h, of_c, of_k):
    """Derivatives of the series by 30-digit differentiation."""
    active = ("log_h", "log_heat_capacity", "log_conductivity")
    h = heated(ratio, biot, graded([fourier * SECONDS], 100), active)
    assert (h.y[-1, 2] - 300.0) / 1000.0 == pytest.approx(rise, abs=2e-5)
    np.testing.assert_allclose(h.dy_dp[-1, 2] / 1000.0, [of_h, of_c, of_k], atol=2e-5)


FLUX_ROWS = [  # ro/ri, Fo_w = a t/(ro - ri)^2, k (T - T0)/(q ri) at bore, mid-wall, outside
    (2.0, 0.05, 0.2300670928, 0.01190232498, 0.0001878399464),
    (2.0, 0.2, 0.4247582669, 0.1144377944, 0.04201044302),
    (2.0, 0.5, 0.6478019832, 0.3165380893, 0.2255383992),
    (2.0, 2.0, 1.648928321, 1.316641510, 1.224732080),
    (1.1, 0.05, 0.02498443307, 0.001490710331, 2.567420718e-5),
    (1.1, 0.2, 0.04954097105, 0.01523359386, 0.005856589052),
    (1.1, 0.5, 0.08077637391, 0.04384260375, 0.03189152526),
    (1.1, 2.0, 0.2237785544, 0.1867018942, 0.1746103756),
]


@pytest.mark.parametrize("ratio", [1.1, 2.0])
def test_hollow_cylinder_with_constant_bore_flux(ratio):
    q, thickness = 2e5, (ratio - 1.0) * INNER
    rows = np.array([row[1:] for row in FLUX_ROWS if row[0] == ratio])
    marks = rows[:, 0] * (ratio - 1.0) ** 2 * SECONDS
    t = graded(marks, 40)
    radii = INNER + thickness * np.array([0.0, 0.5, 1.0])
    w = tube(np.linspace(INNER, INNER + thickness, 17), [0.0, 0.05], metal(K, C, RHO))
    T = run(w, lambda t, burning: (FEEDING, 300.0 + q / FEEDING), t, radii, np.full(3, 0.02))
    got = (T[[np.argmin(np.abs(t - m)) for m in marks]] - 300.0) * K / (q * INNER)
    np.testing.assert_allclose(got, rows[:, 1:], atol=1e-4 * (ratio - 1.0))


@pytest.mark.parametrize(("ratio", "lag"), [(2.0, 0.162902), (1.1, 0.00166591)])
def test_outside_runs_behind_the_bulk_by_the_quasi_steady_lag(ratio, lag):
    """Lag -G(r_o/r_i) (ratio^2 - 1)/2 in Fo; a plane wall's is s^2/(6 a)."""
    q, outer = 1e5, ratio * INNER
    w = tube(np.linspace(INNER, outer, 9), [0.0, 0.05], metal(K, C, RHO))
    end = 3.0 * (ratio - 1.0) ** 2 * SECONDS
    t = np.concatenate(([0.0], np.geomspace(1e-4, 1.0, 80))) * end
    T = run(w, lambda t, burning: (FEEDING, 300.0 + q / FEEDING), t, [outer], [0.02])[-1, 0]
    bulk_reaches_it = (T - 300.0) * RHO * C * (outer**2 - INNER**2) / (2.0 * q * INNER)
    assert (end - bulk_reaches_it) / SECONDS == pytest.approx(lag, rel=2e-4)


PULSE = [  # t+ = a t/L^2, k (T - T0)/(q L) at the back, the middle and the heated face
    (0.06, 0.00000665, 0.00039517, 0.01105581),
    (0.12, 0.00037405, 0.00340403, 0.03127066),
    (0.30, 0.01338145, 0.03371527, 0.12384079),
    (0.60, 0.09938941, 0.15621528, 0.35783281),
    (0.90, 0.24767870, 0.30128474, 0.43509904),
    (1.20, 0.34066548, 0.35878472, 0.38211230),
    (1.80, 0.35994526, 0.36000000, 0.36005474),
]


def test_plate_under_a_triangular_flux_pulse():
    """Ramps of the unit-step plate solution superposed; its end value 0.36 is the pulse's area.

    The pulse is the classic trial of Beck, Blackwell & St. Clair, Inverse Heat Conduction (1985);
    its peak at 0.6 and end at 1.2 are from memory.
    """
    q = 1000.0

    def bore(t, burning):
        return FEEDING, 300.0 + q * max(0.0, min(t, 1.2 - t)) / FEEDING

    t = np.linspace(0.0, 1.8, 361)
    w = slab(np.linspace(0.0, 1.0, 13), metal(1.0, 1.0, 1.0))
    T = (run(w, bore, t, [1.0, 0.5, 0.0], np.full(3, 0.5)) - 300.0) / q
    got = T[[round(row[0] * 200) for row in PULSE]]
    np.testing.assert_allclose(got, np.array(PULSE)[:, 1:], atol=1e-5)
