"""A prediction in words: what falls below the owner's factor, and where nothing can be said."""

from __future__ import annotations

from typing import Any

from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.standing import Standing, of_bore, of_load
from wallsim.plan.whatif_endings import NAMED, elastic, listed
from wallsim.rounding import load_text, open_text

Document = dict[str, Any]

COARSE = 5.0
"""Discretisation error of a peak from which on a warning says so [K]."""
LIMITS = {"limit": "your limit", "oxidation": "the oxidation limit", "solidus": "the solidus"}


def verdict(document: Document) -> list[dict[str, str]]:
    """Return what is to be known of a prediction first, each with a level."""
    runs, error = document["runs"], float(document.get("interval_error", 0.0))
    lines = [("bad", _untold(document)), ("warning", coarse(document)),
             ("warning", _unlimited(document)), *_limits(runs, error),
             *_margins(runs, document["factor"], error), *_leaving(runs),
             ("note", _without_oxidation(document)),
             ("note", elastic({name: run["survival"] for name, run in runs.items()}))]
    return [{"level": level, "text": text} for level, text in lines if text]


def coarse(document: Document) -> str:
    """Return in which firing the steps and cells of the march are too coarse for its peak."""
    error = document.get("discretisation_error_K")
    if error is None or error <= COARSE:
        return ""
    return (f"Temperatures are uncertain by up to {error:.1f} K "
            f"({document['discretisation_error_of']}) through the steps and cells of the march, "
            "beside their intervals.")


def coarsest(runs: Document) -> tuple[float | None, str | None]:
    """Return the largest error of a bore peak by halved cells and steps [K], and whose it is.

    Runs whose wall leaves the table of its metal have no peak.
    """
    return max(((float(run["discretisation_error_K"]), name) for name, run in runs.items()
                if run["bore_peak_K"]["estimate"] is not None), default=(None, None))


def _standings(runs: Document, key: str, error: float) -> dict[str, Standing]:
    """Return how the bore of each run stands to a limit."""
    return {n: of_bore(run["limits"][key]["at_K"], run["bore_peak_K"], run["burn_s"],
                       run["limits"][key]["time_s"], error) for n, run in runs.items()}


def _limits(runs: Document, error: float) -> list[tuple[str, str]]:
    """Return which limits of the bore are passed, may be, and are not.

    The owner's limit comes before that of oxidation, which below it is a warning.
    """
    out, kept = [], []
    beyond: dict[str, list[str]] = {"beyond": [], "perhaps beyond": []}
    limits = next(iter(runs.values()))["limits"] if runs else {}
    stated = limits["limit"]["at_K"] if "limit" in limits else None
    for key, limit in limits.items():
        at, standings = limit["at_K"], _standings(runs, key, error)
        words = LIMITS.get(key, f"the limit {key}") + f" of {at - ZERO_CELSIUS:.0f} °C"
        passed = [n for n, standing in standings.items() if standing == "passed"]
        may = [n for n, standing in standings.items() if standing == "may"]
        if passed:
            times = {n: s for n in passed
                     if (s := runs[n]["limits"][key]["time_s"]["estimate"]) is not None}
            soonest = min(times, key=lambda n: float(times[n]), default="")
            when = f" (first at {times[soonest]:.1f} s, in {soonest})" if soonest else ""
            mild = key == "oxidation" and stated is not None and at < stated
            out.append(("warning" if mild else "bad",
                        f"The bore passes {words}: {listed(passed, len(runs))}{when}."))
        if may:
            out.append(("warning", f"The bore may pass {words}, by the intervals of its peak or of "
                                   f"the time to it: {listed(may, len(runs))}."))
        if passed or may:
            beyond["beyond" if passed else "perhaps beyond"].append(words)
        else:
            kept.append(words)
    if kept:
        hottest = max(runs, key=lambda n: float(runs[n]["bore_peak_K"]["estimate"] or 0.0))
        peak = open_text(runs[hottest]["bore_peak_K"], 0, -ZERO_CELSIUS)
        words = ", ".join([*kept[:-2], " and ".join(kept[-2:])])
        but = ", ".join(f"{how} {' and '.join(of)}" for how, of in beyond.items() if of)
        but = f", but {but}" if but else ""
        out.append(("note" if but else "good",
                    f"The bore stays below {words}{but} (hottest {peak} °C, in {hottest})."))
    return out


