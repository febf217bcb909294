"""The blurred ellipse against pictures drawn fine and blurred, and against differences."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.frames import Array
from capture.blurred_ellipse import blurred_ellipse, nodes_for
from tests.dot_images import semi_axes

FINE = 31
SIZE = 25
CENTRE = np.array([12.2, 11.7])


def blurred(centre: Array, semi: Array, blur_px: float) -> tuple[Array, Array]:
    y, x = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    nodes = nodes_for(np.linalg.eigvalsh(semi)[-1:], np.array([blur_px]))
    dark, by = blurred_ellipse(
        (x.ravel() - np.float32(centre[0]))[None],
        (y.ravel() - np.float32(centre[1]))[None],
        semi[None],
        np.array([blur_px]),
        int(nodes[0]),
    )
    return dark[0], by[0]


@pytest.mark.parametrize(
    ("diameter_px", "tilt_deg", "blur_px"),
    [(5, 0, 0.6), (5, 60, 0.6), (8, 75, 0.6), (8, 75, 1.5), (16, 80, 0.6)],
)
def test_it_is_the_picture_drawn_fine_and_blurred(
    diameter_px: float, tilt_deg: float, blur_px: float
) -> None:
    """Sampled at pixel centres: a pixel's own width is part of the blur here."""
    semi = semi_axes(diameter_px, np.radians(tilt_deg), 0.4)
    grid = (np.arange(SIZE * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(grid - CENTRE[0], grid - CENTRE[1])
    u, v = np.tensordot(np.linalg.inv(semi), np.stack([x, y]), axes=1)
    drawn = gaussian_filter((u * u + v * v < 1.0).astype(float), blur_px * FINE, truncate=6)
    expected = drawn[FINE // 2 :: FINE, FINE // 2 :: FINE]
    dark, _ = blurred(CENTRE, semi, blur_px)
    assert 0.2 < expected.max() < 1.01
    # Edges drawn in steps of a thirty-first of a pixel.
    assert np.abs(dark - expected.ravel()).max() < 2.5e-3


def test_derivatives_are_those_of_the_picture() -> None:
    """Central differences."""
    semi = semi_axes(8, np.radians(70), 0.4)
    unknowns = np.array([*CENTRE, semi[0, 0], semi[0, 1], semi[1, 1], 0.7])

    def dark(q: Array) -> Array:
        return blurred(q[:2], q[[2, 3, 3, 4]].reshape(2, 2), q[5])[0]

    _, by = blurred(CENTRE, semi, 0.7)
    step = 1e-2
    for i in range(6):
        off = step * np.eye(6)[i]
        difference = (dark(unknowns + off) - dark(unknowns - off)) / (2 * step)
        assert np.abs(difference).max() > 0.1
        assert np.abs(by[i] - difference).max() < 3e-3
