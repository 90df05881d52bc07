"""The answer which firing to make next, in words."""

from __future__ import annotations

from typing import Any

from wallsim.plan.next_limit_words import beyond_limit, beyond_oxidation, too_hot, within_limit
from wallsim.rounding import (
    chance_text,
    interval_text,
    parts_text,
    per_cent,
    significant,
)

Document = dict[str, Any]

SCALE = 1e6
UNIT = "mm²K/W"
AS_GOOD = 0.02
LIKELY = 0.5
NO_CHANCE = 0.01
BETTER = 0.03
WORTH = 0.01
"""Share by which a firing narrows what is settled already, below which none is named."""
LONGER = 1.05
"""Burn over the longest logged of a blend, from which on it is said."""


def times(n: int) -> str:
    """Return how often."""
    return {1: "once", 2: "twice"}.get(n, f"{n} times")


def mixture(firings: dict[str, int]) -> str:
    """Return a mix of firings."""
    *most, last = [f"{blend} {times(n)}" for blend, n in firings.items()]
    return f"{', '.join(most)} and {last}" if most else last


def answers(document: Document) -> list[dict[str, str]]:
    """Return the answers, each with the question it answers."""
    out = [
        ("What to fire next?", _what(document)),
        ("How does it stand now?", _now(document)),
        ("At which burn?", _burn(document)),
        ("What is the next best?", _next_best(document)),
        ("Would a mix do better?", _mix(document)),
        ("How far could firings go?", _end(document)),
        ("What are new blends based on?", _response(document)),
        ("Can the fit be relied on?", _problems(document)),
    ]
    said = [{"question": question, "text": text} for question, text in out if text]
    said[0]["level"] = _level(document)
    warned = [("warning", "Check", slip) for slip in document["slips"]]
    warned += [(level, "Beyond the limit", text) for level, text in beyond_limit(document)]
    warned += [("warning", "Beyond oxidation", text) for text in beyond_oxidation(document)]
    return [*({"level": level, "question": question, "text": text}
              for level, question, text in warned), *said]


def falls_short(document: Document) -> bool:
    """Return whether the decision is open and the chance wanted is not reached."""
    decision, wanted = document["decision"], document["decision"]["chance_wanted"]
    if wanted is None or decision["now"]["settled"]:
        return False
    return float(document["recommended"]["chance"]) < float(wanted)


def _level(document: Document) -> str:
    """Return how good the first answer is."""
    if document["decision"]["now"]["settled"]:
        return "warning" if beyond_logs(document) else "good"
    return "bad" if falls_short(document) else "note"


def _name(document: Document) -> str:
    d = document["decision"]
    return f"the best blend, now {d['blend']}," if d["best_blend"] else d["blend"]


def _asked(document: Document) -> str:
    d = document["decision"]
    return (f"whether mean R of {_name(document)} is above "
            f"{significant(d['above_m2K_W'], 3, SCALE)} {UNIT} {_after(document)}")


def _after(document: Document) -> str:
    return f"after a burn of {_burning(document)}"


def _burning(document: Document) -> str:
    return f"{document['firing']['burn_s']:.3g} s"


def _sides(step: Document) -> str:
    yes, no = parts_text((step["chance_above"], step["chance_below"]))
    return f"yes {yes}, no {no}"


def _stated(share: float) -> str:
    return f"{100.0 * share:.3g} %"


def _interval(document: Document, found: Document) -> str:
    """Return an interval of the R asked for, no end looking like the value unless it is."""
    return interval_text(found, SCALE, apart=SCALE * document["decision"]["above_m2K_W"])


def beyond_logs(document: Document) -> list[str]:
    """Return the deciding blends of which no log is as long as the burn asked for."""
    firing = document["firing"]
    return [name for name, s in firing["longest_logged_s"].items() if firing["burn_s"] > LONGER * s]


def _settled(document: Document) -> str:
    beyond = beyond_logs(document)
    if not beyond:
        return f"Nothing is needed: the campaign settles {_asked(document)}.{_if_any(document)}"
    burn, longest = document["firing"]["burn_s"], document["firing"]["longest_logged_s"]
    logged = ", ".join(f"{name} up to {longest[name]:.3g} s" for name in beyond)
    text = (f"By growth as fitted, beyond the logs ({logged}), the campaign settles "
            f"{_asked(document)}. No log tells growth as far as that")
    if too_hot(document, {"firings": {beyond[0]: 1}}):
        return (f"{text}, and {beyond[0]} fired for {burn:.3g} s would pass "
                f"{document['limit']['words']}: ask for a burn that keeps it.")
    return f"{text}: fire {beyond[0]} once for {burn:.3g} s before you rely on it."


def _if_any(document: Document) -> str:
    """Return which firing narrows what is settled the most, if the limit and its worth allow."""
    rows = [row for row in document["candidates"]
            if not too_hot(document, {"firings": {row["blend"]: 1}})]
    row = max(rows, key=lambda row: float(row["steps"][0]["narrower_by"]), default=None)
    if row is None or (step := row["steps"][0])["narrower_by"] < WORTH:
        return ""
    return (f" If anything, fire {row['blend']} once: the interval gets "
            f"{per_cent(step['narrower_by'])} narrower; the chance that it stays settled is "
            f"{chance_text(step['chance'])}.")


