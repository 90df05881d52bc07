"""The questions a plan answers: where, how long, how often, how fast, and what else would help."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, InputError, TableRangeError
from wallsim.estimate.readouts import QUANTILE
from wallsim.plan.place_campaign import (
    candidates,
    is_bare,
    stretched,
    with_bare,
    with_lag,
    with_other_flux,
)
from wallsim.plan.place_design import Candidates, Criterion, choose, covariance
from wallsim.plan.place_file import Plan, PlannedRun
from wallsim.plan.place_limit import hottest_of_plan
from wallsim.plan.place_model import Informed, Marched, Repeated, Wanted
from wallsim.plan.place_room import beside, packed, pairs_made, slots_of

Array = NDArray[np.float64]

TRIES = 6
OTHER_FLUX = 0.7
BURNS = (0.4, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0)
RATES = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)
FEWEST = 12
LAGS = (0.02, 0.1, 0.3, 1.0, 3.0)
MOST_REPEATS = 6
NO_CAUSE = ("deposit of", "gas-side coefficient along the tube")
HOW = {
    "growth law": (
        "firings of other lengths, shorter or longer; state it only if another rig or a longer "
        "record has told it"),
    "wall thickness": "measure the wall",
    "heat capacity of the wall": "weigh the tube, and a certificate of its metal",
    "conductivity of the wall": "a certificate, or a measurement",
    "gas temperature": "a measurement of the gas temperature",
    "thermocouple lag": "a step test of each",
    "thermocouple lead loss": "check the junctions in place against a known temperature",
    "thermocouple position": "measure the stations after welding",
    "heating round the tube": "further thermocouples round the tube at the same stations",
    "ignition time": "log the ignition on the same clock",
    "emissivity": "measure or paint the outside",
    "purge after shutdown": "measure the purge flow",
}


def half_width(wanted: Wanted, C: Array) -> float:
    """Return half the 95 % interval: a share of the value where positive, else in its unit.

    Parameters
    ----------
    C : Array, shape (k, k)
        Covariance of the rows of what is wanted. Of several rows the root mean square counts,
        for "everything" the geometric mean of their principal axes.
    """
    if wanted.want.kind == "everything":
        sd = float(np.exp(0.5 * np.linalg.slogdet(C)[1] / len(C)))
    else:
        sd = float(np.sqrt(np.trace(C) / len(C)))
    return float(np.sinh(QUANTILE * sd)) if wanted.log else QUANTILE * sd


def criterion(wanted: Wanted, repeated: Repeated) -> Criterion:
    """Return what a choice for ``wanted`` is judged by."""
    gradient = repeated.gradient(wanted)
    return Criterion(gradient, "determinant" if wanted.want.kind == "everything" else "variance")


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """A plan marched once, ready for every question about it.

    Parameters
    ----------
    wanted : tuple of Wanted
        The first decides.
    information : tuple of Array, shape (m, m)
        Of each candidate in the planned campaign.
    """

    plan: Plan
    marched: Marched
    informed: Informed
    wanted: tuple[Wanted, ...]
    repeated: Repeated
    information: tuple[Array, ...]

    @classmethod
    def of(cls, plan: Plan) -> Study:
        """March the plan and gather what every candidate would tell."""
        plan = with_bare(with_other_flux(plan, OTHER_FLUX), first_run(plan))
        marched = Marched.of(plan, candidates(plan))
        informed = marched.read(plan.thermocouple.rate)
        repeated = informed.campaign({r.name: r.repeats for r in plan.runs})
        return cls(
            plan, marched, informed, tuple(marched.gradient(w) for w in plan.wants), repeated,
            tuple(repeated.information(k) for k in range(len(marched.candidates))),
        )

    @property
    def z(self) -> Array:
        """Where the candidates are [m]."""
        return np.array([c.z for c in self.marched.candidates])

    @property
    def fixed(self) -> list[int]:
        """Thermocouples welded on already."""
        return [i for i, c in enumerate(self.marched.candidates) if c.fixed]

    @property
    def free(self) -> list[int]:
        """Places that are far enough from those."""
        far = beside(self.z, self.z[self.fixed].tolist(), self.plan.apart)
        return [i for i, c in enumerate(self.marched.candidates) if not c.fixed and far[i]]

    def apart_from(self, chosen: Sequence[int]) -> list[int]:
        """Return where one more may stand beside ``chosen``: no well if no more may be drilled."""
        room = [i for i in self.free
                if self.plan.apart <= 1e-9 + min(abs(self.z[i] - self.z[j]) for j in chosen)]
        return self._surface(room) if self._wells_left(chosen) == 0 else room

    def _wells_left(self, chosen: Sequence[int]) -> int | None:
        """Return how many more wells may be drilled beside those ``chosen``; None for any."""
        most, wells = self.plan.most_wells, len(chosen) - len(self._surface(chosen))
        return None if most is None else max(most - wells, 0)

    def _surface(self, places: Sequence[int]) -> list[int]:
        """Return those of ``places`` that are on the surface."""
        return [i for i in places if self.marched.candidates[i].sensor.depth == 0.0]

    def widths(self, chosen: Sequence[int]) -> list[float]:
        """Return `half_width` of each want with ``chosen`` thermocouples."""
        return widths(self.repeated, self.wanted, chosen, self.information)

    def choice(self, n: int, *, plain: bool = False) -> list[int]:
        """Return the best ``n`` thermocouples for the first want, those welded on included.

        Pairs are made as planned where one thermocouple, or one welded on, is left without.

        Parameters
        ----------
        plain : bool
            On the surface and each at a station of its own, whatever wells and pairs are planned.

        Raises
        ------
        ValueError
            If there is no room for so many.
        """
        free, fixed = self.free, self.fixed
        extra = n - len(fixed)
        pairs = 0 if plain else pairs_made(extra, len(fixed), self.plan.pairs)
        if extra <= 0:
            return fixed
        if plain:
            free = self._surface(free)
        if not free:
            raise ValueError("no place is left")
        information = [self.information[i] for i in free]
        at = np.tile(self.z[free], 2)
        conflicts = np.abs(at[:, None] - at) < self.plan.apart - 1e-9
        every = Candidates.of([*information, *(2.0 * M for M in information)], conflicts)
        base = precision(self.information, fixed)
        judged = criterion(self.wanted[0], self.repeated)
        surface = np.flatnonzero(np.isin(free, self._surface(free)))
        slots = slots_of(len(free), surface, extra - 2 * pairs, pairs, self._wells_left(fixed))
        fitting = packed(self.z[free], self.plan.apart)
        if len(slots) > len(fitting):
            raise ValueError("no place is left")
        some = np.linspace(0, len(fitting) - 1, len(slots)).round().astype(int)
        start = [fitting[i] for i in some]
        start[extra - 2 * pairs :] = [i + len(free) for i in start[extra - 2 * pairs :]]
        found, _ = choose(every, base, judged, slots, TRIES, start)
        places = [free[i % len(free)] for i in found for _ in range(1 + i // len(free))]
        return [*fixed, *sorted(places, key=lambda i: self.z[i])]


def precision(information: Sequence[Array], chosen: Sequence[int]) -> Array:
    """Return the precision of the campaign's unknowns with ``chosen`` thermocouples."""
    total = np.eye(len(information[0]))
    for i in chosen:
        total += information[i]
    return total


