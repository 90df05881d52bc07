"""What a plan says of its burns: how hot the bore becomes, which are too long, what they tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.place_file import want_of
from wallsim.plan.place_limit import ERROR, incautious, may_pass, passed, standing, worst
from wallsim.plausibility import VALID_BURNS
from wallsim.rounding import open_text, per_cent

Document = dict[str, Any]

OF_METAL = {"oxidation": "an oxidation limit", "solidus": "a solidus"}

HOW = {"gas-side coefficient along the tube": "State coefficient and coefficient_variation in "
       "[fit] as narrowly as you know them, no more."}


def shown(half: float, unit: str) -> str:
    """Return a half width for people: per cent, mm²K/W or K."""
    scale, word = {"1": (100.0, " %"), "m^2*K/W": (1e6, " mm²K/W"), "K": (1.0, " K")}[unit]
    return f"{scale * half:.3g}{word}"


def celsius(T: float) -> str:
    """Return a temperature for people."""
    return f"{T - ZERO_CELSIUS:.0f} °C"


def no_limit(document: Document) -> str:
    """Return how hot the bores become where no limit is stated; empty where one is."""
    if document["limit"] is not None:
        return ""
    lines = ["No burn is judged without limit_temperature in [fit]: state what the bore may reach.",
             f"Expected at its hottest: {_bores(document)}."]
    hottest = max(r["peak_K"]["estimate"] for r in document["bore"])
    for metal, limits in document["metal_limits"].items():
        each = [f"{OF_METAL.get(name, name)} of {celsius(T)}{', passed' if hottest > T else ''}"
                for name, T in limits.items()]
        if each:
            lines.append(f"The table of {metal} states {' and '.join(each)}.")
    return " ".join(lines)


def _bores(document: Document) -> str:
    return "; ".join(f"{r['name']} ({r['burn_s']:.3g} s) {_peak(r)} °C" for r in document["bore"])


def _peak(row: Document) -> str:
    T = row["peak_K"]
    if row["note"]:
        return f"{T['estimate'] - ZERO_CELSIUS:.0f}"
    return open_text(T, 0, -ZERO_CELSIUS)


def beyond_limit(document: Document) -> str:
    """Return which firings planned pass the limit at the values stated."""
    lines = []
    for r in passed(document):
        times, until = r["limit_time_s"] or {}, ""
        if times.get("estimate") is not None:
            until = f" (a bare bore reaches it after {times['estimate']:.1f} s)"
        peak, T = celsius(r["peak_K"]["estimate"]), celsius(document["limit"]["temperature_K"])
        lines.append(f"{r['name']} ({r['burn_s']:.3g} s) takes the bore to {peak} at the values "
                     f"stated, beyond its limit of {T}{until}.")
    return " ".join([*lines, "Plan shorter burns."]) if lines else ""


def beyond_oxidation(document: Document) -> str:
    """Return which firings planned pass a metal's oxidation limit below the limit stated."""
    if document["limit"] is None:
        return ""
    lines = []
    for metal, limits in document.get("metal_limits", {}).items():
        T = limits.get("oxidation")
        if T is None or T >= document["limit"]["temperature_K"]:
            continue
        for word, which in (("takes", "passed"), ("may take", "may")):
            names = [r["name"] for r in document["bore"] if standing(r, T, False) == which
                     and (which == "passed" or not r["note"])]
            if names:
                lines.append(f"{', '.join(names)} {word} the bore beyond the oxidation limit of "
                             f"{metal}, {celsius(T)}, which is below the limit stated.")
    return " ".join(lines)


def beyond_cautious(document: Document) -> str:
    """Return which of the other firings are longer than a cautious first one."""
    beyond = [r["name"] for r in passed(document)]
    rows = [r for r in incautious(document) if r["name"] not in beyond]
    known = [f"{r['name']} ({r['burn_s']:.3g} s, cautious {r['cautious_s']:.1f} s)"
             for r in rows if r["cautious_s"] is not None]
    unknown = [f"{r['name']} ({r['burn_s']:.3g} s)" for r in rows if r["cautious_s"] is None]
    lines = []
    if known:
        also = " as well" if beyond else ""
        lines.append(f"Burns longer than a cautious first one{also}: {', '.join(known)}.")
    if unknown:
        lines.append(f"{', '.join(unknown)}: by what is stated no burn can be called cautious, see "
                     '"How long?".')
    return " ".join(lines)


def how_hot(document: Document) -> str:
    """Return the bore's peak in each firing planned against the limit; empty without one."""
    if document["limit"] is None:
        return ""
    T, beyond = document["limit"]["temperature_K"], passed(document)
    may = [r["name"] for r in may_pass(document)]
    text = (f"Expected bore at its hottest: {_bores(document)}; limit {celsius(T)}. An end is "
            f"uncertain by about {100.0 * ERROR:.0f} % of its distance from the estimate.")
    if beyond:
        text += f" {', '.join(r['name'] for r in beyond)} beyond the limit at the values stated."
    if may:
        text += f" By the intervals of peak or time {', '.join(may)} may pass the limit."
    return text