def _what(document: Document) -> str:
    d, best = document["decision"], document["recommended"]
    row = document["candidates"][0]
    step = row["steps"][best["times"] - 1]
    R = _interval(document, step["mean_resistance_m2K_W"])
    chance = chance_text(step["chance"])
    if d["now"]["settled"]:
        return _settled(document)
    if (nothing := _nothing_settles(document)) is not None:
        return nothing
    if too_hot(document, {"firings": {row["blend"]: 1}}):
        start = _not_so_hot(document)
    else:
        start = f"Fire {row['blend']} {times(best['times'])}{_or_a_mix(document)}."
    text = (f"{start} "
            f"The chance that {row['blend']} settles {_asked(document)} is {chance} "
            f"({_sides(step)}); ")
    own = row["own_resistance_m2K_W"]
    if own and d["best_blend"]:
        after = interval_text(own["after"][best["times"] - 1], SCALE)
        text += (f"R of {row['blend']} itself, now expected at "
                 f"{interval_text(own['expected'], SCALE)}, would be {after} {UNIT} if that stays.")
    else:
        text += (f"the interval gets {per_cent(step['narrower_by'])} narrower, {R} {UNIT} if the "
                 "estimate stays.")
    text += _why_so_often(document)
    if row["beyond_fired"]:
        text += (f" It lies beyond the fired blends, by {per_cent(row['beyond_fired'])} of their "
                 "range: that R goes on as among them is assumed.")
    if falls_short(document):
        text += f" The {_stated(d['chance_wanted'])} wanted is not reached by up to " \
            f"{document['firing']['repeats']} firings of any one blend{_but_by_a_mix(document)}."
    elif step["chance"] < LIKELY:
        text += " It is more likely to stay open than to be settled."
    return text


def _why_so_often(document: Document) -> str:
    """Return why it is that number of firings: what fewer would do, or more."""
    rows, n, most = (document["candidates"], document["recommended"]["times"],
                     document["firing"]["repeats"])
    best = [max(float(row["steps"][i]["chance"]) for row in rows) for i in range(most)]
    wanted = document["decision"]["chance_wanted"]
    if wanted is not None and best[n - 1] >= wanted:
        most_of_fewer = chance_text(best[n - 2]) if n > 1 else ""
        short = "just not" if most_of_fewer == _stated(wanted) else f"{most_of_fewer} at most"
        return "" if n == 1 else (
            f" No blend fired {times(n - 1)} reaches the {_stated(wanted)} wanted ({short}).")
    if n < most:
        return (f" More firings add little: {chance_text(best[-1])} at most by {most} of any one "
                "blend.")
    return "" if n == 1 else (
        f" No more than {most} are looked at; any blend fired {times(n - 1)} gives "
        f"{chance_text(best[n - 2])} at most.")


def _not_so_hot(document: Document) -> str:
    """Return that the firing that tells most is not to be made at this burn, and what may be."""
    row, n = document["candidates"][0], document["recommended"]["times"]
    text = (f"Not as asked: {row['blend']} {times(n)} tells most, but passes "
            f"{document['limit']['words']} in a burn of {_burning(document)}.")
    if (kept := within_limit(document)) is None:
        return f"{text} Ask again with a shorter burn."
    step = kept["steps"][n - 1]
    return (f"{text} Of those that keep it fire {kept['blend']} {times(n)} "
            f"({chance_text(step['chance'])}), or ask again with a shorter burn.")


def _nothing_settles(document: Document) -> str | None:
    """Return that no firing looked at settles the decision, None if one may."""
    every = [step for row in document["candidates"] for step in row["steps"]]
    if max(step["chance"] for step in (*every, *document["mixes"])) >= NO_CHANCE:
        return None
    row, above = document["candidates"][0], document["decision"]["above_m2K_W"]
    end = row["without_end"]["mean_resistance_m2K_W"]
    why = f"the value lies at the estimate, {_interval(document, end)} {UNIT} even after " \
        f"{row['blend']} without end" if end["low"] < above < end["high"] else \
        f"up to {document['firing']['repeats']} of any blend tell too little"
    return f"No firing looked at settles {_asked(document)} (chance below 1 %): {why}."


def _best_mix(document: Document) -> Document | None:
    """Return the best mix of as many firings as are recommended, if it is well ahead."""
    best = document["recommended"]
    mix: Document = document["mixes"][best["times"] - 1]
    ahead = len(mix["firings"]) > 1 and mix["chance"] - best["chance"] >= BETTER
    return mix if ahead and not too_hot(document, mix) else None


def _or_a_mix(document: Document) -> str:
    mix = _best_mix(document)
    return "" if mix is None else (f", or better {mixture(mix['firings'])} "
                                   f"({chance_text(mix['chance'])})")


