"""The march: derivatives, balance, order, counts of work."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.wall.walls import INNER, insulated, parameters, surfaces, wall
from wallsim.errors import TableRangeError
from wallsim.wall import march as march_module
from wallsim.wall.march import march
from wallsim.wall.model import WallSlope
from wallsim.wall.schedule import Schedule

STATIONS = np.array([0.03, 0.2, 0.41])


def observed(w):
    return w.probe(np.full(3, w.r.max()), STATIONS)


def run(w, p, schedule=None, **options):
    schedule = schedule or Schedule.of(3.5, 12.0)
    s = surfaces(w, n_knots=p.log_h.size, law="none" if p.log_R.size == 0 else "saturating")
    return march(w, s, p, schedule, observed(w), np.full(w.size, 288.0), **options)


@pytest.fixture(autouse=True)
def _tight(monkeypatch):
    """Solve the stages so well that difference quotients are not blurred by what is left."""
    monkeypatch.setattr(march_module, "LARGEST_UPDATE", 1e-9)


def test_sensitivities_equal_central_differences():
    p, w = parameters(), wall(n_z=8)
    step = 1e-6
    slope = WallSlope.between(wall(0.005 - step, n_z=8), wall(0.005 + step, n_z=8), 2.0 * step)
    got = run(w, p, active=np.arange(p.vector().size), slope=slope).dy_dp
    v = p.vector()
    for j in range(v.size - 1):
        d = 1e-4 * max(abs(v[j]), 1e-2)
        up, down = v.copy(), v.copy()
        up[j] += d
        down[j] -= d
        expected = (run(w, p.with_vector(up)).y - run(w, p.with_vector(down)).y) / (2.0 * d)
        atol = 1e-6 * np.abs(expected).max() + 1e-8
        np.testing.assert_allclose(got[:, :, j], expected, rtol=1e-6, atol=atol)


def test_sensitivity_to_the_wall_thickness_equals_a_central_difference():
    p, d = parameters(), 5e-6
    slope = WallSlope.between(wall(0.005 - d), wall(0.005 + d), 2.0 * d)
    column = p.slots()["log_wall"].start
    got = run(wall(), p, active=np.array([column]), slope=slope).dy_dp[:, :, 0]
    expected = 0.005 * (run(wall(0.005 + d), p).y - run(wall(0.005 - d), p).y) / (2.0 * d)
    np.testing.assert_allclose(got, expected, rtol=1e-5, atol=1e-5 * np.abs(expected).max())


@settings(max_examples=20, derandomize=True, deadline=None)
@given(
    log_h=st.floats(3.0, 10.0), log_R=st.floats(-14.0, -5.0), dt=st.floats(1e-3, 4.0),
    emissivity=st.floats(0.0, 1.0),
)
def test_a_step_stores_the_heat_that_crosses_the_faces(log_h, log_R, dt, emissivity):
    """To 1e-10 where the stages are solved as sharply; a stage's own limit is `LARGEST_UPDATE`.

    Up to 4 s: its start has cold gas on a bare bore, so that a longer step leaves the table.
    """
    w = wall(n_z=6)
    p = parameters(
        log_h=np.full(4, log_h), log_R=np.full(4, log_R), log_rise=np.log(900.0),
        emissivity=emissivity,
    )
    s = surfaces(w, burn=100.0)
    T0 = np.full(w.size, 400.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(march_module, "LARGEST_UPDATE", 1e-11)
        stepper = march_module._March(w, s, p, None, None)
        start = stepper.start(T0, 0.0, True)
        stepper.recent = [(0.0, T0)]
        inner, end = stepper.step(start, dt, True)

    def crossed(point):
        return stepper.area @ stepper.face_heat(point.T, point.exchange).flux

    weight = np.sqrt(2.0) / 4.0
    d = 1.0 - np.sqrt(2.0) / 2.0
    brought = dt * (weight * (crossed(start) + crossed(inner)) + d * crossed(end))
    stored = end.heat.sum() - start.heat.sum()
    scale = dt * (abs(crossed(start)) + abs(crossed(inner)) + abs(crossed(end)))
    assert abs(stored - brought) < 1e-10 * scale + 1e-13 * end.heat.sum()


def test_second_order_in_time_across_ignition_and_shutdown():
    w, p = wall(n_z=8), parameters()
    last = [run(w, p, Schedule.of(3.5, 8.0, f)).y[-1] for f in (1.0, 2.0, 4.0, 16.0)]
    errors = [np.abs(y - last[-1]).max() for y in last[:-1]]
    slopes = np.diff(np.log(errors)) / np.log(0.5)
    assert slopes.min() > 1.8


def test_third_order_in_space():
    p = insulated()
    schedule = Schedule.of(1.0, 1.0, 8.0)

    def profile(n):
        w = wall(0.02, n_r=n, n_z=2)
        r = np.linspace(INNER, INNER + 0.02, 41)
        observe = w.probe(r, np.full(r.size, 0.2))
        return march(w, surfaces(w, n_knots=1, law="none"), p, schedule, observe,
                     np.full(w.size, 288.0)).y[-1]

    fine = profile(24)
    errors = [np.sqrt(np.mean((profile(n) - fine) ** 2)) for n in (2, 4, 8)]
    slopes = np.diff(np.log(errors)) / np.log(0.5)
    assert slopes.min() > 2.7


def test_a_march_factors_once_a_step_and_each_stage_with_sensitivities(monkeypatch):
    monkeypatch.setattr(march_module, "LARGEST_UPDATE", 1e-5)
    w, p = wall(), parameters()
    alone = run(w, p).work
    assert alone["factorisations"] <= 1.05 * alone["steps"]
    assert alone["solves"] <= 7 * alone["steps"]
    tangent = run(w, p, active=np.arange(4)).work
    assert tangent["factorisations"] <= 3.05 * tangent["steps"]
    assert tangent["solves"] <= (2 * 4 + 6) * tangent["steps"]


def test_equal_steps_share_a_tangent(monkeypatch):
    monkeypatch.setattr(march_module, "LARGEST_UPDATE", 1e-5)
    equal = Schedule(np.linspace(0.0, 3.5, 141), np.ones(140, dtype=bool))
    work = run(wall(), parameters(), equal).work
    assert work["factorisations"] <= 0.1 * work["steps"]
    assert work["solves"] <= 3.5 * work["steps"]


def test_a_wall_of_very_many_cells_along_it_has_the_areas_of_its_faces():
    w = wall(0.005, 1, 3000)
    areas = {name: face.area.sum() for name, face in w.faces.items()}
    outer = INNER + 0.005
    assert areas["bore"] == pytest.approx(2.0 * np.pi * INNER * w.length, rel=1e-12)
    assert areas["outside"] == pytest.approx(2.0 * np.pi * outer * w.length, rel=1e-12)
    assert areas["head"] == pytest.approx(np.pi * (outer**2 - INNER**2), rel=1e-12)
    assert w.regions[0].volume.sum() == pytest.approx(areas["head"] * w.length, rel=1e-12)


def test_leaving_the_material_table_names_the_material_and_the_moment():
    p = insulated(h=1e5, rise=5000.0)
    with pytest.raises(TableRangeError, match=r"s after ignition: material 'test metal'"):
        run(wall(n_z=4), p, Schedule.of(60.0, 60.0))
