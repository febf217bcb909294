"""The unknowns of a bundle of rays, what was measured, and how one follows from the other.

A phone reads its rows one after the other while the hand turns. Each photo may therefore carry a
drift: its pose changes linearly over the rows, exp(tau w) about the camera and tau d along it,
tau running from -1/2 in the first row to +1/2 in the last. A phone that stabilises its image moves
its lens: each photo may also carry a shift of its principal point.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import project, project_with_jacobians
from calib.frames import Array, cross_matrix, rotations
from pipeline.adjustment.layout import Layout


@dataclass(frozen=True)
class Observations:
    """Measured image points, N of them.

    Attributes
    ----------
    photo, point : (N,) indices; a pair occurs once.
    px : (N, 2).
    whitening : (N, 2, 2) W with W^T W the inverse covariance, 1/px.
    tau : (N,) row time, -1/2 to 1/2.
    """

    photo: NDArray[np.intp]
    point: NDArray[np.intp]
    px: Array
    whitening: Array
    tau: Array

    def subset(self, kept: NDArray[np.bool_]) -> Observations:
        """The observations where ``kept`` (N,) is true."""
        return Observations(
            self.photo[kept],
            self.point[kept],
            self.px[kept],
            self.whitening[kept],
            self.tau[kept],
        )


@dataclass(frozen=True)
class Network:
    """The unknowns.

    Attributes
    ----------
    rotation : (F, 3, 3) and translation (F, 3): camera_from_network of each photo.
    drift : (F, 6) rotation (rad) and translation (mm) of the camera over all rows.
    constants : (G, 9) camera constants; group : (F,) which of them a photo uses.
    points : (P, 3); the points of one card follow each other.
    print_scale : (2,) of the cards in x and y, where their layout is used.
    shift : (F, 2) px by which stabilisation moved each photo's principal point; None for nowhere.
    """

    rotation: Array
    translation: Array
    drift: Array
    constants: Array
    group: NDArray[np.intp]
    points: Array
    print_scale: Array = field(default_factory=lambda: np.ones(2))
    shift: Array | None = None

    @property
    def shift_px(self) -> Array:
        """(F, 2) shift of the principal points, zero where there is none."""
        return np.zeros((len(self.rotation), 2)) if self.shift is None else self.shift


@dataclass(frozen=True)
class PhotoColumns:
    """The unknowns of one photo, in order: small rotation, translation, drift, shift.

    Attributes
    ----------
    drifts, shifts : whether there are drifts (6) and shifts of the principal point (2).
    """

    drifts: bool
    shifts: bool

    @property
    def count(self) -> int:
        """Unknowns of one photo."""
        return 6 + 6 * self.drifts + 2 * self.shifts

    @property
    def drift(self) -> slice:
        """Columns of the drift, none of them without drifts."""
        return slice(6, 6 + 6 * self.drifts)

    @property
    def shift(self) -> slice:
        """Columns of the shift, none of them without shifts."""
        return slice(self.count - 2 * self.shifts, self.count)


@dataclass(frozen=True)
class Priors:
    """What is known beforehand, as means and information (inverse covariance) matrices.

    Attributes
    ----------
    constants : (G, 9) and information (G, 9, 9). A constant that is to stay as it is gets an
        entry in ``fixed`` (G, 9).
    drift_sd : (6,) standard deviation of the drift, 0 = no drift.
    shift_sd_px : standard deviation of the principal point's shift, 0 = no shift.
    layout : known layout of the cards, or None where points are just points.
    """

    constants: Array
    information: Array
    fixed: NDArray[np.bool_]
    drift_sd: Array
    layout: Layout | None = None
    shift_sd_px: float = 0.0

    @property
    def columns(self) -> PhotoColumns:
        """Which unknowns a photo has."""
        return PhotoColumns(bool(np.any(self.drift_sd > 0)), self.shift_sd_px > 0)

    @staticmethod
    def none(constants: Array) -> Priors:
        """Free constants, no drift."""
        return Priors(
            constants,
            np.zeros((len(constants), 9, 9)),
            np.zeros((len(constants), 9), dtype=bool),
            np.zeros(6),
        )

    @staticmethod
    def hold(constants: Array) -> Priors:
        """Constants as given, no drift."""
        return replace(Priors.none(constants), fixed=np.ones((len(constants), 9), dtype=bool))


def jacobians(
    network: Network, observations: Observations, priors: Priors
) -> tuple[Array, Array, Array, Array]:
    """Whitened derivatives of the predictions and whitened residuals.

    Returns
    -------
    by_photo : (N, 2, p) by a photo's unknowns, see ``PhotoColumns``.
    by_constants : (N, 2, 9).
    by_point : (N, 2, 3).
    residual : (N, 2).
    """
    photo, tau = observations.photo, observations.tau
    at_rest, turn, in_camera = _in_camera(network, observations)
    constants = network.constants[network.group[photo]]
    predicted, by_camera, by_constants = project_with_jacobians(constants, in_camera)
    white = observations.whitening
    by_camera = white @ by_camera
    off_px = observations.px - predicted - network.shift_px[photo]
    residual = np.einsum("nij,nj->ni", white, off_px)
    columns = priors.columns
    by_photo = np.empty((len(photo), 2, columns.count))
    by_rest = by_camera @ turn
    # A small rotation d about the camera: d x_rest = d x (x_rest - translation).
    by_photo[:, :, :3] = -by_rest @ cross_matrix(at_rest - network.translation[photo])
    by_photo[:, :, 3:6] = by_rest
    by_photo[:, :, columns.shift] = white[:, :, : 2 * columns.shifts]
    if columns.drifts:
        # exp(a + d) = exp(a) exp((I - [a] / 2) d) but for terms of the order of a^2.
        half = 0.5 * cross_matrix(tau[:, None] * network.drift[photo, :3])
        by_turn = by_rest @ cross_matrix(at_rest) @ (half - np.eye(3))
        by_photo[:, :, 6:9] = by_turn * tau[:, None, None]
        by_photo[:, :, 9:12] = by_camera * tau[:, None, None]
    return by_photo, white @ by_constants, by_rest @ network.rotation[photo], residual


def residuals_px(network: Network, observations: Observations) -> Array:
    """Measured minus predicted, (N, 2)."""
    _, _, in_camera = _in_camera(network, observations)
    constants = network.constants[network.group[observations.photo]]
    predicted = project(constants, in_camera)
    return np.asarray(observations.px - predicted - network.shift_px[observations.photo])


def _in_camera(network: Network, observations: Observations) -> tuple[Array, Array, Array]:
    """Points in the camera frame in mid-exposure, the turn since (N, 3, 3), and at their row."""
    photo = observations.photo
    at_rest = np.einsum("nij,nj->ni", network.rotation[photo], network.points[observations.point])
    at_rest = at_rest + network.translation[photo]
    if not network.drift.any():
        return at_rest, np.broadcast_to(np.eye(3), (len(photo), 3, 3)), at_rest
    tau = observations.tau[:, None]
    drift = network.drift[photo]
    turn = rotations(tau * drift[:, :3])
    moved = np.einsum("nij,nj->ni", turn, at_rest) + tau * drift[:, 3:]
    return at_rest, turn, moved
