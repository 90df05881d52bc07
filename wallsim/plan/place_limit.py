"""How hot the bore becomes in the firings planned, and which burn is cautious.

Draws of everything that is not known beforehand are marched as a prediction marches them. A burn is
cautious that ends after `BURN_MARGIN` of the lower end of the 95 % interval of when the bare bore
would reach the limit temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.bore import LONGEST_SURVIVAL, bore_readouts, hottest_bore
from wallsim.estimate.readouts import Readout
from wallsim.estimate.run_model import RunModel
from wallsim.plan.answers import interval, interval_error, rising_through
from wallsim.plan.directed import directed, gradients
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import Ensemble
from wallsim.plan.followed import Followed
from wallsim.plan.place_campaign import is_bare
from wallsim.plan.place_file import Plan, PlannedRun
from wallsim.plan.place_model import Marched
from wallsim.plan.predict import BELOW_AMBIENT, DRAWS
from wallsim.plan.standing import Standing, of_bore
from wallsim.plausibility import VALID_BURNS
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

BURN_MARGIN = 0.7
"""Our own choice, not a standard's; for what the model leaves out."""

ERROR = interval_error(DRAWS)
"""How uncertain an end of a peak is, as a share of its distance from the estimate."""
ON_A_MESH = (
    "a tube on a mesh file is marched at the values stated only, so no burn of it is called "
    "cautious; plan its straight tube, without mesh and regions, for one")
OF_DEPOSITS = ("deposit of", "growth law of")


def hottest_of_plan(marched: Marched) -> tuple[str, float]:
    """Return the firing planned whose bore becomes hottest, and how hot [K]."""
    x, wall = marched.unknowns.prior.mean, marched.wall[0]
    peaks = {r.name: hottest_bore(marched.model(r.name), x, wall)[0]
             for r in marched.plan.runs if r.repeats}
    run = max(peaks, key=lambda name: peaks[name])
    return run, peaks[run]


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A firing and draws of what is not known of it, the values stated first.

    Parameters
    ----------
    marched : Marched
    run : RunModel
    x : Array, shape (m, n_draws)
    known : Knowledge
    peak_of : Readout
        Of the bore [K].
    gradients : Array, shape (k, m)
        Of all that the draws' spread is exact for.
    """

    marched: Marched
    run: RunModel
    x: Array
    known: Knowledge
    peak_of: Readout
    gradients: Array

    @classmethod
    def of(cls, marched: Marched, name: str) -> Drawn:
        """Return draws whose spread is exact for the bore, as those of a prediction.

        Raises
        ------
        TableRangeError, ConvergenceError
            As `wallsim.wall.march.march`.
        """
        known, run = Knowledge.stated(marched.campaign), marched.model(name)
        wall, slope = marched.wall
        bore = bore_readouts(run, known.x, wall, slope, wall.faces["bore"].z, None)
        along = gradients(bore)
        x = directed(known.x, known.root, DRAWS, along)
        return cls(marched, run, x, known, bore.peak, along)

    @classmethod
    def together(
        cls, marched: Marched, names: Sequence[str]
    ) -> dict[str, Drawn | TableRangeError | ConvergenceError]:
        """Return firings with the same draws, exact for all, or why there are none."""
        out: dict[str, Drawn | TableRangeError | ConvergenceError] = {}
        for name in names:
            try:
                out[name] = cls.of(marched, name)
            except (TableRangeError, ConvergenceError) as error:
                out[name] = error
        drawn = {name: each for name, each in out.items() if isinstance(each, Drawn)}
        if drawn:
            gradients = np.vstack([each.gradients for each in drawn.values()])
            out |= {name: replace(each, gradients=gradients).more(DRAWS)
                    for name, each in drawn.items()}
        return out

    def more(self, n: int) -> Drawn:
        """Return ``n`` draws."""
        return replace(self, x=directed(self.known.x, self.known.root, n, self.gradients))

    def bore(
        self, limit: float | None = None, last: float = LONGEST_SURVIVAL
    ) -> tuple[Followed, Array]:
        """Return the draws marched to shutdown, and their hottest bore [K] at each step end.

        Parameters
        ----------
        limit : float or None
            If there is one, without a deposit and burning on until every draw passes it [K],
        last : float
            but no longer than this [s].
        """
        run = self.run
        wall, slope = self.marched.wall
        n = int(np.argmin(np.abs(run.schedule.t - run.surfaces.gas.burn)))
        t, surfaces = run.schedule.t[: n + 1], run.surfaces
        if limit is not None:
            t = Schedule.of(last, last).t
            surfaces = replace(surfaces, gas=replace(surfaces.gas, burn=last, law="none"))
        p = run.map.constant[:, None] + run.map.matrix @ self.x
        ensemble = Ensemble(wall, surfaces, run.map.parameters, p, slope)
        start = np.repeat(run.start[:, None], self.x.shape[1], axis=1)
        track = ensemble.march(Schedule(t, np.ones(t.size - 1, dtype=bool)), start,
                               np.inf if limit is None else limit)
        followed = Followed.of(track, ensemble.table_end)
        return followed, track.T[:, wall.faces["bore"].nodes].max(axis=1)

    def peak(self) -> dict[str, float | None]:
        """Return the interval of the bore's peak [K]."""
        followed, hottest = self.bore()
        peaks = np.where(followed.lost, followed.end, hottest.max(axis=0))
        ambient = self.run.surfaces.gas.ambient
        found = interval(peaks, ambient - BELOW_AMBIENT, followed.lost)
        return found | {"estimate": float(peaks[0])}

    def limit_time(self, limit: float) -> dict[str, float | None]:
        """Return when the bare bore passes ``limit`` [s], and from when on it may; null: never.

        Never is not in a minute of burn. The lower end is when the upper end of the interval of
        the hottest bore does; the upper end is not looked for. A draw that leaves the metal's table
        has passed the limit by then.
        """
        alone, _ = replace(self, x=self.x[:, :1]).bore(limit)
        followed, hottest = self.bore(limit, float(alone.track.t[-1]))
        base = self.run.surfaces.gas.ambient - BELOW_AMBIENT
        return rising_through(followed.track.t, hottest, limit, base) | {"high": None}

    def knowing(self, group: str) -> Drawn:
        """Return the draws with a group of unknowns known exactly."""
        known = [i for i, g in enumerate(self.groups) if g == group]
        x = self.x.copy()
        x[known] = x[known, :1]
        return replace(self, x=x)

    @property
    def groups(self) -> list[str]:
        """Of each unknown."""
        return [p.group for p in self.marched.unknowns.prior.parameters]

    def cause(self) -> tuple[str, float]:
        """Return what makes the bare bore's peak uncertain most, and its share of the variance."""
        shares: dict[str, float] = {}
        gradient = self.peak_of.gradient @ self.known.root
        for group, part in zip(self.groups, gradient**2, strict=True):
            if not group.startswith(OF_DEPOSITS):
                shares[group] = shares.get(group, 0.0) + float(part)
        most = max(shares, key=lambda group: shares[group])
        return most, shares[most] / max(sum(shares.values()), 1e-300)


