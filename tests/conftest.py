"""Fixtures that every test may use."""

from pathlib import Path

import numpy as np
import pytest


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of sample photos and rendered scenes, which lies beside the repository."""
    folder = Path(__file__).resolve().parents[1].parent / "shared"
    if not folder.is_dir():
        pytest.skip(f"the sample photos are not here ({folder})")
    return folder


@pytest.fixture
def rng() -> np.random.Generator:
    """A private seeded generator, so that no test disturbs another."""
    return np.random.default_rng(20240501)
