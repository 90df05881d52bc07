"""The answers of a plan in sentences a test engineer can act on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from wallsim.plan.place_burn_words import (
    beyond_cautious,
    beyond_limit,
    beyond_oxidation,
    how_hot,
    how_long,
    no_limit,
    shown,
)
from wallsim.plan.place_limit import passed
from wallsim.plan.place_room import SAME

Document = dict[str, Any]

NEAR = 1.03
HOW_SURE = "How sure will it be?"
WHOLE = 1e-3
"""An end this close is the tube's [m]."""
CAUTION = (
    "For planning only, never the basis for personnel safety or pressure integrity; nobody near a "
    "hot tube under pressure. Intervals hold if the firings go as stated: screened-out "
    "thermocouples, a spoilt firing or a bore that was not clean cost more than they say. "
    "Temperatures and times to the limit are those of the model; what the tube bears is not looked "
    "at here."
)
_NEAR = f"{100 * (NEAR - 1):.0f} %"


def answers(document: Document) -> list[dict[str, str]]:
    """Return what is wrong with the plan, then the answers, each with the question it answers.

    What is wrong has a level, "bad" or "warning".
    """
    first = document["wants"][0]
    missed = document["goal"] is not None and first["half_width"] > document["goal"]
    warned = [
        ("bad", "Beyond the limit", beyond_limit(document)),
        ("warning", "Beyond oxidation", beyond_oxidation(document)),
        ("warning", "No limit stated", no_limit(document)),
        ("warning", "Longer than cautious", beyond_cautious(document)),
        ("warning", "No bare firing", _without_bare(document, first)),
        ("warning", "Numbers to check", _slips(document)),
        *(("warning", heading, f"{text[0].upper()}{text[1:]}.")
          for heading, text in document["remarks"].items()),
    ]
    out = [{"level": level, "question": question, "text": text}
           for level, question, text in warned if text]
    for question, text in (
        (HOW_SURE, _how_sure(document)),
        ("Where?", _where(document)),
        ("How many thermocouples?", _how_many(document, first)),
        ("How hot?", how_hot(document)),
        ("How long?", how_long(document, first)),
        ("How many repeats?", _how_often(document, first)),
        ("How fast?", _how_fast(document)),
        ("What else would help?", _what_else(document, first)),
    ):
        if text:
            bad = {"level": "bad"} if missed and question == HOW_SURE else {}
            out.append({"question": question, "text": text, **bad})
    return out


def _slips(document: Document) -> str:
    """Return what looks like a slip of units, each with its line of the file."""
    start = f"{document['case']['path']}:"
    return " ".join(f"Line {text.removeprefix(start)}." for text in document["slips"])


def _without_bare(document: Document, first: Document) -> str:
    added = document["bare_added"]
    if added is None:
        return ""
    now, then = (shown(half, first["unit"])
                 for half in (first["half_width"], added["half_width"]))
    return (f"Add a bare firing before anything else: with one ({added['run']}) {first['text']} "
            f"would be known to within {then} instead of {now}. Without one, little tells a "
            "deposit from a weaker h.")


def _how_sure(document: Document) -> str:
    lines = [f"{_meant(w['text'])} to within {shown(w['half_width'], w['unit'])}"
             for w in document["wants"]]
    first, goal = document["wants"][0], document["goal"]
    text = "; ".join(lines) + " (95 % interval, half its width)."
    if goal is not None:
        meets = "is met" if first["half_width"] <= goal else "is not met"
        if meets == "is met" and passed(document):
            meets += ", but by burns that take the bore beyond its limit"
        text = f"{text} The goal of {shown(goal, first['unit'])} {meets}."
    for w in document["wants"]:
        if w["z_m"] is not None:
            text += (f" The {w['text']} is expected at {1e3 * w['z_m']:.0f} mm and may be "
                     f"{_anywhere(document, w)} by what is stated; its interval is the root mean "
                     "square over that stretch.")
    return text


def _meant(text: str) -> str:
    """Return a want in words; "everything" is no single number."""
    if text != "everything":
        return text
    return ("everything (h and each R along the tube, the geometric mean over the independent ways "
            "in which they can vary together; one place alone may be much wider)")


def _anywhere(document: Document, want: Document) -> str:
    low, high = want["between_m"]
    if low < WHOLE and high > document["tube_length_m"] - WHOLE:
        return "anywhere along the tube"
    return f"anywhere from {1e3 * low:.0f} to {1e3 * high:.0f} mm"


