"""Whether a case's numbers are those of the trade, and a run's those of the others.

Slips of units pass every other check: a bore in inches, one log in degF headed degC, one tap in
psi. What looks like one is remarked, for the user to settle; nothing is changed for it. Ranges
are common practice for short tubes that are fired uncooled, and wide.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from wallsim.case.model import Case
from wallsim.consistency import BURNS, Seen, celsius, runs_of
from wallsim.logs.events import SMALLEST_RISE
from wallsim.reading_units import over
from wallsim.rounding import plain

LENGTHS = {"bore": (5.0, 150.0), "wall": (1.0, 30.0), "length": (40.0, 3000.0)}
"""Of tubes [mm]."""

WALL_OF_BORE = 0.02, 1.0
"""Wall over bore [-]; the thinner melts at once, the thicker is a block."""

LENGTH_OF_BORE = 1.0, 100.0
"""Length over bore [-]."""

FIRST_PART = 0.15
"""Three thermocouples or more do not all sit in so short a first share of a tube."""

MOST_SILICON = 0.38
"""Mass fraction in pure polydimethylsiloxane, SiO(CH3)2 of 74.15 g/mol, is 28.09/74.15."""

GAS_TEMPERATURES = 800.0, 4500.0
"""From lean burners to fuels with pure oxygen [K]."""

CONDUCTIVITIES = 0.01, 5.0
"""Of deposits: loose soot or silica has 0.03, dense silica at 1000 degC some 2 [W/(m K)]."""

RESISTANCES = 1e-6, 1e-2
"""Of deposits: 1 um of dense silica, 1 mm of loose silica [m^2 K/W]."""

SOFTENING = 600.0, 3300.0
"""From salts to zirconia and magnesia [K]."""

COEFFICIENTS = 10.0, 1e5
"""From still gas to the throats of large chambers [W/(m^2 K)]."""

LONGEST_LAG = 5.0
"""Sheathed thermocouples of 3 mm have up to 3 s [s]."""

VALID_BURNS = 1.0, 60.0
"""That the model is meant for [s]."""

USUAL_PRESSURES = 1.0e5, 3.0e6
"""Common practice, from memory: small uncooled chambers burn at up to some 30 bar abs [Pa]."""

HIGHEST_PRESSURE = 1.0e7
"""Small chambers burn at up to some 30 bar [Pa]."""

PRESSURES_APART = 3.0
"""Throttled firings differ by less (gauge)."""

HEATING_APART = 2.0
"""By which heating may differ from p^n of another firing; a strong deposit takes 1.4 to 1.7."""

BURNS_APART = 6.0
"""Burns of one campaign differ by less, or their rises differ too."""

_PAIRS = {
    14.504: "1 bar is 14.5 psi", 100.0: "1 bar is 100 kPa", 10.0: "1 MPa is 10 bar",
    1000.0: "1 bar is 1000 mbar", 6.895: "1 psi is 6.9 kPa",
}


def slips(case: Case, seen: Sequence[Seen]) -> tuple[str, ...]:
    """Return one located line for each number that looks like a slip of units, less readings."""
    shown_by = {s.run: like for s in seen if (like := _other_clock(case, seen, s))}
    return (*_of_tube(case), *_of_sensors(case), *_of_blends(case), *_of_deposits(case),
            *_of_options(case, seen),
            *_of_clocks(case, seen, shown_by),
            *_of_pressures(case, seen, [s for s in seen if s.run not in shown_by]))


def planned_slips(case: Case, fired: Sequence[tuple[float, float]]) -> tuple[str, ...]:
    """Return one located line for each number of a plan that looks like a slip of units.

    Parameters
    ----------
    case : Case
        With what the plan states of tube, blends and fit.
    fired : sequence of (float, float)
        Burn [s] and absolute pressure [Pa] of each planned run, in the order of the file.
    """
    out = [*_of_tube(case), *_of_blends(case), *_of_deposits(case), *_of_options(case, ())]
    low, high = VALID_BURNS
    for i, (burn, p) in enumerate(fired):
        written = case.source.data["run"][i]
        if not low <= burn <= high:
            out.append(_remark(
                case, ("run", i, "burn"), f"{plain(burn)} s is beyond the range of validity, burns "
                f"of {low:g} to {high:g} s", written["burn"], "check value and unit"))
        least, most = USUAL_PRESSURES
        if not least <= p <= most:
            out.append(_remark(
                case, ("run", i, "pressure"), f"{p / 1e5:.0f} bar abs is unusual: uncooled tubes "
                f"have up to some {1e-5 * most:.0f}", written["pressure"], "check value and unit"))
    return tuple(out)


def _remark(case: Case, place: tuple[str | int, ...], wrong: str, got: object, hint: str) -> str:
    return case.source.fault(place, wrong, got, hint).text


def _of_tube(case: Case) -> Iterator[str]:
    tube, written = case.tube, case.source.data["tube"]
    bore = "bore" if "bore" in written else "outside_diameter"
    sizes = {"bore": tube.bore.value, "wall": tube.wall.value, "length": tube.length}
    unlike = False
    for name, size in sizes.items():
        low, high = LENGTHS[name]
        key = bore if name == "bore" else name
        if not low <= 1e3 * size <= high:
            unlike = True
            yield _remark(
                case, ("tube", key), f"a {name} of {_mm(size)} mm is unusual: such tubes "
                f"have {low:g} to {high:g} mm", written[key], "check value and unit",
            )
    for name, (low, high) in () if unlike else (
        ("wall", WALL_OF_BORE), ("length", LENGTH_OF_BORE)
    ):
        share = sizes[name] / sizes["bore"]
        if not low <= share <= high:
            yield _remark(
                case, ("tube", name), f"is {plain(share)} times the bore of {_mm(sizes['bore'])} "
                f"mm, which is unusual: such tubes have {low:g} to {high:g}", written[name],
                "check both, and their units",
            )


def _mm(length: float) -> str:
    return f"{1e3 * length:.0f}" if length >= 0.1 else f"{1e3 * length:.3g}"


def _of_sensors(case: Case) -> Iterator[str]:
    far = max(s.z.value for s in case.sensors)
    if len(case.sensors) > 2 and far < FIRST_PART * case.tube.length:
        yield _remark(
            case, ("sensor", 0, "z"), f"all {len(case.sensors)} thermocouples are within the first "
            f"{_mm(far)} mm of a tube of {_mm(case.tube.length)} mm", None,
            "check z and length, and their units",
        )
    slow = [i for i, sensor in enumerate(case.sensors) if sensor.lag.value > LONGEST_LAG]
    if slow:
        names, lag = ", ".join(case.sensors[i].name for i in slow), case.sensors[slow[0]].lag
        yield _remark(
            case, ("sensor", slow[0], "lag"), f"of {names} is unusual: thermocouples on a wall "
            f"have 0.01 to {LONGEST_LAG:g} s", lag.text, "check value and unit",
        )


def _of_blends(case: Case) -> Iterator[str]:
    low, high = GAS_TEMPERATURES
    for name, blend in case.blends.items():
        if blend.silicon > MOST_SILICON:
            yield _remark(
                case, ("blend", name, "silicon"), f"{100.0 * blend.silicon:.3g} % of the fuel is "
                f"more than pure silicone oil has ({100.0 * MOST_SILICON:.0f} %)",
                case.source.data["blend"][name].get("silicon"),
                'write the mass fraction of silicon in the fuel, like "1.14 %"',
            )
        T = blend.gas_temperature
        if blend.like is None and not low <= T.value <= high:
            yield _remark(
                case, ("blend", name, "gas_temperature"), f"{T.value:.0f} K is unusual: burning "
                f"gas has {low:g} to {high:g} K", T.text, "check value and unit",
            )


def _of_deposits(case: Case) -> Iterator[str]:
    for name, blend in case.blends.items():
        written = case.source.data["blend"][name].get("deposit")
        if blend.deposit is None or not isinstance(written, dict):
            continue
        d = blend.deposit
        for key, value, (low, high), unit in (
            ("conductivity", d.conductivity.value, CONDUCTIVITIES, "W/m/K"),
            ("resistance", d.resistance.value, RESISTANCES, "m^2*K/W"),
            ("softening", d.softening, SOFTENING, "K"),
        ):
            if value is not None and not low <= value <= high:
                yield _remark(
                    case, ("blend", name, "deposit", key), f"a {key} of {plain(value)} {unit} is "
                    f"unusual: deposits have {low:g} to {high:g}", written.get(key),
                    "check value and unit",
                )


def _of_options(case: Case, seen: Sequence[Seen]) -> Iterator[str]:
    fit, written = case.fit, case.source.data.get("fit") or {}
    low, high = COEFFICIENTS
    if not low <= fit.coefficient.value <= high:
        yield _remark(
            case, ("fit", "coefficient"), f"{plain(fit.coefficient.value)} W/m^2/K is unusual: "
            f"gas-side coefficients are {low:g} to {high:g}", written.get("coefficient"),
            "check value and unit",
        )
    limit, place = fit.limit_temperature, ("fit", "limit_temperature")
    if limit is None:
        return
    hint = "check value and unit"
    melting = [(solid.limits["solidus"], solid.name) for solid in case.tube.solids.values()
               if "solidus" in solid.limits]
    for solidus, metal in melting:
        if limit > solidus:
            yield _remark(case, place, f"{celsius(limit)} is above the solidus of {metal}, "
                          f"{celsius(solidus)}: it would have melted", written.get(place[1]), hint)
    coolest = min(seen, key=lambda s: s.hottest[1], default=None)
    if coolest is not None and limit < coolest.hottest[1]:
        yield _remark(
            case, place, f"{celsius(limit)} is passed in every firing, even outside: "
            f"{coolest.hottest[0]} of {coolest.run} reads up to {celsius(coolest.hottest[1])}",
            written.get(place[1]), hint)


def _typical(values: Sequence[float]) -> float:
    """Return the middle value, of two middle ones the lower."""
    return sorted(values)[(len(values) - 1) // 2]


def _heating(case: Case, one: Seen, other: Seen, t: float | None = None) -> float:
    """Return how much hotter ``one`` becomes than p^n makes of ``other`` [-]; NaN if unknown.

    At the same moment ``t`` after ignition [s], else at the ends of both burns.
    """
    expected: float = (one.plateau / other.plateau) ** case.fit.pressure_exponent.value
    return over(one.rise(t or one.burn), other.rise(t or other.burn)) / expected


def _other_clock(case: Case, seen: Sequence[Seen], s: Seen) -> Seen | None:
    """Return the run that shows that another's clock is in another unit."""
    usual = _typical([other.burn for other in seen])
    like = next(other for other in seen if other.burn == usual)
    heating = _heating(case, s, like)
    alike = np.isfinite(heating) and not _beyond(heating, HEATING_APART)
    return like if alike and _beyond(s.burn / usual, BURNS_APART) else None


