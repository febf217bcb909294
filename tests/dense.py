"""The same adjustment written the long way: every unknown explicit, no elimination, no sparsity.

Photos, drifts, shifts, constants, points, print scales and the pose of every card are unknowns of
one dense problem for SciPy; derivatives are numeric. Only the containers are shared with the code
under test: rotations are SciPy's, the projection and the layout are written out again.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import OptimizeResult, least_squares
from scipy.spatial.transform import Rotation

from calib.frames import Array
from pipeline.adjustment.bundle import Network, Observations, Priors
from pipeline.adjustment.normals import SCALE_HOLD

_CONSTANT_UNITS = np.array([100.0] * 4 + [0.1, 0.1, 1e-3, 1e-3, 0.1])
_ROTATION_UNIT = 1e-3
_DRIFT_UNITS = np.repeat([1e-4, 0.1], 3)


@dataclass(frozen=True)
class Dense:
    """One camera group; unknowns x are steps from ``start`` in convenient units."""

    start: Network
    observations: Observations
    priors: Priors

    @cached_property
    def parts(self) -> dict[str, slice]:
        """Where each kind of unknown stands in x."""
        photos, points = len(self.start.rotation), len(self.start.points)
        layout = self.priors.layout
        sizes = {
            "photos": 6 * photos,
            "drift": 6 * photos if self.priors.drift_sd.any() else 0,
            "shift": 2 * photos if self.priors.shift_sd_px else 0,
            "constants": 9,
            "points": 3 * points,
            "print_scale": 2 if layout else 0,
            "cards": 6 * len(layout.nominal_mm) if layout else 0,
        }
        ends = np.cumsum(list(sizes.values()))
        return {
            name: slice(int(end) - size, int(end))
            for (name, size), end in zip(sizes.items(), ends, strict=True)
        }

    @property
    def defect(self) -> int:
        """Unknowns that nothing fixes: with a layout the print scale holds the scale."""
        return 6 if self.priors.layout else 7

    def network(self, x: Array) -> Network:
        """The network at x."""
        start, parts = self.start, self.parts
        photos = x[parts["photos"]].reshape(-1, 6)
        drift = start.drift
        if self.priors.drift_sd.any():
            drift = drift + x[parts["drift"]].reshape(-1, 6) * _DRIFT_UNITS
        scale = x[parts["print_scale"]] if self.priors.layout else 0.0
        return Network(
            Rotation.from_rotvec(_ROTATION_UNIT * photos[:, :3]).as_matrix() @ start.rotation,
            start.translation + photos[:, 3:],
            drift,
            start.constants + x[parts["constants"]] * _CONSTANT_UNITS,
            start.group,
            start.points + x[parts["points"]].reshape(-1, 3),
            start.print_scale + scale,
            start.shift_px + x[parts["shift"]].reshape(-1, 2) if self.priors.shift_sd_px else None,
        )

    def residuals(self, x: Array) -> Array:
        """All whitened residuals: dots, constants, drifts, layout, convention of the scale."""
        network, seen, priors = self.network(x), self.observations, self.priors
        parts = [np.einsum("nij,nj->ni", seen.whitening, seen.px - _predict(network, seen)).ravel()]
        if priors.information.any():
            off = (network.constants - priors.constants)[0]
            parts.append(np.linalg.cholesky(priors.information[0]).T @ off)
        if priors.drift_sd.any():
            parts.append((network.drift / priors.drift_sd).ravel())
        if priors.shift_sd_px:
            parts.append((network.shift_px / priors.shift_sd_px).ravel())
        if priors.layout:
            scaled = priors.layout.nominal_mm * [*network.print_scale, 1.0]
            dots = network.points.reshape(scaled.shape)
            in_card = self._into_cards(x[self.parts["cards"]].reshape(-1, 6), dots)
            parts.append(((in_card - scaled) / priors.layout.sd_mm[:, None]).ravel())
            parts.append(np.sqrt(SCALE_HOLD) * np.array([network.print_scale.mean() - 1.0]))
        return np.concatenate(parts)

    def jacobian(self, x: Array) -> Array:
        """Derivative of the residuals, central differences of fourth order."""
        step = 1e-2
        columns = []
        for k in range(len(x)):
            d = np.zeros(len(x))
            d[k] = step
            near = self.residuals(x + d) - self.residuals(x - d)
            far = self.residuals(x + 2 * d) - self.residuals(x - 2 * d)
            columns.append((8 * near - far) / (12 * step))
        return np.array(columns).T

    def solve(self) -> OptimizeResult:
        """SciPy's trust region to the optimum."""
        return least_squares(
            self.residuals,
            np.zeros(self.parts["cards"].stop),
            self.jacobian,
            x_scale="jac",
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )

    def cofactors(self, x: Array) -> Array:
        """Pseudo-inverse of the normal matrix in the units of x, by singular values."""
        jacobian = self.jacobian(x)
        length = np.linalg.norm(jacobian, axis=0)
        length[length == 0.0] = 1.0
        _, values, right = np.linalg.svd(jacobian / length, full_matrices=False)
        kept = len(values) - self.defect - int(self.priors.fixed.sum())
        half = (right[:kept].T / values[:kept]) / length[:, None]
        return np.asarray(half @ half.T)

    def cofactors_of(self, x: Array) -> dict[str, Array]:
        """Cofactors of the constants, points and print scales in their own units."""
        whole = self.cofactors(x)
        blocks = {k: whole[self.parts[k], self.parts[k]] for k in ("points", "print_scale")}
        constants = whole[self.parts["constants"], self.parts["constants"]]
        return {**blocks, "constants": constants * np.outer(_CONSTANT_UNITS, _CONSTANT_UNITS)}

    @cached_property
    def _card_axes(self) -> Array:
        """Cards' axes (as columns) at the start, from the sides of their dots."""
        assert self.priors.layout
        dots = self.start.points.reshape(self.priors.layout.nominal_mm.shape)
        x = dots[:, 1] + dots[:, 2] - dots[:, 0] - dots[:, 3]
        z = np.cross(x, dots[:, 2] + dots[:, 3] - dots[:, 0] - dots[:, 1])
        columns = [x, np.cross(z, x), z]
        return np.stack([c / np.linalg.norm(c, axis=1, keepdims=True) for c in columns], axis=2)

    def _into_cards(self, cards: Array, dots: Array) -> Array:
        """Dots (B, m, 3) in the frames of the cards at (B, 6)."""
        centre = self.start.points.reshape(dots.shape).mean(axis=1) + cards[:, 3:]
        turn = Rotation.from_rotvec(_ROTATION_UNIT * cards[:, :3]).as_matrix() @ self._card_axes
        return np.asarray((dots - centre[:, None]) @ turn)


def _predict(network: Network, seen: Observations) -> Array:
    """Brown-Conrady projection of the observed points at their rows, (N, 2) px."""
    at_rest = np.einsum("nij,nj->ni", network.rotation[seen.photo], network.points[seen.point])
    at_rest += network.translation[seen.photo]
    drift = seen.tau[:, None] * network.drift[seen.photo]
    place = Rotation.from_rotvec(drift[:, :3]).apply(at_rest) + drift[:, 3:]
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = network.constants[0]
    x, y = place[:, 0] / place[:, 2], place[:, 1] / place[:, 2]
    r2 = x**2 + y**2
    radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
    u = fx * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x**2)) + cx
    v = fy * (y * radial + p1 * (r2 + 2 * y**2) + 2 * p2 * x * y) + cy
    return np.column_stack([u, v]) + network.shift_px[seen.photo]