def _but_by_a_mix(document: Document) -> str:
    """Return the shortest mix that reaches the chance wanted."""
    wanted = document["decision"]["chance_wanted"]
    mix = next((m for m in document["mixes"]
                if m["chance"] >= wanted and not too_hot(document, m)), None)
    return "" if mix is None else (f", but by {mixture(mix['firings'])} "
                                   f"({chance_text(mix['chance'])})")


def points(more: float, less: float) -> int:
    """Return by how much two chances differ as they are printed, in per cent points."""
    return round(100.0 * more) - round(100.0 * less)


def _now(document: Document) -> str:
    d = document["decision"]
    now = d["now"]
    R = _interval(document, now["mean_resistance_m2K_W"])
    state = f"settled, it is {now['side']}" if now["settled"] else "open"
    text = (f"Mean R of {d['blend']} {_after(document)} is {R} {UNIT} "
            f"({_stated(d['confidence'])} interval); the chance that it is above "
            f"{significant(d['above_m2K_W'], 3, SCALE)} is {chance_text(now['chance_above'])}: "
            f"{state}.")
    if not d["told_by_campaign"]:
        text += (" The campaign does not tell this R (no value in the fit): its interval is mostly "
                 "what was assumed beforehand, and the chances with it.")
    return text


def _burn(document: Document) -> str:
    """Return which burn all blends are looked at, and whose logs do not reach so far."""
    firing = document["firing"]
    longest = firing["longest_logged_s"]
    text = f"All firings to come, and every R, are for a burn of {_burning(document)}"
    text += "." if firing["burn_stated"] else (
        ", the longest logged with a deposit; state another with burn under [firing].")
    beyond = [f"{name} ({longest[name]:.3g} s)" for name in beyond_logs(document)]
    if beyond:
        text += (f" Longer than any logged burn of {', '.join(beyond)}: R there rests on growth "
                 "as fitted.")
    return text


def _next_best(document: Document) -> str:
    best, rows = document["recommended"], document["candidates"]
    if best["next_best"] is None or document["decision"]["now"]["settled"]:
        return ""
    n = best["times"]
    step = rows[1]["steps"][n - 1]
    text = (f"{rows[1]['blend']} {times(n)}: {chance_text(step['chance'])} ({_sides(step)}), "
            f"interval {per_cent(step['narrower_by'])} narrower.")
    if abs(best["ahead_by"]) < AS_GOOD:
        return f"{text} As good as the first; choose by cost."
    return f"{text} That is {points(best['chance'], step['chance'])} points less."


def _mix(document: Document) -> str:
    best = document["recommended"]
    mix = document["mixes"][best["times"] - 1]
    ahead = mix["chance"] - best["chance"]
    if document["decision"]["now"]["settled"] or len(mix["firings"]) < 2:
        return ""
    if ahead < BETTER:
        return (f"Hardly: the best mix of {best['times']}, {mixture(mix['firings'])}, has "
                f"{chance_text(mix['chance'])}.")
    if hot := too_hot(document, mix):
        return (f"By the chance alone: {mixture(mix['firings'])} has {chance_text(mix['chance'])}, "
                f"but {' and '.join(hot)} would pass {document['limit']['words']}.")
    return (f"Yes: {mixture(mix['firings'])} has {chance_text(mix['chance'])}, "
            f"{points(mix['chance'], best['chance'])} points more with as many firings.")


def _end(document: Document) -> str:
    row = document["candidates"][0]
    end = row["without_end"]
    R = _interval(document, end["mean_resistance_m2K_W"])
    text = (f"{row['blend']} without end has {chance_text(end['chance'])}, with R of "
            f"{document['decision']['blend']} {R} {UNIT}; what is left then no repeat tells, such "
            "as gas temperature or wall.")
    most = document["mixes"][-1]
    if len(most["firings"]) > 1:
        text += f" Of {most['total']} firings {mixture(most['firings'])} has " \
            f"{chance_text(most['chance'])}."
    return text


def _response(document: Document) -> str:
    r = document["response"]
    if r is None:
        return ""
    low, high = (f"{100.0 * share:.3g}" for share in r["silicon"])
    among = low if low == high else f"{low} to {high}"
    text = (f"On R = {' + '.join(_term(t) for t in r['terms'])}, fitted to {', '.join(r['blends'])}"
            f" ({among} % silicon), about which a blend scatters by {per_cent(r['scatter'])}.")
    if r["terms"] == ["silicon"]:
        text += " Too few blends for a line: R is taken to go with silicon from nothing at none."
    far = [row for row in document["candidates"] if (row["beyond_fired"] or 0.0) > 0.0]
    if far:
        names = ", ".join(f"{row['blend']} by {per_cent(row['beyond_fired'])}" for row in far)
        text += f" Extrapolated beyond the fired range (in shares of its width): {names}."
    return text


def _problems(document: Document) -> str:
    problems = document["problems_of_the_fit"]
    if not problems:
        return ""
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"Not quite, and the chances no more than it: {problems[0]}{more}"


def _term(term: str) -> str:
    return "constant" if term == "constant" else f"slope x {term}"
