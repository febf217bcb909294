"""Sessions of one car compared: before, between pulls, after.

Each job has its own vehicle frame, fitted to the sheet. How far the base points are off the sheet
is part of both frames and of neither movement, so the frames are not simply subtracted: the later
session is laid on the earlier one over the base points that both have (congruence; Pelzer 1971 and
Niemeier's textbook on adjustment, from memory). What the sheet adds to either frame is a rigid
motion and cancels. The cards may be others and the car may stand elsewhere: points are matched by
name and side. Errors that both sessions share (the same bar, the same stems) cancel in truth, but
are counted twice here: U is rather too large than too small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import chi2

from calib.frames import Array, cross_matrix, rotations
from pipeline.datum.datum import LEAST_BASE_POINTS, closest_pose, on_one_line
from pipeline.datum.deviation import Verdict
from pipeline.sessions.measured import Measured
from targets.errors import UserError
from targets.said import say

State = Literal["unmoved", "closer", "worse", "aside", "moved"]
"""closer or worse: nearer to its sheet place, or farther, beyond U; aside: it moved and is as far;
moved: the sheet does not know it; unmoved: no movement beyond the uncertainty."""

_DOUBT = 0.01
"""Chance of calling a movement, or base points of another shape, where there is none."""
_RIGID_MM = 1.0
_LEVER_MM = 1000.0
"""A rigid motion of this size at this distance makes singular covariances invertible; it is free
in the fit, so it changes nothing."""
_LEAST_TRACE = 1.0 + math.sqrt(2.0)
"""Trace of a turn by 45 degrees; both frames are those of the sheet, so it ought to be small."""
_LEAST_PROGRESS = 0.5
"""Progress is told for points that were off by this share of their tolerance or more, and by more
than their U: a percentage of nothing says nothing."""


@dataclass(frozen=True)
class PointMove:
    """How one point moved from one session to a later one; vehicle frame of the earlier, mm.

    Attributes
    ----------
    name : "POINT SIDE".
    base : whether it carried the frame.
    shift_mm : (3,) along length, width, height.
    covariance_mm2 : (3, 3) of it.
    size_mm, U_size_mm : length of the shift and its U along its own direction.
    before_mm, after_mm : (3,) deviations from the sheet, nan where it does not know the point.
    U_before_mm : (3,) of ``before_mm``.
    progress, U_progress : share of the way to the sheet (1 is all of it, above 1 too far), nan
        where the point was not off.
    change_mm, U_change_mm : distance from its sheet place after minus before.
    verdict_before, verdict_after : as either job says.
    state : see ``State``.
    """

    name: str
    base: bool
    shift_mm: Array
    covariance_mm2: Array
    size_mm: float
    U_size_mm: float
    before_mm: Array
    after_mm: Array
    U_before_mm: Array
    progress: float
    U_progress: float
    change_mm: float
    U_change_mm: float
    verdict_before: Verdict
    verdict_after: Verdict
    state: State

    @property
    def U_shift_mm(self) -> Array:
        """(3,) expanded uncertainty (k = 2) of the shift."""
        return 2.0 * np.sqrt(np.maximum(np.diag(self.covariance_mm2), 0.0))


@dataclass(frozen=True)
class Moves:
    """From one session to a later one.

    Attributes
    ----------
    earlier, later : numbers of the sessions, from 0.
    points : one for each point that both measured, in the order of the earlier.
    base : the base points that tied them.
    strayed : base points left out because they moved against the others.
    perhaps : base points that may as well be the one that moved.
    misfit_mm : rms of the base points after the fit; ``explained_mm`` is what their uncertainty
        explains.
    only_earlier, only_later : points that one of them lacks.
    """

    earlier: int
    later: int
    points: tuple[PointMove, ...]
    base: tuple[str, ...]
    strayed: tuple[str, ...]
    perhaps: tuple[str, ...]
    misfit_mm: float
    explained_mm: float
    only_earlier: tuple[str, ...]
    only_later: tuple[str, ...]


@dataclass(frozen=True)
class SpringBack:
    """A point that came closer and then went back between two later sessions, mm."""

    name: str
    earlier: int
    later: int
    back_mm: float
    U_mm: float


@dataclass(frozen=True)
class Comparison:
    """All sessions.

    Attributes
    ----------
    sessions : the jobs in the order given, the first being the state before.
    from_first : the first to each later one.
    neighbours : each to the next.
    spring_backs : worst first.
    """

    sessions: tuple[Measured, ...]
    from_first: tuple[Moves, ...]
    neighbours: tuple[Moves, ...]
    spring_backs: tuple[SpringBack, ...]


def compare_sessions(sessions: Sequence[Measured]) -> Comparison:
    """Compare solved jobs of one car, in the order of time.

    Raises
    ------
    UserError : fewer than two, one without scale or vehicle frame, or base points that are too few
        or of another shape, as those of another vehicle are.
    """
    if len(sessions) < 2:
        raise UserError("there is only one job", "", "name two or more, the oldest first")
    for number, job in enumerate(sessions):
        if not job.points or job.vehicle_from_network is None:
            raise UserError(
                "this job has no points in a vehicle frame",
                str(job.folder),
                "it needs a sheet, base points and a solve that succeeded; to follow a pull, a "
                "sheet made of the first session by datumshot sheet will do, with its base points "
                "marked",
            )
        if not job.scaled:
            raise UserError(
                "no bar gave this job its scale", str(job.folder), "measure a bar and solve again"
            )
        if any(job.folder.resolve() == other.folder.resolve() for other in sessions[:number]):
            raise UserError("this job is named twice", str(job.folder), "name each session once")
    count = len(sessions)
    from_first = tuple(moves(sessions, 0, later) for later in range(1, count))
    neighbours = (
        *from_first[:1],
        *(moves(sessions, k, k + 1) for k in range(1, count - 1)),
    )
    backs = [
        back
        for k in range(1, count - 1)
        for back in _spring_backs(from_first[k - 1], neighbours[k])
    ]
    return Comparison(
        tuple(sessions),
        from_first,
        neighbours,
        tuple(sorted(backs, key=lambda back: -back.back_mm)),
    )


def moves(sessions: Sequence[Measured], earlier: int, later: int) -> Moves:
    """Lay one session on an earlier one over their common base points and say what moved.

    With P and Q the points of both, covariances C and D, and G the gain of the weighted fit of the
    base points, the movement Q' - P has the covariance A (C + D') A^T, A = I - F G S, where F takes
    small rigid motions to all points and S picks the base points. A F = 0: whatever moves a whole
    session, as the scatter of the base points about the sheet does, drops out.

    By hand: in the middle of n base points turns do no harm, so with u in each place of both
    sessions, all independent, a point there moves with the variance 2 u^2 (1 + 1 / n): the point
    itself twice, and the mean of the base points twice. u = 0.1 mm, n = 8: U = 2 sqrt(2 x 0.01 x
    1.125) = 0.30 mm.
    """
    one, two = sessions[earlier], sessions[later]
    names = [name for name in one.names if name in two.names]
    base = [name for name in names if name in one.base and name in two.base]
    where = say("{one} and {other}", one=one.folder.name, other=two.folder.name)
    if len(base) < LEAST_BASE_POINTS:
        raise UserError(
            say("the two sessions share {count} base points", count=len(base)),
            where,
            say(
                "they need {least} or more of the same name: is it the same "
                "vehicle, and are the base points of its undamaged centre section "
                "measured in both",
                least=LEAST_BASE_POINTS,
            ),
        )
    at_one = [one.names.index(name) for name in names]
    at_two = [two.names.index(name) for name in names]
    first, second = one.positions_mm[at_one], two.positions_mm[at_two]
    spread_one, spread_two = one.covariance_of(at_one), two.covariance_of(at_two)
    fit = _stable_fit(names, base, first, second, spread_one, spread_two, where)

    shift = fit.turned_mm - first
    turn = np.kron(np.eye(len(names)), fit.rotation)
    by_points = np.eye(3 * len(names)) - _rigid(fit.turned_mm) @ fit.gain
    spread = by_points @ (spread_one + turn @ spread_two @ turn.T) @ by_points.T
    with_first = -by_points @ spread_one
    rows = []
    for n, name in enumerate(names):
        own = slice(3 * n, 3 * n + 3)
        rows.append(
            _point_move(
                name in fit.base,
                one,
                two,
                name,
                shift[n],
                spread[own, own],
                with_first[own, own],
                spread_one[own, own],
            )
        )
    return Moves(
        earlier,
        later,
        tuple(rows),
        fit.base,
        fit.strayed,
        fit.perhaps,
        fit.misfit_mm,
        fit.explained_mm,
        tuple(name for name in one.names if name not in names),
        tuple(name for name in two.names if name not in names),
    )


@dataclass(frozen=True)
class _Fit:
    """A later session laid on an earlier one; ``gain`` (6, 3 N) is nought off the base points."""

    turned_mm: Array
    rotation: Array
    gain: Array
    squares: float
    freedom: int
    misfit_mm: float
    explained_mm: float
    base: tuple[str, ...] = ()
    strayed: tuple[str, ...] = ()
    perhaps: tuple[str, ...] = ()

    @property
    def congruent(self) -> bool:
        return bool(self.squares <= chi2.isf(_DOUBT, self.freedom))


def _stable_fit(
    names: Sequence[str],
    base: Sequence[str],
    first: Array,
    second: Array,
    spread_one: Array,
    spread_two: Array,
    where: str,
) -> _Fit:
    """Fit over the base points that keep their shape, leaving out what moved, one at a time."""

    def fit_over(kept: Sequence[str]) -> _Fit:
        index = [names.index(name) for name in kept]
        if on_one_line(first[index]):
            raise UserError(
                say("the common base points ({points}) lie on one line", points=", ".join(kept)),
                where,
                "measure base points on both sides in every session",
            )
        return _fit(index, first, second, spread_one, spread_two)

    def usable(kept: Sequence[str]) -> bool:
        return not on_one_line(first[[names.index(name) for name in kept]])

    kept, strayed, perhaps = list(base), [], []
    fit = whole = fit_over(kept)
    least = max(LEAST_BASE_POINTS, math.ceil(2 * len(base) / 3))
    while not fit.congruent and len(kept) > least:
        tried = {
            name: fit_over([other for other in kept if other != name])
            for name in kept
            if usable([other for other in kept if other != name])
        }
        if not tried:
            break
        best = min(tried, key=lambda name: tried[name].squares)
        perhaps = [name for name, one in tried.items() if one.congruent and name != best]
        fit = tried[best]
        kept.remove(best)
        strayed.append(best)
    if not fit.congruent:
        raise UserError(
            say(
                "their base points differ in shape by {differ:.1f} mm rms, and the "
                "uncertainty explains {explained:.1f} mm",
                differ=whole.misfit_mm,
                explained=whole.explained_mm,
            ),
            where,
            "these are different vehicles, or cards were swapped, or the centre section moved; "
            "compare sessions of one car",
        )
    if np.trace(fit.rotation) < _LEAST_TRACE:
        raise UserError(
            "one of the two vehicle frames lies on its side or its back",
            where,
            "left and right cards of a symmetrical base were swapped in one of them: correct its "
            "cards.csv and solve it again",
        )
    return _Fit(
        fit.turned_mm,
        fit.rotation,
        fit.gain,
        fit.squares,
        fit.freedom,
        fit.misfit_mm,
        fit.explained_mm,
        tuple(kept),
        tuple(strayed),
        tuple(perhaps),
    )


def _fit(
    index: Sequence[int], first: Array, second: Array, spread_one: Array, spread_two: Array
) -> _Fit:
    columns = (3 * np.asarray(index)[:, None] + np.arange(3)).ravel()
    at = np.ix_(columns, columns)
    start = closest_pose(second[index], first[index])
    rotation, turned = start.rotation, start.apply(second)
    for _ in range(20):
        rigid = _rigid(turned[index])
        turn = np.kron(np.eye(len(index)), rotation)
        spread = spread_one[at] + turn @ spread_two[at] @ turn.T
        weight = np.linalg.inv(spread + _RIGID_MM**2 * rigid @ rigid.T)
        normal = rigid.T @ weight
        gain = np.linalg.solve(normal @ rigid, normal)
        step = -gain @ (turned - first)[index].ravel()
        by_step = rotations(step[:3] / _LEVER_MM)
        rotation, turned = by_step @ rotation, turned @ by_step.T + step[3:]
        if np.abs(step).max() < 1e-9:
            break
    misfit = (turned - first)[index].ravel()
    whole = np.zeros((6, 3 * len(first)))
    whole[:, columns] = gain
    keeps = np.eye(len(columns)) - rigid @ gain
    return _Fit(
        turned,
        rotation,
        whole,
        float(misfit @ weight @ misfit),
        3 * len(index) - 6,
        float(np.sqrt((misfit**2).mean())),
        float(np.sqrt(np.trace(keeps @ spread @ keeps.T) / len(columns))),
    )


def _rigid(points_mm: Array) -> Array:
    """(3 N, 6) shifts of points by a small rotation, per ``_LEVER_MM``, and a shift."""
    turned = -cross_matrix(points_mm) / _LEVER_MM
    shift = np.broadcast_to(np.eye(3), turned.shape)
    return np.concatenate([turned, shift], axis=2).reshape(-1, 6)


def _point_move(
    base: bool,
    one: Measured,
    two: Measured,
    name: str,
    shift: Array,
    spread: Array,
    with_first: Array,
    spread_first: Array,
) -> PointMove:
    """``with_first``: covariance of the shift with the earlier position, (3, 3)."""
    row, later = one.points[one.names.index(name)], two.points[two.names.index(name)]
    before = row.deviation_mm
    after = before + shift
    size = float(np.linalg.norm(shift))
    moved = bool(shift @ np.linalg.pinv(spread, hermitian=True) @ shift > chi2.isf(_DOUBT, 3))

    was, is_now = float(np.linalg.norm(before)), float(np.linalg.norm(after))
    # |before + shift| - |before|: by the shift the direction now, by the earlier place the
    # difference of the two directions.
    now_way, was_way = _unit(after), _unit(before)
    by_shift, by_before = now_way, now_way - was_way
    change = is_now - was
    U_change = _U(by_shift, by_before, spread, with_first, spread_first)

    progress, U_progress = float("nan"), float("nan")
    U_was = float(2.0 * np.sqrt(was_way @ spread_first @ was_way))
    if was > max(_LEAST_PROGRESS * row.tol_mm, U_was):  # never where the sheet is silent: nan
        progress = progress_of(before, shift)
        by_shift = -before / was**2
        by_before = -shift / was**2 - 2.0 * progress * before / was**2
        U_progress = _U(by_shift, by_before, spread, with_first, spread_first)

    state: State = "unmoved"
    if moved and not math.isfinite(was):
        state = "moved"
    elif moved:
        state = "closer" if change < -U_change else "worse" if change > U_change else "aside"
    return PointMove(
        name=name,
        base=base,
        shift_mm=shift,
        covariance_mm2=spread,
        size_mm=size,
        U_size_mm=_U(_unit(shift), np.zeros(3), spread, with_first, spread_first),
        before_mm=before,
        after_mm=after,
        U_before_mm=row.U_deviation_mm,
        progress=progress,
        U_progress=U_progress,
        change_mm=change,
        U_change_mm=U_change,
        verdict_before=row.verdict,
        verdict_after=later.verdict,
        state=state,
    )


def progress_of(before_mm: Array, shift_mm: Array) -> float:
    """Share of the way to the sheet that a movement has done: -shift . before / |before|^2.

    By hand: a point 10 mm rearward of its place comes 4 mm forward: 40 % of the way. What goes
    aside counts nothing: one 5 mm low that moves 12 mm inward has done 0 %. One 6 mm off that is
    drawn 9 mm back is 150 %: overdone by half.

    >>> progress_of(np.array([-10.0, 0.0, 0.0]), np.array([4.0, 0.0, 0.0]))
    0.4
    >>> progress_of(np.array([0.0, 0.0, -5.0]), np.array([0.0, -12.0, 0.0])) + 0.0
    0.0
    >>> progress_of(np.array([0.0, 6.0, 0.0]), np.array([0.0, -9.0, 0.0]))
    1.5
    """
    return float(-shift_mm @ before_mm / (before_mm @ before_mm))


def _U(
    by_shift: Array, by_before: Array, spread: Array, with_first: Array, spread_first: Array
) -> float:
    """Expanded uncertainty of a function of the shift and the earlier place, by its derivatives."""
    variance = by_shift @ spread @ by_shift + by_before @ spread_first @ by_before
    variance += 2.0 * by_shift @ with_first @ by_before
    return float(2.0 * np.sqrt(np.maximum(variance, 0.0)))


def _unit(vector: Array) -> Array:
    length = float(np.linalg.norm(vector))
    return vector / length if length > 0.0 else np.zeros(3)


def _spring_backs(so_far: Moves, step: Moves) -> list[SpringBack]:
    """Points that had come closer by ``so_far`` and that ``step`` took back."""
    earlier = {point.name: point for point in so_far.points}
    backs = []
    for point in step.points:
        pulled = earlier.get(point.name)
        if pulled is None or pulled.state != "closer" or point.state == "unmoved":
            continue
        way = _unit(pulled.shift_mm)
        back = float(-point.shift_mm @ way)
        U = 2.0 * float(np.sqrt(way @ point.covariance_mm2 @ way))
        if back > U:
            backs.append(SpringBack(point.name, step.earlier, step.later, back, U))
    return backs
