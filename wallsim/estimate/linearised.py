"""The least-squares problem of a campaign, linearised, firing by firing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from wallsim.estimate.joint import Estimate
from wallsim.estimate.run_model import RunModel

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """One firing's share of the least-squares problem.

    Parameters
    ----------
    run : str
    r : Array, shape (k,)
        Whitened residuals, compressed.
    J : Array, shape (k, m)
        Their Jacobian in the coordinates of unit-normal prior.
    own : NDArray of int
        Unknowns that no other firing depends on.
    samples : int
        Whitened residuals before compression.
    """

    run: str
    r: Array
    J: Array
    own: Index
    samples: int


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """The least-squares problem of a campaign about ``z``, priors in.

    Parameters
    ----------
    z : Array, shape (m,)
        In the coordinates of unit-normal prior.
    rows : tuple of Rows
        Of all firings.
    """

    z: Array
    rows: tuple[Rows, ...]

    @classmethod
    def of(cls, estimate: Estimate) -> Linearised:
        """Return the problem about an estimate, as its fit left it."""
        prior = estimate.unknowns.prior
        return cls.joined(prior.z(estimate.x), [
            (run, *row.in_z(prior.root), row.columns)
            for run, row in zip(estimate.runs, estimate.rows, strict=True)
        ])

    @classmethod
    def joined(
        cls, z: Array, shares: Sequence[tuple[RunModel, Array, Array, Index]]
    ) -> Linearised:
        """Return the problem about ``z``.

        Parameters
        ----------
        z : Array, shape (m,)
        shares : sequence of (RunModel, Array, Array, Index)
            Of each firing: residuals (k,), their Jacobian (k, m), the unknowns it depends on.
        """
        seen = np.bincount(np.concatenate([columns for *_, columns in shares]), minlength=z.size)
        alone = np.flatnonzero(seen == 1)
        return cls(z, tuple(
            Rows(run.name, r, J, np.intersect1d(columns, alone),
                 sum(trace.t.size for trace in run.traces))
            for run, r, J, columns in shares
        ))

    @property
    def r(self) -> Array:
        """Residuals, those of the priors last."""
        return np.concatenate([*(row.r for row in self.rows), self.z])

    @property
    def J(self) -> Array:
        """Their Jacobian."""
        return np.vstack([*(row.J for row in self.rows), np.eye(self.z.size)])

    @property
    def S(self) -> float:
        """Sum of squares."""
        return float(self.r @ self.r)

    @property
    def normal(self) -> tuple[Array, Array]:
        """``J^T J``, not below one for the priors in it, and ``J^T r``."""
        J = self.J
        return J.T @ J, J.T @ self.r

    @property
    def covariance(self) -> Array:
        """Of ``z`` at the minimum; shape (m, m)."""
        return np.asarray(cho_solve(cho_factor(self.normal[0]), np.eye(self.z.size)))

    def compressed(self) -> tuple[Array, Array]:
        """Return residuals and Jacobian of the same sums of squares in few rows."""
        triangle = np.asarray(np.linalg.qr(np.column_stack((self.J, self.r)), mode="r"))
        return triangle[:, -1], triangle[:, :-1]

    def stepped(self) -> Linearised:
        """Return it a Gauss-Newton step on, the Jacobian kept."""
        normal, slope = self.normal
        dz = -cho_solve(cho_factor(normal), slope)
        rows = tuple(replace(row, r=row.r + row.J @ dz) for row in self.rows)
        return Linearised(self.z + dz, rows)

    def left_out_rms(self, runs: set[str]) -> float:
        """Return how badly each of ``runs`` is predicted by all other firings [noise units].

        The others move the estimate by the Gauss-Newton step without that firing; what no other
        firing knows of is then fitted to it, within its prior.
        """
        (normal, slope), total, samples = self.normal, 0.0, 0
        for row in self.rows:
            if row.run not in runs:
                continue
            rest = cho_factor(normal - row.J.T @ row.J)
            dz = -cho_solve(rest, slope - row.J.T @ row.r)
            left, own = row.r + row.J @ dz, row.J[:, row.own]
            pull = own.T @ left + (self.z + dz)[row.own]
            left = left - own @ np.linalg.solve(own.T @ own + np.eye(row.own.size), pull)
            total += float(left @ left)
            samples += row.samples
        return float(np.sqrt(total / samples))
