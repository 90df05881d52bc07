"""Deposit that earlier firings left on the bore, or that comes off in part during a firing.

The resistance is the state, and each firing grows it on by the law of its own blend:

    saturating    dR/dt = (x/t_ref) (R_ref/(1 - exp(-x)) - R)
    linear        dR/dt = R_ref/t_ref
    constant, or a blend without deposit    dR/dt = 0

On a clean bore these are the growth laws of `wallsim.wall.gas`, a constant deposit being there
from the start; carried over whole by the same blend they go on where they ended. A saturating
blend takes what it finds to its own end value, which may be less. A firing starts with a retained
fraction of what the one before left, and a share may come off around a moment ``t_s``:

    R = (1 - lost(z) s(t)) (what was laid before t_s) + (what was laid since)

with ``s`` a logistic step of time constant `SHEDDING`, so that the readings are smooth in
``t_s`` while the steps of the march stay where they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

if TYPE_CHECKING:
    from wallsim.wall.gas import WallParameters

Array = NDArray[np.float64]

Law = Literal["none", "constant", "linear", "saturating"]

SHEDDING = 0.05
"""Time constant with which a deposit comes off [s], well below the lag of wall and junction."""


@dataclass(frozen=True, slots=True, eq=False)
class Loss:
    """A share of the deposit that comes off during a firing.

    Parameters
    ----------
    time, odds : int
        Places of its moment in ``shed_time`` and of its share in ``log_odds``.
    where : Array, shape (m,)
        1 where it comes off, 0 elsewhere.
    """

    time: int
    odds: int
    where: Array


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """One firing's part in the history of a deposit.

    Parameters
    ----------
    source : int or None
        Which blend's resistance grows; None for a blend without deposit.
    law : {"none", "constant", "linear", "saturating"}
    t_ref, burn : float
        Time at which the growth on a clean bore is 1, and burning time [s].
    retained : int or None
        Place in ``log_odds`` of the fraction that is left of what was there; None on a clean bore.
    loss : Loss or None
    """

    source: int | None
    law: Law
    t_ref: float
    burn: float
    retained: int | None
    loss: Loss | None


@dataclass(frozen=True, slots=True, eq=False)
class _Growth:
    """Factors of one stretch on what was there, and shares laid before and since the loss.

    Each is followed by its derivatives to the time before, to the time since and to the log of
    the curvature.
    """

    kept: tuple[float, float, float, float]
    before: tuple[float, float, float, float]
    since: tuple[float, float, float, float]

    @classmethod
    def of(cls, stretch: Stretch, before: float, since: float, x: float) -> _Growth:
        """Return the growth over ``before`` and ``since`` [s] the loss at the curvature ``x``."""
        t_ref = stretch.t_ref
        nothing, whole = (0.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)
        if stretch.law == "saturating":
            a, b = x / t_ref, -np.expm1(-x)
            end = x * np.exp(-x) / b
            first, second = np.exp(-a * before), np.exp(-a * since)
            both = first * second
            laid = -np.expm1(-a * before) * second / b
            late = -np.expm1(-a * since) / b
            of_laid = a * before * both / b - (a * since + end) * laid
            return cls(
                (both, -a * both, -a * both, -a * (before + since) * both),
                (laid, a * both / b, -a * laid, of_laid),
                (late, 0.0, a * second / b, a * since * second / b - end * late),
            )
        if stretch.law == "linear":
            return cls(whole, (before / t_ref, 1.0 / t_ref, 0.0, 0.0),
                       (since / t_ref, 0.0, 1.0 / t_ref, 0.0))
        laid = whole if stretch.law == "constant" and stretch.retained is None else nothing
        return cls(whole, laid, nothing)


@dataclass(frozen=True, slots=True, eq=False)
class DepositHistory:
    """What a bore carries: all firings since it was last clean, the one marched being the last.

    Parameters
    ----------
    basis : Array, shape (m, n)
        From the knots of a resistance to the bore nodes.
    own : bool
        Whether the first source is ``log_R``; the others are in ``log_R_under``, in order.
    sources : int
        Blends whose deposit is on the bore.
    stretches : tuple of Stretch
    trial_times : Array, shape (n_trial,)
        Moments at which the effect of losing a share ``trial_loss`` is asked for [s].
    trial_where : Array, shape (n_trial, m)
        1 where that share is lost, 0 elsewhere.
    """

    basis: Array
    own: bool
    sources: int
    stretches: tuple[Stretch, ...]
    trial_times: Array
    trial_where: Array

    def resistance(self, t: float, p: WallParameters) -> tuple[Array, Array]:
        """Return R at the bore nodes at ``t`` [s] of the last firing, and its derivatives.

        Returns
        -------
        R : Array, shape (m,)
            [m^2 K/W].
        dR : Array, shape (m, n_par)
            To the march's parameters.
        """
        n = self.basis.shape[1]
        log_R = np.concatenate((p.log_R, p.log_R_under)).reshape(self.sources, n)
        full = np.exp(log_R @ self.basis.T)
        w, dw = self._layers(t, p)
        slots = p.slots()
        dR = np.zeros((len(self.basis), slots["trial_loss"].stop))
        of_log_R = np.concatenate([np.arange(s.start, s.stop) for s in
                                   (slots["log_R"], slots["log_R_under"])])
        for i in range(self.sources):
            dR[:, of_log_R[i * n : (i + 1) * n]] = (full[i] * w[i])[:, None] * self.basis
        dR[:, self._columns(p)] = np.einsum("sm,qsm->mq", full, dw)
        return np.einsum("sm,sm->m", full, w), dR

    def _columns(self, p: WallParameters) -> NDArray[np.intp]:
        """Return the columns of curvatures, log odds, moments and trial losses."""
        slots = p.slots()
        own = [slots["log_curvature"].start] if self.own else []
        rest = [np.arange(slots[name].start, slots[name].stop) for name in
                ("log_curvature_under", "log_odds", "shed_time", "trial_loss")]
        return np.concatenate([np.array(own, dtype=np.intp), *rest])

    def _layers(self, t: float, p: WallParameters) -> tuple[Array, Array]:
        """Return the weight of each source's resistance at each node, and its derivatives.

        Shapes (n_sources, m) and (n_columns, n_sources, m), the columns as `_columns`.
        """
        curvatures = np.exp(np.concatenate(([p.log_curvature] * self.own, p.log_curvature_under)))
        m, n_odds, n_shed = len(self.basis), p.log_odds.size, p.shed_time.size
        w = np.zeros((self.sources, m))
        dw = np.zeros((self.sources + n_odds + n_shed + p.trial_loss.size, self.sources, m))
        for stretch in self.stretches:
            last = stretch is self.stretches[-1]
            span = t if last else stretch.burn
            if stretch.retained is not None:
                f = float(expit(p.log_odds[stretch.retained]))
                dw *= f
                dw[self.sources + stretch.retained] += f * (1.0 - f) * w
                w = f * w
            x = 1.0 if stretch.source is None else float(curvatures[stretch.source])
            if last and self.trial_times.size:
                dw[self.sources + n_odds + n_shed :] = [
                    where * _trial(stretch, w, span, moment, x)
                    for moment, where in zip(self.trial_times, self.trial_where, strict=True)
                ]
            w, dw = self._grown(stretch, w, dw, span, x, p)
        return w, dw

    def _grown(
        self, stretch: Stretch, w: Array, dw: Array, span: float, x: float, p: WallParameters
    ) -> tuple[Array, Array]:
        """Return the weights and their derivatives after ``span`` [s] of one firing."""
        loss = stretch.loss
        since = step = 0.0
        if loss is not None:
            since, step = _since(span, float(p.shed_time[loss.time]))
        g = _Growth.of(stretch, span - since, since, x)
        n_trial = self.trial_times.size if stretch is self.stretches[-1] else 0
        dw = dw.copy()
        dw[: len(dw) - n_trial] *= g.kept[0]
        laid = g.kept[0] * w
        if stretch.source is not None:
            i = stretch.source
            dw[i] += g.kept[3] * w
            dw[i, i] += g.before[3]
            laid[i] += g.before[0]
        if loss is None:
            return laid, dw
        lost = float(expit(p.log_odds[loss.odds]))
        left = 1.0 - lost * step * loss.where
        dw *= left
        time = self.sources + p.log_odds.size + loss.time
        dw[self.sources + loss.odds] -= lost * (1.0 - lost) * step * loss.where * laid
        dw[time] += lost * step * (1.0 - step) / SHEDDING * loss.where * laid
        w = left * laid
        if stretch.source is not None:
            i = stretch.source
            w[i] += g.since[0]
            dw[i, i] += g.since[3]
            dw[time, i] += step * (left * (g.before[1] - g.before[2]) + g.since[1] - g.since[2])
        return w, dw


def _since(t: float, moment: float) -> tuple[float, float]:
    """Return the time since ``moment`` [s], never negative and smooth, and the logistic step."""
    u = (t - moment) / SHEDDING
    return SHEDDING * float(np.logaddexp(0.0, u)), float(expit(u))


def _trial(stretch: Stretch, w: Array, t: float, moment: float, x: float) -> Array:
    """Return the derivative of the weights to a share lost at ``moment``, none being lost."""
    since, step = _since(t, moment)
    g = _Growth.of(stretch, t - since, since, x)
    laid = g.kept[0] * w
    if stretch.source is not None:
        laid[stretch.source] += g.before[0]
    return -step * laid
