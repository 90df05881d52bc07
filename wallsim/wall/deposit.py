"""Deposit that earlier firings left on the bore, or that comes off in part during a firing.

The resistance is the state, and each firing grows it on by the law of its own blend:

    saturating, general    dR/du = x (R_ref/(1 - exp(-x)) - R),   u = (t/t_ref)^m
    linear                 dR/dt = R_ref/t_ref
    constant, or a blend without deposit    dR/dt = 0

On a clean bore these are the growth laws of `wallsim.wall.growth`, a constant deposit being there
from the start. A saturating blend takes what it finds to its own end value, which may be less.
Where m is not 1 the rate depends on the time ``t`` the deposit has grown for; what is left of a
deposit of which a part was lost, in a firing or between two, is as old as a clean bore would need
to get there. So it goes on as any deposit of its thickness does, and none starts anew.

A firing starts with a retained fraction of what the one before left. Around a moment ``t_s`` a
share may come off, of what is there a share ``lost(z) s(t)``, with ``s`` a logistic step of time
constant `SHEDDING`, so that the readings are smooth in ``t_s`` while the steps of the march stay
where they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from wallsim.wall.growth import Law, clock, clock_back, curvature

if TYPE_CHECKING:
    from wallsim.wall.gas import WallParameters

Array = NDArray[np.float64]

SHEDDING = 0.05
"""Time constant with which a deposit comes off [s], well below the lag of wall and junction."""
GROWN_UP = 20.0
"""Of ``x u``, from which on a deposit has no further to go and its age means nothing."""


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
class _Blend:
    """How one blend's deposit grows; ``columns`` are those of its growth shape in a `_Layers`."""

    law: Law
    t_ref: float
    shape: Array
    columns: slice

    @property
    def has_clock(self) -> bool:
        return self.law in ("saturating", "general")

    def clock(self, s: Array) -> Array:
        """Return ``u`` at ``s = t/t_ref``, both followed by derivatives."""
        u, of_s, of_shape = clock(float(s[0]), self.shape)
        out = of_s * s
        out[0] = u
        out[self.columns] += of_shape
        return out

    def decay(self, u: Array) -> Array:
        """Return ``exp(-x u)``, followed by derivatives as ``u`` is."""
        x, of_c = curvature(float(self.shape[0]))
        value = np.exp(-x * u[0])
        out: Array = -x * value * u
        out[0] = value
        out[self.columns.start] -= of_c * u[0] * value
        return out

    def whole(self, n: int) -> Array:
        """Return ``1 - exp(-x)``, followed by ``n`` derivatives."""
        once = np.zeros(1 + n)
        once[0] = 1.0
        out = -self.decay(once)
        out[0] += 1.0
        return out

    def after_loss(self, s: Array, lost: Array) -> Array:
        """Return the ``s`` at which a clean bore has as much as is left of that at ``s``."""
        if not self.has_clock or s[0] <= 0.0 or not lost.any():
            return s
        x, of_c = curvature(float(self.shape[0]))
        u, q = self.clock(s), float(lost[0])
        if x * u[0] > GROWN_UP:
            u = np.zeros_like(u)
            u[0] = GROWN_UP / x
            u[self.columns.start] = -u[0] / x * of_c
        late = np.exp(-x * u[0])
        left = q + (1.0 - q) * late
        # exp(-x u') = q + (1 - q) exp(-x u)
        out: Array = ((1.0 - q) * late * u - (1.0 - late) / x * lost) / left
        out[0] = -np.log(left) / x
        out[self.columns.start] += of_c / x * ((1.0 - q) * late / left * u[0] - out[0])
        younger, of_u, of_shape = clock_back(float(out[0]), self.shape)
        out *= of_u
        out[0] = younger
        out[self.columns] += of_shape
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Layers:
    """What is on the bore at one place: each number is followed by its derivatives.

    Parameters
    ----------
    w : Array, shape (n_blends, 1 + q)
        Of each blend's resistance, the weight with which it is there.
    s : Array, shape (n_blends, 1 + q)
        How long it has grown, in units of its ``t_ref``.
    """

    w: Array
    s: Array

    def grown(self, blends: tuple[_Blend, ...], i: int, span: Array) -> _Layers:
        """Return the layers after ``span`` [s] of the ``i``-th blend."""
        blend, w, s = blends[i], self.w.copy(), self.s.copy()
        s[i] += span / blend.t_ref
        if blend.law == "linear":
            w[i] += span / blend.t_ref
        if blend.has_clock:
            kept = blend.decay(blend.clock(s[i]) - blend.clock(self.s[i]))
            laid = -kept
            laid[0] += 1.0
            w = np.array([_product(each, kept) for each in w])
            w[i] += _ratio(laid, blend.whole(span.size - 1))
        return _Layers(w, s)

    def after_loss(self, blends: tuple[_Blend, ...], lost: Array) -> _Layers:
        """Return the layers when a share of all is lost, followed by its derivatives."""
        left = -lost
        left[0] += 1.0
        s = [blend.after_loss(s, lost) for blend, s in zip(blends, self.s, strict=True)]
        return _Layers(np.array([_product(each, left) for each in self.w]), np.array(s))


def _product(a: Array, b: Array) -> Array:
    out: Array = a[0] * b + b[0] * a
    out[0] = a[0] * b[0]
    return out


