"""A session that falls into two at one moment: each part agrees in itself, not with the other.

When the car rolls against cards on the floor, or the camera changes for good, every photo is
strained, and no single card or photo can be blamed. The longest run of photos from the beginning
that agrees in itself and the longest one up to the end are then sought by bisection, each run
adjusted by itself. If the two meet, one event explains everything, and the cards' places in both
parts say what it was.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from pipeline.adjustment.network import NetworkFound
from pipeline.datum.datum import closest_pose

_LEAST_PHOTOS = 3
_OVERLAP = 2
"""So many photos next to the border may fit either part, such as those of floor cards alone."""
_AGREE_MM = 1.0
"""Cards that lie no farther apart in both parts, beyond what is unsure, stayed (our choice)."""
_TRIPLES = 600

Part = Callable[[Sequence[str]], NetworkFound | None]
"""The network of some photos alone; None where they do not agree in themselves."""


@dataclass(frozen=True)
class Parted:
    """A session in two parts.

    Attributes
    ----------
    last, first : the photos between which something happened.
    kept : photos of the larger part; other : those of the smaller one.
    network : of the larger part.
    moved : cards that lie elsewhere in the other part; () where none was found, or nothing is known
        of it.
    rest : network of the other part, None where it is no network by itself.
    """

    last: str
    first: str
    kept: tuple[str, ...]
    other: tuple[str, ...]
    network: NetworkFound
    moved: tuple[int, ...]
    rest: NetworkFound | None


def parted(order: Mapping[str, int], part: Part) -> Parted | None:
    """Where a session falls into two, None where one event does not explain it.

    Parameters
    ----------
    order : number of each photo with cards, in the order of shooting.
    """
    names = sorted(order, key=lambda n: order[n])
    count = len(names)
    if count < 2 * _LEAST_PHOTOS:
        return None
    head, before = _longest(lambda n: part(names[:n]), count)
    tail, after = _longest(lambda n: part(names[count - n :]), count)
    if not count <= head + tail <= count + _OVERLAP:
        return None
    if head >= tail:
        kept, other, network, rest = names[:head], names[head:], before, part(names[head:])
        border = head
    else:
        border = count - tail
        kept, other, network, rest = names[border:], names[:border], after, part(names[:border])
    if network is None:
        return None
    moved = cards_that_moved(network, rest) if rest is not None else ()
    return Parted(names[border - 1], names[border], tuple(kept), tuple(other), network, moved, rest)


def _longest(
    part: Callable[[int], NetworkFound | None], count: int
) -> tuple[int, NetworkFound | None]:
    """The longest run that agrees, by bisection, and its network; 0 where not even a short one."""
    low, high, best = 0, count, None
    while high - low > 1:
        middle = max((low + high) // 2, min(_LEAST_PHOTOS, high - 1))
        found = part(middle)
        if found is None:
            high = middle
        else:
            low, best = middle, found
    return low, best


def cards_that_moved(one: NetworkFound, other: NetworkFound) -> tuple[int, ...]:
    """Cards of both networks that lie elsewhere in the second by the place of most.

    Both are laid over each other at three cards, each three in turn, with a scale, and the way that
    brings most cards together counts.
    """
    common = [c for c in one.cards if c in other.cards]
    if len(common) < 4:
        return ()
    a, b = (_centres(n, common) for n in (one, other))
    near_mm = _AGREE_MM + 3.0 * np.hypot(_u_mm(one, common), _u_mm(other, common))
    triples = list(combinations(range(len(common)), 3))
    if len(triples) > _TRIPLES:
        step = len(triples) / _TRIPLES
        triples = [triples[int(k * step)] for k in range(_TRIPLES)]
    most = np.zeros(len(common), dtype=bool)
    for triple in triples:
        near = _near(a, b, list(triple), near_mm)
        most = near if near.sum() > most.sum() else most
    if most.sum() >= 4:
        most = _near(a, b, np.flatnonzero(most).tolist(), near_mm)
    return tuple(c for c, stays in zip(common, most, strict=True) if not stays)


def _near(a: Array, b: Array, some: Sequence[int], near_mm: Array) -> NDArray[np.bool_]:
    """Which of points (N, 3) come near to each other when some of them are laid over each other."""
    spread_a, spread_b = (float(np.linalg.norm(x[some] - x[some].mean(axis=0))) for x in (a, b))
    scaled = b * (spread_a / max(spread_b, 1e-9))
    pose = closest_pose(scaled[some], a[some])
    return np.asarray(np.linalg.norm(pose.apply(scaled) - a, axis=1) < near_mm)


def _centres(network: NetworkFound, cards: Sequence[int]) -> Array:
    dots = network.network.points.reshape(len(network.cards), 4, 3)
    return np.asarray(dots[[network.cards.index(c) for c in cards]].mean(axis=1))


def _u_mm(network: NetworkFound, cards: Sequence[int]) -> Array:
    """Standard uncertainty of the dots of cards, rms over dots and axes, (N,)."""
    variance = np.diag(network.found.points).reshape(len(network.cards), 12).mean(axis=1)
    own = variance[[network.cards.index(c) for c in cards]] * network.found.variance_factor
    return np.asarray(np.sqrt(np.maximum(own, 0.0)))