def _beyond(ratio: float, factor: float) -> bool:
    """Return whether a ratio is known and further from 1 than a factor."""
    return ratio > factor or ratio < 1.0 / factor


def _of_clocks(
    case: Case, seen: Sequence[Seen], shown_by: Mapping[str, Seen]
) -> Iterator[str]:
    for i, s in enumerate(seen):
        if s.run in shown_by and BURNS[0] <= s.burn <= BURNS[1]:
            like = shown_by[s.run]
            yield _remark(
                case, ("run", i), f"burns for {plain(s.burn)} s by its log, {like.run} for "
                f"{plain(like.burn)} s, and the wall becomes about as hot", None,
                f"check the clock's unit in the heading of {s.log.path}",
            )


def _of_pressures(case: Case, every: Sequence[Seen], seen: Sequence[Seen]) -> Iterator[str]:
    """Return lines about the taps of ``seen``, those of ``every`` run whose clock is sound."""
    places: dict[str, tuple[str | int, ...]] = {s.run: ("run", i) for i, s in enumerate(every)}
    air, channel = case.pressure.barometer, case.pressure.channel
    high = [s for s in seen if s.plateau > HIGHEST_PRESSURE]
    if high:
        yield _remark(
            case, places[high[0].run], f"{channel} of {runs_of(high, every)} is "
            f"{high[0].plateau / 1e5:.0f} bar abs while burning, which is unusual: uncooled tubes "
            "have up to some 30", None, f"check the unit in the heading of {high[0].log.path}",
        )
    rest = [s for s in seen if s not in high and s.plateau - air > SMALLEST_RISE]
    usual = _typical([s.plateau for s in rest]) if rest else 0.0
    for s in rest:
        like = next(other for other in rest if other.plateau == usual)
        ratio = (s.plateau - air) / (like.plateau - air)
        heating = _heating(case, s, like, min(s.burn, like.burn))
        own, other = (plain((one.plateau - air) / 1e5) for one in (s, like))
        if _beyond(ratio, PRESSURES_APART) and _beyond(heating, HEATING_APART):
            yield _remark(
                case, places[s.run], f"{channel} is {own} bar above air pressure while burning, "
                f"in {like.run} {other}, but its wall heats {plain(heating, 2)} "
                "times as fast as that asks for", None,
                f"check the unit in the headings of both logs{_said(ratio)}",
            )


def _said(ratio: float) -> str:
    """Return what factor between two units of pressure comes near ``ratio``."""
    apart = {factor: abs(np.log(max(ratio, 1.0 / ratio) / factor)) for factor in _PAIRS}
    nearest = min(apart, key=lambda factor: apart[factor])
    return f" ({_PAIRS[nearest]})" if apart[nearest] < np.log(1.15) else ""