def _ratio(a: Array, b: Array) -> Array:
    out: Array = (a - a[0] / b[0] * b) / b[0]
    out[0] = a[0] / b[0]
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
        Moments at which the effect of losing a share ``trial_loss`` of all is asked for [s].
    """

    basis: Array
    own: bool
    sources: int
    stretches: tuple[Stretch, ...]
    trial_times: Array

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
        w, dw = self._weights(t, p)
        slots = p.slots()
        dR = np.zeros((len(self.basis), slots["trial_loss"].stop))
        of_log_R = np.concatenate([np.arange(s.start, s.stop) for s in
                                   (slots["log_R"], slots["log_R_under"])])
        for i in range(self.sources):
            dR[:, of_log_R[i * n : (i + 1) * n]] = (full[i] * w[i])[:, None] * self.basis
        dR[:, self._columns(p)] = np.einsum("sm,smq->mq", full, dw)
        return np.einsum("sm,sm->m", full, w), dR

    def _columns(self, p: WallParameters) -> NDArray[np.intp]:
        """Return the columns of growth, log odds, moments and trial losses."""
        slots = p.slots()
        names = ("growth_shape", "growth_shape_under", "log_odds", "shed_time", "trial_loss")
        return np.concatenate([
            np.arange(slots[name].start, slots[name].stop)
            for name in names[0 if self.own else 1 :]
        ])

    def _weights(self, t: float, p: WallParameters) -> tuple[Array, Array]:
        """Return the weight of each source's resistance at each node, and its derivatives.

        Shapes (n_sources, m) and (n_sources, m, n_columns), the columns as `_columns`.
        """
        losses = [s.loss.where for s in self.stretches if s.loss is not None]
        if not losses:
            every = np.repeat(self._at(0, t, p)[:, None], len(self.basis), axis=1)
        else:
            _, first, which = np.unique(
                np.array(losses), axis=1, return_index=True, return_inverse=True
            )
            every = np.stack([self._at(int(j), t, p) for j in first], axis=1)[:, which.ravel()]
        return every[..., 0], every[..., 1:]

    def _at(self, node: int, t: float, p: WallParameters) -> Array:
        """Return the weights at one node, each followed by its derivatives."""
        blends = self._blends(p)
        shares = 1 + 2 * self.sources
        moments = shares + p.log_odds.size
        trials = moments + p.shed_time.size
        n = trials + self.trial_times.size

        def share(place: int) -> Array:
            out, f = np.zeros(n), float(expit(p.log_odds[place]))
            out[0], out[shares + place] = f, f * (1.0 - f)
            return out

        layers = _Layers(np.zeros((self.sources, n)), np.zeros((self.sources, n)))
        for stretch in self.stretches:
            last, i, loss = stretch is self.stretches[-1], stretch.source, stretch.loss
            span = np.zeros(n)
            span[0] = t if last else stretch.burn
            if stretch.retained is not None:
                lost = -share(stretch.retained)
                lost[0] = expit(-p.log_odds[stretch.retained])
                layers = layers.after_loss(blends, lost)
            elif i is not None and stretch.law == "constant":
                layers.w[i, 0] = 1.0
            if last and self.trial_times.size:
                on_trial = [_trial(layers, blends, i, span, moment) for moment in self.trial_times]
            if loss is None:
                layers = layers if i is None else layers.grown(blends, i, span)
                continue
            since, step = np.zeros(n), np.zeros(n)
            at = moments + loss.time
            since[0], step[0], step[at] = _since(float(span[0]), float(p.shed_time[loss.time]))
            since[at] = -step[0]
            if i is not None:
                layers = layers.grown(blends, i, span - since)
            lost = _product(share(loss.odds), step) * loss.where[node]
            layers = layers.after_loss(blends, lost)
            if i is not None:
                layers = layers.grown(blends, i, since)
        if self.trial_times.size:
            layers.w[:, trials:] = np.array(on_trial).T
        return layers.w

    def _blends(self, p: WallParameters) -> tuple[_Blend, ...]:
        shapes = np.concatenate((p.growth_shape, p.growth_shape_under)[0 if self.own else 1 :])
        laws = {s.source: (s.law, s.t_ref) for s in self.stretches}
        return tuple(
            _Blend(*laws[i], shapes[2 * i : 2 * i + 2], slice(1 + 2 * i, 3 + 2 * i))
            for i in range(self.sources)
        )


def _since(t: float, moment: float) -> tuple[float, float, float]:
    """Return the time since ``moment`` [s], smooth, and the logistic step with its slope to it."""
    u = (t - moment) / SHEDDING
    step = float(expit(u))
    return SHEDDING * float(np.logaddexp(0.0, u)), step, -step * (1.0 - step) / SHEDDING


def _trial(
    layers: _Layers, blends: tuple[_Blend, ...], i: int | None, span: Array, moment: float
) -> Array:
    """Return the derivative of the weights to a share lost at ``moment``, none being lost."""
    n = 2 + 2 * len(blends)
    w, s, lost, before, since = (np.zeros(shape) for shape in (
        (len(blends), n), (len(blends), n), n, n, n))
    w[:, 0], s[:, 0] = layers.w[:, 0], layers.s[:, 0]
    since[0], lost[-1], _ = _since(float(span[0]), moment)
    before[0] = span[0] - since[0]
    layers = _Layers(w, s)
    if i is not None:
        layers = layers.grown(blends, i, before)
    layers = layers.after_loss(blends, lost)
    if i is not None:
        layers = layers.grown(blends, i, since)
    return layers.w[:, -1]
