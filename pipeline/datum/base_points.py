"""Which base points may carry the datum: those whose mutual geometry agrees with the sheet.

No body is built to the sheet exactly, so every test allows for a scatter of the build beside the
measurement. The default is a sixth of the point's tolerance (``build_sd_mm``), 0.5 mm at +-3 mm: an
assumption, which ``build_sd_mm`` in job.toml replaces; makers aim at six standard deviations
within 2 mm (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.stats import chi2

from calib.frames import Array
from pipeline.datum.datum import by_frame, closest_pose, on_one_line, sheet_scatter_mm
from pipeline.datum.explanations import Explanation, explanations

FALSE_ALARM = 0.004
"""Significance of each of the five tests (congruence, single points, twist of any pair, twist along
the car, diagonals): a sound body whose scatter is as assumed raises any of them in at most 2 %."""
NOTEWORTHY = 0.05
"""Probability below which a twist or a difference of diagonals is worth a note."""
TWIST_TOLD_MM = 6.0
"""A twist that could be as large by measurement is worth a note whatever its probability."""
LEAST_TO_TELL = 6
"""Base points from which one that moved can be named nearly always (tests/benchmarks/datum.py)."""
NAMED_FROM = 0.95
"""Probability from which one explanation is told as the fact."""
LOOSE_FROM = 0.8
"""Probability of a larger scatter of the build from which no point is blamed. Of bodies built to
1.0 mm where 0.5 mm is assumed it keeps 20 of 25 in a hundred from having a sound point left out,
and costs 1 in a hundred of the points that moved by 5 mm (1700 invented cars of six base points);
from 0.5 it would be 24 and 4."""
_MOST_LEFT_OUT = 3
_LEAST_LIKELY = 1e-3
"""Explanations less likely than this are not carried on."""
_TRIPLES = 1500
_BUILD_SHARE = 1.0 / 6.0


@dataclass(frozen=True)
class BasePoints:
    """Measured points that may carry the datum, with their places on the sheet.

    Attributes
    ----------
    names : (B,) "POINT SIDE".
    positions_mm, covariance_mm2 : (B, 3) and (3 B, 3 B), network frame.
    sheet_mm : (B, 3), vehicle frame.
    sheet_u_mm : (B, 3) standard uncertainty of the sheet's figures.
    build_mm : (B,) standard deviation, per axis, of sound bodies about the sheet.
    """

    names: tuple[str, ...]
    positions_mm: Array
    covariance_mm2: Array
    sheet_mm: Array
    sheet_u_mm: Array
    build_mm: Array

    def part(self, kept: Sequence[int]) -> BasePoints:
        """Some of them, in the order given."""
        index = np.asarray(kept, dtype=int)
        columns = (3 * index[:, None] + np.arange(3)).ravel()
        return BasePoints(
            tuple(self.names[i] for i in index),
            self.positions_mm[index],
            self.covariance_mm2[np.ix_(columns, columns)],
            self.sheet_mm[index],
            self.sheet_u_mm[index],
            self.build_mm[index],
        )


@dataclass(frozen=True)
class Congruence:
    """The congruence test: ``statistic`` is chi-square of ``freedom`` if nothing moved."""

    statistic: float
    freedom: int

    @property
    def probability(self) -> float:
        """Of a statistic this large or larger by chance."""
        return float(chi2.sf(self.statistic, self.freedom)) if self.freedom else 1.0


@dataclass(frozen=True)
class PairCheck:
    """One figure that left/right base pairs give, against the sheet.

    Attributes
    ----------
    pairs : names of the two points whose pairs are compared, the one further ahead first.
    value_mm : measured minus sheet.
    U_mm : expanded uncertainty (k = 2) of it, without the scatter of the build.
    probability : of this much or more by chance, by measurement and scatter of the build.
    widths_mm : of the two pairs; a twist is told over their mean.
    """

    pairs: tuple[str, str]
    value_mm: float
    U_mm: float
    probability: float
    widths_mm: tuple[float, float]

    @property
    def significant(self) -> bool:
        """Whether measurement and scatter of the build do not explain it."""
        return self.probability < FALSE_ALARM

    def at_pair(self, point: str) -> float:
        """A twist as the height of a pair's left against its right, seen from the other pair, mm.

        One base point that is 8 mm low on the left of a pair 1400 mm wide, and one of 800 mm that
        is level: the twist is 8 / 1400 x 1100 = 6.3 mm over their mean width, and -8 mm at the
        pair itself.
        """
        own = self.pairs.index(point)
        turned = self.value_mm / float(np.mean(self.widths_mm)) * self.widths_mm[own]
        return -turned if own else turned


@dataclass(frozen=True)
class BaseChoice:
    """Which points carry the datum, and what the tests say.

    Attributes
    ----------
    names : (B,) "POINT SIDE" of the points tested.
    kept : indices of the points proposed as base.
    left_out : indices of points that moved, named with a probability of ``NAMED_FROM`` or more.
    doubtful : when points disagree and it cannot be told which: those that may have moved.
    all_points, kept_points : the congruence test of all points, and of those kept.
    twist : difference of the heights left against right of two base pairs, over their mean width.
    diagonals : difference of the diagonals between two base pairs.
    kept_twist, kept_diagonals : the same of the points kept alone.
    explained : what explains points that disagree, the likeliest first, none below
        ``_LEAST_LIKELY``; empty when all agree.
    loose_mm : scatter of the build if none moved (``datum.sheet_scatter_mm``), nan when all agree.
    """

    names: tuple[str, ...]
    kept: tuple[int, ...]
    left_out: tuple[int, ...]
    doubtful: tuple[int, ...]
    all_points: Congruence
    kept_points: Congruence
    twist: PairCheck | None
    diagonals: PairCheck | None
    kept_twist: PairCheck | None
    kept_diagonals: PairCheck | None
    explained: tuple[Explanation, ...] = ()
    loose_mm: float = float("nan")

    @property
    def by_scatter(self) -> float:
        """Probability that no point moved and bodies scatter more than assumed; 0 if all agree."""
        return _by_scatter(self.explained)


def build_sd_mm(tolerance_mm: float) -> float:
    """Standard deviation of sound bodies about the sheet, assumed from the point's tolerance."""
    return _BUILD_SHARE * tolerance_mm