def widths(
    repeated: Repeated, wanted: Sequence[Wanted], chosen: Sequence[int],
    information: Sequence[Array] | None = None,
) -> list[float]:
    """Return `half_width` of each want in a campaign with ``chosen`` thermocouples."""
    known = information or {i: repeated.information(i) for i in set(chosen)}
    total = np.eye(repeated.size)
    for i in chosen:
        total += known[i]
    C = covariance(total)
    out = []
    for w in wanted:
        G = repeated.gradient(w)
        out.append(half_width(w, G @ C @ G.T))
    return out


def against_number(study: Study) -> list[dict[str, Any]]:
    """Return the best choice of each size, and what even spacing would give."""
    out: list[dict[str, Any]] = []
    for n in range(max(1, len(study.fixed)), study.plan.most + 1):
        try:
            chosen = study.choice(n)
        except ValueError as error:
            if n <= study.plan.thermocouples:
                raise InputError(
                    f"{study.plan.case.path}: plan.thermocouples: no room for {n}; plan fewer"
                ) from error
            break
        if out:
            chosen = _no_worse(study, chosen, out[-1]["chosen"])
        even = [] if study.fixed else _evenly(study, n)
        out.append({"thermocouples": n, "chosen": chosen, "half_widths": study.widths(chosen),
                    "even": even, "evenly_spaced": study.widths(even)[0] if even else None})
    return out


