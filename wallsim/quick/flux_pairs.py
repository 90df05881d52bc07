"""Deposit resistance from pairs of firings: the flux histories of a deposit run and of bare runs.

At one station and one time since ignition, with ``U = q / (T_g - T_bore)``,

    R(t) = 1/U - 1/(f h(t) P),    h(t) = mean over bare runs of U_bare / P_bare,    P = (p/p_ref)^n

``T_g`` and ``n`` are what the case states, ``f`` the blend's own factor on h. No growth law is
assumed. How far a resistance is off is told by how far repeats scatter, and by nothing else. A
firing in which deposit came off is not compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.quick.inverse import History, Record
from wallsim.quick.repeats import half_width

Array = NDArray[np.float64]

LEAST_DRIVE = 50.0
LEAST_STATIONS = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Station:
    """What one thermocouple of one firing says, on the times common to the campaign.

    Parameters
    ----------
    run, blend, sensor : str
    z : float
        [m].
    kept : str or None
        Run whose deposit was still on the bore; None for a clean one.
    scale : float
        Coefficient of this firing over that of the bare wall at the reference pressure [-].
    U : Array, shape (n_t,)
        From gas to bore [W/(m^2 K)]; NaN where unknown.
    """

    run: str
    blend: str
    sensor: str
    z: float
    kept: str | None
    scale: float
    U: Array


@dataclass(frozen=True, slots=True, eq=False)
class PairResistance:
    """Resistance of one blend by differences to bare runs.

    Parameters
    ----------
    blend : str
    runs, bare : tuple of str
        Firings of the blend (on a clean bore, where there are such), and the bare ones.
    sensors : tuple of str
    z : Array, shape (n_s,)
        [m].
    station, station_half : Array, shape (n_s, n_t)
        [m^2 K/W], and half the width of the 95 % interval; NaN where unknown.
    mean, mean_half : Array, shape (n_t,)
        Mean along the tube, first to last station; the same.
    freedom : int
        Degrees of freedom of the scatter of repeats; without any there is no interval.
    """

    blend: str
    runs: tuple[str, ...]
    bare: tuple[str, ...]
    sensors: tuple[str, ...]
    z: Array
    station: Array
    station_half: Array
    mean: Array
    mean_half: Array
    freedom: int


def stations(
    campaign: Campaign, every: Sequence[Record], histories: Sequence[History], times: Array
) -> list[Station]:
    """Return the coefficient from gas to bore at ``times`` [s], where no deposit came off."""
    firings = {f.run.name: f for f in campaign.firings}
    out = []
    for record, history in zip(every, histories, strict=True):
        firing = firings[record.run]
        if firing.run.shed is not None:
            continue
        drive = gas_temperature(campaign, firing, record.z) - history.bore
        good = (history.flux > 0.0) & (drive > LEAST_DRIVE)
        own = np.where(good, history.flux / np.where(good, drive, 1.0), np.nan)
        U = at_times(times, history.t, own)
        out.append(Station(record.run, record.blend, record.sensor, record.z, firing.run.start,
                           coefficient_scale(campaign, firing), U))
    return out


def at_times(times: Array, t: Array, values: Array) -> Array:
    """Return a history at ``times``; NaN outside it."""
    if not t.size:
        return np.full(times.size, np.nan)
    return np.interp(times, t, values, left=np.nan, right=np.nan)


def gas_temperature(campaign: Campaign, firing: Firing, z: float) -> float:
    """Return the stated driving temperature at ``z`` [K]."""
    ambient, blend = campaign.case.tube.outside.ambient, firing.blend
    share = 1.0
    if blend.gas_temperature_along:
        points = np.array(blend.gas_temperature_along)
        share = float(np.interp(z, points[:, 0], points[:, 1]))
    return ambient + share * (blend.gas_temperature.value - ambient)


def coefficient_scale(campaign: Campaign, firing: Firing) -> float:
    """Return the stated coefficient of a firing over that at reference pressure [-]."""
    p = firing.events.plateau / campaign.reference_pressure
    exponent: float = campaign.case.fit.pressure_exponent.value
    return float(firing.blend.coefficient.value * p**exponent)


def pair_resistances(campaign: Campaign, every: Sequence[Station]) -> list[PairResistance]:
    """Return the resistance of every blend with a deposit; none without a clean bare run."""
    deposits = {n for n, b in campaign.case.blends.items() if b.deposit is not None}
    sections = {s.sensor: s.z for s in sorted(every, key=lambda s: s.z)}
    names, z = tuple(sections), np.array(list(sections.values()))
    runs = {s.run: s for s in every}
    bare = tuple(n for n, s in runs.items() if s.blend not in deposits and s.kept is None)
    if not bare:
        return []
    excess = _excess(every, names, bare)
    groups: dict[tuple[str, str | None], list[str]] = {}
    for name, s in runs.items():
        groups.setdefault(("", None) if name in bare else (s.blend, s.kept), []).append(name)
    half = _half_width([[excess[n] for n in group] for group in groups.values()])
    mean_half = _half_width([[along(excess[n], z) for n in group] for group in groups.values()])
    freedom = sum(len(group) - 1 for group in groups.values())
    along_bare = [along(excess[name], z) for name in bare]
    out = []
    for blend in (b for b in campaign.case.blends if b in deposits):
        mine = tuple(name for name, s in runs.items() if s.blend == blend and s.kept is None)
        mine = mine or tuple(name for name, s in runs.items() if s.blend == blend)
        if mine:
            R = [excess[name] for name in mine]
            mean = [along(one, z) for one in R]
            out.append(PairResistance(
                blend, mine, bare, names, z,
                _mean(R), half * _share(R, [excess[name] for name in bare]),
                _mean(mean), mean_half * _share(mean, along_bare), freedom,
            ))
    return out


def _share(mine: Sequence[Array], bare: Sequence[Array]) -> Array:
    """Return the sd of a difference of two means over that of one firing; NaN where unknown."""
    counts = [np.isfinite(np.stack(every)).sum(axis=0) for every in (mine, bare)]
    known = (counts[0] > 0) & (counts[1] > 0)
    share = np.sqrt(sum(1.0 / np.maximum(count, 1) for count in counts))
    return np.where(known, share, np.nan)


def _excess(
    every: Sequence[Station], names: Sequence[str], bare: Sequence[str]
) -> dict[str, Array]:
    """Return by run what 1/U has over the mean of the bare runs [m^2 K/W], (n_s, n_t).

    That of a bare run, which only tells how far repeats scatter, is at the reference pressure.
    """
    scale = {s.run: s.scale for s in every}
    U = {name: _table([s for s in every if s.run == name], names) for name in scale}
    h = _mean([U[name] / scale[name] for name in bare])
    out = {name: 1.0 / U[name] - 1.0 / (h * scale[name]) for name in scale}
    return out | {name: scale[name] * out[name] for name in bare}


def _table(every: Sequence[Station], sensors: Sequence[str]) -> Array:
    """Return U of one firing by sensor and time, NaN where a sensor is missing."""
    n = every[0].U.size
    found = {s.sensor: s.U for s in every}
    return np.array([found.get(name, np.full(n, np.nan)) for name in sensors])


def _mean(every: Sequence[Array] | Array) -> Array:
    """Return the mean over the first axis of what is known, NaN where nothing is."""
    values = np.asarray(every)
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def along(values: Array, z: Array) -> Array:
    """Return the mean along the tube of ``values`` (n_s, n_t), NaN where too few are known.

    Thermocouples of one section count as one; between sections straight lines.
    """
    sections = np.unique(z)
    rows = np.array([_mean(values[z == at]) for at in sections])
    out = np.full(values.shape[1], np.nan)
    for j in range(out.size):
        known = np.isfinite(rows[:, j])
        if known.sum() < max(LEAST_STATIONS * sections.size, 1):
            continue
        at, y = sections[known], rows[known, j]
        full = np.interp(sections, at, y)
        span = sections[-1] - sections[0]
        out[j] = np.trapezoid(full, sections) / span if span > 0.0 else full[0]
    return out


def _half_width(groups: Sequence[Sequence[Array]]) -> Array:
    """Return half the 95 % interval of one firing, pooled over groups of repeats and moments."""
    squares = np.zeros(groups[0][0].shape)
    freedom = np.zeros(groups[0][0].shape)
    for group in groups:
        values = np.stack(group)
        known = np.isfinite(values)
        squares += (np.where(known, values - _mean(values), 0.0) ** 2).sum(axis=0)
        freedom += np.maximum(known.sum(axis=0) - 1, 0)
    return half_width(squares, freedom)
