"""Bars to scale: true millimetres at 20 degrees C, with their variance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from calib.frames import Array, Pose
from pipeline.adjustment.solution import Solution
from targets.bar import REFERENCE_TEMPERATURE_C, Bar

_U_TEMPERATURE_K = 1.0
"""Standard uncertainty of the temperature that the user states (assumed)."""
_ALPHA_SHARE = 0.1
"""Relative standard uncertainty of a coefficient of expansion (assumed: handbook values give none,
NIST Engineering Metrology Toolbox, Temperature Tutorial)."""
_PAPER_SHARE = 0.005
"""Relative standard uncertainty of a printer's scale where no bar was seen (assumed)."""
_LEAST_U_BAR_MM = 0.01
"""Standard uncertainty of a bar that is stated with less: nothing is exact."""
_CONTRADICTION = 0.0027
"""Bars that chance lets differ so much less often than this contradict each other: three standard
deviations, beyond which ``bars-disagree`` is told."""
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


@dataclass(frozen=True)
class Scaled:
    """A solution in true millimetres, and the linear map that made it.

    Attributes
    ----------
    solution : in true millimetres; without any measured bar those of the printed cards, with the
        printer's uncertainty.
    readings : one per measured bar.
    by_dots : (12 C, 12 C) derivative of its dots by those of the network.
    roots_mm : what the scale adds, by source: (12 C, k) matrices r, each of which adds r r^T to the
        covariance. "bar" holds the certificates, "temperature" all expansion, "print" the
        printer's scale where no bar was seen.
    """

    solution: Solution
    readings: tuple[BarReading, ...]
    by_dots: Array
    roots_mm: Mapping[str, Array]


def scale_network(
    solution: Solution, bars: Sequence[Bar], temperature_c: float, body_alpha_per_k: float
) -> Scaled:
    """Scale a solution by the bars whose two cards were measured.

    The bars are observations of the network with an open scale: x' = x + K (L - d(x)),
    K = P H^T (H P H^T + R)^-1, P' = P - K H P (sequential least squares; Mikhail, Observations and
    Least Squares, 1976, from memory). One bar gives the scale alone; further bars also mend the
    shape, each by its weight.

    Lengths are those at the temperature of the shooting divided by the body's own expansion, so
    the result holds for a body at 20 degrees C.

    Bars that contradict each other are taken to be less sure, each by the same s (``_excess_mm``).
    By hand: two bars of 1000 mm that differ by d = 1 mm have s^2 = d^2 / 2, their mean has
    s^2 / 2 = (d / 2)^2, so U is d: either of them may be right.
    """
    index = {card: i for i, card in enumerate(solution.cards)}
    seen = [b for b in bars if b.cards[0] in index and b.cards[1] in index]
    points = solution.dots_mm.reshape(-1)
    if not seen:
        root = _PAPER_SHARE * _by_scale(points)
        return Scaled(
            replace(solution, covariance_mm2=solution.covariance_mm2 + root @ root.T),
            (),
            np.eye(len(points)),
            {"print": root},
        )

    body = 1.0 + body_alpha_per_k * (temperature_c - REFERENCE_TEMPERATURE_C)
    lengths = np.array([b.length_at_mm(temperature_c) for b in seen]) / body
    roots = _length_roots(seen, temperature_c, body_alpha_per_k)
    noise = sum((root @ root.T for root in roots.values()), np.zeros((len(seen), len(seen))))
    pairs = [(index[b.cards[0]], index[b.cards[1]]) for b in seen]

    readings = []
    for i, bar in enumerate(seen):
        others = [k for k in range(len(seen)) if k != i]
        if not others:
            readings.append(BarReading(bar, float("nan"), float("nan")))
            continue
        update = _updated(
            points,
            solution.covariance_mm2,
            [pairs[k] for k in others],
            lengths[others],
            noise[np.ix_(others, others)],
        )
        d, h = _distance(update.points, *pairs[i])
        u = np.sqrt(h @ update.covariance @ h + noise[i, i])
        # Told as the bar's own length at 20 degrees C, which is what its certificate says.
        at_20 = bar.length_mm / lengths[i]
        readings.append(BarReading(bar, float(d * at_20), float(2.0 * u * at_20)))

    excess_mm = _excess_mm(points, solution.covariance_mm2, pairs, lengths, noise)
    if excess_mm > 0.0:
        roots = {**roots, "bar": np.hypot(roots["bar"], excess_mm * np.eye(len(seen)))}
        noise = noise + excess_mm**2 * np.eye(len(seen))
    update = _updated(points, solution.covariance_mm2, pairs, lengths, noise)
    moved = tuple(
        Pose(pose.rotation, pose.translation * update.scale)
        for pose in solution.camera_from_network
    )
    return Scaled(
        replace(
            solution,
            dots_mm=update.points.reshape(solution.dots_mm.shape),
            covariance_mm2=update.covariance,
            camera_from_network=moved,
            drift=solution.drift * np.repeat([1.0, update.scale], 3),
        ),
        tuple(readings),
        update.by_points,
        {
            # What little of the scale the bars leave open is theirs.
            "bar": np.hstack([update.gain @ roots["bar"], update.open_root]),
            "temperature": update.gain @ roots["temperature"],
        },
    )