def _where(document: Document) -> str:
    stations, first = document["stations"], document["wants"][0]
    n, half, unit = len(stations), first["half_width"], first["unit"]
    row: Document = next(
        (r for r in document["against_number"] if r["thermocouples"] == n), {})
    even, places = row.get("evenly_spaced"), row.get("even_stations", [])
    text, evenly = f"At {_named(stations)} from the head end.", _evenly(document, places)
    if even and row["even_stations_fit"] and even <= NEAR * half and not _paired(stations):
        text = (f"Space them {evenly}, at {_named(places)} from the head end: that gives "
                f"{shown(even, unit)}. The best places, at {_named(stations)}, give "
                f"{shown(half, unit)}, hardly better.")
    elif even:
        no_pair = ", with no pair," if _paired(stations) else ""
        text += (f" Spaced {evenly}{no_pair} it would be {shown(even, unit)}, not "
                 f"{shown(half, unit)}.")
    return " ".join([text, *_wells_and_pairs(document, first), *_of_stations(document)])


def _evenly(document: Document, stations: Sequence[Document]) -> str:
    """Return how evenly stations stand: gaps that differ by no more than the spacing are even."""
    gaps = [b["z_m"] - a["z_m"] for a, b in pairwise(stations)]
    even = max(gaps, default=0.0) - min(gaps, default=0.0) <= document["spacing_m"] + SAME
    return "evenly" if even else "as evenly as the keep-outs allow"


def _wells_and_pairs(document: Document, first: Document) -> list[str]:
    stations, plain, lines = document["stations"], document["plain"], []
    placed = [s for s in stations if not s["welded_already"]]
    deep = wells(stations) > 0
    paired = _paired(placed)
    if plain is not None and (deep or paired):
        without = " and ".join(["wells"] * deep + ["pairs"] * paired)
        half, now = shown(plain, first["unit"]), shown(first["half_width"], first["unit"])
        lines.append(f"As many without {without} give "
                     + ("the same." if half == now else f"{half}, against {now}."))
    if missing := _without_pairs(document, placed):
        lines.append(missing)
    if deep:
        lines.append("A well weakens a wall under pressure; that is not looked at here: have it "
                     "checked before firing.")
    return lines


def _without_pairs(document: Document, placed: Sequence[Document]) -> str:
    """Return why there are fewer pairs than planned."""
    planned, made = document.get("pairs", 0), _pairs(placed)
    if made >= planned:
        return ""
    return (f"{made or 'None'} of {planned} planned {'pair is' if planned == 1 else 'pairs are'} "
            f"made: of {len(document['stations'])} thermocouples {len(placed)} are left to place, "
            "and one at least stands without; plan more thermocouples.")


def _pairs(stations: Sequence[Document]) -> int:
    at = Counter((s["z_m"], s["depth_m"]) for s in stations)
    return sum(n > 1 for n in at.values())


def _paired(stations: Sequence[Document]) -> bool:
    return _pairs(stations) > 0


def _of_stations(document: Document) -> list[str]:
    if len(document["wants"]) < 2:
        return []
    return [f"Only the first want, {document['wants'][0]['text']}, decides where."]


def _named(stations: Sequence[Document]) -> str:
    """Return stations by z, in mm; two at one place are one entry."""
    counted: dict[str, int] = {}
    for s in sorted(stations, key=lambda s: float(s["z_m"])):
        notes = [f"{1e3 * s['depth_m']:g} mm deep"] if s["depth_m"] else []
        notes += ["welded already"] if s["welded_already"] else []
        name = f"{1e3 * s['z_m']:g} mm" + (f" ({', '.join(notes)})" if notes else "")
        counted[name] = counted.get(name, 0) + 1
    return ", ".join(f"{name} twice" if n > 1 else name for name, n in counted.items())


def _how_many(document: Document, first: Document) -> str:
    with_wells = _with_wells(document, first["unit"])
    return " ".join([_enough(document, first), *([with_wells] if with_wells else [])])


def wells(stations: Sequence[Document]) -> int:
    """Return for how many of ``stations`` a well is to be drilled."""
    return sum(bool(s["depth_m"]) and not s["welded_already"] for s in stations)


def _with_wells(document: Document, unit: str) -> str:
    """Return which numbers of thermocouples are with wells, and what is reached without."""
    rows, goal = document["against_number"], document["goal"]
    deep = [r for r in rows if wells(r["stations"])]
    if not deep:
        return ""
    which = "All of these" if len(deep) == len(rows) else (
        f"Of these, {', '.join(str(r['thermocouples']) for r in deep)}")
    pairs = " or pairs" if any(_paired(r["stations"]) for r in deep) else ""
    text = f"{which} are with wells."
    plain = {r["thermocouples"]: r["plain"] if r in deep else r["half_widths"][0] for r in rows}
    known = {n: half for n, half in plain.items() if half is not None}
    if not known:
        return text
    if goal is None:
        n = max(known)
        return f"{text} {n} without wells{pairs} {_verb(n, 'give')} {shown(known[n], unit)}."
    least = next((n for n, half in known.items() if half <= goal), None)
    if least is None:
        return f"{text} Without wells{pairs} no number looked at reaches the goal."
    return (f"{text} Without wells{pairs} {least} {'is' if least == 1 else 'are'} enough for the "
            f"goal ({shown(known[least], unit)}).")


