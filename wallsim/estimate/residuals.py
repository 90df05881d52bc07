"""Whether the whitened residuals are what the residual model says: independent values.

A misfit of the model, or a residual model that does not fit a trace, leaves neighbours of one
sign. Two things are asked of each trace. Is it more than chance: the runs test (Wald & Wolfowitz
1940, Ann. Math. Stat. 11, 147), its p-values adjusted over all traces of the campaign so that the
chance of any false alarm has one stated bound (Holm 1979, Scand. J. Stat. 6, 65). Is it more than
a trifle: with many samples the faintest correlation is more than chance, so what counts is by how
much an interval that takes the values for independent would be too narrow. A trace fails only on
both.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from wallsim.estimate.joint import Estimate

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FALSE_ALARM = 0.01
"""Chance that any trace of a campaign in order is called significant."""
INTERVAL_TOLERANCE = 1.2
"""Factor by which an interval may be too narrow before it matters."""
LEAST_VALUES = 20


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of one sign in a series.

    Parameters
    ----------
    above, below : int
        Values of each sign.
    count : int
        Runs seen.
    expected, sd : float
        Runs of independent values, given ``above`` and ``below``.
    """

    above: int
    below: int
    count: int
    expected: float = field(init=False)
    sd: float = field(init=False)

    def __post_init__(self) -> None:
        n, product = self.above + self.below, 2.0 * self.above * self.below
        variance = product * (product - n) / (n**2 * (n - 1.0)) if n > 1 else 0.0
        object.__setattr__(self, "expected", product / n + 1.0 if n else 0.0)
        object.__setattr__(self, "sd", float(np.sqrt(max(variance, 0.0))))

    @classmethod
    def of(cls, series: Array) -> Runs:
        """Count the runs of ``series``; zeros are left out."""
        positive = series[series != 0.0] > 0.0
        count = int(np.count_nonzero(np.diff(positive))) + 1 if positive.size else 0
        return cls(int(positive.sum()), int((~positive).sum()), count)

    @property
    def score(self) -> float:
        """Standard normal score, corrected for continuity; negative with too few runs."""
        if self.sd == 0.0:
            return 0.0
        away = self.count - self.expected
        return float(np.sign(away) * max(abs(away) - 0.5, 0.0) / self.sd)

    @property
    def p_value(self) -> float:
        """Chance of a score as far from zero on either side."""
        return float(2.0 * ndtr(-abs(self.score)))


@dataclass(frozen=True, slots=True)
class TraceTest:
    """Whitened residuals of one trace.

    Parameters
    ----------
    run, channel : str
    values : int
    lag1 : float
        Correlation of neighbours [-].
    rms : float
        Of the whitened residuals; 1 if the noise level is right [-].
    runs : Runs
    """

    run: str
    channel: str
    values: int
    lag1: float
    rms: float
    runs: Runs

    @classmethod
    def of(cls, run: str, channel: str, index: Index, white: Array) -> TraceTest:
        """Test the whitened residuals of one trace; ``index`` numbers its blocks.

        Parameters
        ----------
        white : Array, shape (n,)
        """
        next_to = np.diff(index) == 1
        square = float(white @ white)
        lag1 = float(white[1:][next_to] @ white[:-1][next_to]) / square if square > 0.0 else 0.0
        rms = float(np.sqrt(square / white.size)) if white.size else 0.0
        return cls(run, channel, white.size, lag1, rms, Runs.of(white))

    @property
    def interval_factor(self) -> float:
        """Factor by which an interval from this trace is too narrow (below 1: too wide).

        Values with a correlation ``a`` of neighbours that dies out as its powers count for
        ``(1 - a)/(1 + a)`` of their number (Bayley & Hammersley 1946, J. R. Stat. Soc. Suppl. 8,
        184). ``a`` is taken from the share of changes of sign, which for normal values is
        ``arccos(a)/pi``, against that of independent values: an outlier does not move it.
        """
        n = self.runs.above + self.runs.below
        if n < 2 or self.runs.expected <= 1.0:
            return 1.0
        changes = 0.5 * (self.runs.count - 1.0) / (self.runs.expected - 1.0)
        a = float(np.clip(np.cos(np.pi * min(changes, 1.0)), -0.99, 0.99))
        return float(np.sqrt((1.0 + a) / (1.0 - a)))

    @property
    def large(self) -> bool:
        """Whether the intervals it takes part in are off by more than is tolerated."""
        return self.interval_factor > INTERVAL_TOLERANCE


def holm(p: Array) -> Array:
    """Return p-values adjusted for their number (Holm 1979); below the error rate: significant."""
    order = np.argsort(p)
    scaled = (p.size - np.arange(p.size)) * p[order]
    out = np.empty_like(p)
    out[order] = np.minimum(np.maximum.accumulate(scaled), 1.0)
    return out


def trace_tests(estimate: Estimate) -> list[TraceTest]:
    """Return the tests of all traces that are long enough to be tested."""
    out = []
    for run in estimate.runs:
        parts = (run.traces, estimate.residuals[run.name], estimate.weights[run.name])
        for trace, r, w in zip(*parts, strict=True):
            if r.size >= LEAST_VALUES:
                white = w.whitened(trace, r[:, None])[:, 0]
                out.append(TraceTest.of(run.name, trace.sensor, trace.index, white))
    return out


def residual_tests(tests: list[TraceTest]) -> tuple[dict[tuple[str, str], Any], dict[str, Any]]:
    """Return the test of each trace by run and channel, and that of the campaign, as documents."""
    p = holm(np.array([t.runs.p_value for t in tests]))
    each: dict[tuple[str, str], Any] = {}
    for t, adjusted in zip(tests, p, strict=True):
        significant = bool(adjusted < FALSE_ALARM)
        each[t.run, t.channel] = {
            "values": t.values, "lag1": t.lag1, "rms": t.rms, "runs": t.runs.count,
            "runs_expected": t.runs.expected, "p_value": t.runs.p_value,
            "p_adjusted": float(adjusted), "significant": significant,
            "interval_factor": t.interval_factor, "failed": significant and t.large,
        }

    def named(key: str) -> list[dict[str, str]]:
        return [{"run": run, "channel": channel} for (run, channel), e in each.items() if e[key]]

    failed = named("failed")
    return each, {
        "test": "runs test of the whitened residuals, two-sided, adjusted by Holm",
        "false_alarm_rate": FALSE_ALARM,
        "interval_tolerance": INTERVAL_TOLERANCE,
        "traces": len(tests),
        "significant": named("significant"),
        "failed": failed,
        "passed": not failed,
    }