def _unlimited(document: Document) -> str:
    """Return that no limit of use is stated for the bore: a solidus is none."""
    if any({"limit", "oxidation"} & run["limits"].keys() for run in document["runs"].values()):
        return ""
    return (f"No limit stated for the bore, neither limit_temperature in [fit] nor an oxidation "
            f"limit of {document['metal']}: how hot it may become is not judged.")


def _without_oxidation(document: Document) -> str:
    if _unlimited(document):
        return ""
    stated = any("oxidation" in run["limits"] for run in document["runs"].values())
    return "" if stated else f"No oxidation limit stated: {document['metal']}."


def _margins(runs: Document, factor: float, error: float) -> list[tuple[str, str]]:
    survival = {name: run["survival"] for name, run in runs.items()}
    known = {n: s["margin"] for n, s in survival.items() if s["assessed"]}
    notes: dict[str, list[str]] = {}
    for name, s in survival.items():
        if not s["assessed"]:
            notes.setdefault(s["note"].removesuffix(": not assessed"), []).append(name)
    out = []
    if known:
        stand = {n: of_load(factor, m, runs[n]["burn_s"], survival[n]["below_factor_s"], error)
                 for n, m in known.items()}
        below = [n for n in known if stand[n] == "passed"]
        unsure = [n for n in known if stand[n] == "may"]
        worst = min(known, key=lambda n: float(known[n]["estimate"]))
        least = f"least {load_text(known[worst])} in {worst}"
        if below:
            out.append(("bad", f"Limit load below {factor:g} x gas pressure: "
                               f"{listed(below, len(runs))} ({least})."))
        if unsure:
            out.append(("warning", f"Limit load perhaps below {factor:g} x gas pressure, as some "
                                   "draws are or leave the metal's table: "
                                   f"{listed(unsure, len(runs))}."))
        if not below and not unsure:
            out.append(("good", f"Limit load stays above {factor:g} x gas pressure ({least})."))
    for note, names in notes.items():
        words = note.removeprefix("not assessed: ")
        out.append(("warning", f"Limit load not assessed for {listed(names, len(runs))}: {words}."))
    return out


def _leaving(runs: Document) -> list[tuple[str, str]]:
    """Return from when on, and for how many draws, the metal's table does not reach."""
    each = {name: run["leaves_the_table"] for name, run in runs.items()}
    some = {name: told for name, told in each.items() if told}
    if not some:
        return []
    worst = max(some.values(), key=lambda told: told["draws"])
    each_in_words = [
        f"{name} from {told['first_s']:.1f} s on {told['draws']} of {told['of']} draws"
        + (f", the estimate from {told['estimate_s']:.1f} s" if told["estimate_s"] else "")
        for name, told in some.items()
    ]
    words = "; ".join(each_in_words)
    if len(some) > NAMED:
        early = min(some, key=lambda name: float(some[name]["first_s"]))
        words = (f"{len(some)} of {len(runs)} firings, up to {worst['draws']} of {worst['of']} "
                 f"draws, the first from {some[early]['first_s']:.1f} s on in {early}")
        if estimates := [name for name, told in some.items() if told["estimate_s"]]:
            words += f"; the estimate of {listed(estimates)}"
    return [("warning", f"Leaving the table of {worst['metal']} above "
                        f"{worst['table_end_K'] - ZERO_CELSIUS:.0f} °C: {words}. Once "
                        '2.5 % of the draws have left, intervals have no upper end, and peaks read '
                        '"more than".')]


def _untold(document: Document) -> str:
    """Return what a fit that does not tell R from h leaves to the prior."""
    return " ".join(
        f"{name}: the fit does not tell R from h ({reason}), only 1/h + R. Temperatures of its "
        "logged firings rest on that sum alone; what R and h are does not follow from them."
        for name, reason in document["untold"].items()
        if any(run["blend"] == name for run in document["runs"].values())
    )
