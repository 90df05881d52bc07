"""One march against the arithmetic it cannot do without, and against other ways of doing it.

All march 200 equal steps of a burn on 6 x 120 quadratic quads (3133 unknowns): radiation and
convection outside, contact at the ends, a growing deposit, k(T) and c(T). Ours takes TR-BDF2, which
solves two stages a step. Bounds are those asked for; where one is missed the test says by how much.
"""

import ngsolve as ng
import numpy as np
import pytest
from scipy.linalg import lapack

from tests.benchmarks.plain import Plain
from tests.benchmarks.problem import AMBIENT, BURN, CELLS, STEPS, Firing
from tests.benchmarks.timing import MissedError, side_by_side
from tests.exact import test_other_library as other
from tests.wall.walls import surfaces, wall
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall

pytestmark = pytest.mark.benchmark

OURS = "ours"


@pytest.fixture(scope="module")
def firing():
    return Firing.of()


@pytest.fixture(scope="module")
def plain_times(firing):
    """Seconds of our march, of ours with sensitivities, and of the plain ways, whole marches."""
    plain, solves = Plain(firing), {}

    def way(scheme):
        def run():
            plain.solves = 0
            plain.march(STEPS, BURN, scheme)
            solves[scheme] = plain.solves
        return run

    ours = {OURS: firing.march, "sensitivities": lambda: firing.march(sensitivities=True)}
    schemes = ("backward Euler", "TR-BDF2")
    times = side_by_side({**ours, **{s: way(s) for s in schemes}}, 1)
    again = side_by_side(ours, 3)
    for scheme in schemes:
        print(f"\nplain way, {scheme}: {times[scheme]:.1f} s in {solves[scheme]} assemblies and "
              f"solves of {1e3 * times[scheme] / solves[scheme]:.1f} ms", end="")
    return times | {name: min(times[name], again[name]) for name in ours}


class Bare:
    """The banded arithmetic alone, on a tangent of the march."""

    def __init__(self, firing):
        w = firing.wall
        properties = w.properties(np.full(w.size, 600.0))
        self.matrix = np.asfortranarray(0.005 * w.band)
        self.matrix[0] += w.capacity(properties) / properties[0].conductivity

    def run(self, pairs, columns=1):
        rhs = np.ones((self.matrix.shape[1], columns), order="F")
        for _ in range(pairs):
            factor, info = lapack.dpbtrf(self.matrix, lower=1)
            assert info == 0
            lapack.dpbtrs(factor, rhs, lower=1)


def test_against_the_bare_banded_factorisations_and_solves(firing):
    """Asked: at most 2.5 times. It keeps a tangent over equal steps, so most steps only solve."""
    bare = Bare(firing)
    assert firing.wall.size == 3133
    times = side_by_side(
        {OURS: firing.march, "bare": lambda: bare.run(STEPS), "two": lambda: bare.run(2 * STEPS)})
    work = firing.march().work
    ratio, by_stage = times[OURS] / times["bare"], times[OURS] / times["two"]
    print(f"\nmarch {times[OURS]:.3f} s = {ratio:.2f} x {STEPS} bare factorisations and solves "
          f"({times['bare']:.3f} s), {by_stage:.2f} x {2 * STEPS}; it takes {work}")
    assert work["steps"] == STEPS
    assert ratio <= 2.5


def test_against_the_same_march_in_another_library():
    """Asked: at least 3 times faster. Theirs is SDIRK, also two stages a step, Newton to 1e-6 K.

    Also held against 400 stages of a single assembly, factorisation and solve, the least that any
    scheme of two stages could do there.
    """
    ng.SetNumThreads(1)
    p, theirs = other.settings(), other.Theirs(*CELLS, 2)
    w = wall(other.THICKNESS, *CELLS)
    s = surfaces(w, n_knots=2, burn=other.BURN)
    s = type(s)(s.gas, OuterWall.fixed(AMBIENT), s.head, s.exit)
    schedule = Schedule(np.linspace(0.0, other.BURN, STEPS + 1), np.ones(STEPS, dtype=bool))
    radii = np.repeat([other.INNER + other.THICKNESS, other.INNER], 3)
    observe = w.probe(radii, np.tile(other.STATIONS, 2))
    readings = {}

    def ours():
        readings[OURS] = march(w, s, p, schedule, observe, np.full(w.size, AMBIENT)).y[::2]

    def whole():
        readings["theirs"] = theirs.march(schedule)

    def least():
        T = theirs.T.vec
        residual, update = T.CreateVector(), T.CreateVector()
        for _ in range(2 * STEPS):
            theirs.stage.Apply(T, residual)
            theirs.stage.AssembleLinearization(T)
            update.data = theirs.stage.mat.Inverse(inverse="umfpack") * residual

    times = side_by_side({OURS: ours, "theirs": whole, "least": least}, 2)
    apart = np.abs(readings[OURS] - readings["theirs"])[STEPS // 4:].max()
    print(f"\nmarch {times[OURS]:.3f} s, in ngsolve {times['theirs']:.1f} s: "
          f"{times['theirs'] / times[OURS]:.0f} x faster; than {2 * STEPS} single assemblies, "
          f"factorisations and solves there {times['least'] / times[OURS]:.0f} x; "
          f"after {other.BURN / 4:.1f} s the two are {apart:.3f} K apart")
    assert apart < 0.2
    assert times["least"] >= 3.0 * times[OURS]


def test_the_plain_way_marches_the_same(firing):
    theirs = Plain(firing).march(20, 0.1 * BURN, "TR-BDF2")
    assert np.abs(theirs - firing.march(20, 0.1 * BURN).y[::2]).max() < 0.02


@pytest.mark.parametrize("scheme", ["backward Euler", "TR-BDF2"])
def test_against_the_plain_way(plain_times, scheme):
    """Asked: at least 10 times faster."""
    ratio = plain_times[scheme] / plain_times[OURS]
    print(f"\nmarch {plain_times[OURS]:.3f} s, {ratio:.0f} x faster than the plain way, {scheme}")
    assert ratio >= 10.0


@pytest.mark.xfail(raises=MissedError, strict=True, reason=(
    "measured 6.8 x the march alone (2.0 s): the bare banded factorisations with 25 solves of each "
    "stage are 6 x the march already"))
def test_sensitivities_against_the_march_alone(firing):
    """Asked: 25 parameters at most 3 times the march alone."""
    assert firing.active.size == 25
    bare = Bare(firing)
    times = side_by_side({
        OURS: firing.march, "with": lambda: firing.march(sensitivities=True),
        "bare": lambda: bare.run(2 * STEPS, 25),
    }, 3)
    ratio, floor = times["with"] / times[OURS], times["with"] / times["bare"]
    print(f"\nwith 25 sensitivities {times['with']:.2f} s = {ratio:.2f} x the march alone, "
          f"{floor:.2f} x {2 * STEPS} bare factorisations with 25 solves ({times['bare']:.2f} s)")
    if ratio > 3.0:
        raise MissedError(ratio)


@pytest.mark.parametrize("scheme", ["backward Euler", "TR-BDF2"])
def test_jacobian_against_differences_of_the_plain_way(plain_times, firing, scheme):
    """Asked: at least 200 times faster than one plain march more than there are parameters."""
    marches = firing.active.size + 1
    ratio = marches * plain_times[scheme] / plain_times["sensitivities"]
    print(f"\nJacobian {plain_times['sensitivities']:.2f} s, {ratio:.0f} x faster than {marches} "
          f"plain marches, {scheme}")
    assert ratio >= 200.0
