"""Processor times of several ways, measured in turns so that a busy machine slows all alike."""

import time


class MissedError(AssertionError):
    """A bound that was asked for is not reached."""


def side_by_side(ways, repeats=5):
    """Return the least processor time [s] of each way by its name, over ``repeats`` turns."""
    least = dict.fromkeys(ways, float("inf"))
    for _ in range(repeats):
        for name, way in ways.items():
            begun = time.process_time()
            way()
            least[name] = min(least[name], time.process_time() - begun)
    return least
