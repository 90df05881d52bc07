"""Read-outs whose 95 % intervals can be made in other ways, as functions of the unknowns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.bore import bore_temperature, hottest_bore
from wallsim.estimate.identify import has_value
from wallsim.estimate.joint import Estimate, Misfit
from wallsim.estimate.readouts import QUANTILE, AlongTube, Readout, log_mean
from wallsim.estimate.run_model import RunModel, WallBuilder
from wallsim.regression.least_squares import Solution, solve

Array = NDArray[np.float64]

POLISHED = 1e-3
MOST_POLISHING = 6
R, REMOVED, THICKNESS, PEAK = (
    "mean_resistance_m2K_W", "heat_load_removed", "mean_thickness_m", "bore_peak_K"
)


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """A read-out.

    Parameters
    ----------
    key, of : str
        As in the document of the fit; the blend or the firing.
    laplace : dict
        Its interval from curvature, as everywhere else in the document but for averages over
        growth laws, which are of one law here.
    read : callable
        From the unknowns ``x`` (m,) to a `Readout` of shape ().
    factor, factor_sd : float
        What the read-out is multiplied by, and the standard deviation of its log, of which the
        traces know nothing: the conductivity of a deposit turns resistance into thickness.
    """

    key: str
    of: str
    laplace: Mapping[str, Any]
    read: Callable[[Array], Readout]
    factor: float = 1.0
    factor_sd: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """The misfit about its minimum, noise and weights held as the fit learnt them.

    Parameters
    ----------
    misfit : Misfit
    solution : Solution
        Nearer to the minimum than the fit's own stopping rule asks for.
    """

    misfit: Misfit
    solution: Solution

    @classmethod
    def of(cls, estimate: Estimate, executor: Executor) -> Optimum:
        """Go on from ``estimate`` until a further step would gain nothing that counts."""
        misfit = Misfit(estimate.unknowns, estimate.resolution, estimate.runs, executor)
        misfit.take(estimate.x, estimate.rows)
        z = estimate.unknowns.prior.z(estimate.x)
        return cls(misfit, solve(misfit, z, tolerance=POLISHED, most=MOST_POLISHING))


def wanted(
    estimate: Estimate, document: Mapping[str, Any], executor: Executor, *, bores: bool
) -> list[Wanted]:
    """Return the read-outs that ``document`` gives a value of.

    Those of firings come after those of blends, and where ``bores`` only.
    """
    along = AlongTube.of(estimate)
    out = []
    for blend, entry in document["blends"].items():
        if not has_value(entry["deposit"]):
            continue
        mean = partial(_mean_resistance, along, blend)
        share = partial(_removed_share, along, blend)
        stated = estimate.campaign.case.blends[blend].deposit
        assert stated is not None
        k = stated.conductivity.value
        sd = float(np.sqrt(np.log1p(stated.conductivity.relative_sd**2)))
        out += [
            Wanted(R, blend, _laplace(estimate, mean), mean),
            Wanted(REMOVED, blend, _laplace(estimate, share), share),
            Wanted(THICKNESS, blend, _laplace(estimate, mean, k, sd), mean, k, sd),
        ]
    if not bores:
        return out
    builder = WallBuilder(estimate.unknowns, estimate.resolution)
    wall, _ = builder.at(estimate.x)
    hottest = executor.map(hottest_bore, estimate.runs, repeat(estimate.x), repeat(wall))
    for run, (_, place) in zip(estimate.runs, hottest, strict=True):
        peak = partial(_bore_temperature, builder, executor, run, place)
        out.append(Wanted(PEAK, run.name, document["runs"][run.name][PEAK], peak))
    return out


def _laplace(
    estimate: Estimate, read: Callable[[Array], Readout], factor: float = 1.0, sd: float = 0.0
) -> dict[str, float]:
    """Return the interval of a positive read-out times a factor of log standard deviation."""
    found = read(estimate.x)
    value = factor * float(found.value)
    ratio = float(np.exp(QUANTILE * np.hypot(found.sd(estimate.covariance), sd)))
    return {"estimate": value, "low": value / ratio, "high": value * ratio}


def _mean_resistance(along: AlongTube, blend: str, x: Array) -> Readout:
    return log_mean(along.at(x).resistance(blend))


def _removed_share(along: AlongTube, blend: str, x: Array) -> Readout:
    return along.at(x).removed_share(blend)


def _bore_temperature(
    builder: WallBuilder, executor: Executor, run: RunModel, place: tuple[int, int], x: Array
) -> Readout:
    """Return the bore where and when the estimate has it hottest: a maximum has no derivative."""
    [found] = executor.map(bore_temperature, [run], [x], *([each] for each in builder.at(x)),
                           [place])
    return found
