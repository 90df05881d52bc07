"""What to look at in a plan before anything is marched, besides faults and slips of units."""

from __future__ import annotations

from itertools import pairwise

from wallsim.plan.place_file import Plan
from wallsim.plan.place_room import SAME

LEAST_LEFT, LEAST_SHARE = 1e-3, 0.2
"""Of the wall that a well should leave [m], and as a share of it: common practice, no source."""


def remarks(plan: Plan) -> dict[str, str]:
    """Return what is to be looked at, each by a heading; clauses without a full stop."""
    found = {"Welded on in a keep-out": _kept_out(plan), "Welded on close together": _close(plan),
             "Deep wells": _deep(plan)}
    return {heading: text for heading, text in found.items() if text}


def _kept_out(plan: Plan) -> str:
    names = [s.name for s in plan.case.sensors
             if any(low < s.z.value < high for low, high in plan.keep_out)]
    return f"welded on where plan.keep_out wants no thermocouple: {', '.join(names)}" * bool(names)


def _close(plan: Plan) -> str:
    """Return which stations welded on are nearer than planned ones; two at one place are a pair."""
    welded = sorted(plan.case.sensors, key=lambda s: s.z.value)
    gaps = [(a.name, b.name, b.z.value - a.z.value) for a, b in pairwise(welded)]
    near = [f"{a} and {b} ({1e3 * gap:.3g} mm)" for a, b, gap in gaps
            if SAME < gap < plan.apart - SAME]
    return (f"welded on nearer to each other than plan.apart, {1e3 * plan.apart:.3g} mm (they "
            f"stay): {', '.join(near)}") * bool(near)


def _deep(plan: Plan) -> str:
    wall = plan.case.tube.wall.value
    deep = [f"{1e3 * depth:.3g} mm deep" for depth in plan.wells
            if wall - depth < max(LEAST_LEFT, LEAST_SHARE * wall) - SAME]
    left = 1e3 * (wall - max(plan.wells, default=0.0))
    return (f"a well {' or '.join(deep)} leaves as little as {left:.2g} mm of a wall of "
            f"{1e3 * wall:.3g} mm under gas pressure; common practice is to leave a fifth of it, "
            f"and {1e3 * LEAST_LEFT:g} mm at least") * bool(deep)