@dataclass(frozen=True)
class _Update:
    """Points after the bars have spoken.

    Attributes
    ----------
    points : (12 C,) and their covariance (12 C, 12 C).
    scale : the factor applied to all points before the bars mended the shape.
    by_points : (12 C, 12 C) derivative of the points by those before.
    gain : (12 C, bars) derivative of the points by the bars' lengths.
    open_root : (12 C, 1) what the bars leave of the open scale; its square is part of the
        covariance.
    """

    points: Array
    covariance: Array
    scale: float
    by_points: Array
    gain: Array
    open_root: Array


def _updated(
    points: Array,
    covariance: Array,
    pairs: Sequence[tuple[int, int]],
    lengths_mm: Array,
    noise: Array,
) -> _Update:
    scale = _scale_by(points, pairs, lengths_mm, noise)
    x = points * scale
    by_scale = _OPEN_SHARE * _by_scale(x)
    p = covariance * scale**2 + by_scale @ by_scale.T
    rows = [_distance(x, a, b) for a, b in pairs]
    h = np.array([row for _, row in rows])
    innovation = lengths_mm - np.array([d for d, _ in rows])
    ph = p @ h.T
    gain = np.linalg.solve(h @ ph + noise, ph.T).T
    # Joseph's form keeps the covariance symmetric and positive; term by term, so that the loose
    # scale, a million times as large as what is left, does not take digits from the rest.
    kept = np.eye(len(x)) - gain @ h
    by_points, open_root = kept * scale, kept @ by_scale
    updated = by_points @ covariance @ by_points.T + open_root @ open_root.T + gain @ noise @ gain.T
    return _Update(
        x + gain @ innovation,
        0.5 * (updated + updated.T),
        scale,
        by_points,
        gain,
        open_root,
    )


def _excess_mm(
    points: Array,
    covariance: Array,
    pairs: Sequence[tuple[int, int]],
    lengths_mm: Array,
    noise: Array,
) -> float:
    """Standard deviation of each bar beyond what is stated, 0 where they do not contradict.

    What the bars differ by from each other is as large as it makes one expect for this s: its
    weighted square is their number less one, for the scale that they share (R. C. Paule and
    J. Mandel, J. Res. NBS 87:377, 1982, from memory).
    """
    scale = _scale_by(points, pairs, lengths_mm, noise)
    x = points * scale
    rows = [_distance(x, a, b) for a, b in pairs]
    h = np.array([row for _, row in rows])
    off = lengths_mm - np.array([d for d, _ in rows])
    by_scale = _OPEN_SHARE * h @ _by_scale(x)
    spread = scale**2 * h @ covariance @ h.T + by_scale @ by_scale.T + noise
    freedom = len(pairs) - 1

    def squares(excess_mm2: float) -> float:
        return float(off @ np.linalg.solve(spread + excess_mm2 * np.eye(len(off)), off))

    if not freedom or chi2.sf(squares(0.0), freedom) > _CONTRADICTION:
        return 0.0
    most = len(off) * float(off @ off)
    return float(np.sqrt(brentq(lambda s2: squares(s2) - freedom, 0.0, most)))


def _scale_by(
    points: Array, pairs: Sequence[tuple[int, int]], lengths_mm: Array, noise: Array
) -> float:
    """The factor that brings the bars nearest to their lengths, each by its weight."""
    weights = 1.0 / np.diag(noise)
    now = np.array([_distance(points, a, b)[0] for a, b in pairs])
    return float((weights * lengths_mm * now).sum() / (weights * now**2).sum())


def _distance(points: Array, a: int, b: int) -> tuple[float, Array]:
    """Distance of two card centres (means of four dots) and its derivative by all points."""
    dots = points.reshape(-1, 4, 3)
    apart = dots[b].mean(axis=0) - dots[a].mean(axis=0)
    distance = float(np.linalg.norm(apart))
    row = np.zeros(dots.shape)
    row[b] = apart / distance / 4.0
    row[a] = -apart / distance / 4.0
    return distance, row.reshape(-1)


def _by_scale(points: Array) -> Array:
    """Derivative (12 C, 1) of points by their scale about their centroid."""
    off = points.reshape(-1, 3)
    return np.asarray((off - off.mean(axis=0)).reshape(-1, 1))


def _length_roots(
    bars: Sequence[Bar], temperature_c: float, body_alpha_per_k: float
) -> Mapping[str, Array]:
    """What makes the B bars' lengths, referred to the body, unsure, by source: (B, k) roots, mm.

    Certificate and own expansion are each bar's own; the temperature and the body's expansion are
    common to all.
    """
    off_k = temperature_c - REFERENCE_TEMPERATURE_C
    length = np.array([b.length_mm for b in bars])
    alpha = np.array([b.alpha_per_k for b in bars])
    certificate = np.array([max(b.U_mm / 2.0, _LEAST_U_BAR_MM) for b in bars])
    thermal = [
        np.diag(length * alpha * _ALPHA_SHARE * off_k),
        (length * (alpha - body_alpha_per_k) * _U_TEMPERATURE_K)[:, None],
        (length * body_alpha_per_k * _ALPHA_SHARE * off_k)[:, None],
    ]
    return {"bar": np.diag(certificate), "temperature": np.hstack(thermal)}