def congruence(points: BasePoints) -> Congruence:
    """Whether measured points and sheet are the same figure, turned and shifted.

    v = R p + t - q at the weighted best R, t; v^T (C + S)^-1 v, with C of the measurement and S of
    sheet and build, is chi-square of 3 B - 6 degrees of freedom (global congruence test of
    deformation analysis: Pelzer 1971, Caspary 1987, both from memory).

    By hand: two pairs of one width, twisted by 1 mm up and down at each corner, which no turn or
    shift takes away; u = 0.2 mm measured, 0.5 mm of build: 4 x 1^2 / (0.2^2 + 0.5^2) = 13.8 at
    12 - 6 = 6 degrees of freedom.

    >>> places = np.array([[x, y, 0.0] for x in (1000.0, -1000.0) for y in (500.0, -500.0)])
    >>> up = np.array([1.0, -1.0, -1.0, 1.0])[:, None] * [0.0, 0.0, 1.0]
    >>> names = ("A L", "A R", "B L", "B R")
    >>> measured, build = 0.2**2 * np.eye(12), np.full(4, 0.5)
    >>> test = congruence(BasePoints(names, places + up, measured, places, 0 * places, build))
    >>> round(test.statistic, 1), test.freedom
    (13.8, 6)
    """
    v, root, frame = _whitened(points)
    square, _ = np.linalg.qr(np.linalg.solve(root, frame))
    white = np.linalg.solve(root, v)
    statistic = float(white @ white - np.square(square.T @ white).sum())
    return Congruence(max(statistic, 0.0), 3 * len(points.names) - 6)


