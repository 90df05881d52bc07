"""Whether the residuals of a firing's thermocouples go together.

What acts on the whole firing, and is not in the model, misses all its traces at once. Each trace's
autoregression takes that for slow noise of its own, and with many thermocouples it would count as
often as there are. Asked is how much more the mean of the standardised residuals of all traces
scatters in time than independent ones would let it; beyond chance, the firing's readings count by
so much less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from wallsim.regression.noise import Noise

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CHANCE = 0.01
"""Of taking independent residuals of a firing for such as go together."""
OUTLIER = 3.0


@dataclass(frozen=True, slots=True)
class Together:
    """How far the residuals of a firing go together.

    Parameters
    ----------
    ratio : float
        Variance of their mean over that of independent ones; 1 if independent, their number if
        all are the same.
    chance : float
        Of a ratio as large among independent residuals, as a chi-squared of as many degrees of
        freedom as there are independent samples in a trace.
    """

    ratio: float
    chance: float

    @property
    def told(self) -> bool:
        """Whether they go together by more than chance."""
        return self.ratio > 1.0 and self.chance < CHANCE

    @property
    def factor(self) -> float:
        """Variance by which the firing's readings count less; 1 if not told."""
        return self.ratio if self.told else 1.0


INDEPENDENT = Together(1.0, 1.0)


def together(
    index: Sequence[Index], residuals: Sequence[Array], noises: Sequence[Noise]
) -> Together:
    """Return how far the residuals of a firing's traces go together.

    Parameters
    ----------
    index : sequence of NDArray of int, shape (n,)
        Block numbers of each trace.
    residuals : sequence of Array, shape (n,)
        Less offset and drift [K].
    noises : sequence of Noise
    """
    blocks = 1 + max((int(i.max()) for i in index if i.size), default=-1)
    total, square, count = np.zeros(blocks), np.zeros(blocks), np.zeros(blocks)
    for i, r, noise in zip(index, residuals, noises, strict=True):
        scaled = np.clip(r / noise.sd, -OUTLIER, OUTLIER)
        total[i] += scaled
        square[i] += scaled**2
        count[i] += 1.0
    seen = count >= 2.0
    one = float(np.sum(square[seen] / count[seen]))
    if one <= 0.0:
        return INDEPENDENT
    ratio = float(np.sum(total[seen] ** 2 / count[seen])) / one
    n = float(count[seen].mean())
    samples = float(np.mean([
        noise.effective_samples(i.size) for i, noise in zip(index, noises, strict=True)
    ])) * n / (n - 1.0)
    return Together(ratio, float(gammaincc(0.5 * samples, 0.5 * samples * ratio)))
