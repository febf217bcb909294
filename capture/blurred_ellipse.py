"""The picture of a dark ellipse behind a Gaussian blur, exactly, as an integral along its edge.

The blurred picture of an area is the integral of the blur's density over it. That density,
exp(-r^2 / 2 s^2) / (2 pi s^2), is the divergence of (1 - exp(-r^2 / 2 s^2)) / (2 pi r^2) times the
vector r, so by Gauss's theorem the integral over the area becomes one along its edge (own
derivation; a test holds it against pictures drawn fine and blurred). What is integrated is smooth
and periodic, so evenly spaced nodes converge faster than any power of their number.
"""

from __future__ import annotations

import numpy as np

from calib.frames import Array
from capture.blurred_step import Pixels

_SPACING = 1.5
"""Nodes along the edge are at most so many blurs apart: then the picture is true to 1e-4, its
derivatives to 0.3 %."""
_LEAST_NODES = 12


def nodes_for(longer_semi_px: Array, blur_px: Array) -> Array:
    """How many nodes along their edge ellipses (n,) need."""
    return np.maximum(np.ceil(2.0 * np.pi * longer_semi_px / (_SPACING * blur_px)), _LEAST_NODES)


def blurred_ellipse(
    dx: Pixels, dy: Pixels, semi: Array, blur: Array, nodes: int
) -> tuple[Pixels, Pixels]:
    """How dark pixels are, 0 to 1, and what changes that.

    Parameters
    ----------
    dx, dy : (n, K) pixels relative to the centres of the ellipses.
    semi : (n, 2, 2) symmetric, takes the unit circle to the edge.
    blur : (n,) standard deviation, px.
    nodes : along the edge, ``nodes_for`` the ellipse that needs most.

    Returns
    -------
    dark : (n, K).
    derivatives : (n, 6, K) by the centre's x and y, the entries 11, 12 and 22 of ``semi``, blur.
    """
    turn = 2.0 * np.pi * np.arange(nodes) / nodes
    cos, sin = np.cos(turn).astype(np.float32), np.sin(turn).astype(np.float32)
    s11, s12, s22 = (
        e[:, None].astype(np.float32) for e in (semi[:, 0, 0], semi[:, 0, 1], semi[:, 1, 1])
    )
    s = blur[:, None].astype(np.float32)
    area = s11 * s22 - s12 * s12
    # The edge, and how it goes on with the turn.
    ex, ey = s11 * cos + s12 * sin, s12 * cos + s22 * sin
    tx, ty = s12 * cos - s11 * sin, s22 * cos - s12 * sin

    off = dx[:, :, None] - ex[:, None]
    r2 = off * off
    off = dy[:, :, None] - ey[:, None]
    r2 += off * off
    near = np.exp(r2 * (-0.5 / (s * s))[:, :, None])
    # Along the edge r times its normal is area - dx ty + dy tx, in units of the turn.
    flux = np.matmul(
        (1.0 - near) / np.maximum(r2, np.float32(1e-6)), _columns(np.ones_like(tx), tx, ty)
    )
    dark = area * flux[..., 0] - dx * flux[..., 2] + dy * flux[..., 1]
    # An edge that moves by m takes in m times its normal; each unknown moves it in its own way.
    density = (
        np.matmul(
            near, _columns(np.ones_like(tx), ty, -tx, cos * ty, sin * ty - cos * tx, -sin * tx)
        )
        / (s * s)[:, :, None]
    )
    derivatives = np.empty((len(dx), 6, dx.shape[1]), dtype=np.float32)
    derivatives[:, :5] = density[..., 1:].transpose(0, 2, 1)
    derivatives[:, 5] = (dx * density[..., 1] + dy * density[..., 2] - area * density[..., 0]) / s
    return dark, derivatives


def _columns(*weights: Pixels) -> Pixels:
    """Weights (n, nodes) each, side by side, for a mean over the nodes."""
    return np.stack(weights, axis=2) / np.float32(weights[0].shape[1])