def choose(points: BasePoints) -> BaseChoice:
    """Propose base points: as many as agree with the sheet.

    All points are kept when the congruence test passes and no single point stands out (its removal
    lowers the statistic by a chi-square of 3, tested for all points together by Bonferroni's
    bound). Else the largest subsets that pass are sought, one point left out, then two, then three;
    four points remain, or three of four. Equally large subsets, thought equally likely before, have
    probabilities as exp(-statistic / 2). One of ``NAMED_FROM`` or more names the points that moved;
    below, nothing is left out, and every point that may have moved is listed. Nor is anything left
    out where a larger scatter of the build explains it far better (``LOOSE_FROM``). Four
    points of two pairs cannot tell which height moved: either end of a diagonal up, or of the other
    one down, leaves the same misfit.

    Parameters
    ----------
    points : three points or more, not on one line.
    """
    count = len(points.names)
    everyone = tuple(range(count))
    whole = congruence(points)
    alone = dict(_subsets(points, 1)) if count > 3 else {}
    drop = max((whole.statistic - one.statistic for one in alone.values()), default=0.0)
    calm = whole.probability >= FALSE_ALARM and chi2.sf(drop, 3) * count >= FALSE_ALARM
    pairs = twist_of(points), diagonals_of(points)
    if calm:
        return BaseChoice(points.names, everyone, (), (), whole, whole, *pairs, *pairs)
    left_out, doubtful, likely = _moved(points, alone)
    explained = _explained(points, max(len(left_out), likely))
    if _by_scatter(explained) > LOOSE_FROM:
        left_out, doubtful = (), doubtful or left_out
    kept = tuple(i for i in everyone if i not in left_out)
    rest = points.part(kept)
    return BaseChoice(
        points.names,
        kept,
        left_out,
        doubtful,
        whole,
        congruence(rest),
        *pairs,
        twist_of(rest),
        diagonals_of(rest),
        explained,
        sheet_scatter_mm(points.positions_mm, points.sheet_mm, _own_covariance(points)),
    )


def _moved(
    points: BasePoints, alone: Mapping[tuple[int, ...], Congruence]
) -> tuple[tuple[int, ...], tuple[int, ...], int]:
    """Points that moved if they can be named, else those that may have; how many are missing then.

    ``alone`` : the congruence tests with one point left out.
    """
    count = len(points.names)
    most = _most_left_out(count)
    for missing in range(1, most + 1):
        tried = alone if missing == 1 else dict(_subsets(points, missing))
        if not any(one.probability >= FALSE_ALARM for one in tried.values()):
            continue
        weights = np.exp([-0.5 * one.statistic for one in tried.values()])
        weights /= weights.sum()
        best_first = [list(tried)[i] for i in np.argsort(-weights)]
        enough = int(np.searchsorted(np.cumsum(np.sort(weights)[::-1]), NAMED_FROM)) + 1
        if enough == 1:
            return best_first[0], (), missing
        return (), tuple(sorted({i for some in best_first[:enough] for i in some})), missing
    return (), tuple(range(count)), most


def _most_left_out(count: int) -> int:
    """How many of so many points may be left out: four remain, or three of four."""
    return min(_MOST_LEFT_OUT, max(count - 4, 1))


def _explained(points: BasePoints, most: int) -> tuple[Explanation, ...]:
    """The likely explanations by up to ``most`` points that moved."""
    everyone = range(len(points.names))
    candidates = [
        moved
        for missing in range(most + 1 if len(points.names) > 3 else 1)
        for moved in combinations(everyone, missing)
        if not on_one_line(points.sheet_mm[[i for i in everyone if i not in moved]])
    ]
    pose = closest_pose(points.positions_mm, points.sheet_mm)
    turned = pose.apply(points.positions_mm)
    measured, _ = _covariances(points, pose.rotation)
    found = explanations(
        (turned - points.sheet_mm).ravel(),
        by_frame(turned),
        measured,
        np.repeat(points.build_mm, 3),
        candidates,
    )
    return tuple(one for one in found if one.probability >= _LEAST_LIKELY)


def _by_scatter(explained: Sequence[Explanation]) -> float:
    return sum(one.probability for one in explained if not one.moved)


