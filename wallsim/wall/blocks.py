"""Many right-hand sides at once: block cyclic reduction over the node columns of a tube's mesh.

In a mesh of nodes in straight columns across the wall a mid column of a cell touches only the two
columns that bound the cell. Eliminating every second column leaves a block tridiagonal system,
eliminating every second block of that leaves another (Hockney 1965, J. ACM 12, 95; for symmetric
positive definite blocks stable without pivoting), until a few blocks are left. All blocks of a
level go through one batched product, so many right-hand sides cost little more than one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

Array = NDArray[np.float64]

LAST_BLOCKS, LAST_NODES = 3, 64


@dataclass(frozen=True, slots=True, eq=False)
class NodeColumns:
    """A symmetric matrix by node columns: ``N`` of ``n`` nodes, N odd.

    Parameters
    ----------
    diagonal : Array, shape (N, n, n)
    left, right : Array, shape ((N - 1)/2, n, n)
        Of every second column to the ones before and after it.
    across : Array, shape ((N - 1)/2, n, n)
        Of every other column to the next but one.
    """

    diagonal: Array
    left: Array
    right: Array
    across: Array

    @classmethod
    def of(cls, matrix: sp.csr_matrix, z: Array) -> NodeColumns | None:
        """Return ``matrix`` by columns of equal ``z`` (n_nodes,), or None if it has none such."""
        starts = np.flatnonzero(np.diff(z, prepend=-np.inf) > 1e-9 * np.ptp(z))
        N = starts.size
        n = z.size // N
        if N % 2 == 0 or N < 2 * LAST_BLOCKS or not np.array_equal(starts, n * np.arange(N)):
            return None
        if z.size != n * N:
            return None
        entries = matrix.tocoo()
        row, col = entries.row // n, entries.col // n
        reach = np.where((row % 2 == 0) & (col % 2 == 0), 2, 1)
        if np.any(np.abs(row - col) > reach):
            return None
        blocks = np.zeros((5, N, n, n))
        blocks[col - row + 2, row, entries.row % n, entries.col % n] = entries.data
        return cls(blocks[2], blocks[1, 1::2], blocks[3, 1::2], blocks[4, 0:-1:2])

    def factor(self, diagonal: Array) -> BlockFactor:
        """Return the factor of ``diag(diagonal) + matrix``, which must be definite."""
        N, n, _ = self.diagonal.shape
        D = self.diagonal.copy()
        D.reshape(N, n * n)[:, :: n + 1] += diagonal.reshape(N, n)
        left, right, across = self.left, self.right, self.across
        levels: list[_Level] = []
        while not levels or len(D) > max(LAST_BLOCKS, LAST_NODES // n):
            level, D, coupling = _eliminate(D, left, right, across)
            levels.append(level)
            if len(D) % 2 == 0:
                D = np.concatenate((D, np.eye(n)[None]))
                coupling = np.concatenate((coupling, np.zeros((1, n, n))))
            left, right = coupling[0::2].transpose(0, 2, 1), coupling[1::2]
            across = np.zeros(())
        return BlockFactor(N, n, tuple(levels), _inverse(_dense(D, left, right)))


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """Elimination of every second block: its inverse, and that times its couplings."""

    inverse: Array
    left: Array
    right: Array


def _eliminate(
    D: Array, left: Array, right: Array, across: Array
) -> tuple[_Level, Array, Array]:
    """Return the level, and diagonal and couplings to the next of the blocks that stay."""
    inverse = _inverse(D[1::2])
    level = _Level(inverse, inverse @ left, inverse @ right)
    left_t = left.transpose(0, 2, 1)
    kept = D[0::2].copy()
    kept[:-1] -= left_t @ level.left
    kept[1:] -= right.transpose(0, 2, 1) @ level.right
    return level, kept, across - left_t @ level.right


def _inverse(matrices: Array) -> Array:
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def _dense(D: Array, left: Array, right: Array) -> Array:
    """Return the matrix of the blocks that are left."""
    N, n, _ = D.shape
    out = np.zeros((N, n, N, n))
    for i in range(N):
        out[i, :, i] = D[i]
    for j in range(len(left)):
        i = 2 * j + 1
        out[i, :, i - 1], out[i, :, i + 1] = left[j], right[j]
        out[i - 1, :, i], out[i + 1, :, i] = left[j].T, right[j].T
    return out.reshape(N * n, N * n)


@dataclass(frozen=True, slots=True, eq=False)
class BlockFactor:
    """Factor of a matrix by node columns.

    Parameters
    ----------
    N, n : int
        Columns, nodes in each.
    levels : tuple
    core : Array
        Inverse of what the last level leaves.
    """

    N: int
    n: int
    levels: tuple[_Level, ...]
    core: Array

    def solve(self, rhs: Array) -> Array:
        """Return the solution for ``rhs``, shape (N n, m) in C order."""
        m = rhs.shape[1]
        b = rhs.reshape(self.N, self.n, m)
        eliminated = []
        for level in self.levels:
            out = b[1::2]
            kept = b[0::2].copy()
            kept[:-1] -= level.left.transpose(0, 2, 1) @ out
            kept[1:] -= level.right.transpose(0, 2, 1) @ out
            eliminated.append((out, len(kept)))
            if len(kept) % 2 == 0:
                kept = np.concatenate((kept, np.zeros((1, self.n, m))))
            b = kept
        x = (self.core @ b.reshape(-1, m)).reshape(b.shape)
        for level, (out, size) in zip(self.levels[::-1], eliminated[::-1], strict=True):
            full = np.empty((2 * size - 1, self.n, m))
            full[0::2] = kept = x[:size]
            solved = np.matmul(level.inverse, out, out=full[1::2])
            solved -= level.left @ kept[:-1]
            solved -= level.right @ kept[1:]
            x = full
        return x.reshape(-1, m)