def bores(marched: Marched) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:
    """Return how hot the bore of each firing planned becomes, and what there is to its limit.

    Of each, ``peak_K`` is an interval, ``limit_time_s`` that of when the bare bore at the firing's
    pressure passes the limit, its upper end open, null where it stays below for a minute. The
    limit names the firing that goes furthest beyond it or comes nearest to it, and what makes that
    one's time most uncertain, with the time's lower end were it known. Without one it is None.
    """
    plan, T = marched.plan, marched.plan.case.fit.limit_temperature
    fired = sorted((r for r in plan.runs if r.repeats), key=lambda r: not is_bare(plan, r))
    rows, drawn = [], {}
    times: dict[Any, dict[str, float | None]] = {}
    every = {} if plan.case.tube.mesh is not None else Drawn.together(
        marched, [r.name for r in fired])
    for r in fired:
        row = _row(marched, r)
        rows.append(row)
        if plan.case.tube.mesh is not None:
            row["note"] = ON_A_MESH
            continue
        try:
            each = every[r.name]
            if not isinstance(each, Drawn):
                raise each
            row["peak_K"] = each.peak()
            if T is not None:
                same = _bare_alike(plan, r)
                if same not in times:
                    times[same] = each.limit_time(T)
                row["limit_time_s"] = times[same]
            drawn[r.name] = each
        except (TableRangeError, ConvergenceError) as error:
            row["note"] = str(error)
    _set_cautious(rows, {r.name: r.pressure for r in fired})
    rows.sort(key=lambda row: [r.name for r in plan.runs].index(row["name"]))
    return rows, None if T is None else _limit(T, rows, drawn)


def _row(marched: Marched, run: PlannedRun) -> dict[str, Any]:
    x, wall = marched.unknowns.prior.mean, marched.wall[0]
    T = hottest_bore(marched.model(run.name), x, wall)[0]
    return {"name": run.name, "bare": is_bare(marched.plan, run), "burn_s": run.burn,
            "peak_K": {"estimate": T, "low": None, "high": None},
            "limit_time_s": None, "cautious_s": None, "note": ""}