def _enough(document: Document, first: Document) -> str:
    rows, goal, unit = document["against_number"], document["goal"], first["unit"]
    most = rows[-1]
    enough = next(r for r in rows if r["half_widths"][0] <= NEAR * most["half_widths"][0])
    best = shown(most["half_widths"][0], unit)
    if enough is most:
        n = most["thermocouples"]
        text = f"{n}, the most looked at, {_verb(n, 'give')} {best}."
        if len(rows) > 1:
            fewer = rows[-2]
            text = (f"{text[:-1]}; {fewer['thermocouples']} "
                    f"{_verb(fewer['thermocouples'], 'give')} "
                    f"{shown(fewer['half_widths'][0], unit)}.")
    else:
        n, half = enough["thermocouples"], enough["half_widths"][0]
        text = (f"{n} {_verb(n, 'give')} {shown(half, unit)}, within {_NEAR} of what "
                f"{most['thermocouples']}, the most looked at, give ({best}).")
        if half < most["half_widths"][0]:
            text = (f"{n} {_verb(n, 'give')} {shown(half, unit)}; {most['thermocouples']}, the "
                    f"most looked at, give {best}: so many do not fit at better places.")
    if goal is None:
        return text
    least = next((r for r in rows if r["half_widths"][0] <= goal), None)
    if least is None:
        return f"No number looked at reaches the goal of {shown(goal, unit)}. {text}"
    n = least["thermocouples"]
    return (f"{n} {'is' if n == 1 else 'are'} enough for the goal of "
            f"{shown(goal, unit)}. {text}")


def _verb(n: int, verb: str) -> str:
    return f"{verb}s" if n == 1 else verb


def _how_often(document: Document, first: Document) -> str:
    rows, goal, unit = document["against_repeats"], document["goal"], first["unit"]
    if not rows:
        return ""
    if goal is None:
        at = {(r["bare"], r["dosed"]): r["half_widths"][0] for r in rows}
        return (f"One bare and one dosed firing give {shown(at[1, 1], unit)}, two of each "
                f"{shown(at[2, 2], unit)}, three {shown(at[3, 3], unit)}.")
    enough = [r for r in rows if r["half_widths"][0] <= goal]
    if not enough:
        best = min(rows, key=lambda r: float(r["half_widths"][0]))
        return (f"No number of repeats looked at reaches {shown(goal, unit)}: the most, "
                f"{best['bare']} bare and {best['dosed']} dosed, give "
                f"{shown(best['half_widths'][0], unit)}.")
    least = min(enough, key=lambda r: (r["bare"] + r["dosed"], r["half_widths"][0]))
    return (f"{least['bare']} bare and {least['dosed']} dosed reach "
            f"{shown(least['half_widths'][0], unit)}, the fewest firings that meet the "
            "goal; repeats also show what a fit cannot: a spoilt firing.")


def _how_fast(document: Document) -> str:
    rates = document["against_rate"]
    lags = [r for r in document["against_lag"] if r["half_widths"]]
    enough = next(r for r in rates if r["half_widths"][0] <= NEAR * rates[-1]["half_widths"][0])
    slow = [r for r in lags if r["half_widths"][0] <= NEAR * lags[0]["half_widths"][0]]
    rate = f"{enough['rate_Hz']:g} sample{'' if enough['rate_Hz'] == 1.0 else 's'} a second"
    return f"{rate} and a lag up to {slow[-1]['lag_s']:g} s cost less than {_NEAR} of the interval."


def _what_else(document: Document, first: Document) -> str:
    added = document["bare_added"]
    rows = [r for r in document["worth"] if added is None or not r["what"].endswith(added["run"])]
    lines = [f"{r['what']}{': ' + r['advice'] if r['advice'] else ''} "
             f"({_change(first, r['half_width'])})" for r in rows[:3]]
    if added is not None:
        lines.insert(0, f"a bare firing first of all ({_change(first, added['half_width'])})")
    return "; ".join(lines) + "."


def _change(first: Document, half: float) -> str:
    return f"{shown(first['half_width'], first['unit'])} becomes {shown(half, first['unit'])}"