def _own_covariance(points: BasePoints) -> Array:
    """(3 B, 3 B) of the comparison with the sheet, in the frame of the network."""
    turn = np.kron(
        np.eye(len(points.names)), closest_pose(points.positions_mm, points.sheet_mm).rotation
    )
    return points.covariance_mm2 + turn.T @ np.diag(points.sheet_u_mm.ravel() ** 2) @ turn


def agreeing(points: BasePoints) -> tuple[int, ...]:
    """The most points that agree with the sheet among themselves; () if not even four do.

    For points of which many may have moved: each of up to ``_TRIPLES`` sets of three lays the
    sheet over the points, and the set with the most points near their places wins (random sample
    consensus, Fischler and Bolles 1981); then `choose` has the last word.
    """
    count = len(points.names)
    triples = list(combinations(range(count), 3))
    if len(triples) > _TRIPLES:
        rng = np.random.default_rng(0)
        triples = [triples[i] for i in rng.choice(len(triples), _TRIPLES, replace=False)]
    variance = np.diag(points.covariance_mm2).reshape(-1, 3) + points.sheet_u_mm**2
    near_mm = 3.5 * np.sqrt(variance.mean(axis=1) + points.build_mm**2)
    best: list[int] = []
    for triple in triples:
        seen = list(triple)
        for _ in range(3):
            if on_one_line(points.sheet_mm[seen]):
                break
            pose = closest_pose(points.positions_mm[seen], points.sheet_mm[seen])
            off = np.linalg.norm(pose.apply(points.positions_mm) - points.sheet_mm, axis=1)
            seen = np.flatnonzero(off < near_mm).tolist()
            if len(seen) <= max(len(best), 3):
                break
        if len(seen) > max(len(best), 3) and not on_one_line(points.sheet_mm[seen]):
            best = seen
    if not best:
        return ()
    choice = choose(points.part(best))
    return () if choice.doubtful else tuple(best[k] for k in choice.kept)


def twist_of(points: BasePoints) -> PairCheck | None:
    """The twist test: left/right base pairs sit equally high, as far as the sheet says so.

    roll_i = (dh_L - dh_R) / (w_L - w_R) of pair i, dh the heights minus sheet and w the widths, is
    the same for all pairs if the section is not twisted, however the frame lies: its spread about
    the weighted mean is chi-square of P - 1, and what a slope along the car explains of it of 1;
    the less probable counts. Told as the difference of the two pairs that differ most, times their
    mean width: two pairs 800 and 1400 mm wide with rolls of 3/800 and -3/1400
    give (3/800 + 3/1400) 1100 = 6.5 mm. None with fewer than two pairs. (Equal heights of a pair
    mean no twist: common practice, no source.)
    """
    pairs = _pairs(points)
    if len(pairs) < 2:
        return None
    pose = closest_pose(points.positions_mm, points.sheet_mm)
    height = pose.apply(points.positions_mm)[:, 2] - points.sheet_mm[:, 2]
    by_height = np.zeros((len(pairs), len(points.names)))
    widths = np.array([points.sheet_mm[i, 1] - points.sheet_mm[j, 1] for i, j in pairs])
    for row, (left, right) in enumerate(pairs):
        by_height[row, [left, right]] = np.array([1.0, -1.0]) / widths[row]
    roll = by_height @ height
    measured, allowed = (c[2::3, 2::3] for c in _covariances(points, pose.rotation))
    spread = by_height @ (measured + allowed) @ by_height.T
    root = np.linalg.cholesky(spread)
    along = np.array([_x(points, pair) for pair in pairs])
    constant, slope = np.linalg.qr(np.linalg.solve(root, np.column_stack([along**0, along])))[0].T
    white = np.linalg.solve(root, roll)
    squares = white @ white - (constant @ white) ** 2
    probability = min(chi2.sf(squares, len(pairs) - 1), chi2.sf((slope @ white) ** 2, 1))
    ahead, behind = sorted(
        (int(roll.argmax()), int(roll.argmin())), key=lambda i: -_x(points, pairs[i])
    )
    width = float(widths[[ahead, behind]].mean())
    row = width * (by_height[ahead] - by_height[behind])
    return PairCheck(
        (_point(points, pairs[ahead]), _point(points, pairs[behind])),
        float(row @ height),
        2.0 * float(np.sqrt(row @ measured @ row)),
        float(probability),
        (float(widths[ahead]), float(widths[behind])),
    )


