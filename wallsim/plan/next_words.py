"""The answer which firing to make next, in words."""

from __future__ import annotations

from typing import Any

from wallsim.rounding import interval_text, per_cent, significant

Document = dict[str, Any]

SCALE = 1e6
UNIT = "mm²K/W"
AS_GOOD = 0.02
LIKELY = 0.5
BETTER = 0.03
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
    return [{"question": question, "text": text} for question, text in out if text]


def _name(document: Document) -> str:
    d = document["decision"]
    return f"the best blend, now {d['blend']}," if d["best_blend"] else d["blend"]


def _asked(document: Document) -> str:
    d = document["decision"]
    return (f"whether mean R of {_name(document)} is above "
            f"{significant(d['above_m2K_W'], 3, SCALE)} {UNIT} {_after(document)}")


def _after(document: Document) -> str:
    return f"after a burn of {document['firing']['burn_s']:.3g} s"


def _sides(step: Document) -> str:
    return f"yes {per_cent(step['chance_above'])}, no {per_cent(step['chance_below'])}"


def _what(document: Document) -> str:
    d, best = document["decision"], document["recommended"]
    row = document["candidates"][0]
    step = row["steps"][best["times"] - 1]
    R = interval_text(step["mean_resistance_m2K_W"], SCALE)
    chance = per_cent(step["chance"])
    if d["now"]["settled"]:
        return (f"Nothing is needed: the campaign settles {_asked(document)}. If anything, fire "
                f"{row['blend']} once: the interval gets {per_cent(step['narrower_by'])} narrower; "
                f"the chance that it stays settled is {chance}.")
    text = (f"Fire {row['blend']} {times(best['times'])}. The chance that this settles "
            f"{_asked(document)} is {chance} ({_sides(step)}); ")
    own = row["own_resistance_m2K_W"]
    if own and d["best_blend"]:
        after = interval_text(own["after"][best["times"] - 1], SCALE)
        text += (f"R of {row['blend']} itself, now expected at "
                 f"{interval_text(own['expected'], SCALE)}, would be {after} {UNIT} if that stays.")
    else:
        text += (f"the interval gets {per_cent(step['narrower_by'])} narrower, {R} {UNIT} if the "
                 "estimate stays.")
    if row["beyond_fired"]:
        text += (f" It lies beyond the fired blends, by {per_cent(row['beyond_fired'])} of their "
                 "range: that R goes on as among them is assumed.")
    wanted = d["chance_wanted"]
    if wanted is not None and step["chance"] < wanted:
        text += f" The {per_cent(wanted)} wanted is not reached by up to " \
            f"{document['firing']['repeats']} firings of any one blend."
    elif step["chance"] < LIKELY:
        text += " It is more likely to stay open than to be settled."
    return text


def _now(document: Document) -> str:
    d = document["decision"]
    now = d["now"]
    R = interval_text(now["mean_resistance_m2K_W"], SCALE)
    state = f"settled, it is {now['side']}" if now["settled"] else "open"
    text = (f"Mean R of {d['blend']} {_after(document)} is {R} {UNIT} "
            f"({per_cent(d['confidence'])} interval); the chance that it is above "
            f"{significant(d['above_m2K_W'], 3, SCALE)} is {per_cent(now['chance_above'])}: "
            f"{state}.")
    if not d["told_by_campaign"]:
        text += (" The campaign does not tell this R (no value in the fit): its interval is mostly "
                 "what was assumed beforehand, and the chances with it.")
    return text


def _burn(document: Document) -> str:
    """Return which burn all blends are looked at, and whose logs do not reach so far."""
    firing = document["firing"]
    burn, longest = firing["burn_s"], firing["longest_logged_s"]
    text = f"All firings to come, and every R, are for a burn of {burn:.3g} s"
    text += "." if firing["burn_stated"] else (
        ", the longest logged with a deposit; state another with burn under [firing].")
    beyond = [f"{name} ({s:.3g} s)" for name, s in longest.items() if burn > LONGER * s]
    if beyond:
        text += (f" Longer than any logged burn of {', '.join(beyond)}: R there rests on growth "
                 "as fitted.")
    return text


def _next_best(document: Document) -> str:
    best, rows = document["recommended"], document["candidates"]
    if best["next_best"] is None:
        return ""
    n = best["times"]
    step = rows[1]["steps"][n - 1]
    text = (f"{rows[1]['blend']} {times(n)}: {per_cent(step['chance'])} ({_sides(step)}), interval "
            f"{per_cent(step['narrower_by'])} narrower.")
    if abs(best["ahead_by"]) < AS_GOOD:
        return f"{text} As good as the first; choose by cost."
    return f"{text} That is {100.0 * best['ahead_by']:.0f} points less."


def _mix(document: Document) -> str:
    best = document["recommended"]
    mix = document["mixes"][best["times"] - 1]
    ahead = mix["chance"] - best["chance"]
    if document["decision"]["now"]["settled"] or len(mix["firings"]) < 2:
        return ""
    if ahead < BETTER:
        return (f"Hardly: the best mix of {best['times']}, {mixture(mix['firings'])}, has "
                f"{per_cent(mix['chance'])}.")
    return (f"Yes: {mixture(mix['firings'])} has {per_cent(mix['chance'])}, "
            f"{100.0 * ahead:.0f} points more with as many firings.")


def _end(document: Document) -> str:
    row = document["candidates"][0]
    end = row["without_end"]
    R = interval_text(end["mean_resistance_m2K_W"], SCALE)
    text = (f"{row['blend']} without end has {per_cent(end['chance'])}, with R of "
            f"{document['decision']['blend']} {R} {UNIT}; what is left then no repeat tells, such "
            "as gas temperature or wall.")
    most = document["mixes"][-1]
    if len(most["firings"]) > 1:
        text += f" Of {most['total']} firings {mixture(most['firings'])} has " \
            f"{per_cent(most['chance'])}."
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
