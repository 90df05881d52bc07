"""Lines of the verdict on what a result rests on: contradictions, growth without a bare firing."""

from __future__ import annotations

from typing import Any

from wallsim.estimate.identify import has_value


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