def diagonals_of(points: BasePoints) -> PairCheck | None:
    """Squareness of the centre section: its two diagonals, minus what the sheet makes of them.

    (|L_a R_b| - |R_a L_b|) - the same on the sheet, for the foremost pair a and the rearmost b; a
    shear of 2 mm of a rectangle 1000 mm long and 1000 mm wide makes them differ by 2 sqrt(2) mm.
    None with fewer than two pairs, or two less than 100 mm apart.
    """
    pairs = _pairs(points)
    if len(pairs) < 2:
        return None
    order = sorted(pairs, key=lambda pair: -_x(points, pair))
    (al, ar), (bl, br) = order[0], order[-1]
    if _x(points, order[0]) - _x(points, order[-1]) < 100.0:
        return None
    pose = closest_pose(points.positions_mm, points.sheet_mm)
    turned = pose.apply(points.positions_mm)
    row = np.zeros((len(points.names), 3))
    value = 0.0
    for sign, i, j in ((1.0, al, br), (-1.0, ar, bl)):
        along = turned[i] - turned[j]
        length = float(np.linalg.norm(along))
        value += sign * (length - float(np.linalg.norm(points.sheet_mm[i] - points.sheet_mm[j])))
        row[i] += sign * along / length
        row[j] -= sign * along / length

    def width_of(left: int, right: int) -> float:
        return float(points.sheet_mm[left, 1] - points.sheet_mm[right, 1])

    measured, allowed = _covariances(points, pose.rotation)
    flat = row.ravel()
    total = flat @ (measured + allowed) @ flat
    return PairCheck(
        (_point(points, order[0]), _point(points, order[-1])),
        value,
        2.0 * float(np.sqrt(flat @ measured @ flat)),
        float(chi2.sf(value**2 / total, 1)),
        (width_of(al, ar), width_of(bl, br)),
    )


def _subsets(points: BasePoints, missing: int) -> Iterator[tuple[tuple[int, ...], Congruence]]:
    """What is left out, and the congruence test of the rest, for each rest that fixes a frame."""
    everyone = range(len(points.names))
    for left_out in combinations(everyone, missing):
        rest = points.part([i for i in everyone if i not in left_out])
        if not on_one_line(rest.sheet_mm):
            yield left_out, congruence(rest)


def _covariances(points: BasePoints, rotation: Array) -> tuple[Array, Array]:
    """(3 B, 3 B) in the vehicle frame: of the comparison with the sheet, and of the build."""
    turn = np.kron(np.eye(len(points.names)), rotation)
    own = turn @ points.covariance_mm2 @ turn.T + np.diag(points.sheet_u_mm.ravel() ** 2)
    return own, np.diag(np.repeat(points.build_mm**2, 3))


def _whitened(points: BasePoints) -> tuple[Array, Array, Array]:
    """Misfit (3 B,), root of its covariance, and its derivative (3 B, 6) by the frame."""
    pose = closest_pose(points.positions_mm, points.sheet_mm)
    turned = pose.apply(points.positions_mm)
    measured, allowed = _covariances(points, pose.rotation)
    root = np.asarray(np.linalg.cholesky(measured + allowed))
    return (turned - points.sheet_mm).ravel(), root, by_frame(turned)


def _pairs(points: BasePoints) -> list[tuple[int, int]]:
    """Indices of the left and the right point of each pair."""
    at = {name: i for i, name in enumerate(points.names)}
    return [
        (i, at[f"{name[:-2]} R"])
        for name, i in at.items()
        if name.endswith(" L") and f"{name[:-2]} R" in at
    ]


def _x(points: BasePoints, pair: tuple[int, int]) -> float:
    return float(points.sheet_mm[list(pair), 0].mean())


def _point(points: BasePoints, pair: tuple[int, int]) -> str:
    return points.names[pair[0]][:-2]
