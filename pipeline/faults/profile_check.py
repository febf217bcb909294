"""Whether the photos bear the lens profile out, and what to do where they do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from scipy.stats import chi2

from pipeline.adjustment.cameras import PhotoGroup, loose_information
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS
from pipeline.adjustment.network import CameraGuess, NetworkFound
from targets.said import say

_CHANCE = 1e-6


def without_contradicted_profiles(
    network: NetworkFound, groups: Sequence[PhotoGroup]
) -> tuple[list[PhotoGroup], bool]:
    """Groups whose profile the photos contradict lose it; whether there was one.

    d^T S^-1 d with d the adjusted constants minus those of the profile and S the profile's
    covariance, widened by refocusing, is at most a chi-square variable of 9 degrees.
    """
    factor = network.found.stated_factor
    kept = []
    for group, now in zip(groups, network.network.constants, strict=True):
        guess = group.guess
        off = now - guess.camera.constants
        squares = float(off @ guess.information @ off)
        if group.from_profile and squares > factor * chi2.isf(_CHANCE, 9):
            focal = float(now[:2].mean())
            share = 100.0 * (focal / float(guess.camera.constants[:2].mean()) - 1.0)
            longest = max(guess.camera.width_px, guess.camera.height_px)
            camera = replace(guess.camera, constants=now)
            group = replace(
                group,
                guess=CameraGuess(camera, loose_information(focal, 0.06, longest), EXTRA_CONSTANTS),
                from_profile=False,
                reason=say("the photos contradict it: focal length {share:+.2f} %", share=share),
            )
        kept.append(group)
    return kept, any(a is not b for a, b in zip(kept, groups, strict=True))
