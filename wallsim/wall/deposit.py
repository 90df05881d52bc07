"""Deposit that earlier firings left on the bore, or that comes off in part during a firing.

The resistance is the state, and each firing grows it on by the law of its own blend:

    saturating, general    dR/du = x (R_ref/(1 - exp(-x)) - R),   u = (t/t_ref)^m
    linear                 dR/dt = R_ref/t_ref
    constant, or a blend without deposit    dR/dt = 0

On a clean bore these are the growth laws of `wallsim.wall.growth`, a constant deposit being there
from the start. A saturating blend takes what it finds to its own end value, which may be less. A
firing starts with a retained fraction of what the one before left; the burning time that the
deposit of a blend has seen, on which ``u`` depends where m is not 1, counts by the same fraction.
So what is carried over whole by the same blend goes on where it ended, and none starts anew. A
share may come off around a moment ``t_s``:

    R = (1 - lost(z) s(t)) (what was laid before t_s) + (what was laid since)

with ``s`` a logistic step of time constant `SHEDDING`, so that the readings are smooth in
``t_s`` while the steps of the march stay where they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from wallsim.wall.growth import Law, clock, curvature

if TYPE_CHECKING:
    from wallsim.wall.gas import WallParameters

Array = NDArray[np.float64]

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
    law : Law
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

    Each is followed by its derivatives to `TO`.
    """

    kept: Array
    before: Array
    since: Array

    @classmethod
    def of(
        cls, stretch: Stretch, age: float, before: float, since: float, growth_shape: Array
    ) -> _Growth:
        """Return the growth at ``age`` [s] over ``before`` and ``since`` [s] the loss."""
        t_ref, nothing = stretch.t_ref, np.zeros(1 + len(TO))
        whole = nothing.copy()
        whole[0] = 1.0
        if stretch.law == "linear":
            return cls(whole, np.array([before / t_ref, 0.0, 1.0 / t_ref, 0.0, 0.0, 0.0]),
                       np.array([since / t_ref, 0.0, 0.0, 1.0 / t_ref, 0.0, 0.0]))
        if stretch.law not in ("saturating", "general"):
            laid = whole if stretch.law == "constant" and stretch.retained is None else nothing
            return cls(whole, laid, nothing)
        x, of_c = curvature(float(growth_shape[0]))
        whole_x = -float(np.expm1(-x))
        times = np.cumsum([age, before, since]) / t_ref
        # Clock at start, loss and end, each with its derivatives to `TO`.
        u = np.zeros((3, 1 + len(TO)))
        for i, s in enumerate(times):
            u[i, 0], slope, u[i, 4:] = clock(float(s), growth_shape)
            u[i, 1 : 2 + i] = slope / t_ref
        all_through, late = _decay(x, of_c, u[2] - u[0]), _decay(x, of_c, u[2] - u[1])
        end = np.zeros(1 + len(TO))
        end[4] = of_c * np.exp(-x) / whole_x
        laid, new = (all_ / whole_x for all_ in (late - all_through, whole - late))
        return cls(all_through, laid - end * laid[0], new - end * new[0])


TO = ("age", "time before", "time since", "c of the curvature", "log exponent")
"""What factors and shares of a stretch are derived by."""