def _set_cautious(rows: Sequence[dict[str, Any]], pressure: dict[str, float]) -> None:
    """Set lower ends and cautious burns: of all firings of a pressure those of the earliest."""
    for row in rows:
        lows = [(r["limit_time_s"] or {}).get("low") for r in rows
                if pressure[r["name"]] == pressure[row["name"]]]
        if row["limit_time_s"] is not None and (known := [t for t in lows if t is not None]):
            row["limit_time_s"] = row["limit_time_s"] | {"low": min(known)}
            burn = _down(BURN_MARGIN * min(known))
            row["cautious_s"] = burn if burn >= VALID_BURNS[0] else None


def _bare_alike(plan: Plan, run: PlannedRun) -> tuple[Any, ...]:
    """Return what the firings have in common whose bores heat alike but for their deposits."""
    blend = plan.case.blends[run.blend]
    return (run.pressure, blend.gas_temperature_along, *(
        (q.value, q.sd) for q in (blend.gas_temperature, blend.own_error, blend.coefficient)))


def _limit(
    T: float, rows: Sequence[dict[str, Any]], drawn: dict[str, Drawn]
) -> dict[str, Any]:
    row, cause = max(rows, key=_nearness), None
    if (of_row := drawn.get(row["name"])) and row["limit_time_s"]["low"] is not None:
        what, share = of_row.cause()
        low = of_row.knowing(what).limit_time(T)["low"]
        cause = {"what": what, "share": share, "low_without_s": low}
    return {"temperature_K": T, "margin": BURN_MARGIN, "run": row["name"], "cause": cause}


def _nearness(row: dict[str, Any]) -> tuple[float, float]:
    times = row["limit_time_s"] or {"low": None, "estimate": None}
    low, expected = (row["burn_s"] / (times[key] or np.inf) for key in ("low", "estimate"))
    return low, expected


def worst(document: dict[str, Any]) -> dict[str, Any]:
    """Return the row of ``bore`` that its limit names."""
    name = document["limit"]["run"]
    return next(row for row in document["bore"] if row["name"] == name)


def factors(rows: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Return by what to multiply every burn so that all are cautious, and that none is too long.

    ``limit`` keeps each bare bore below its limit at the values stated. Burns are whole tenths of
    a second; what is not known is left out.
    """
    out = {}
    for key, times in (
        ("cautious", [(r["cautious_s"], r["burn_s"]) for r in rows]),
        ("limit", [((r["limit_time_s"] or {}).get("estimate"), r["burn_s"]) for r in rows]),
    ):
        known = [_down(t) / burn for t, burn in times if t is not None]
        if known and (key == "limit" or len(known) == len(times)):
            out[key] = float(min(known))
    return out


def _down(time: float) -> float:
    """Return a time in whole tenths [s], as burns are stated, none longer than it."""
    return float(np.floor(10.0 * time + 1e-9) / 10.0)


def passed(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the firings planned whose bore passes the limit at the values stated."""
    of = document["limit"]
    return [r for r in document["bore"] if standing(r, of["temperature_K"]) == "passed"
            ] if of else []


def may_pass(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the firings planned whose bore may pass the limit by its intervals."""
    of = document["limit"]
    return [r for r in document["bore"] if not r["note"]
            and standing(r, of["temperature_K"]) == "may"] if of else []


def standing(row: dict[str, Any], at: float, timed: bool = True) -> Standing:
    """Return how a row of ``bore`` stands to a temperature [K]; of the limit where ``timed``.

    The time is that of a bare bore, so a firing with a deposit is held against its peak alone. No
    lower end: never in a minute.
    """
    times = row["limit_time_s"] if timed and row.get("bare") else None
    known = times is not None and times["low"] is not None
    return of_bore(at, row["peak_K"], row["burn_s"], times if known else None, ERROR)


def incautious(document: dict[str, Any], factor: float = 1.0) -> list[dict[str, Any]]:
    """Return the firings that are not cautious with every burn ``factor`` as long."""
    return [r for r in document["bore"] if _open(r) or (
        r["cautious_s"] is not None and factor * r["burn_s"] > r["cautious_s"] + 1e-9
    )] if document["limit"] else []


def _open(run: dict[str, Any]) -> bool:
    """Return whether no burn can be called cautious."""
    reached = (run["limit_time_s"] or {}).get("low") is not None
    return run["cautious_s"] is None and (reached or bool(run["note"]))
