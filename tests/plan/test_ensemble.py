"""Many draws at once against one march a draw."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp

from tests.wall.walls import AMBIENT, parameters, surfaces, wall
from wallsim.materials import load_solid
from wallsim.plan.ensemble import Ensemble
from wallsim.plan.ensemble import march as march_together
from wallsim.wall.march import march
from wallsim.wall.model import WallSlope
from wallsim.wall.schedule import Schedule

SCHEDULE = Schedule.of(3.5, 12.0, 0.5)
N = 6


def draws(law="saturating", spread=0.04, seed=3):
    p = parameters(law=law)
    vector = p.vector()
    rng = np.random.default_rng(seed)
    P = vector[:, None] + spread * rng.standard_normal((vector.size, N))
    P[:, 0] = vector
    P[p.slots()["log_wall"]] = np.log(0.005)
    return p, P


@pytest.mark.parametrize("law", ["none", "constant", "linear", "saturating"])
def test_every_draw_marches_as_if_alone(law):
    w = wall(n_r=2, n_z=10)
    s = surfaces(w, law=law)
    p, P = draws(law)
    together = Ensemble(w, s, p, P).march(SCHEDULE, np.full((w.size, N), AMBIENT))
    all_nodes = sp.identity(w.size, format="csr")
    for d in range(N):
        alone = march(w, s, p.with_vector(P[:, d]), SCHEDULE, all_nodes, np.full(w.size, AMBIENT))
        assert together.t == pytest.approx(alone.t[::2])
        assert np.abs(together.T[:, :, d] - alone.y[::2]).max() < 0.01


def test_draws_of_the_thickness_too():
    """Second order in the change of thickness: 1 % of it is off by a hundredth of a per cent."""
    w = wall(n_r=2, n_z=10)
    slope = WallSlope.between(wall(0.00499, 2, 10), wall(0.00501, 2, 10), 0.00002)
    s = surfaces(w)
    p, P = draws(spread=0.0)
    P[p.slots()["log_wall"], 1] = np.log(0.00505)
    T = Ensemble(w, s, p, P, slope).march(SCHEDULE, np.full((w.size, N), AMBIENT)).T
    thick = wall(0.00505, 2, 10)
    alone = march(thick, surfaces(thick), p, SCHEDULE, sp.identity(w.size, format="csr"),
                  np.full(w.size, AMBIENT))
    assert np.abs(T[:, :, 1] - T[:, :, 0]).max() > 4.0
    assert np.abs(T[:, :, 1] - alone.y[::2]).max() < 0.1


def test_it_ends_once_the_coolest_draw_is_above_the_limit():
    w = wall(n_r=2, n_z=10)
    p, P = draws()
    track = Ensemble(w, surfaces(w), p, P).march(SCHEDULE, np.full((w.size, N), AMBIENT), 600.0)
    hottest = track.T[:, w.faces["bore"].nodes].max(axis=1)
    assert hottest[-1].min() > 600.0 >= hottest[-2].min()


def test_firings_side_by_side_march_as_if_alone():
    """Other walls, laws, burns, starts and limits; each ends where it would end by itself."""
    metal = load_solid("carbon steel", Path())
    parts, schedules, starts, limits = [], [], [], []
    for thickness, law, burn, start, limit in (
        (0.004, "none", 3.0, 300.0, np.inf), (0.004, "saturating", 7.0, 300.0, 700.0),
        (0.006, "linear", 7.0, 450.0, np.inf), (0.004, "none", 7.2, 300.0, 1100.0),
    ):
        w = wall(thickness, 2, 10, metal)
        p, P = draws(law, seed=len(parts))
        P[p.slots()["log_wall"]] = np.log(thickness)
        parts.append(Ensemble(w, surfaces(w, law=law, burn=burn), p, P))
        schedules.append(Schedule.of(burn, burn + 5.0, 0.5))
        starts.append(np.full((w.size, N), start))
        limits.append(limit)
    together = march_together(parts, schedules, starts, limits)
    assert [track.t.size for track in together] != [s.t.size for s in schedules]
    for part, schedule, start, limit, track in zip(
            parts, schedules, starts, limits, together, strict=True):
        alone = part.march(schedule, start, limit)
        assert np.array_equal(track.t, alone.t)
        assert np.abs(track.T - alone.T).max() < 0.01


def test_draws_apart_across_a_peak_of_the_heat_capacity():
    """Carbon steel about 735 degC, where c is five times that of 20 K beside it."""
    w = wall(0.004, 2, 10, load_solid("carbon steel", Path()))
    s, (p, P) = surfaces(w, law="none", burn=5.0), draws("none", spread=0.04)
    P[p.slots()["log_wall"]] = np.log(0.004)
    schedule = Schedule.of(5.0, 5.0, 0.5)
    together = Ensemble(w, s, p, P).march(schedule, np.full((w.size, N), AMBIENT))
    at_peak = np.abs(together.T[:, w.faces["bore"].nodes] - 1008.0).min(axis=(0, 1))
    assert at_peak.max() < 15.0
    all_nodes = sp.identity(w.size, format="csr")
    for d in range(N):
        alone = march(w, s, p.with_vector(P[:, d]), schedule, all_nodes, np.full(w.size, AMBIENT))
        assert np.abs(together.T[:, :, d] - alone.y[::2]).max() < 0.01


def test_several_metals_are_refused():
    parts = []
    for metal in ("copper", "carbon steel"):
        w = wall(0.004, 2, 10, load_solid(metal, Path()))
        p, P = draws("none")
        parts.append(Ensemble(w, surfaces(w, law="none"), p, P))
    with pytest.raises(ValueError, match="several metals"):
        march_together(parts, [SCHEDULE] * 2, [np.full((w.size, N), AMBIENT)] * 2)


def test_a_wall_at_rest_stays_so():
    w = wall(n_r=2, n_z=10)
    p, P = draws("none")
    rest = Schedule(np.array([0.0, 1.0, 2.0]), np.array([False, False]))
    track = Ensemble(w, surfaces(w, law="none"), p, P).march(rest, np.full((w.size, N), AMBIENT))
    assert np.abs(track.T - AMBIENT).max() < 1e-6
