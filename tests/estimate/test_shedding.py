"""What counts as deposit that came off: all traces see it, surer ones first, no pressure step."""

from types import SimpleNamespace

import numpy as np
import pytest

from wallsim.estimate.shedding import (
    FALL,
    Belief,
    Evidence,
    Scores,
    _chosen,
    _pressure_step,
    in_common,
)
from wallsim.report.tables import runs


def scored(parts):
    parts = np.array(parts, dtype=float)[:, None]
    return Scores(np.array([3.0]), np.array([40.0]), np.array([0.5]), parts)


@pytest.mark.parametrize(("parts", "height"), [
    ((10.0, 8.0, 9.0, 11.0), 40.0),
    ((40.0, 1.0, 1.0, 1.0), 0.0),
    ((20.0, 20.0, -2.0, -3.0), 0.0),
    ((40.0,), 0.0),
])
def test_one_trace_alone_or_traces_that_disagree_are_no_loss(parts, height):
    assert scored(parts).height == height


def test_the_moment_is_as_sure_as_the_fall_of_the_misfit_says_on_either_side():
    t = np.linspace(1.0, 7.0, 61)
    fall = 40.0 - np.where(t < 3.02, 2.0, 20.0) * (t - 3.02) ** 2
    at, low, high = Scores(t, fall, fall, np.ones((4, 61))).moment
    assert at == pytest.approx(3.02, abs=0.06)
    assert low == pytest.approx(3.02 - np.sqrt(3.841 / 2.0), abs=0.01)
    assert high == pytest.approx(3.02 + np.sqrt(3.841 / 20.0), abs=0.01)


def test_a_moment_that_nothing_bounds_lies_anywhere_among_the_trial_times():
    t = np.linspace(1.0, 7.0, 61)
    assert Scores(t, 40.0 - 0.1 * t, t, np.ones((4, 61))).moment == (1.0, 1.0, 7.0)


def summed(A, J, r):
    """Return what four traces feel of losses ``A``, unknowns ``J`` and misfit ``r``."""
    return Evidence(
        np.arange(1.0, 1.0 + A.shape[2]), np.einsum("nik,nik->k", A, A),
        np.einsum("nik,nim->nkm", A, J), np.einsum("nik,ni->nk", A, r),
        np.einsum("nim,nil->nml", J, J), np.einsum("nim,ni->nm", J, r),
    )


def test_the_score_is_the_fall_of_the_misfit_when_the_loss_is_fitted_too():
    rng = np.random.default_rng(3)
    A, J = rng.standard_normal((2, 4, 50, 3))
    r = 0.1 * rng.standard_normal((4, 50)) - 0.8 * A[:, :, 1]
    a, j, y = A[:, :, 1].ravel(), J.reshape(-1, 3), r.ravel()
    rows = np.vstack((j, np.eye(3)))
    at = -np.linalg.solve(rows.T @ rows, j.T @ y)
    before = float(np.sum((y + j @ at) ** 2) + at @ at)
    both = np.column_stack((a, j))
    step = -np.linalg.solve(both.T @ both + np.diag([0.0, 1.0, 1.0, 1.0]), both.T @ y)
    after = float(np.sum((y + both @ step) ** 2) + step[1:] @ step[1:])
    shifted = (y + j @ at).reshape(r.shape)
    start = Belief(np.zeros(3), np.linalg.inv(rows.T @ rows))
    found = summed(A, J, shifted).scores(start)
    assert found.fall[1] == pytest.approx(before - after)
    assert found.lost[1] == pytest.approx(step[0])
    then = summed(A, J, shifted).explained(start, 1)
    np.testing.assert_allclose(at + then.shift, step[1:])
    full = np.linalg.inv(both.T @ both + np.diag([0.0, 1.0, 1.0, 1.0]))
    np.testing.assert_allclose(then.covariance, full[1:, 1:])


def test_a_firing_that_only_another_ones_loss_misfits_is_not_chosen():
    """Two firings share one unknown: the loss in the first bends it, and so misfits the second."""
    t = np.linspace(0.0, 1.0, 50)
    early, late = (300.0 * np.maximum(t - moment, 0.0) for moment in (0.2, 0.5))
    # So that the unknown heats later like the late loss, and like an early one the other way.
    bend = late - 0.5 * (early @ late / (early @ early) + late @ late / (early @ late)) * early
    A = np.repeat(np.column_stack((early, late))[None], 4, axis=0)
    J = np.repeat(bend[None, :, None], 4, axis=0)
    first, second = -0.5 * A[:, :, 1], np.zeros((4, 50))
    H = 2.0 * np.einsum("nim,nil->ml", J, J) + np.eye(1)
    x = -np.linalg.solve(H, np.einsum("nim,ni->m", J, first))
    start = Belief(np.zeros(1), np.linalg.inv(H))
    seen = {"first": summed(A, J, first + J @ x), "second": summed(A, J, second + J @ x)}
    heights = {name: each.scores(start).height for name, each in seen.items()}
    assert heights["first"] > heights["second"] > FALL
    assert _chosen(seen, start) == {"first": 1}


def test_a_step_of_the_pressure_explains_more_heating():
    t = np.arange(0.0, 8.0, 1.0)
    step = SimpleNamespace(pressure=SimpleNamespace(t=t, p=np.where(t < 4.0, 4e5, 4.2e5)))
    assert _pressure_step(step, 4.0)
    assert not _pressure_step(step, 6.5)


def test_misfit_in_common_is_told_from_that_of_single_traces():
    rng = np.random.default_rng(1)
    index = np.arange(100)
    traces = [SimpleNamespace(index=index, t=0.1 * index + 0.05) for _ in range(5)]
    gas = SimpleNamespace(burn=6.0)
    run = SimpleNamespace(traces=traces, surfaces=SimpleNamespace(gas=gas))
    weights = [SimpleNamespace(nuisance=np.zeros((100, 2)))] * 5
    apart, wave = rng.standard_normal((5, 100)), np.sin(0.1 * index)
    assert in_common(run, tuple(apart), weights, 0.1) < 1.5
    assert in_common(run, tuple(apart + wave), weights, 0.1) > 1.5


def test_the_table_of_runs_has_what_was_retained_and_lost_only_where_there_is_such_a_run():
    def interval(x):
        return {"estimate": x, "low": x, "high": x}

    whole = {"blend": "neat", "deposit": None}
    assert "retained estimate [-]" not in runs({"runs": {"a": whole}})
    shed = {"time_s": interval(3.0), "lost_fraction": interval(0.5),
            "mean_resistance_before_m2K_W": interval(2e-4),
            "mean_resistance_after_m2K_W": interval(1e-4)}
    again = {"deposit": {"left_by": "a", "retained_fraction": interval(0.9), "shedding": shed}}
    row = runs({"runs": {"a": whole, "b": again}}).iloc[1]
    assert row["deposit left by"] == "a"
    assert row["retained estimate [-]"] == 0.9
    assert row["mean R after low [mm^2*K/W]"] == pytest.approx(100.0)
