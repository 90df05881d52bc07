"""The answers of a plan as one document, SI units, with sentences a test engineer can act on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import Any

from wallsim import __version__
from wallsim.plan import place_study as ask
from wallsim.plan.place_file import Plan, Want
from wallsim.plan.place_study import Study

Document = dict[str, Any]
Progress = Callable[[str, int, int], None]

SCHEMA = "wallsim.place/1"
BURN_MARGIN = 0.7
ZERO_CELSIUS = 273.15
NEAR = 1.03
QUESTIONS = ("marching the plan", "where", "how long", "how often", "how fast", "what else")


def build(plan: Plan, executor: Executor, progress: Progress | None = None) -> Document:
    """Return the document of a plan; ``executor`` runs the marches of changed plans.

    Every ``half_widths`` list follows ``wants``: half the 95 % interval, a share of the value
    where the unit is "1", else in that unit.

    Raises
    ------
    InputError
        If there is no room for the thermocouples planned.
    TableRangeError
        If a planned firing takes the wall out of the range of its material.
    ConvergenceError
        If a march does not converge.
    """

    def told(i: int) -> None:
        if progress:
            progress(QUESTIONS[i], i, len(QUESTIONS))

    told(0)
    study = Study.of(plan)
    told(1)
    by_number = ask.against_number(study)
    chosen = next(r for r in by_number if r["thermocouples"] == plan.thermocouples)["chosen"]
    document = _head(study, chosen)
    document["against_number"] = [_numbered(study, row) for row in by_number]
    document["along_tube"] = ask.along_tube(study, chosen)
    told(2)
    document["against_burn"] = ask.against_burn(study, chosen, executor)
    document["limit"] = ask.limit(study)
    told(3)
    document["against_repeats"] = ask.against_repeats(study, chosen)
    told(4)
    document["against_rate"] = ask.against_rate(study, chosen)
    document["against_lag"] = ask.against_lag(study, chosen, executor)
    told(5)
    document["worth"] = ask.worth(study, chosen)
    document["answers"] = answers(document)
    return document


def unit_of(want: Want) -> str:
    """Return the SI unit of a half width."""
    return {"difference": "m^2*K/W", "bore peak": "K"}.get(want.kind, "1")


def _head(study: Study, chosen: Sequence[int]) -> Document:
    plan = study.plan
    return {
        "schema": SCHEMA,
        "case": {"title": plan.case.title, "path": str(plan.case.path)},
        "versions": {"wallsim": __version__},
        "planned": [
            {"name": r.name, "blend": r.blend, "burn_s": r.burn, "pressure_Pa": r.pressure,
             "cool_down_s": r.cool_down, "repeats": r.repeats}
            for r in plan.runs if r.repeats
        ],
        "goal": plan.goal,
        "tube_length_m": plan.case.tube.length,
        "keep_out_m": [list(pair) for pair in plan.keep_out],
        "rate_Hz": plan.thermocouple.rate,
        "lag_s": plan.thermocouple.lag.value,
        "wants": [
            {"text": w.want.text, "unit": unit_of(w.want), "expected": w.value, "half_width": half}
            for w, half in zip(study.wanted, study.widths(chosen), strict=True)
        ],
        "stations": _stations(study, chosen),
    }


def _stations(study: Study, chosen: Sequence[int]) -> list[dict[str, Any]]:
    every = [study.marched.candidates[i] for i in chosen]
    return [
        {"z_m": c.z, "depth_m": c.sensor.depth, "welded_already": c.fixed} for c in every
    ]


def _numbered(study: Study, row: dict[str, Any]) -> dict[str, Any]:
    return {
        "thermocouples": row["thermocouples"], "stations": _stations(study, row["chosen"]),
        "half_widths": row["half_widths"], "evenly_spaced": row["evenly_spaced"],
    }


def shown(half: float, unit: str) -> str:
    """Return a half width for people: per cent, mm²K/W or K."""
    scale, word = {"1": (100.0, " %"), "m^2*K/W": (1e6, " mm²K/W"), "K": (1.0, " K")}[unit]
    return f"{scale * half:.3g}{word}"


def answers(document: Document) -> list[dict[str, str]]:
    """Return the answers in words, each with the question it answers."""
    first = document["wants"][0]
    out = [{"question": "How sure will it be?", "text": _how_sure(document)}]
    out.append({"question": "Where?", "text": _where(document)})
    for question, text in (
        ("How many thermocouples?", _how_many(document, first)),
        ("How long?", _how_long(document, first)),
        ("How many repeats?", _how_often(document, first)),
        ("How fast?", _how_fast(document)),
        ("What else would help?", _what_else(document, first)),
    ):
        if text:
            out.append({"question": question, "text": text})
    return out


def _how_sure(document: Document) -> str:
    lines = [f"{w['text']} to within {shown(w['half_width'], w['unit'])}"
             for w in document["wants"]]
    first, goal = document["wants"][0], document["goal"]
    text = "; ".join(lines) + " (95 % interval, half its width)."
    if goal is None:
        return text
    meets = "is met" if first["half_width"] <= goal else "is not met"
    return f"{text} The goal of {shown(goal, first['unit'])} {meets}."


def _where(document: Document) -> str:
    counted: dict[str, int] = {}
    for s in document["stations"]:
        name = f"{1e3 * s['z_m']:g} mm" + (
            f" ({1e3 * s['depth_m']:g} mm deep)" if s["depth_m"] else "")
        counted[name] = counted.get(name, 0) + 1
    named = [f"{name} twice" if n > 1 else name for name, n in counted.items()]
    even = next((r["evenly_spaced"] for r in document["against_number"]
                 if r["thermocouples"] == len(document["stations"])), None)
    text = "At " + ", ".join(named) + " from the head end."
    if even is None:
        return text
    first = document["wants"][0]
    return f"{text} Spaced evenly it would be {shown(even, first['unit'])}."


def _how_many(document: Document, first: Document) -> str:
    rows, goal = document["against_number"], document["goal"]
    most = rows[-1]
    enough = next(r for r in rows if r["half_widths"][0] <= NEAR * most["half_widths"][0])
    best = shown(most["half_widths"][0], first["unit"])
    text = (f"{most['thermocouples']}, the most looked at, give {best}; fewer are more than "
            f"{100 * (NEAR - 1):.0f} % worse.")
    if enough is not most:
        text = (f"{enough['thermocouples']} come within {100 * (NEAR - 1):.0f} % of what "
                f"{most['thermocouples']} give ({best}).")
    if goal is None:
        return text
    least = next((r for r in rows if r["half_widths"][0] <= goal), None)
    if least is None:
        return text + f" No number looked at reaches {shown(goal, first['unit'])}."
    return f"{least['thermocouples']} reach {shown(goal, first['unit'])}; {text}"


def _how_long(document: Document, first: Document) -> str:
    rows = [r for r in document["against_burn"] if r["half_widths"]]
    limit, goal = document["limit"], document["goal"]
    below = [r for r in rows if limit is None or r["bore_peak_K"] < limit["temperature_K"]]
    lines = []
    if below:
        best = min(below, key=lambda r: r["half_widths"][0])
        bound = "" if limit is None else " whose bare bore stays below its limit"
        lines.append(f"Of the burns looked at{bound}, {best['burn_s']:.3g} s gives the smallest "
                     f"interval ({shown(best['half_widths'][0], first['unit'])}).")
    least = next((r for r in rows if goal and r["half_widths"][0] <= goal), None)
    if least is not None and least in below:
        lines.append(f"{least['burn_s']:.3g} s is enough for {shown(goal, first['unit'])}.")
    elif least is not None:
        lines.append(
            f"None of them reaches {shown(goal, first['unit'])}: {least['burn_s']:.3g} s would, "
            f"with the bare bore at {least['bore_peak_K'] - ZERO_CELSIUS:.0f} °C."
        )
    if limit and limit["time_s"] is not None and limit["time_hotter_s"] is not None:
        within = BURN_MARGIN * limit["time_hotter_s"]
        lines.append(
            f"The bare bore reaches {limit['temperature_K'] - ZERO_CELSIUS:.0f} °C after "
            f"{limit['time_s']:.1f} s, "
            f"after {limit['time_hotter_s']:.1f} s if h is {100 * (limit['hotter'] - 1):.0f} % "
            f"higher; a cautious first burn is {BURN_MARGIN:g} of that, {within:.1f} s."
        )
    return " ".join(lines)


def _how_often(document: Document, first: Document) -> str:
    rows, goal = document["against_repeats"], document["goal"]
    if not rows:
        return ""
    if goal is None:
        at = {(r["bare"], r["dosed"]): r["half_widths"][0] for r in rows}
        return (f"One bare and one dosed firing give {shown(at[1, 1], first['unit'])}, two of each "
                f"{shown(at[2, 2], first['unit'])}, three {shown(at[3, 3], first['unit'])}.")
    enough = [r for r in rows if r["half_widths"][0] <= goal]
    if not enough:
        return f"No number of repeats looked at reaches {shown(goal, first['unit'])}."
    least = min(enough, key=lambda r: (r["bare"] + r["dosed"], r["half_widths"][0]))
    return (f"{least['bare']} bare and {least['dosed']} dosed reach "
            f"{shown(least['half_widths'][0], first['unit'])}, the fewest firings that meet the "
            "goal; repeats also show what a fit cannot: a spoilt firing.")


def _how_fast(document: Document) -> str:
    rates = document["against_rate"]
    lags = [r for r in document["against_lag"] if r["half_widths"]]
    enough = next(r for r in rates if r["half_widths"][0] <= NEAR * rates[-1]["half_widths"][0])
    slow = [r for r in lags if r["half_widths"][0] <= NEAR * lags[0]["half_widths"][0]]
    return (f"{enough['rate_Hz']:g} samples a second and a lag up to {slow[-1]['lag_s']:g} s cost "
            f"less than {100 * (NEAR - 1):.0f} % of the interval.")


def _what_else(document: Document, first: Document) -> str:
    best = document["worth"][:3]
    lines = [f"{r['what']}{': ' + r['advice'] if r['advice'] else ''} "
             f"({shown(r['half_width'], first['unit'])})" for r in best]
    return "; ".join(lines) + "."


def tables(document: Document) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of each table by its name."""
    names = [w["text"] for w in document["wants"]]

    def flat(row: dict[str, Any], keys: Sequence[str]) -> dict[str, Any]:
        halves = row["half_widths"] or [None] * len(names)
        return {k: row[k] for k in keys} | {
            f"half width of {n}": h for n, h in zip(names, halves, strict=True)}

    along = document["along_tube"]
    return {
        "stations": document["stations"],
        "number": [
            flat(r, ["thermocouples", "evenly_spaced"])
            | {"z_m": " ".join(f"{s['z_m']:g}" for s in r["stations"])}
            for r in document["against_number"]
        ],
        "along_tube": [dict(zip(along, row, strict=True)) for row in zip(*along.values(),
                                                                      strict=True)],
        "burn": [flat(r, ["burn_s", "bore_peak_K", "note"]) for r in document["against_burn"]],
        "repeats": [flat(r, ["bare", "dosed"]) for r in document["against_repeats"]],
        "rate": [flat(r, ["rate_Hz"]) for r in document["against_rate"]],
        "lag": [flat(r, ["lag_s"]) for r in document["against_lag"]],
        "worth": document["worth"],
    }
