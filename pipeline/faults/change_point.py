"""Where in a series of observations something changed: the run that wants another value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array

_ALL_RUNS = 60
"""Longer series are searched for one change only, not for one that was undone later."""


@dataclass(frozen=True)
class Change:
    """A set of observations that wants another value than the others.

    Attributes
    ----------
    inside : (M,) which observations belong to it.
    gain : by which two values fit better than one, in weighted squares; chi-square of d degrees
        of freedom where nothing changed and the set was given beforehand.
    difference, covariance : (d,) and (d, d) of its value minus that of the others.
    """

    inside: NDArray[np.bool_]
    gain: float
    difference: Array
    covariance: Array


def best_run(normals: Array, gradients: Array) -> Change | None:
    """The run that gains most from a value of its own; None for fewer than two observations.

    Parameters
    ----------
    normals, gradients : (M, d, d) and (M, d), additive: a set of observations has the value
        N^-1 g with N, g their sums and leaves g^T N^-1 g less in weighted squares.
    """
    count = len(normals)
    if count < 2:
        return None
    runs = [(0, j) for j in range(1, count)]
    if count <= _ALL_RUNS:
        runs += [(i, j) for i in range(1, count) for j in range(i + 1, count)]
    sum_n = np.concatenate([np.zeros((1, *normals.shape[1:])), np.cumsum(normals, axis=0)])
    sum_g = np.concatenate([np.zeros((1, normals.shape[2])), np.cumsum(gradients, axis=0)])
    i, j = np.array(runs).T
    n, g = sum_n[j] - sum_n[i], sum_g[j] - sum_g[i]
    whole = _explained(sum_n[-1:], sum_g[-1:])[0]
    gain = _explained(n, g) + _explained(sum_n[-1] - n, sum_g[-1] - g) - whole
    best = int(gain.argmax())
    inside = np.zeros(count, dtype=bool)
    inside[i[best] : j[best]] = True
    return change_of(normals, gradients, inside)


def change_of(normals: Array, gradients: Array, inside: NDArray[np.bool_]) -> Change:
    """What a given set gains from a value of its own."""
    n_in, g_in = normals[inside].sum(axis=0), gradients[inside].sum(axis=0)
    n_out, g_out = normals[~inside].sum(axis=0), gradients[~inside].sum(axis=0)
    inverse_in, inverse_out = np.linalg.pinv(n_in, 1e-12, True), np.linalg.pinv(n_out, 1e-12, True)
    explained = _explained(
        np.array([n_in, n_out, n_in + n_out]), np.array([g_in, g_out, g_in + g_out])
    )
    return Change(
        inside,
        float(explained[0] + explained[1] - explained[2]),
        inverse_in @ g_in - inverse_out @ g_out,
        inverse_in + inverse_out,
    )


def _explained(normals: Array, gradients: Array) -> Array:
    """g^T N^-1 g of each, (K,); directions that nothing determines explain nothing."""
    values, vectors = np.linalg.eigh(normals)
    along = np.einsum("kij,ki->kj", vectors, gradients)
    known = values > 1e-10 * np.maximum(values[:, -1:], 1e-300)
    return np.asarray(np.where(known, along**2 / np.where(known, values, 1.0), 0.0).sum(axis=1))