def _no_worse(study: Study, chosen: list[int], fewer: list[int]) -> list[int]:
    """Return ``chosen``, or ``fewer`` with one more where that is better and there is room."""
    if study.plan.pairs or study.widths(chosen)[0] <= study.widths(fewer)[0]:
        return chosen
    room = study.apart_from(fewer)
    more = [sorted([*fewer, i], key=lambda j: float(study.z[j])) for i in room]
    return min([chosen, *more], key=lambda each: study.widths(each)[0])


def plain(study: Study, n: int) -> float | None:
    """Return the first want with ``n`` on the surface and no pairs; None if they do not fit."""
    try:
        return study.widths(study.choice(n, plain=True))[0]
    except ValueError:
        return None


def bare_added(study: Study, chosen: Sequence[int]) -> dict[str, Any] | None:
    """Return the first want with one bare firing more, where none is planned."""
    if any(is_bare(study.plan, r) for r in study.plan.runs if r.repeats):
        return None
    run = next(r for r in study.plan.runs if is_bare(study.plan, r))
    repeated = study.informed.campaign({**repeats_of(study.plan), run.name: 1})
    return {"run": run.name,
            "half_width": widths(repeated, study.wanted[:1], chosen)[0]}


def _evenly(study: Study, n: int) -> list[int]:
    """Return ``n`` places spread evenly over those allowed, on the surface."""
    surface = [i for i in study.free if study.marched.candidates[i].sensor.depth == 0.0]
    z = study.z[surface]
    wanted = np.linspace(z.min(), z.max(), n) if n > 1 else [0.5 * (z.min() + z.max())]
    return [surface[int(np.argmin(np.abs(z - at)))] for at in wanted]


def along_tube(study: Study, chosen: Sequence[int]) -> dict[str, list[float]]:
    """Return the first want with one thermocouple at each place, alone and beside ``chosen``."""
    places = [i for i, c in enumerate(study.marched.candidates) if not c.fixed]
    return {
        "z_m": study.z[places].tolist(),
        "depth_m": [study.marched.candidates[i].sensor.depth for i in places],
        "alone": [study.widths([i])[0] for i in places],
        "one_more": [study.widths([*chosen, i])[0] for i in places],
    }


def against_burn(
    study: Study, chosen: Sequence[int], executor: Executor, more: Mapping[str, float]
) -> list[dict[str, object]]:
    """Return intervals and the hottest bore with every burn shorter or longer.

    Parameters
    ----------
    more : mapping of str to float
        Factors besides `BURNS`, up to their largest, and what each stands for: ``means``.
    """
    named = {factor: what for what, factor in more.items() if 0.0 < factor <= max(BURNS)}
    factors = sorted({*BURNS, *named})
    plans = [stretched(study.plan, factor) for factor in factors]
    every = executor.map(_marched_anew, plans, repeat(tuple(chosen)), repeat(True))
    burn = first_run(study.plan).burn
    return [{"factor": factor, "burn_s": factor * burn, "means": named.get(factor, ""), **row}
            for factor, row in zip(factors, every, strict=True)]


def against_lag(
    study: Study, chosen: Sequence[int], executor: Executor
) -> list[dict[str, object]]:
    """Return intervals with slower and faster thermocouples, their share of error kept."""
    plans = [with_lag(study.plan, lag) for lag in LAGS]
    every = executor.map(_marched_anew, plans, repeat(tuple(chosen)), repeat(False))
    return [{"lag_s": lag, **row} for lag, row in zip(LAGS, every, strict=True)]


