"""Which growth law the logs speak for, blend by blend, and what that leaves open.

Weights of the laws are ``exp(-difference/2)`` of their criterion (`law_fits`), normalised (Burnham
& Anderson 2002, section 2.9). What is said of a deposit is averaged over the laws with a deposit
that the logs do not tell apart: an interval holds 95 % of the mixture of their posteriors. Linear
and saturating growth are cases of general growth, so they are no doubt besides it: where that is
fitted it stands for them. Counted again they would narrow the interval to what they alone say.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from wallsim.case.model import Blend
from wallsim.estimate.joint import Estimate, Progress
from wallsim.estimate.law_fits import LawFit, effective_samples, fit_laws
from wallsim.estimate.readouts import AlongTube, Readout, plain, single
from wallsim.estimate.unknowns import growth_names
from wallsim.regression.profile import COVERAGE
from wallsim.rounding import interval_text
from wallsim.wall.growth import Law

Array = NDArray[np.float64]

LAWS: tuple[Law, ...] = ("none", "constant", "linear", "saturating", "general")
WITHIN_GENERAL: tuple[Law, ...] = ("linear", "saturating")
"""Laws that are cases of general growth, well within what is assumed of its shape."""
UNTOLD = 0.05
"""Weight from which on a law is not told apart from the best."""
IN_WORDS = {
    "none": "no deposit", "constant": "a constant deposit", "linear": "linear growth",
    "saturating": "saturating growth", "general": "growth of another shape",
}
BISECTIONS = 60


@dataclass(frozen=True, slots=True, eq=False)
class LawChoice:
    """The laws of one blend's deposit against each other.

    Parameters
    ----------
    blend : str
    stated : bool
        True if the case states the law instead of leaving it open.
    fits : tuple of LawFit
        In the order of `LAWS`.
    samples : float
        Effective number of samples of the blend's firings.
    """

    blend: str
    stated: bool
    fits: tuple[LawFit, ...]
    samples: float

    @property
    def differences(self) -> Array:
        """Criterion of each law less that of the best."""
        criterion: Array = np.array([fit.criterion for fit in self.fits])
        return criterion - float(criterion.min())

    @property
    def weights(self) -> Array:
        """Weight of each law; they add up to one."""
        raw: Array = np.exp(-0.5 * self.differences)
        return raw / float(raw.sum())

    @property
    def untold(self) -> tuple[str, ...]:
        """Laws that the logs do not tell apart, the best first."""
        order = np.argsort(-self.weights, kind="stable")
        return tuple(self.fits[i].law for i in order if self.weights[i] >= UNTOLD)

    @property
    def members(self) -> tuple[tuple[float, Estimate], ...]:
        """Weight and estimate of each law that is averaged over; they add up to one.

        Laws with a deposit, of a weight of at least `UNTOLD` among these. General growth has the
        weight of all laws within it where the joint fit was made with it. A law that the case
        states stands alone.
        """
        if self.stated:
            return tuple((1.0, f.estimate) for f in self.fits if f.fitted)
        laid = [f for f in self.fits if f.law != "none"]
        least = min(f.criterion for f in laid)
        weight = {f.law: np.exp(-0.5 * (f.criterion - least)) for f in laid}
        within: tuple[Law, ...] = WITHIN_GENERAL if self.in_fit == "general" else ()
        if within:
            weight["general"] += sum(weight[law] for law in within)
        fits = [f for f in laid if f.law not in within]
        raw = np.array([weight[f.law] for f in fits])
        raw[raw < UNTOLD * raw.sum()] = 0.0
        return tuple(
            (float(w), f.estimate) for w, f in zip(raw / raw.sum(), fits, strict=True) if w > 0.0
        )

    def document(self) -> dict[str, Any]:
        """Return the choice as a part of the result."""
        averaged = {e.unknowns.laws[self.blend]: w for w, e in self.members}
        return {
            "stated": self.stated,
            "effective_samples": self.samples,
            "laws": [
                {
                    "law": f.law, "criterion_difference": float(d), "weight": float(w),
                    "bic_difference": f.bic - min(g.bic for g in self.fits),
                    "unknowns_told": f.parameters, "left_out_rms": f.left_out_rms,
                    "converged": f.converged, "fitted": f.fitted, "evaluations": f.evaluations,
                }
                for f, d, w in zip(self.fits, self.differences, self.weights, strict=True)
            ],
            "untold": list(self.untold),
            "averaged_over": averaged,
            "exponent": self.exponent(),
            "contradicted": self.stated and self.in_fit not in self.untold,
            "text": self.text(),
        }

    @property
    def in_fit(self) -> str:
        """The law that the joint fit was made with."""
        return next(f.law for f in self.fits if f.fitted)

    def exponent(self) -> dict[str, object] | None:
        """Return the exponent of general growth with its interval; None if it was not fitted."""
        fit = next((f for f in self.fits if f.law == "general" and f.converged), None)
        name = growth_names(self.blend)[1]
        return None if fit is None else single(fit.estimate, name)

    def words(self, law: str) -> str:
        """Return a law in words, general growth with its exponent if it stands alone."""
        exponent = self.exponent() if law == "general" and self.untold == ("general",) else None
        if exponent is None:
            return IN_WORDS[law]
        m = interval_text(exponent)
        return f"{IN_WORDS[law]}, at first as time to the power {m}"

    def text(self) -> str:
        """Return what the logs say of the laws."""
        names = [self.words(law) for law in self.untold]
        if self.stated and self.in_fit not in self.untold:
            return (
                f"the case states {IN_WORDS[self.in_fit]}, but the logs speak for "
                f'{" or ".join(names)}. Write growth = "auto" to leave the law open'
            )
        if len(names) == 1:
            return f"the logs speak for {names[0]}, and against every other law"
        text = f"the logs do not tell {', '.join(names[:-1])} and {names[-1]} apart"
        if self.stated:
            return f"{text}; intervals are of {IN_WORDS[self.in_fit]}, as the case states"
        over = [e.unknowns.laws[self.blend] for _, e in self.members]
        if sorted(over) == sorted(self.untold):
            return f"{text}; R is averaged over them"
        within = [IN_WORDS[law] for law in self.untold if law in WITHIN_GENERAL]
        taken_in = ""
        if "general" in over and within:
            taken_in = f", which takes in {' and '.join(within)}"
        named = " and ".join(IN_WORDS[law] for law in over)
        if len(over) > 1:
            return f"{text}; R is averaged over {named}{taken_in}"
        return f"{text}; R is that of {named}{taken_in}"


def asked(estimate: Estimate, laws: bool | None) -> tuple[str, ...]:
    """Return the blends whose laws are compared: all, none, or those left open for None.

    None of them where the fit did not converge.
    """
    if laws is False or not estimate.converged:
        return ()
    blends = estimate.campaign.case.blends
    return tuple(name for name in estimate.unknowns.laws if laws or _open(blends[name]))


def _open(blend: Blend) -> bool:
    return blend.deposit is not None and blend.deposit.growth == "auto"


def compare_laws(
    estimate: Estimate,
    executor: Executor,
    blends: tuple[str, ...],
    progress: Progress | None = None,
) -> dict[str, LawChoice]:
    """Return the choice of growth law for each of ``blends``, other blends keeping theirs."""
    if progress and blends:
        progress("comparing growth laws", estimate.evaluations, estimate.chi2)
    fits = fit_laws(estimate, [(blend, law) for blend in blends for law in LAWS], executor)
    out = {}
    for i, blend in enumerate(blends):
        stated = not _open(estimate.campaign.case.blends[blend])
        out[blend] = LawChoice(
            blend, stated, tuple(fits[len(LAWS) * i : len(LAWS) * (i + 1)]),
            effective_samples(estimate, blend),
        )
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Averaged:
    """One blend's deposit along the tube, over the laws that the logs do not tell apart.

    Parameters
    ----------
    members : tuple of (float, Estimate)
        Weights, which add up to one, and estimates of each law.
    """

    members: tuple[tuple[float, Estimate], ...]

    @classmethod
    def of(cls, estimate: Estimate, choice: LawChoice | None) -> Averaged:
        """Return the average of ``choice``, that of the joint fit's law alone without one."""
        return cls(((1.0, estimate),) if choice is None else choice.members)

    def laws(self, blend: str) -> tuple[str, ...]:
        """Return the laws of ``blend`` averaged over."""
        return tuple(estimate.unknowns.laws[blend] for _, estimate in self.members)

    def interval(
        self,
        read: Callable[[AlongTube], Readout],
        covariance_of: Callable[[Estimate], Array] = lambda estimate: estimate.covariance,
    ) -> dict[str, object]:
        """Return median and 95 % interval of a positive readout as plain numbers or lists.

        Parameters
        ----------
        read : callable
            Returns the readout of one law.
        covariance_of : callable
            Returns the covariance to the readout's gradient.
        """
        readouts = [read(AlongTube.of(estimate)) for _, estimate in self.members]
        covariances = [covariance_of(estimate) for _, estimate in self.members]
        if len(readouts) == 1:
            return readouts[0].interval(covariances[0])
        weights = np.array([w for w, _ in self.members])
        centre = np.log([r.value for r in readouts])
        sd = np.array([r.sd(C) for r, C in zip(readouts, covariances, strict=True)])
        low, middle, high = (
            plain(np.exp(mixture_quantile(p, weights, centre, sd)))
            for p in (0.5 - 0.5 * COVERAGE, 0.5, 0.5 + 0.5 * COVERAGE)
        )
        return {"estimate": middle, "low": low, "high": high}


def mixture_quantile(p: float, weights: Array, mean: Array, sd: Array) -> Array:
    """Return the ``p`` quantile of mixtures of normals, by bisection.

    Parameters
    ----------
    p : float
    weights : Array, shape (k,)
        They add up to one.
    mean, sd : Array, shape (k, ...)
    """
    sd = np.maximum(sd, 1e-12)
    each = mean + ndtri(p) * sd
    low, high = each.min(axis=0), each.max(axis=0)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        below = np.tensordot(weights, ndtr((middle - mean) / sd), axes=1) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))
