"""A process of its own that marches a wall of a stated size, and prints what that took.

``python -m tests.benchmarks.growth N_R N_Z PARTS`` makes the tube longer by N_Z/PARTS and prints
one line of JSON: unknowns, processor seconds to set the wall up (thrice, for the derivative to its
thickness) and of one step of five, and the memory [B] that both added to the process.
"""

import json
import resource
import sys
import time

from tests.benchmarks.problem import BURN, LENGTH, STEPS, Firing

MARCHED = 5
LONG_ENOUGH = 1.0


def memory():
    """Return the largest memory this process has held [B]."""
    return 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def measured(n_r, n_z, parts):
    Firing.of(3, 24).march(2)
    before, begun = memory(), time.process_time()
    firing = Firing.of(n_r, n_z, LENGTH * n_z / parts)
    ready = time.process_time()
    marches, first = [], ready
    while not marches or time.process_time() - first < LONG_ENOUGH:
        start = time.process_time()
        firing.march(MARCHED, MARCHED / STEPS * BURN)
        marches.append(time.process_time() - start)
    return {"unknowns": firing.wall.size, "band": firing.wall.band is not None,
            "set-up": ready - begun, "step": min(marches) / MARCHED,
            "memory": memory() - before}


if __name__ == "__main__":
    print(json.dumps(measured(*(int(a) for a in sys.argv[1:]))))
