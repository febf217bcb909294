"""Bars to scale: true millimetres at 20 degrees C, with their variance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.frames import Array, Pose
from pipeline.solution import Solution
from targets.bar import REFERENCE_TEMPERATURE_C, Bar

_U_TEMPERATURE_K = 1.0
"""Standard uncertainty of the temperature that the user states (assumed)."""
_ALPHA_SHARE = 0.1
"""Relative standard uncertainty of a coefficient of expansion (assumed: handbook values give none,
NIST Engineering Metrology Toolbox, Temperature Tutorial)."""
_PAPER_SHARE = 0.005
"""Relative standard uncertainty of a printer's scale where no bar was seen (assumed)."""
_OPEN_SHARE = 0.1
"""Scale before the bars speak: so loose that it adds nothing to what they say."""


@dataclass(frozen=True)
class BarReading:
    """A bar after scaling: its length by certificate and by photos, mm at 20 degrees C.

    Attributes
    ----------
    bar : the bar.
    measured_mm : its length as the photos give it when the *other* bars give the scale; nan for a
        single bar, which nothing checks.
    U_mm : expanded uncertainty (k = 2) of the difference from its certificate, nan likewise.
    """

    bar: Bar
    measured_mm: float
    U_mm: float


def apply_bars(
    solution: Solution, bars: Sequence[Bar], temperature_c: float, body_alpha_per_k: float
) -> tuple[Solution, tuple[BarReading, ...]]:
    """Scale a solution by the bars whose two cards were measured.

    The bars are observations of the network with an open scale: x' = x + K (L - d(x)),
    K = P H^T (H P H^T + R)^-1, P' = P - K H P (sequential least squares; Mikhail, Observations and
    Least Squares, 1976, from memory). One bar gives the scale alone; further bars also mend the
    shape, each by its weight.

    Lengths are those at the temperature of the shooting divided by the body's own expansion, so
    the result holds for a body at 20 degrees C.

    Returns
    -------
    solution : in true millimetres; without any measured bar those of the printed cards, with the
        printer's uncertainty.
    readings : one per measured bar.
    """
    index = {card: i for i, card in enumerate(solution.cards)}
    seen = [b for b in bars if b.cards[0] in index and b.cards[1] in index]
    points = solution.dots_mm.reshape(-1)
    if not seen:
        scaled = solution.covariance_mm2 + _PAPER_SHARE**2 * _scale_variance(points)
        return replace(solution, covariance_mm2=scaled), ()

    body = 1.0 + body_alpha_per_k * (temperature_c - REFERENCE_TEMPERATURE_C)
    lengths = np.array([b.length_at_mm(temperature_c) for b in seen]) / body
    noise = _length_covariance(seen, temperature_c, body_alpha_per_k)
    pairs = [(index[b.cards[0]], index[b.cards[1]]) for b in seen]

    readings = []
    for i, bar in enumerate(seen):
        others = [k for k in range(len(seen)) if k != i]
        if not others:
            readings.append(BarReading(bar, float("nan"), float("nan")))
            continue
        x, p, _ = _updated(
            points,
            solution.covariance_mm2,
            [pairs[k] for k in others],
            lengths[others],
            noise[np.ix_(others, others)],
        )
        d, h = _distance(x, *pairs[i])
        u = np.sqrt(h @ p @ h + noise[i, i])
        # Told as the bar's own length at 20 degrees C, which is what its certificate says.
        at_20 = bar.length_mm / lengths[i]
        readings.append(BarReading(bar, float(d * at_20), float(2.0 * u * at_20)))

    x, p, scale = _updated(points, solution.covariance_mm2, pairs, lengths, noise)
    moved = tuple(
        Pose(pose.rotation, pose.translation * scale) for pose in solution.camera_from_network
    )
    return (
        replace(
            solution,
            dots_mm=x.reshape(solution.dots_mm.shape),
            covariance_mm2=p,
            camera_from_network=moved,
        ),
        tuple(readings),
    )


def _updated(
    points: Array,
    covariance: Array,
    pairs: Sequence[tuple[int, int]],
    lengths_mm: Array,
    noise: Array,
) -> tuple[Array, Array, float]:
    """Points (12 C,) and covariance after the bars have spoken, and the scale applied."""
    weights = 1.0 / np.diag(noise)
    now = np.array([_distance(points, a, b)[0] for a, b in pairs])
    scale = float((weights * lengths_mm * now).sum() / (weights * now**2).sum())
    x = points * scale
    p = covariance * scale**2 + _OPEN_SHARE**2 * _scale_variance(x)
    rows = [_distance(x, a, b) for a, b in pairs]
    h = np.array([row for _, row in rows])
    innovation = lengths_mm - np.array([d for d, _ in rows])
    ph = p @ h.T
    gain = np.linalg.solve(h @ ph + noise, ph.T).T
    # Joseph's form keeps the covariance symmetric and positive.
    kept = np.eye(len(x)) - gain @ h
    updated = kept @ p @ kept.T + gain @ noise @ gain.T
    return x + gain @ innovation, 0.5 * (updated + updated.T), scale


def _distance(points: Array, a: int, b: int) -> tuple[float, Array]:
    """Distance of two card centres (means of four dots) and its derivative by all points."""
    dots = points.reshape(-1, 4, 3)
    apart = dots[b].mean(axis=0) - dots[a].mean(axis=0)
    distance = float(np.linalg.norm(apart))
    row = np.zeros(dots.shape)
    row[b] = apart / distance / 4.0
    row[a] = -apart / distance / 4.0
    return distance, row.reshape(-1)


def _scale_variance(points: Array) -> Array:
    """Covariance of points for a relative scale variance of 1, about their centroid."""
    off = points.reshape(-1, 3)
    off = (off - off.mean(axis=0)).reshape(-1)
    return np.outer(off, off)


def _length_covariance(bars: Sequence[Bar], temperature_c: float, body_alpha_per_k: float) -> Array:
    """Covariance of the bars' lengths referred to the body, mm^2.

    Certificate and own expansion are each bar's own; the temperature is common to all.
    """
    off_k = temperature_c - REFERENCE_TEMPERATURE_C
    own = np.array(
        [np.hypot(b.U_mm / 2.0, b.length_mm * b.alpha_per_k * _ALPHA_SHARE * off_k) for b in bars]
    )
    common = np.array([b.length_mm * (b.alpha_per_k - body_alpha_per_k) for b in bars])
    body = np.array([b.length_mm * body_alpha_per_k * _ALPHA_SHARE * off_k for b in bars])
    # A bar stated without uncertainty is still not exact: a hundredth of a millimetre.
    return (
        np.diag(np.maximum(own, 0.01) ** 2)
        + np.outer(common, common) * _U_TEMPERATURE_K**2
        + np.outer(body, body)
    )
