"""How an uncertainty is rounded for people."""

from __future__ import annotations

import math

_MOST_LOST = 0.05
"""A rounded uncertainty may be smaller by this share of it, else it is rounded up (EA-4/02, 6.3,
from memory; GUM, JCGM 100:2008, 7.2.6, leaves the share to common sense)."""


def rounded_U(U: float, decimals: int) -> float:
    """An uncertainty with so many decimals: to the nearest, but up where that takes too much.

    The GUM's own example, 28.05 kHz, is 28 kHz; 0.15 is 0.2 and never 0.1.

    >>> rounded_U(28.05, 0), rounded_U(0.15, 1), rounded_U(0.149, 2), rounded_U(0.001, 1)
    (28.0, 0.2, 0.15, 0.1)
    """
    if not math.isfinite(U):
        return U
    nearest = round(float(U), decimals)
    if nearest >= (1.0 - _MOST_LOST) * U:
        return nearest
    return math.ceil(float(U) * 10.0**decimals) / 10.0**decimals
