"""Shifts from night to night: likelihoods from one small matrix per night, however many runs it has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from focuskit.drift.linear import Array

Groups = NDArray[np.intp]


@dataclass(frozen=True)
class NightSums:
    """Weighted sums of products of (1, columns, y) over the sound runs of each night.

    Attributes
    ----------
    products : (b, p + 2, p + 2) array
    group : (b,) integers
        Stretch each night belongs to.
    log_variance : float
        Sum of the logs of the runs' variances.
    """

    products: Array
    group: Groups
    log_variance: float

    def deviance(self, shift_variance: float, group: Groups | None = None, restricted: bool = False) -> float:
        """Return -2 log of the likelihood with nights shifted by ``shift_variance``, up to a constant.

        Parameters
        ----------
        group : (b,) integers, optional
            Other stretches than the nights were summed for.
        restricted : bool
            The restricted likelihood (Patterson & Thompson 1971) in place of the full one.
        """
        group = self.group if group is None else group
        weight = self.products[:, 0, 0]
        sums = self.products
        if shift_variance > 0.0:
            share = shift_variance / (1.0 + shift_variance * weight)
            first = sums[:, 0, :]
            sums = sums - share[:, None, None] * first[:, :, None] * first[:, None, :]
        edges = np.flatnonzero(np.r_[True, np.diff(group) != 0])
        stretch = np.add.reduceat(sums, edges, axis=0)
        own = np.maximum(stretch[:, 0, 0], 1e-300)
        first = stretch[:, 0, :]
        left = (stretch - first[:, :, None] * first[:, None, :] / own[:, None, None]).sum(axis=0)[1:, 1:]
        scale = np.sqrt(np.maximum(np.diag(left)[:-1], 1e-300))
        matrix = left[:-1, :-1] / scale[:, None] / scale
        values, vectors = np.linalg.eigh(matrix)
        known = values > 1e-9 * max(float(values.max(initial=0.0)), 1e-300)
        pull = vectors[:, known].T @ (left[:-1, -1] / scale)
        total = left[-1, -1] - float(np.sum(pull**2 / values[known]))
        total += self.log_variance + float(np.sum(np.log1p(shift_variance * weight)))
        if restricted:
            total += float(np.sum(np.log(own)) + np.sum(np.log(values[known])) + 2.0 * np.sum(np.log(scale)))
        return total

    def best_shift(self, group: Groups | None = None, restricted: bool = False) -> tuple[float, float]:
        """Return the variance of the shifts that is most likely, and its deviance."""
        typical = 1.0 / float(np.median(self.products[:, 0, 0]))
        at_zero = self.deviance(0.0, group, restricted)
        if self.deviance(0.01 * typical, group, restricted) >= at_zero:
            return 0.0, at_zero
        found = optimize.minimize_scalar(
            lambda log: self.deviance(typical * math.exp(log), group, restricted),
            bounds=(-5.0, 12.0),
            method="bounded",
            options={"xatol": 0.004},
        )
        return typical * math.exp(float(found.x)), float(found.fun)


def sum_nights(
    columns: Array, y: Array, variance: Array, sound: NDArray[np.bool_], night: Groups, group: Groups
) -> NightSums:
    """Sum the sound runs of each night; a night is cut where a stretch ends within it."""
    rows = np.column_stack([np.ones(len(y)), columns - columns.mean(axis=0), y - np.median(y)])[sound]
    block = np.cumsum(np.r_[0, (np.diff(night[sound]) != 0) | (np.diff(group[sound]) != 0)])
    edges = np.flatnonzero(np.r_[True, np.diff(block) != 0])
    weight = 1.0 / variance[sound]
    size = rows.shape[1]
    products = np.empty((len(edges), size, size))
    for j in range(size):
        weighted = weight * rows[:, j]
        for k in range(j, size):
            products[:, j, k] = products[:, k, j] = np.add.reduceat(weighted * rows[:, k], edges)
    return NightSums(products, group[sound][edges], float(np.sum(np.log(variance[sound]))))
