"""Lines of the verdict on what a result rests on: contradictions, growth without a bare firing."""

from __future__ import annotations

import math
from typing import Any

from wallsim.estimate.identify import has_value

ONE_WAY = 3.3
"""Sum of pulls over the root of their number that one family of errors in a thousand exceeds."""
CLEARLY = 2.0
"""Mean pull that they must exceed besides: less may be an error that all share."""
FEWEST = 3
FAMILIES = {
    "ignition offset ": (
        "ignition offsets of the firings",
        "The pressure's clock may run apart from the thermocouples', or burning start otherwise "
        "than the pressure tells: state ignition_offset in [fit] as found, or mend the clocks"),
    "lag ": (
        "lags of the thermocouples",
        "They may be fixed otherwise than stated, or their logger smooths"),
    "lead loss ": (
        "lead losses of the thermocouples",
        "They may be fixed otherwise than stated, or the wall not be of the metal stated"),
}
"""Errors of one kind that should scatter about what is stated, by the start of their names."""


def cautions(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a warning for each contradiction of case and logs, and one for growth alone."""
    texts = [f"{remark}." for remark in document.get("remarks") or []]
    return [{"level": "warning", "text": text} for text in (*texts, *_growth_alone(document))]


def pulled_both_ways(pulled: list[dict[str, Any]]) -> str:
    """Return what lead losses on both sides of their prior are a sign of; empty without these.

    Parameters
    ----------
    pulled : list of dict
        Parameters far from their prior, as in ``document["parameters"]``.
    """
    sides = {
        p["estimate"] > p["prior_mean"] for p in pulled if p["name"].startswith("lead loss ")
    }
    if len(sides) < 2:
        return ""
    return (
        " Lead losses pulled both ways are a sign that the heating along the tube is not as "
        "stated: see gas_temperature_along, the ends, and each z."
    )


def pulled_one_way(parameters: list[dict[str, Any]]) -> dict[str, str]:
    """Return a sentence for each kind of error that is off on average.

    Parameters
    ----------
    parameters : list of dict
        As in ``document["parameters"]``.

    Returns
    -------
    dict
        By the start of their names.
    """
    out = {}
    for start, (words, why) in FAMILIES.items():
        of_kind = [p for p in parameters
                   if p["name"].startswith(start) and p.get("pull") is not None]
        n, total = len(of_kind), sum(p["pull"] for p in of_kind)
        if n < FEWEST or abs(total) <= max(ONE_WAY * math.sqrt(n), CLEARLY * n):
            continue
        mean = sum(p["estimate"] for p in of_kind) / n
        stated, sd = of_kind[0]["prior_mean"], of_kind[0]["prior_sd"]
        unit = of_kind[0]["unit"].removeprefix("1")
        out[start] = (
            f"The {words} lie to one side of what is stated, on average {mean:.2g} against "
            f"{stated:.2g} +- {sd:.2g} {unit}".rstrip() + f" for each. {why}.")
    return out


def on_growth_alone(document: dict[str, Any]) -> list[str]:
    """Return the blends whose deposits are told by their growth only, no firing being bare."""
    deposits = {name: blend["deposit"] for name, blend in document["blends"].items()}
    bare = any(deposits.get(run.get("blend")) is None for run in document["runs"].values())
    return [] if bare else [name for name, d in deposits.items() if has_value(d)]


def _growth_alone(document: dict[str, Any]) -> list[str]:
    """Return a line if deposits are told by their growth only, no firing being bare.

    A simulated aluminium campaign whose gas warmed up along the tube, stated as uniform, gave a
    resistance 48 % too high with the truth outside its interval, and nothing else told of it.
    """
    told = on_growth_alone(document)
    if not told:
        return []
    return [
        f"{', '.join(told)}: no firing is bare, so the resistance rests on its growth while "
        "burning alone, which a gas temperature not as stated (its level, or along the tube) and "
        "the metal's c(T) imitate; its interval does not cover that. Add a bare firing."
    ]