def how_long(document: Document, first: Document) -> str:
    """Return what shorter and longer burns tell, and which of them the limit allows."""
    rows = [r for r in document["against_burn"] if r["half_widths"]]
    limit = document["limit"]
    if limit is None:
        return _unjudged(document, first, rows)
    goal, unit = document["goal"], first["unit"]
    below = [r for r in rows if r["bore_peak_K"] <= limit["temperature_K"]]
    lines = []
    if below:
        best = min(below, key=_half)
        longest = ", the longest that does" if best["means"] == "limit" else ""
        lines.append("Of the burns looked at that keep the bore below its limit at the values "
                     f"stated, the smallest interval ({shown(_half(best), unit)}) comes of "
                     f"{_burns(document, best)}{longest}{_doubt(document, best)}.")
    elif rows:
        lines.append("Every burn looked at takes the bore beyond its limit at the values stated.")
    for row in rows:
        if row["means"] == "cautious":
            whole = ", all shortened in the same proportion," if _differ(document) else ""
            lines.append(f"Cautious first burns ({_burns(document, row)}){whole} give "
                         f"{shown(_half(row), unit)}.")
    least = next((r for r in rows if goal and _half(r) <= goal), None)
    if least is not None and least in below:
        doubt = "" if least is best else _doubt(document, least)
        if doubt and doubt == _doubt(document, best):
            doubt = ", with the same caution"
        lines.append(f"The goal of {shown(goal, unit)} takes {_burns(document, least)}{doubt}.")
    elif least is not None:
        lines.append(f"The goal of {shown(goal, unit)} takes {_burns(document, least)}, with the "
                     f"bore at {celsius(least['bore_peak_K'])}, beyond its limit.")
    elif goal:
        lines.append(f"No burn looked at reaches the goal of {shown(goal, unit)}.")
    return " ".join([*lines, *_which_R(document, first), *_of_limit(document)])


def _half(row: Document) -> float:
    return float(row["half_widths"][0])


def _unjudged(document: Document, first: Document, rows: Sequence[Document]) -> str:
    """Return the interval against the burn where there is no limit, without a choice."""
    goal, unit = document["goal"], first["unit"]
    ends = {r["factor"]: r for r in (*rows[:1], *rows[-1:])}
    each = [f"{_burns(document, r)} {'give' if _differ(document) else 'gives'} "
            f"{shown(_half(r), unit)}, with the bore at {celsius(r['bore_peak_K'])}"
            for r in ends.values()]
    lines = [f"{'; '.join(each)}."] if each else []
    least = next((r for r in rows if goal and _half(r) <= goal), None)
    if least is not None:
        lines.append(f"The goal of {shown(goal, unit)} takes {_burns(document, least)}, with the "
                     f"bore at {celsius(least['bore_peak_K'])}.")
    elif goal:
        lines.append(f"No burn looked at reaches the goal of {shown(goal, unit)}.")
    lines.append("Which of them the bore bears is not judged without limit_temperature in [fit].")
    return " ".join([*lines, *_which_R(document, first)])


def _which_R(document: Document, first: Document) -> list[str]:
    """Return of which burn's end the R wanted is: that of another plan may grow otherwise."""
    want = want_of(first["text"])
    if want is None or want.kind not in ("R", "difference"):
        return []
    blends = list(dict.fromkeys(want.of))
    longest = dict.fromkeys(f"{max(burns):.3g} s" for blend in blends if (
        burns := [r["burn_s"] for r in document["planned"] if r["blend"] == blend]))
    each = "R is" if len(blends) == 1 else "Each R is"
    return [f"{each} that at the end of the burn looked at, grown to what is stated by "
            f"{' or '.join(longest)}, the longest planned."]


def _differ(document: Document) -> bool:
    return len({r["burn_s"] for r in document["planned"]}) > 1


def _burns(document: Document, row: Document) -> str:
    """Return the burns of a row: one where all are alike, else each kind's."""
    if not _differ(document):
        return f"{row['burn_s']:.3g} s"
    return ", ".join(f"{r['name']} {row['factor'] * r['burn_s']:.3g} s"
                     for r in document["planned"])


def _doubt(document: Document, row: Document) -> str:
    """Return in what way a burn is not cautious, the end of a sentence."""
    rows = incautious(document, row["factor"])
    if not rows:
        return ""
    known = [r for r in rows if r["cautious_s"] is not None]
    if len(known) < len(rows):
        return ", but by what is stated no burn can be called cautious"
    longest = min(known, key=lambda r: float(r["cautious_s"] / r["burn_s"]))
    return (f", but {longest['name']} is then longer than its cautious first burn of "
            f"{longest['cautious_s']:.1f} s")


def _of_limit(document: Document) -> list[str]:
    """Return when a bare bore reaches the limit, and what makes that uncertain."""
    limit, row = document["limit"], worst(document)
    times, T = row["limit_time_s"], celsius(limit["temperature_K"])
    if times is None:
        return [f"When a bare bore reaches {T} is not known: {row['note']}."]
    alike = [r["name"] for r in document["bore"] if r.get("bare") and r["limit_time_s"] == times]
    who = f"The bore of {alike[0]}" if alike else next(
        f"A bare bore at {1e-5 * r['pressure_Pa']:.3g} bar" for r in document["planned"]
        if r["name"] == row["name"])
    if times["low"] is None:
        return [f"{who} stays below {T} for a minute by all that is stated."]
    text = f"{who} reaches {T} after {open_text(times, 1)} s by all that is stated"
    if row["cautious_s"] is not None:
        text += (f"; a cautious first burn is {limit['margin']:g} of the lower end, "
                 f"{row['cautious_s']:.1f} s.")
    else:
        text += (f": no cautious first burn can be named, as {limit['margin']:g} of the lower end "
                 f"is less than {VALID_BURNS[0]:g} s.")
    return [text, *_of_cause(limit["cause"])]


def _of_cause(cause: Mapping[str, Any] | None) -> list[str]:
    if cause is None:
        return []
    low = cause["low_without_s"]
    then = "it would not get there within a minute" if low is None else (
        f"the lower end would be {low:.1f} s")
    todo = f" {HOW[cause['what']]}" if cause["what"] in HOW else ""
    share = per_cent(cause["share"])
    return [f"{share[0].upper()}{share[1:]} of what makes the bore uncertain (variance) is: "
            f"{cause['what']}; were that known exactly, {then}.{todo}"]
