"""The answer which firing to make next, as one document, tables, and words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import Any

import numpy as np

from wallsim import __version__
from wallsim.build import Campaign
from wallsim.errors import InputError
from wallsim.plan.answers import interval_error
from wallsim.plan.draws import Knowledge
from wallsim.plan.next_bore import Limit, oxidation_of
from wallsim.plan.next_file import NextQuestion
from wallsim.plan.next_limit_words import too_hot
from wallsim.plan.next_model import Outlook
from wallsim.plan.next_study import Step, Study, rank
from wallsim.plan.next_words import answers
from wallsim.plan.predict import DRAWS
from wallsim.plan.told import Told

Document = dict[str, Any]
Progress = Callable[[str], None]

SCHEMA = "wallsim.next/1"
IN_A_MIX = 5
NEAR = 0.05
CAUTION = (
    "For planning only. The chances hold if the fit's model and its intervals hold: they are those "
    "of a normal law about the estimate, with the Jacobian there; growth beyond the logs is drawn. "
    "Firings to come are made and logged like the run named, on a clean bore and the same "
    "thermocouples; a spoilt firing or a lost channel tells less."
)


def build(
    question: NextQuestion, campaign: Campaign, fit: Told, executor: Executor,
    progress: Progress | None = None,
) -> Document:
    """Return the document of ``question``.

    Parameters
    ----------
    fit : Told
        Of the campaign.
    executor : Executor
        Where firings to come are marched.
    progress : callable or None
        Told what is done next.

    Raises
    ------
    InputError
        If the folder is no fit of this case, it does not tell the R asked for, or no firing to come
        can be marched.
    """
    told = progress or (lambda _: None)
    knowledge, valued = Knowledge.fitted(campaign, fit.folder), fit.valued
    if question.blend is None and not valued:
        why = "".join(f"; {name}: {reason}" for name, reason in fit.untold.items())
        raise InputError(f"{question.path}: decision.blend: the fit tells the R of no blend, so "
                         f"none is best{why}")
    if question.blend and knowledge.unknowns.laws.get(question.blend, "none") == "none":
        raise InputError(f"{question.path}: decision.blend: the fit takes {question.blend} to "
                         "leave no deposit; name another blend")
    if question.blend and question.blend in fit.untold:
        raise InputError(
            f"{question.path}: decision.blend: the fit does not tell the R of {question.blend}, so "
            "any chance would be that of what was assumed beforehand: "
            f"{fit.untold[question.blend]}; fit again with that, then ask")
    told("marching the firings to come")
    outlook = Outlook.of(question, campaign, knowledge, valued, executor)
    if not outlook.information:
        why = next(iter(outlook.faults.values()))
        raise InputError(f"{question.path}: firing: no firing to come can be marched: {why}")
    told("weighing them")
    study = Study.of(outlook, valued)
    candidates = _candidates(study)
    document = _head(study, knowledge, fit)
    document["candidates"] = candidates
    document["mixes"] = [_shown(study, step) for step in _mixes(study, candidates)]
    _recommend(document)
    document["answers"] = answers(document)
    document["caution"] = CAUTION
    return document


def _head(study: Study, knowledge: Knowledge, fit: Told) -> Document:
    outlook, question = study.outlook, study.outlook.question
    now, template, limit = study.now(), outlook.template, Limit.of(question.case)
    return {
        "schema": SCHEMA, "title": question.title, "path": str(question.path),
        "case": {"title": question.case.title, "path": str(question.case.path)},
        "versions": {"wallsim": __version__}, "from": knowledge.origin,
        "problems_of_the_fit": list(fit.problems), "slips": list(question.slips),
        "limit": None if limit is None else {"words": limit.words, "at_K": limit.at},
        "oxidation_K": oxidation_of(question.case),
        "interval_error": interval_error(DRAWS) if question.case.tube.mesh is None else 0.0,
        "decision": {
            "quantity": "mean resistance", "blend": study.deciding[0],
            "best_blend": question.blend is None, "deciding": list(study.deciding),
            "told_by_campaign": study.deciding[0] in fit.valued,
            "above_m2K_W": question.above, "confidence": question.confidence,
            "chance_wanted": question.chance,
            "now": {
                "mean_resistance_m2K_W": _interval(study, study.deciding[0], now.sd),
                "chance_above": study.above_now(), "settled": now.chance.settled > 0.5,
                "side": "above" if now.chance.above > 0.5 else "below",
            },
        },
        "firing": {
            "like": question.like, "burn_s": template.burn,
            "burn_stated": question.burn is not None,
            "longest_logged_s": {n: knowledge.unknowns.t_ref[n] for n in study.deciding},
            "pressure_Pa": template.events.plateau, "repeats": question.repeats,
            "thermocouples": [t.sensor for t in template.traces],
        },
        "response": _response(outlook),
        "left_out": outlook.faults,
    }


def _response(outlook: Outlook) -> Document | None:
    r = outlook.response
    if r is None:
        return None
    low, high = r.fractions.min(axis=0), r.fractions.max(axis=0)
    return {
        "blends": list(r.blends), "terms": list(r.terms),
        "resistance_m2K_W": [float(v) for v in r.onto @ r.R],
        "scatter_stated": outlook.question.scatter.value, "scatter": r.scatter,
        "silicon": [float(low[0]), float(high[0])], "water": [float(low[1]), float(high[1])],
    }


def _interval(study: Study, blend: str, sd: float) -> dict[str, float]:
    half, log = study.quantile * sd, study.logs[blend]
    ends = {"estimate": log.estimate, "low": log.at(log.estimate - half),
            "high": log.at(log.estimate + half)}
    return {key: float(np.exp(value)) for key, value in ends.items()}


def _shown(study: Study, step: Step) -> Document:
    """Return one step; widths are compared with the present one in the log of R."""
    blend, now = study.deciding[0], study.now()
    return {
        "firings": {b: int(n) for b, n in step.firings.items()},
        "total": int(sum(step.firings.values())),
        "chance": step.chance.settled, "chance_above": step.chance.above,
        "chance_below": step.chance.below,
        "mean_resistance_m2K_W": _interval(study, blend, step.sd),
        "narrower_by": 1.0 - step.sd / now.sd,
    }


def _candidates(study: Study) -> list[Document]:
    """Return every blend that may be fired next, the best first at the most firings."""
    outlook, case = study.outlook, study.outlook.question.case
    new = {b.name: b for b in outlook.question.new}
    out = []
    for name in outlook.information:
        steps = study.repeated(name)
        blend = new.get(name) or case.blends[name]
        row: Document = {
            "blend": name, "fired_before": name not in new, "silicon": blend.silicon,
            "water": blend.water, "bare": name not in new and case.blends[name].deposit is None,
            "like": None, "beyond_fired": None, "own_resistance_m2K_W": None,
            "bore": outlook.bores[name],
            "steps": [_shown(study, step) for step in steps],
        }
        end = study.without_end(name)
        row["without_end"] = _shown(study, end) | {"firings": None, "total": None}
        if name in new and outlook.response is not None:
            sd = float(np.linalg.norm(study.logs[name].gradient))
            row |= {
                "like": new[name].like, "beyond_fired": outlook.response.beyond(new[name]),
                "own_resistance_m2K_W": {
                    "expected": _interval(study, name, sd),
                    "after": [_interval(study, name, s.own_sd) for s in steps
                              if s.own_sd is not None]},
            }
        out.append((rank(steps[-1]), row))
    return [row for _, row in sorted(out, key=lambda pair: pair[0], reverse=True)]


def _mixes(study: Study, candidates: Sequence[Document]) -> list[Step]:
    some = [row["blend"] for row in candidates[:IN_A_MIX]]
    bare = [row["blend"] for row in candidates[IN_A_MIX:] if row["bare"]]
    return [study.mixed([*some, *bare[:1]], n)
            for n in range(1, study.outlook.question.repeats + 1)]


def _recommend(document: Document) -> None:
    """Order the candidates at the number of firings that is recommended, and write it down.

    That is the fewest with which any blend alone has the chance wanted; where none is stated or
    none has it, the fewest that come near the best chance of the most firings looked at. Of a
    decision that is settled already it is one; the order is then by how much it narrows, those that
    pass the limit last.
    """
    rows, wanted = document["candidates"], document["decision"]["chance_wanted"]
    best = [max(row["steps"][n]["chance"] for row in rows)
            for n in range(document["firing"]["repeats"])]
    if wanted is None or best[-1] < wanted:
        wanted = best[-1] - NEAR
    n = next(i for i, chance in enumerate(best) if chance >= wanted)
    settled = document["decision"]["now"]["settled"]
    if settled:
        n = 0
    hot = too_hot(document, {"firings": [row["blend"] for row in rows]})

    def first(row: Document) -> float:
        return float(row["blend"] not in hot) if settled else round(row["steps"][n]["chance"], 3)

    rows.sort(key=lambda row: (first(row), row["steps"][n]["narrower_by"]), reverse=True)
    document["recommended"] = {
        "blend": rows[0]["blend"], "times": n + 1,
        "chance": rows[0]["steps"][n]["chance"],
        "next_best": rows[1]["blend"] if len(rows) > 1 else None,
        "ahead_by": rows[0]["steps"][n]["chance"] - rows[1]["steps"][n]["chance"]
        if len(rows) > 1 else None,
    }


def tables(document: Document) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of each table by its name."""
    def flat(step: Document) -> dict[str, Any]:
        R = step["mean_resistance_m2K_W"]
        return {
            "chance_settled": step["chance"], "chance_above": step["chance_above"],
            "chance_below": step["chance_below"], "decision_low_m2K_W": R["low"],
            "decision_high_m2K_W": R["high"], "narrower_by": step["narrower_by"]}

    firings = []
    for row in document["candidates"]:
        head = {k: row[k] for k in ("blend", "fired_before", "silicon", "water", "beyond_fired")}
        firings += [head | {"times": s["total"]} | flat(s) for s in row["steps"]]
        firings.append(head | {"times": "without end"} | flat(row["without_end"]))
    mixes = [{"firings": s["total"], "mix": " + ".join(f"{n} {b}" for b, n in s["firings"].items())}
             | flat(s) for s in document["mixes"]]
    return {"firings": firings, "mixes": mixes}
