"""A what-if in words: what sets a firing apart, and which lasts longest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.predict_words import coarse
from wallsim.plan.whatif_endings import (
    elastic,
    ending,
    lasting,
    listed,
    load_known,
    oxidation,
    value,
)
from wallsim.plan.whatif_file import Change
from wallsim.rounding import AT_ONCE, open_text

Document = dict[str, Any]

AS_FIRED = "as in the campaign"
LONGEST_VALID = 60.0
"""Burns that the model is meant for [s]."""
WORDS: Mapping[str, tuple[str, float, float]] = {
    "wall": ("{:.4g} mm wall", 1e3, 0.0),
    "bore": ("{:.4g} mm bore", 1e3, 0.0),
    "burn": ("{:.4g} s burn", 1.0, 0.0),
    "pressure": ("{:.4g} bar", 1e-5, 0.0),
    "resistance": ("R {:.4g} mm²K/W", 1e6, 0.0),
    "start": ("from {:.4g} °C", 1.0, -ZERO_CELSIUS),
    "pause": ("{:.4g} s apart", 1.0, 0.0),
    "cooling": ("outside {:.4g} W/m²K", 1.0, 0.0),
    "firings": ("{:.0f} in a row", 1.0, 0.0),
}


def labels(changes: Sequence[Change]) -> list[str]:
    """Return what sets each firing apart from the others of its name; one alone says all."""
    stated = [{k: v for k, v in asdict(c).items() if v not in (None, "")} for c in changes]
    kin: dict[str, list[Document]] = {}
    for each in stated:
        kin.setdefault(each.get("name", ""), []).append(each)
    out = []
    for each in stated:
        name, others = each.get("name", ""), kin[each.get("name", "")]
        words = [
            _word(key, value) for key, value in each.items() if key != "name" and (
                any(other.get(key) != value for other in others)
                or (len(others) == 1 and not name and (key, value) != ("firings", 1)))
        ]
        out.append(", ".join([*([name] if name else []), *words]) or AS_FIRED)
    return out


def _word(key: str, value: Any) -> str:
    if key not in WORDS:
        return str(value)
    text, scale, offset = WORDS[key]
    return text.format(scale * value + offset)


def verdict(document: Document) -> list[dict[str, str]]:
    """Return what lasts longest and what does not, what is not told, each with a level."""
    firings, error = document["firings"], float(document.get("interval_error", 0.0))
    lines = [
        ("bad", _prior_only(document)), *(("warning", slip) for slip in document.get("slips", ())),
        ("warning", _coarse(document)), ("note", _longest(firings)), *lasting(firings, error),
        ("warning", _weak(firings)), *_oxidation(firings, error),
        ("note", _without_oxidation(firings)), ("note", _measurable(firings)),
        ("warning", _melting(firings)), ("warning", _beyond(firings)),
        ("note", _unlogged(document, open_shape=True)),
        ("warning", _unlogged(document, open_shape=False)), ("warning", _too_long(firings)),
        ("warning", _without_strength(firings)),
        ("note", elastic({f["label"]: f["survival"] for f in firings})),
    ]
    return [{"level": level, "text": text} for level, text in lines if text]


def _coarse(document: Document) -> str:
    text = coarse(document)
    return text and (f"{text[:-1]}: a wall or burn so far from the campaign's, or a peak near a "
                     "transformation of the metal, is not answered well.")


def _going_on(firing: Document) -> str:
    """Return the label of a firing whose burn goes on: without its burn, if it is fired once."""
    burn, parts = firing.get("changes", {}).get("burn"), firing["label"].split(", ")
    if burn is not None and firing["firings"] == 1:
        parts = [part for part in parts if part != _word("burn", burn)]
    return ", ".join(parts)


def _words(alike: list[Document]) -> str:
    """Return firings that end alike, what ends them and when."""
    cause, time = ending(alike[0])
    counts = {f["firings"] for f in alike}
    last = f", the last of {counts.pop()} firings" if len(counts) == 1 and counts != {1} else ""
    label = listed(list(dict.fromkeys(_going_on(f) for f in alike))) + last
    text = f", {label}" * bool(label) + ": "
    if cause is None:
        text += f"{_printed(time)}, nothing being seen to end it before"
    elif value(time) < AT_ONCE:
        text += f"{cause.is_so} at ignition already"
    else:
        text += f"{_printed(time)} until {cause.happens}"
    unknown = [f["metal"] for f in alike if not load_known(f)]
    return text + (f" (limit load of {', '.join(dict.fromkeys(unknown))} not known)"
                   if unknown else "")


def _printed(time: Document) -> str:
    return f"{open_text(time, 1, none='no time known')} s"


def _alike(firings: list[Document], like: Document) -> list[Document]:
    """Return the firings that end as ``like`` does, at a time that is printed alike."""
    cause, time = ending(like)
    return [f for f in firings
            if ending(f)[0] == cause and _printed(ending(f)[1]) == _printed(time)]


def _longest(firings: list[Document]) -> str:
    order = sorted(firings, key=lambda f: value(ending(f)[1]))
    last, first = _alike(firings, order[-1]), _alike(firings, order[0])
    if len({(f["firings"], _going_on(f)) for f in firings}) == 1 or len(first) == len(firings):
        return f"Burn going on{_words(first)}."
    return f"Longest burn{_words(last)}. Shortest{_words(first)}."


def _weak(firings: list[Document]) -> str:
    """Return which walls fall below the factor in their burns."""
    names, factor = [], 0.0
    for f in firings:
        margin, factor = f["survival"].get("margin") or {}, f["survival"]["factor"]
        least = margin.get("high") if margin.get("estimate") is None else margin["estimate"]
        if least is not None and least <= factor:
            names.append(f["label"])
    if not names:
        return ""
    return (f"Limit load falls below {factor:g} x gas pressure in the burn of "
            f"{listed(names, len(firings))}.")


def _oxidation(firings: list[Document], error: float) -> list[tuple[str, str]]:
    """Return which burns pass the oxidation limit of their metal or may, and the first to."""
    rows = [f for f in firings if "oxidation" in f["limits"]]
    if not rows:
        return []
    found = {f["label"]: f["limits"]["oxidation"] for f in rows}
    at = " or ".join(sorted({f"{each['at_K'] - ZERO_CELSIUS:.0f}" for each in found.values()}))
    first = min(rows, key=lambda f: value(found[f["label"]]["time_s"]))
    passed, may = ([f["label"] for f in rows if oxidation(f, error) == standing]
                   for standing in ("passed", "may"))
    where = f"passed in the burn of {listed(passed, len(rows))}" if passed else "passed in no burn"
    where += " by the estimates"
    if may:
        where += f", perhaps in that of {listed(may, len(rows))}"
    time = open_text(found[first["label"]]["time_s"], 1, none="no time known")
    soonest = ", ".join(["burn going on", *([label] if (label := _going_on(first)) else [])])
    return [("warning" if passed or may else "note",
             f"Oxidation limit of the bore, {at} °C: {where}; soonest, {soonest}: {time} s.")]


def _without_oxidation(firings: list[Document]) -> str:
    metals = dict.fromkeys(f["metal"] for f in firings if "oxidation" not in f["limits"])
    return f"No oxidation limit stated: {', '.join(metals)}." if metals else ""


def _melting(firings: list[Document]) -> str:
    """Return where the owner's limit is above the solidus."""
    wrong = {
        f["metal"]: (f["limits"]["limit"]["at_K"], f["limits"]["solidus"]["at_K"])
        for f in firings if {"limit", "solidus"} <= f["limits"].keys()
        and f["limits"]["limit"]["at_K"] > f["limits"]["solidus"]["at_K"]
    }
    return " ".join(
        f"Your limit of {limit - ZERO_CELSIUS:.0f} °C is above the solidus of {metal}, "
        f"{solidus - ZERO_CELSIUS:.0f} °C: check value and unit."
        for metal, (limit, solidus) in wrong.items())


