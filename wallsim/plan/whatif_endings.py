"""What ends a burn that goes on, and which firings last their own burn by what is known of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.standing import Standing, of_bore, of_load, of_time

Document = dict[str, Any]

NAMED, ALL_NAMED = 3, 5


class Cause(NamedTuple):
    """What ends a burn, in words: as it happens, and where it is so from the start."""

    happens: str
    is_so: str


BEYOND_TABLE = Cause("the wall leaves the table of its metal, beyond which nothing is known", "")


def listed(names: Sequence[str], of: int = 0) -> str:
    """Return the names, of many the first; all of them, of which there are ``of``, in two words."""
    if len(names) == of > NAMED:
        return f"all {of} firings"
    if len(names) <= ALL_NAMED:
        return "; ".join(names)
    return "; ".join(names[:NAMED]) + f"; and {len(names) - NAMED} more"


def elastic(survival: Mapping[str, Document]) -> str:
    """Return the largest elastic stresses of the bore among firings by name, for information."""
    hot = {n: told["bore"]["estimate"] for n, s in survival.items()
           if (told := s.get("thermal_hoop_stress_Pa")) and told["bore"]["estimate"] is not None}
    pressed = {n: told["bore"] for n, s in survival.items()
               if (told := s.get("pressure_hoop_stress_Pa"))}
    words = []
    if hot:
        worst = min(hot, key=lambda n: float(hot[n]))
        words.append(f"{1e-6 * hot[worst]:.0f} MPa by temperature differences ({worst}; with the "
                     "constants of room temperature, which overstate it)")
    if pressed:
        worst = max(pressed, key=lambda n: float(pressed[n]))
        words.append(f"{1e-6 * pressed[worst]:.2g} MPa by pressure ({worst})")
    if not words:
        return ""
    return (f"For information, largest elastic hoop stress of the bore: {', '.join(words)}. Above "
            "its yield strength the bore yields locally in each firing, and fatigue is not "
            "assessed.")


def temperature_limits(firing: Document) -> dict[str, str]:
    """Return the limits of the bore that a firing is judged by, in words.

    The owner's limit, the oxidation limit where none is stated, and the solidus.
    """
    limits = firing["limits"]
    first = "limit" if "limit" in limits else "oxidation"
    words = {"limit": "your limit", "oxidation": "the oxidation limit", "solidus": "the solidus"}
    return {key: f"{words[key]} of {limits[key]['at_K'] - ZERO_CELSIUS:.0f} °C"
            for key in (first, "solidus") if key in limits}


def load_known(firing: Document) -> bool:
    """Return whether the limit load of the firing's metal can be assessed."""
    return firing["survival"]["below_factor_s"] is not None


def ending(firing: Document) -> tuple[Cause | None, dict[str, Any]]:
    """Return what ends a burn that goes on, and when; no cause where nothing is seen to."""
    survival = firing["survival"]
    found = [(Cause(f"the bore reaches {words}", f"the bore is above {words}"),
              firing["limits"][key]["time_s"]) for key, words in temperature_limits(firing).items()]
    if load_known(firing):
        words = f"{survival['factor']:g} x gas pressure"
        found.append((Cause(f"the limit load falls below {words}", f"the limit load is below "
                            f"{words}"), survival["below_factor_s"]))
    known = [(cause, time) for cause, time in found if time["estimate"] is not None]
    if known:
        return min(known, key=lambda pair: float(pair[1]["estimate"]))
    open_ends = [time for _, time in found if time["low"] is not None]
    nothing = {"estimate": None, "low": None, "high": None}
    return None, min(open_ends, key=lambda time: float(time["low"]), default=nothing)


def value(time: Document) -> float:
    """Return when something is reached [s], or until when it is known not to be."""
    return float(time["low"] or 0.0) if time["estimate"] is None else float(time["estimate"])


def oxidation(firing: Document, error: float) -> Standing | None:
    """Return how the bore stands to the oxidation limit of its metal; None if it has none."""
    limit = firing["limits"].get("oxidation")
    return None if limit is None else of_bore(
        limit["at_K"], firing["bore_peak_K"], firing["burn_s"], limit["time_s"], error)


def _earlier(firing: Document, error: float) -> tuple[Cause | None, bool]:
    """Return what ends one of the firings by the estimate of its peak, and whether anything may.

    A deposit that is carried over makes the first firing the hottest of all.
    """
    peak, survival, burn = firing["bore_peak_K"], firing["survival"], firing["burn_s"]
    margin, factor, standings = survival.get("margin"), survival["factor"], []
    for key, words in temperature_limits(firing).items():
        limit = firing["limits"][key]
        if peak["estimate"] is not None and peak["estimate"] > limit["at_K"]:
            return Cause(f"the bore reaches {words}", ""), True
        standings.append(of_bore(limit["at_K"], peak, burn, limit["time_s"], error))
    if margin and margin["estimate"] is not None and margin["estimate"] < factor:
        return Cause(f"the limit load falls below {factor:g} x gas pressure", ""), True
    if load_known(firing):
        standings.append(of_load(factor, margin, burn, survival["below_factor_s"], error))
    return None, any(standing != "kept" for standing in standings)