def _decay(x: float, of_c: float, u: Array) -> Array:
    """Return ``exp(-x u)``; ``u`` and the result are followed by their derivatives to `TO`.

    ``of_c`` is the derivative of ``x`` to c.
    """
    out: Array = -x * np.exp(-x * u[0]) * u
    out[0] = np.exp(-x * u[0])
    out[4] -= of_c * u[0] * out[0]
    return out


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
        """Return the columns of growth, log odds, moments and trial losses."""
        slots = p.slots()
        names = ("growth_shape", "growth_shape_under", "log_odds", "shed_time", "trial_loss")
        return np.concatenate([
            np.arange(slots[name].start, slots[name].stop)
            for name in names[0 if self.own else 1 :]
        ])

    def _layers(self, t: float, p: WallParameters) -> tuple[Array, Array]:
        """Return the weight of each source's resistance at each node, and its derivatives.

        Shapes (n_sources, m) and (n_columns, n_sources, m), the columns as `_columns`.
        """
        growth = np.concatenate((p.growth_shape, p.growth_shape_under)[0 if self.own else 1 :])
        odds = 2 * self.sources
        trials = odds + p.log_odds.size + p.shed_time.size
        w = np.zeros((self.sources, len(self.basis)))
        dw = np.zeros((trials + p.trial_loss.size, *w.shape))
        age, d_age = np.zeros(self.sources), np.zeros((len(dw), self.sources))
        for stretch in self.stretches:
            last, i = stretch is self.stretches[-1], stretch.source
            span = t if last else stretch.burn
            if stretch.retained is not None:
                f = float(expit(p.log_odds[stretch.retained]))
                for value, slope in ((w, dw), (age, d_age)):
                    slope *= f
                    slope[odds + stretch.retained] += f * (1.0 - f) * value
                    value *= f
            own = np.zeros(2) if i is None else growth[2 * i : 2 * i + 2]
            old, d_old = (0.0, np.zeros(len(dw))) if i is None else (float(age[i]), d_age[:, i])
            if last and self.trial_times.size:
                dw[trials:] = [
                    where * _trial(stretch, w, old, span, moment, own)
                    for moment, where in zip(self.trial_times, self.trial_where, strict=True)
                ]
            w, dw = self._grown(stretch, w, dw, old, d_old, span, own, p)
            if i is not None:
                age[i] += span
        return w, dw

    def _grown(
        self, stretch: Stretch, w: Array, dw: Array, age: float, d_age: Array, span: float,
        growth_shape: Array, p: WallParameters,
    ) -> tuple[Array, Array]:
        """Return the weights and their derivatives after ``span`` [s] of one firing."""
        loss, i = stretch.loss, stretch.source
        since = step = 0.0
        odds = 2 * self.sources
        if loss is not None:
            since, step = _since(span, float(p.shed_time[loss.time]))
        g = _Growth.of(stretch, age, span - since, since, growth_shape)
        n_trial = self.trial_times.size if stretch is self.stretches[-1] else 0
        dw = dw.copy()
        dw[: len(dw) - n_trial] *= g.kept[0]
        laid = g.kept[0] * w
        if i is not None:
            dw += np.multiply.outer(g.kept[1] * d_age, w)
            dw[2 * i : 2 * i + 2] += np.multiply.outer(g.kept[4:], w)
            dw[:, i] += (g.before[1] * d_age)[:, None]
            dw[2 * i : 2 * i + 2, i] += g.before[4:, None]
            laid[i] += g.before[0]
        if loss is None:
            return laid, dw
        lost = float(expit(p.log_odds[loss.odds]))
        left = 1.0 - lost * step * loss.where
        dw *= left
        time = odds + p.log_odds.size + loss.time
        dw[odds + loss.odds] -= lost * (1.0 - lost) * step * loss.where * laid
        dw[time] += lost * step * (1.0 - step) / SHEDDING * loss.where * laid
        w = left * laid
        if i is not None:
            w[i] += g.since[0]
            dw[:, i] += (g.since[1] * d_age)[:, None]
            dw[2 * i : 2 * i + 2, i] += g.since[4:, None]
            dw[time, i] += step * (left * (g.before[2] - g.before[3]) + g.since[2] - g.since[3])
        return w, dw


def _since(t: float, moment: float) -> tuple[float, float]:
    """Return the time since ``moment`` [s], never negative and smooth, and the logistic step."""
    u = (t - moment) / SHEDDING
    return SHEDDING * float(np.logaddexp(0.0, u)), float(expit(u))


def _trial(
    stretch: Stretch, w: Array, age: float, t: float, moment: float, growth_shape: Array
) -> Array:
    """Return the derivative of the weights to a share lost at ``moment``, none being lost."""
    since, step = _since(t, moment)
    g = _Growth.of(stretch, age, t - since, since, growth_shape)
    laid = g.kept[0] * w
    if stretch.source is not None:
        laid[stretch.source] += g.before[0]
    return np.asarray(-step * laid)
