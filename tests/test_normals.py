"""Normal equations: what skips zeros gives what multiplies them."""

from __future__ import annotations

import numpy as np
import pytest

from calib.frames import Array
from pipeline.adjustment import elimination
from pipeline.adjustment.bundle import Network, Observations, Priors
from pipeline.adjustment.covariance import cofactors
from pipeline.adjustment.normals import Normals, build_normals
from tests.scene import bundle, make_scene, nominal_layout


@pytest.mark.parametrize(("columns", "photos"), [(12, 9), (4, 30)])
def test_parts_and_one_product_give_the_same(
    monkeypatch: pytest.MonkeyPatch, columns: int, photos: int
) -> None:
    """Normal equations, a step back and cofactors, cards eliminated (few photos) or photos (many).

    Every photo is shown only some cards. tests/test_covariance.py compares the whole with all
    unknowns written out.
    """
    scene = make_scene(8, columns=columns, rows=2, photos=photos, extent_mm=(2000.0, 1000.0))
    network, observations = bundle(scene)
    shown = (observations.point // 4 + observations.photo) % 3 > 0
    observations = observations.subset(shown)
    priors = Priors(
        network.constants,
        np.diag([1.0] * 4 + [1e4] * 5)[None],
        np.zeros((1, 9), dtype=bool),
        np.repeat([2e-4, 0.15], 3),
        nominal_layout(scene, (0.03, 0.03, 0.15)),
    )
    whole, parted = (
        _by_share(monkeypatch, share, network, observations, priors) for share in (0.0, 2.0)
    )
    assert len(whole[0].system.carried) == 1
    assert len(parted[0].system.carried) == (len(scene.cards) if photos == 9 else photos)
    assert whole[0].keeps_photos == (photos == 9)
    for one, other in zip(whole[1], parted[1], strict=True):
        scale = np.abs(one).max()
        np.testing.assert_allclose(other / scale, one / scale, atol=1e-8)


def _by_share(
    monkeypatch: pytest.MonkeyPatch,
    share: float,
    network: Network,
    observations: Observations,
    priors: Priors,
) -> tuple[Normals, tuple[Array, ...]]:
    monkeypatch.setattr(elimination, "_DENSE_SHARE", share)
    normals = build_normals(network, observations, priors)
    known = cofactors(network, observations, priors)
    system = normals.system
    step = np.linspace(-1.0, 1.0, len(system.gradient))
    return normals, (
        system.matrix,
        system.gradient,
        system.back(step),
        known.points,
        known.photos,
        known.photo_points,
        known.photo_common,
        known.common_points,
    )