LASTS = {"last": "yes", "half": "by what is known of it", "may": "may not", "not": "no"}
"""Whether a firing lasts its burn, by `fate`."""


def fate(firing: Document, error: float) -> tuple[str, Cause | None]:
    """Return whether a firing lasts its burn: "last", "half", "may" or "not", and what ends it.

    "half" are those that stay within what is known of them, which is not all.
    """
    cause, time = ending(firing)
    burn = firing["burn_s"]
    if time["estimate"] is not None and of_time(burn, time) == "passed":
        return "not", cause
    before, may = _earlier(firing, error)
    if before is not None:
        return "not", before
    if (out := firing["survival"].get("table_ends_s")) and out["estimate"] is not None \
            and out["estimate"] < burn:
        return "not", BEYOND_TABLE
    if may:
        return "may", None
    return ("last" if _limited(firing) and load_known(firing) else "half"), None


def _limited(firing: Document) -> bool:
    """Return whether the bore has a limit of use: a solidus alone is none."""
    return any(key in firing["limits"] for key in ("limit", "oxidation"))


def lasting(firings: list[Document], error: float = 0.0) -> list[tuple[str, str]]:
    """Return which firings last their own burn and by what, each line with its level.

    Parameters
    ----------
    firings : list of dict
        Of a document.
    error : float
        How uncertain an end is, as a share of its distance from the estimate.
    """
    fates = [fate(f, error) for f in firings]
    sorts = {name: [f for f, (fate, _) in zip(firings, fates, strict=True) if fate == name]
             for name in ("last", "half", "may", "not")}
    n, last, half = len(firings), sorts["last"], sorts["half"]
    burns = sorted({round(f["burn_s"], 1) for f in firings})
    burn = f"burn of {burns[0]:g} s" if len(burns) == 1 else "own burn"
    if len(last) == n:
        words = f"All last their {burn}" if n > 1 else f"It lasts its {burn}"
        over = _beyond_oxidation(last, error)
        return [("note" if over else "good", f"{words}: {_stays(last)}{over}.")]
    if len(half) == n:
        return [("note", f"{'In their' if n > 1 else 'In its'} {burn} {_stays(half)}; that is not "
                         f"all that may end it: {_unknown(half)}.")]
    verb = "lasts its" if len(last) == 1 else "last their"
    if sorts["may"]:
        verb = "is sure to last its" if len(last) == 1 else "are sure to last their"
    parts = [f"{len(last)} of {n} {verb} {burn}" + (f": {_stays(last)}" if last else "")]
    if half:
        parts.append(f"{len(half)} cannot be judged in full, {_unknown(half)}, but "
                     f"{_stays(half)}: {_labels(half)}")
    if sorts["may"]:
        rough = f", whose ends are uncertain by {100.0 * error:.0f} %" if error else ""
        parts.append(f"{len(sorts['may'])} may not (not sure by their intervals{rough}): "
                     f"{_labels(sorts['may'])}")
    for cause in dict.fromkeys(cause for fate, cause in fates if fate == "not"):
        names = [f["label"] for f, fate in zip(firings, fates, strict=True)
                 if fate == ("not", cause)]
        why = f", as {cause.happens}" if cause else ""
        verb = "does" if len(names) == 1 else "do"
        parts.append(f"{len(names)} {verb} not{why}: {listed(names, n)}")
    return [("warning", ". ".join(parts) + ".")]


def _beyond_oxidation(firings: list[Document], error: float) -> str:
    """Return that firings within the owner's limit are not within that of oxidation, if so."""
    found = {standing for f in firings
             if "limit" in f["limits"] and (standing := oxidation(f, error))}
    if found <= {"kept"}:
        return ""
    return (f", but {'' if 'passed' in found else 'perhaps '}beyond the oxidation limit of its "
            "metal")


def _labels(firings: list[Document]) -> str:
    return listed([f["label"] for f in firings])


def _stays(firings: list[Document]) -> str:
    """Return what firings stay within, in words."""
    limits = dict.fromkeys(next(iter(each.values())) for f in firings
                           if (each := temperature_limits(f)))
    words = [f"the bore stays below {' or '.join(limits)}"] if limits else []
    factors = {f["survival"]["factor"] for f in firings if load_known(f)}
    if factors and all(load_known(f) for f in firings):
        words.append(f"the limit load {'' if words else 'stays '}above "
                     f"{factors.pop():g} x gas pressure")
    return ", ".join(words) or "nothing of them is judged"


def _unknown(firings: list[Document]) -> str:
    """Return what is not known of firings, in words."""
    weak = dict.fromkeys(f["metal"] for f in firings if not load_known(f))
    free = dict.fromkeys(f["metal"] for f in firings if not _limited(f))
    words = [f"limit load not known for {', '.join(weak)}"] if weak else []
    words += [f"no limit of use stated for the bore of {', '.join(free)} (limit_temperature in "
              "[fit])"] if free else []
    return ", ".join(words)
