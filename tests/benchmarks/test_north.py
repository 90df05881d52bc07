"""A campaign of seven firings from a stand: what its whole fit costs."""

import os
import resource
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

import wallsim
from tests.benchmarks.timing import MissedError
from tests.campaigns.conftest import north_case  # noqa: F401
from wallsim.estimate import bore, run_model
from wallsim.estimate.run_model import WallBuilder, readings
from wallsim.wall.march import march

pytestmark = pytest.mark.benchmark


CORES, ASKED = 2, 10.0
TURNS = 3


def processor_seconds():
    """Return what this process and its ended children have used [s]."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(u.ru_utime + u.ru_stime for u in used)


@pytest.mark.xfail(raises=MissedError, strict=True, reason=(
    "measured 42 s of processors and 26 s by the clock with growth laws compared, on a machine on "
    "which the whole command took 46 s before; on a faster one the fit took 21 s"))
def test_seconds_on_two_cores(north_case):  # noqa: F811
    """Asked: under 10 s. The clock counts only where nothing else runs; processor time always.

    Half of the processor time is the least two cores could take.
    """
    load, used, begun = os.getloadavg()[0], processor_seconds(), time.perf_counter()
    result = wallsim.fit(north_case)
    taken, used = time.perf_counter() - begun, processor_seconds() - used
    fit = result.document["fit"]
    print(f"\nnorth: {used:.1f} s of processors, {taken:.1f} s by the clock with workers started, "
          f"{fit['evaluations']} evaluations; load before {load:.1f}")
    assert fit["converged"]
    if used >= CORES * ASKED:
        raise MissedError(used)
    if load > 0.5:
        pytest.skip(f"the clock was not held against {ASKED:.0f} s: the load was {load:.1f} before")
    assert taken < ASKED


@pytest.fixture(scope="module")
def marches(north_case):  # noqa: F811
    """The fit in this process, with (seconds, sensitivities) of every march of it.

    Then the least seconds of one march of every run without and with sensitivities, at the final
    resolution and the estimate.
    """
    log = []

    def counted(wall, surfaces, p, schedule, observe, T0, active=None, slope=None, **stop):
        begun = time.process_time()
        history = march(wall, surfaces, p, schedule, observe, T0, active, slope, **stop)
        log.append((time.process_time() - begun, 0 if active is None else len(active)))
        return history

    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(1) as one:
        patch.setattr(run_model, "march", counted)
        patch.setattr(bore, "march", counted)
        estimate = wallsim.fit(north_case, one).estimate
        of_fit = tuple(log)
        wall, slope = WallBuilder(estimate.unknowns, estimate.resolution).at(estimate.x)
        unit = {False: [], True: []}
        for derivatives in [False, True] * TURNS:
            log.clear()
            for run in estimate.runs:
                readings(run, estimate.x, wall, slope, derivatives=derivatives)
            unit[derivatives].append(sum(seconds for seconds, _ in log))
    return len(estimate.runs), of_fit, min(unit[False]), min(unit[True])


@pytest.mark.xfail(raises=MissedError, strict=True, reason=(
    "measured 35 march-equivalents a run: 68 marches with up to 49 sensitivities, 12 of them for "
    "growth laws, each of 3.6 plain marches, and 22 plain ones for the resolution"))
def test_march_equivalents_a_run(marches):
    """Asked: under 30, all marches of the fit and its read-outs counted.

    A march with sensitivities weighs what it takes.
    """
    runs, log, alone, along = marches
    spent, bare = sum(seconds for seconds, _ in log), sum(1 for _, n in log if n == 0)
    print(f"\nnorth: {len(log) - bare} marches with sensitivities (to {max(n for _, n in log)} "
          f"parameters), {bare} without, {spent:.1f} s; one of each of {runs} runs without "
          f"{alone:.2f} s, with {along / alone:.1f} x: {spent / alone:.1f} march-equivalents "
          f"a run, {len(log) / runs:.1f} marches a run")
    if spent >= 30.0 * alone:
        raise MissedError(spent / alone)
