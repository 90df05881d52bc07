"""The mean R to expect of a blend not fired yet.

    R = c + a silicon + b water

through the fired blends, all weighing the same as in `wallsim.estimate.compare`, what does not vary
among them left out. Where they are too few for a line and one more, R is taken proportional to
silicon: without silicon no deposit. A blend departs from it by a share of its R, fired or new.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import InputError
from wallsim.estimate.compare import Compared, independent, line_through
from wallsim.estimate.readouts import AlongTube, Readout
from wallsim.plan.next_file import SLACK, NewBlend, NextQuestion

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """How the mean R of fired blends follows silicon and water.

    Parameters
    ----------
    blends : tuple of str
    terms : tuple of str
        Of the line: "constant", and what varies among the blends; "silicon" alone where they are
        too few.
    R : Array, shape (n,)
        Mean R of each blend at the time that is asked for [m^2 K/W].
    gradient : Array, shape (n, m)
        Of its log to the unknowns.
    onto : Array, shape (k, n)
        From the R of the blends to the terms.
    fractions : Array, shape (n, 2)
        Silicon and water of each blend [-].
    scatter : float
        Of a blend about the line, relative [-].
    """

    blends: tuple[str, ...]
    terms: tuple[str, ...]
    R: Array
    gradient: Array
    onto: Array
    fractions: Array
    scatter: float

    @classmethod
    def of(
        cls, along: AlongTube, names: Sequence[str], t: float, question: NextQuestion
    ) -> Response:
        """Return the response of the blends ``names`` at ``t`` [s] from ignition.

        The scatter about the line is that of the blends and the stated one, whose variance has a
        scaled inverse chi-squared prior (Gelman et al. 2013, Bayesian Data Analysis, section 2.6),
        its degrees of freedom such that its relative standard deviation is the stated doubt.

        Raises
        ------
        InputError
            If there are too few blends, or what varies among them varies together.
        """
        case = question.case
        fractions = np.array(
            [[case.blends[n].silicon, case.blends[n].water] for n in names]).reshape(-1, 2)
        columns = _columns(question, names, fractions)
        X = np.column_stack(list(columns.values()))
        every = [Compared.of(along, n, t, np.array([0])).mean for n in names]
        R = np.array([float(one.value) for one in every])
        onto = np.asarray(np.linalg.pinv(X), dtype=np.float64)
        fitted = X @ (onto @ R)
        departures = (R - fitted) / R
        doubt = question.scatter.relative_sd
        freedom, left = 0.5 / doubt**2 if doubt else np.inf, len(names) - X.shape[1]
        s2 = question.scatter.value**2
        if np.isfinite(freedom):
            s2 = (freedom * s2 + float(departures @ departures)) / (freedom + left)
        return cls(tuple(names), tuple(columns), R, np.array([one.gradient for one in every]),
                   onto, fractions, float(np.sqrt(s2)))

    @property
    def proportional(self) -> bool:
        """True where the blends were too few for a line."""
        return "constant" not in self.terms

    def weights(self, blend: NewBlend) -> Array:
        """Return the weight of the R of each fired blend in that of ``blend``; shape (n,)."""
        at = {"constant": 1.0, "silicon": blend.silicon, "water": blend.water}
        return np.asarray(np.array([at[term] for term in self.terms]) @ self.onto)

    def expected(self, blend: NewBlend, question: NextQuestion) -> Readout:
        """Return the mean R of ``blend``, its own departure not in.

        Raises
        ------
        InputError
            If the line gives none.
        """
        w = self.weights(blend)
        R = float(w @ self.R)
        if not R > 0.0:
            raise InputError(
                f"{question.path}: new.silicon: the response of {', '.join(self.blends)} gives no "
                f"positive R at {100.0 * blend.silicon:.3g} % silicon; narrow the bounds")
        return Readout(np.asarray(R), (w * self.R) @ self.gradient / R, True)

    def departures(self, new: Sequence[NewBlend]) -> Array:
        """Return the covariance of the logs of the mean R of new blends about the line."""
        W = np.array([self.weights(b) for b in new])
        relative = W * self.R / (W @ self.R)[:, None]
        return self.scatter**2 * (np.eye(len(new)) + relative @ relative.T)

    def beyond(self, blend: NewBlend) -> float:
        """Return by which share of their span ``blend`` is beyond the fired blends [-]."""
        low = self.fractions.min(axis=0)
        if self.proportional:
            low[0] = 0.0
        span = self.fractions.max(axis=0) - low
        at = np.array([blend.silicon, blend.water])
        outside = np.maximum(low - at, at - low - span)
        return float(max((outside[span > 0.0] / span[span > 0.0]).max(initial=0.0), 0.0))


def _columns(
    question: NextQuestion, names: Sequence[str], fractions: Array
) -> dict[str, Array]:
    """Return the terms of the line and their values at the blends, shape (n,) each."""
    columns = line_through(*fractions.T)
    known = ", ".join(names) or "no blend"
    wrong = ""
    off = next((b for b in question.new if "water" not in columns and names
                and abs(b.water - fractions[0, 1]) > SLACK), None)
    if off is not None:
        raise InputError(f"{question.path}: new.water: {known} have one water, so what it does to "
                         f"the R of {off.name} is not known; keep to it, or leave out [new]")
    if "silicon" in columns and len(names) > len(columns):
        if independent(np.column_stack(list(columns.values()))):
            return columns
        wrong = "silicon and water vary together"
    elif "water" in columns:
        wrong = "water varies among too few; name those of one water"
    elif not names or not (fractions[:, 0] > 0.0).all():
        wrong = "silicon is not stated of each"
    if wrong:
        raise InputError(f"{question.path}: new.response: {known} cannot tell how R follows "
                         f"silicon: {wrong}, or leave out [new]")
    return {"silicon": fractions[:, 0]}
