"""Without a sheet: the vehicle's own centre plane, and left compared with right.

The plane is laid through the pairs of points that most agree about it, so that a corner that was
hit does not bend it. Only what differs between the two sides shows; ``CANNOT`` says what does not.
Bodies scatter: left and right of a sound pair differ by sqrt(2) times the scatter of the build
(assumed, see ``pipeline.datum.base_points``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.frames import Array, Pose, rotations
from pipeline.adjustment.points import Holes, upward
from pipeline.adjustment.solution import Solution
from pipeline.datum.base_points import build_sd_mm
from pipeline.datum.datum import by_frame, scatter_of
from pipeline.datum.deviation import Verdict, verdict_of, worst_verdict
from pipeline.inputs.job import Job

LEAST_PAIRS = 3
CANNOT = (
    "It shows only what differs between left and right. A sag, a kick-up or a loss of length that "
    "both sides share does not show, nor which side of a pair has moved; a vehicle that is built "
    "asymmetrical looks damaged."
)
"""What no comparison of left with right can tell."""
_ODD = 0.01
"""Significance of the test that a pair does not share the plane."""
_AXLE = re.compile(r"axle|wheel|hub", re.IGNORECASE)


@dataclass(frozen=True)
class PairRow:
    """One pair, left against right; (3,) arrays are length, width, height, mm.

    Attributes
    ----------
    point : its name.
    difference_mm : length and height of the left minus those of the right; width: how much
        farther from the centre plane the left lies.
    U_mm : expanded uncertainty (k = 2).
    used : whether the pair carried the centre plane.
    verdict : of the three axes against the tolerance, as for a deviation.
    """

    point: str
    difference_mm: Array
    U_mm: Array
    used: bool
    verdict: Verdict


@dataclass(frozen=True)
class Comparison:
    """Two lengths that are equal on a sound symmetrical vehicle, mm.

    Attributes
    ----------
    what : "diagonals", "wheelbase" or "half track".
    points : names of the points concerned.
    left_mm, right_mm : the diagonal that starts front left, or the figure of the left side; and the
        other one.
    U_mm : expanded uncertainty (k = 2) of the difference.
    verdict : of the difference against the tolerance.
    """

    what: str
    points: tuple[str, ...]
    left_mm: float
    right_mm: float
    U_mm: float
    verdict: Verdict

    @property
    def difference_mm(self) -> float:
        """Left minus right."""
        return self.left_mm - self.right_mm


@dataclass(frozen=True)
class Symmetry:
    """The centre plane of a vehicle, and its sides compared.

    Attributes
    ----------
    vehicle_from_network : y is the distance from the centre plane, left +. Of our own choice are
        the zeros of length and height (middle of the pairs used) and the level (the line that fits
        them best); x points forward.
    names : (N,) "POINT SIDE"; positions_mm, covariance_mm2 : (N, 3), (3 N, 3 N) in that frame.
    pairs : from front to rear.
    scatter_mm : standard deviation of a point about symmetry, as the pairs used show it.
    comparisons : diagonals, and wheelbase and track where points are named axle, wheel or hub.
    agree : whether at least half of the pairs, and three, share the plane that they carry.
    """

    vehicle_from_network: Pose
    names: tuple[str, ...]
    positions_mm: Array
    covariance_mm2: Array
    pairs: tuple[PairRow, ...]
    scatter_mm: float
    comparisons: tuple[Comparison, ...]
    agree: bool


def symmetry_of_job(job: Job, holes: Holes, solution: Solution) -> Symmetry | None:
    """Left against right of a job that has no sheet; None with fewer than three pairs."""
    if not holes.rows:
        return None
    return symmetry_of(
        [f"{row.point} {row.side}" for row in holes.rows],
        holes.positions_mm,
        holes.covariance_mm2,
        upward(holes, solution),
        build_sd_mm(job.tolerance_mm) if job.build_sd_mm is None else job.build_sd_mm,
        job.tolerance_mm,
        [row.note for row in holes.rows],
    )


def symmetry_of(
    names: Sequence[str],
    positions_mm: Array,
    covariance_mm2: Array,
    up: Array,
    build_sd_mm: float,
    tolerance_mm: float,
    notes: Sequence[str] = (),
) -> Symmetry | None:
    """Fit the centre plane and compare the sides; None with fewer than three pairs.

    With y the distance from the plane, a pair leaves x_L - x_R, y_L + y_R and z_L - z_R; their
    weighted squares are least over the three unknowns of a plane. It starts from every two pairs,
    the best being that with the least sum of squares cut off at the 99 % point (M-estimator sample
    consensus, Torr and Zisserman 2000, from memory), and goes on with the pairs below that point
    until they stay the same. If three pairs and half of all do not agree, all carry the plane, and
    their scatter makes every difference unsure; diagonals do not depend on the plane.

    Parameters
    ----------
    names : (N,) "POINT SIDE".
    positions_mm, covariance_mm2 : (N, 3), (3 N, 3 N), network frame.
    up : (3,) roughly upwards in the network.
    build_sd_mm : assumed scatter of sound bodies, per point and axis.
    tolerance_mm : permitted difference of the sides.
    notes : (N,) of cards.csv; with the names they tell axles.

    By hand: four sound pairs 1000 mm wide at x = 2000, 1000, 0 and -1000; the foremost left one is
    then pushed 6 mm inward. The three other pairs carry the plane, so pair A is 6 mm narrower on
    its left. Its diagonals with the rearmost pair D: sqrt(3000^2 + 994^2) = 3160.39 from A left,
    sqrt(3000^2 + 1000^2) = 3162.28 from A right, a difference of -1.89 mm.

    >>> names = [f"{name} {side}" for name in "ABCD" for side in "LR"]
    >>> places = np.array([[x, y, 0.0] for x in (2e3, 1e3, 0.0, -1e3) for y in (500.0, -500.0)])
    >>> places[0, 1] -= 6.0
    >>> found = symmetry_of(names, places, 0.01 * np.eye(24), np.array([0, 0, 1.0]), 0.5, 3.0)
    >>> [(row.point, round(float(row.difference_mm[1]), 1), row.used) for row in found.pairs][:2]
    [('A', -6.0, False), ('B', 0.0, True)]
    >>> {one.points: round(one.difference_mm, 2) for one in found.comparisons}["A", "D"]
    -1.89
    """
    pairs = _pairs(names)
    if len(pairs) < LEAST_PAIRS:
        return None
    start = _start(positions_mm, pairs, up)
    if start is None:
        return None
    limit = float(chi2.isf(_ODD, 3))

    def fit(chosen: Sequence[int], level: Sequence[int], pose: Pose) -> tuple[Pose, Array]:
        own, levelled = [pairs[k] for k in chosen], [pairs[k] for k in level]
        for _ in range(3):
            pose = _step(positions_mm, covariance_mm2, own, levelled, build_sd_mm, pose)
        return pose, _squares(positions_mm, covariance_mm2, pairs, build_sd_mm, pose)

    everyone = range(len(pairs))
    tried = [fit(two, everyone, start) for two in combinations(everyone, 2)]
    pose, squares = min(tried, key=lambda one: float(np.minimum(one[1], limit).sum()))
    used = np.flatnonzero(squares < limit)
    for _ in range(10):
        if not _enough(used, pairs):
            break
        pose, squares = fit(used.tolist(), used.tolist(), pose)
        now = np.flatnonzero(squares < limit)
        if np.array_equal(now, used):
            break
        used = now
    agree = _enough(used, pairs)
    if not agree:
        used = np.array(everyone)
        pose, _ = fit(everyone, everyone, start)
    return _compared(
        names,
        positions_mm,
        covariance_mm2,
        pairs,
        used.tolist(),
        pose,
        build_sd_mm,
        tolerance_mm,
        [bool(_AXLE.search(f"{n} {note}")) for n, note in zip(names, notes or names, strict=True)],
        agree,
    )


def _enough(used: NDArray[np.intp], pairs: Sequence[tuple[int, int]]) -> bool:
    """Whether these pairs can carry the plane against the others."""
    return len(used) >= LEAST_PAIRS and 2 * len(used) >= len(pairs)


def _compared(
    names: Sequence[str],
    positions_mm: Array,
    covariance_mm2: Array,
    pairs: Sequence[tuple[int, int]],
    used: Sequence[int],
    pose: Pose,
    build_sd_mm: float,
    tolerance_mm: float,
    axle: Sequence[bool],
    agree: bool,
) -> Symmetry:
    own = [pairs[k] for k in used]
    places, gain = _gain(positions_mm, covariance_mm2, own, build_sd_mm, pose)
    size = places.size
    turn = np.kron(np.eye(len(places)), pose.rotation)
    measured = turn @ covariance_mm2 @ turn.T
    scatter = _scatter(places, measured, own)
    spread = by_frame(places) @ gain
    moved = np.eye(size) + spread
    # What the scatter of the build does to the plane; gain is nought for all but the pairs used.
    covariance = moved @ measured @ moved.T + scatter**2 * spread @ spread.T
    covariance = 0.5 * (covariance + covariance.T)
    rows = []
    for k, pair in enumerate(pairs):
        by = _difference(len(places), [pair])
        difference = by @ places.ravel()
        U = 2.0 * np.sqrt(np.diag(by @ covariance @ by.T))
        verdicts = [
            verdict_of(float(d), float(u), tolerance_mm) for d, u in zip(difference, U, strict=True)
        ]
        rows.append(PairRow(names[pair[0]][:-2], difference, U, k in used, worst_verdict(verdicts)))
    ahead = sorted(range(len(pairs)), key=lambda k: -float(places[list(pairs[k]), 0].mean()))
    axles = [k for k in ahead if axle[pairs[k][0]]]
    lengths: list[_Length] = []
    for a, b in pairwise(ahead):
        lengths.append(_diagonals(names, places, pairs[a], pairs[b]))
    if len(ahead) > 2:
        lengths.append(_diagonals(names, places, pairs[ahead[0]], pairs[ahead[-1]]))
    if len(axles) >= 2:
        lengths.append(_wheelbase(names, places, pairs[axles[0]], pairs[axles[-1]]))
    lengths += [_half_track(names, places, pairs[k]) for k in axles]
    comparisons = []
    for what, points, left_mm, right_mm, by_places in lengths:
        U_mm = 2.0 * float(np.sqrt(by_places @ covariance @ by_places))
        verdict = verdict_of(left_mm - right_mm, U_mm, tolerance_mm)
        comparisons.append(Comparison(what, points, left_mm, right_mm, U_mm, verdict))
    return Symmetry(
        pose,
        tuple(names),
        places,
        covariance,
        tuple(rows[k] for k in ahead),
        scatter,
        tuple(comparisons),
        agree,
    )


_Length = tuple[str, tuple[str, ...], float, float, Array]
"""What, names, left, right, and derivative (3 N,) of left minus right by the places."""


def _diagonals(
    names: Sequence[str], places: Array, front: tuple[int, int], rear: tuple[int, int]
) -> _Length:
    by = np.zeros(places.shape)
    lengths = []
    for sign, i, j in ((1.0, front[0], rear[1]), (-1.0, front[1], rear[0])):
        along = places[i] - places[j]
        lengths.append(float(np.linalg.norm(along)))
        by[i] += sign * along / lengths[-1]
        by[j] -= sign * along / lengths[-1]
    points = (names[front[0]][:-2], names[rear[0]][:-2])
    return "diagonals", points, lengths[0], lengths[1], by.ravel()


def _wheelbase(
    names: Sequence[str], places: Array, front: tuple[int, int], rear: tuple[int, int]
) -> _Length:
    by = np.zeros(places.shape)
    lengths = []
    for sign, i, j in ((1.0, front[0], rear[0]), (-1.0, front[1], rear[1])):
        # In side view, so that the level, which nobody knows, does not matter.
        along = (places[i] - places[j]) * [1.0, 0.0, 1.0]
        lengths.append(float(np.linalg.norm(along)))
        by[i], by[j] = sign * along / lengths[-1], -sign * along / lengths[-1]
    points = (names[front[0]][:-2], names[rear[0]][:-2])
    return "wheelbase", points, lengths[0], lengths[1], by.ravel()


def _half_track(names: Sequence[str], places: Array, pair: tuple[int, int]) -> _Length:
    by = np.zeros(places.shape)
    by[list(pair), 1] = 1.0
    left, right = float(places[pair[0], 1]), -float(places[pair[1], 1])
    return "half track", (names[pair[0]][:-2],), left, right, by.ravel()


def _pairs(names: Sequence[str]) -> list[tuple[int, int]]:
    """Indices of the left and the right point of each pair."""
    at = {name: i for i, name in enumerate(names)}
    return [
        (i, at[f"{name[:-2]} R"])
        for name, i in at.items()
        if name.endswith(" L") and f"{name[:-2]} R" in at
    ]


def _start(positions_mm: Array, pairs: Sequence[tuple[int, int]], up: Array) -> Pose | None:
    """A frame with y the typical direction from right to left; None if that is upwards."""
    across = np.array([positions_mm[i] - positions_mm[j] for i, j in pairs])
    y = np.median(across / np.linalg.norm(across, axis=1, keepdims=True), axis=0)
    y /= np.linalg.norm(y)
    x = np.cross(y, up)
    if np.linalg.norm(x) < 0.3 * np.linalg.norm(up):
        return None
    x /= np.linalg.norm(x)
    rotation = np.stack([x, y, np.cross(x, y)])
    middle = np.median([0.5 * (positions_mm[i] + positions_mm[j]) for i, j in pairs], axis=0)
    return Pose(rotation, -rotation @ middle)


def _difference(count: int, pairs: Sequence[tuple[int, int]]) -> Array:
    """Derivative (3 K, 3 N) of x_L - x_R, y_L + y_R, z_L - z_R of pairs by the places."""
    by = np.zeros((len(pairs), 3, count, 3))
    for k, (left, right) in enumerate(pairs):
        by[k, :, left] = np.eye(3)
        by[k, :, right] = np.diag([-1.0, 1.0, -1.0])
    return by.reshape(3 * len(pairs), 3 * count)


def _conditions(places: Array, pairs: Sequence[tuple[int, int]]) -> tuple[Array, Array]:
    """Mean of x, mean of z, slope of z over x of the points in pairs: values, derivative (3, 3 N).

    Kept at nought they choose the zeros and the level, which no symmetry tells.
    """
    own = [i for pair in pairs for i in pair]
    x, z = places[own, 0], places[own, 2]
    by = np.zeros((3, *places.shape))
    by[0, own, 0] = by[1, own, 2] = 1.0 / len(own)
    square = float(x @ x) or 1.0
    by[2, own, 0], by[2, own, 2] = z / square, x / square
    return np.array([x.mean(), z.mean(), x @ z / square]), by.reshape(3, -1)


def _gain(
    positions_mm: Array,
    covariance_mm2: Array,
    pairs: Sequence[tuple[int, int]],
    build_sd_mm: float,
    pose: Pose,
) -> tuple[Array, Array]:
    """Places (N, 3) in the frame, and what (6, 3 N) their shifts do to the frame."""
    places = pose.apply(positions_mm)
    spread, by, _ = _spread(places, covariance_mm2, pairs, build_sd_mm, pose)
    weight = np.asarray(np.linalg.inv(spread))
    _, hold = _conditions(places, pairs)
    frame = by_frame(places)
    jacobian = by @ frame
    inverse = np.linalg.inv(_system(jacobian, weight, hold @ frame))
    return places, -inverse[:6, :6] @ jacobian.T @ weight @ by - inverse[:6, 6:] @ hold


def _step(
    positions_mm: Array,
    covariance_mm2: Array,
    pairs: Sequence[tuple[int, int]],
    level: Sequence[tuple[int, int]],
    build_sd_mm: float,
    pose: Pose,
) -> Pose:
    """One step of Gauss and Newton: the plane by ``pairs``, zeros and level by ``level``."""
    places = pose.apply(positions_mm)
    spread, by, residual = _spread(places, covariance_mm2, pairs, build_sd_mm, pose)
    weight = np.asarray(np.linalg.inv(spread))
    value, hold = _conditions(places, level)
    frame = by_frame(places)
    jacobian = by @ frame
    right = -np.concatenate([jacobian.T @ weight @ residual, value])
    step = np.linalg.solve(_system(jacobian, weight, hold @ frame), right)[:6]
    rotation = rotations(step[:3])
    return Pose(rotation @ pose.rotation, rotation @ pose.translation + step[3:])


def _system(jacobian: Array, weight: Array, hold: Array) -> Array:
    """Normal equations with conditions: [J^T W J, H^T; H, 0]."""
    return np.block([[jacobian.T @ weight @ jacobian, hold.T], [hold, np.zeros((3, 3))]])


def _spread(
    places: Array,
    covariance_mm2: Array,
    pairs: Sequence[tuple[int, int]],
    build_sd_mm: float,
    pose: Pose,
) -> tuple[Array, Array, Array]:
    """Covariance (3 K, 3 K), derivative (3 K, 3 N) and value (3 K,) of the differences of pairs."""
    own = [i for pair in pairs for i in pair]
    columns = (3 * np.array(own)[:, None] + np.arange(3)).ravel()
    turn = np.kron(np.eye(len(own)), pose.rotation)
    measured = turn @ covariance_mm2[np.ix_(columns, columns)] @ turn.T
    by = _difference(len(places), pairs)
    spread = by[:, columns] @ measured @ by[:, columns].T
    return spread + 2.0 * build_sd_mm**2 * np.eye(len(spread)), by, by @ places.ravel()


def _squares(
    positions_mm: Array,
    covariance_mm2: Array,
    pairs: Sequence[tuple[int, int]],
    build_sd_mm: float,
    pose: Pose,
) -> Array:
    """(K,) weighted square of what each pair leaves."""
    places = pose.apply(positions_mm)
    spread, _, residual = _spread(places, covariance_mm2, pairs, build_sd_mm, pose)
    count = np.arange(len(pairs))
    own = spread.reshape(len(pairs), 3, len(pairs), 3)[count, :, count]
    left = residual.reshape(-1, 3)
    return np.einsum("ki,ki->k", left, np.linalg.solve(own, left[..., None])[..., 0])


def _scatter(places: Array, measured: Array, pairs: Sequence[tuple[int, int]]) -> float:
    """Standard deviation of a point about symmetry, from what no plane takes up."""
    by = _difference(len(places), pairs) / np.sqrt(2.0)  # of one point, not of a difference
    rigid = by @ by_frame(places)
    left, sizes, _ = np.linalg.svd(rigid)
    complement = left[:, int((sizes > 1e-9 * sizes[0]).sum()) :]
    return scatter_of(
        complement.T @ by @ measured @ by.T @ complement, complement.T @ by @ places.ravel()
    )