def _beyond(firings: list[Document]) -> str:
    names = [f["label"] for f in firings if f["bore_peak_K"]["estimate"] is None]
    if not names:
        return ""
    return (f"The wall leaves the table of its metal in {listed(names)}: peaks there read "
            '"more than", limit loads "less than" the factor or "not assessed".')


def _unlogged(document: Document, *, open_shape: bool) -> str:
    """Return which firings burn on a deposit longer than any that was logged, or planned.

    Either those whose shape of growth is open, so that their interval widens, or all others.
    """
    firings = document["firings"]
    rows = [f for f in firings if f.get("longest_burn_logged_s")
            and (f["growth"] == "general") == open_shape]
    if not rows:
        return ""
    each = sorted(f["longest_burn_logged_s"] for f in rows)
    logged = " or ".join(dict.fromkeys(f"{s:.1f}" for s in each))
    open_by = "is left open" if document.get("planned") else "the logs leave open"
    doubt = (
        f"the interval widens by what {open_by} of the shape of growth, not for deposit "
        "that comes off or growth that speeds up" if open_shape else
        "the law stated is taken to go on, and the interval holds no doubt of it")
    longest = f"planned ({logged} s), for which R is stated" if document.get("planned") else (
        f"logged ({logged} s), where no log tells it")
    return (f"R goes on growing beyond the longest burn {longest}; {doubt}: "
            f"{listed([f['label'] for f in rows], len(firings))}.")


def _too_long(firings: list[Document]) -> str:
    names = [f["label"] for f in firings if f["burn_s"] > LONGEST_VALID]
    if not names:
        return ""
    return (f"Beyond the range of validity, burns of up to {LONGEST_VALID:.0f} s: "
            f"{listed(names, len(firings))}.")


def _measurable(firings: list[Document]) -> str:
    asked = [f for f in firings if f["measurable"] is not None]
    if not asked:
        return ""
    yes = [f["label"] for f in asked if f["measurable"]["told"]]
    no = [f["label"] for f in asked if f["measurable"]["told"] is False]
    words = [f"Deposit still measurable in {listed(yes)}" if yes
             else "The deposit could be measured in none of them"]
    if no:
        words.append(f"not in {listed(no)}")
    return "; ".join(words) + "."


def _without_strength(firings: list[Document]) -> str:
    metals = dict.fromkeys(
        f["metal"] for f in firings if f["survival"]["below_factor_s"] is None)
    if not metals:
        return ""
    return f"No hot strength table, limit load not assessed: {', '.join(metals)}."


def _prior_only(document: Document) -> str:
    """Return what rests on the prior alone after a fit that does not tell R from h."""
    said = [
        f"{name}: the fit does not tell R from h ({reason}), only 1/h + R. The surface of its "
        "deposit, and whether it could be measured, are left out."
        for name, reason in document["untold"].items()
        if any(f["blend"] == name for f in document["firings"])
    ]
    rows = [f"{f['label']} ({', '.join(f['prior_only'])})" for f in document["firings"]
            if f["prior_only"]]
    if rows:
        said.append(f"Prior only, not to be relied on: {listed(rows)}.")
    return " ".join(said)