def _marched_anew(plan: Plan, chosen: tuple[int, ...], bore: bool) -> dict[str, object]:
    """Return the intervals of a changed plan with the same stations, and its hottest bore."""
    try:
        marched = Marched.of(plan, candidates(plan))
        wanted = [marched.gradient(w) for w in plan.wants]
        run, peak = hottest_of_plan(marched) if bore else (None, None)
    except (TableRangeError, ConvergenceError) as error:
        return {"half_widths": None, "bore_peak_K": None, "hottest": None, "note": str(error)}
    repeated = marched.read(plan.thermocouple.rate).campaign(repeats_of(plan))
    return {"half_widths": widths(repeated, wanted, chosen), "bore_peak_K": peak,
            "hottest": run, "note": ""}


def repeats_of(plan: Plan) -> dict[str, int]:
    """Return how often each kind of firing is planned."""
    return {r.name: r.repeats for r in plan.runs}


def first_run(plan: Plan) -> PlannedRun:
    """Return the first run of the blend that is wanted, else the first run."""
    blends = plan.wants[0].of
    return next((r for r in plan.runs if r.blend in blends or r.name in blends), plan.runs[0])


def against_repeats(study: Study, chosen: Sequence[int]) -> list[dict[str, object]]:
    """Return intervals for so many bare firings and so many of the wanted blends."""
    counts = repeats_of(study.plan)
    blends = study.plan.wants[0].of
    bare = next((r.name for r in study.plan.runs if r.repeats and is_bare(study.plan, r)), None)
    dosed = [r.name for r in study.plan.runs if r.blend in blends]
    if bare is None or not dosed:
        return []
    out: list[dict[str, object]] = []
    for m in range(1, MOST_REPEATS):
        for n in range(1, MOST_REPEATS + 1):
            fired = counts | {bare: n} | dict.fromkeys(dosed, m)
            repeated = study.informed.campaign(fired)
            out.append({"bare": n, "dosed": m,
                        "half_widths": widths(repeated, study.wanted, chosen)})
    return out


def against_rate(study: Study, chosen: Sequence[int]) -> list[dict[str, object]]:
    """Return intervals with slower and faster logging."""
    planned = study.plan.thermocouple.rate
    shortest = min(r.burn + r.cool_down for r in study.plan.runs)
    out: list[dict[str, object]] = []
    for rate in sorted({*(r for r in RATES if r * shortest >= FEWEST), planned}):
        repeated = study.marched.read(rate).campaign(repeats_of(study.plan))
        out.append({"rate_Hz": rate, "half_widths": widths(repeated, study.wanted, chosen)})
    return out


def worth(study: Study, chosen: Sequence[int]) -> list[dict[str, object]]:
    """Return by how much each further measurement would narrow the first want, most first."""
    now = study.widths(chosen)[0]
    out = [*_known_exactly(study, chosen), *_one_more_firing(study, chosen)]
    free = study.apart_from(chosen) or study.free
    if free:
        best = min(free, key=lambda i: study.widths([*chosen, i])[0])
        out.append({"what": f"one more thermocouple, at {1e3 * study.z[best]:.0f} mm",
                    "kind": "thermocouple", "advice": "",
                    "half_width": study.widths([*chosen, best])[0]})
    for row in out:
        row["narrower_by"] = 1.0 - float(row["half_width"]) / now  # type: ignore[arg-type]
    return sorted(out, key=lambda row: float(row["half_width"]))  # type: ignore[arg-type]


def _known_exactly(study: Study, chosen: Sequence[int]) -> list[dict[str, object]]:
    first = study.wanted[0]
    gradient = study.repeated.gradient(first)
    out: list[dict[str, object]] = []
    for group, C in study.repeated.known_exactly(chosen, gradient).items():
        if group.startswith((*NO_CAUSE, "firing-to-firing")):
            continue
        advice = next((text for key, text in HOW.items() if group.startswith(key)), "")
        out.append({"what": f"{group} known exactly", "kind": "known", "advice": advice,
                    "half_width": half_width(first, C)})
    return out


def _one_more_firing(study: Study, chosen: Sequence[int]) -> list[dict[str, object]]:
    counts: Mapping[str, int] = repeats_of(study.plan)
    out: list[dict[str, object]] = []
    for run in study.plan.runs:
        repeated = study.informed.campaign({**counts, run.name: counts[run.name] + 1})
        out.append({"what": f"one more firing: {run.name}", "kind": "firing", "advice": "",
                    "half_width": widths(repeated, study.wanted[:1], chosen)[0]})
    return out
