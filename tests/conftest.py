"""Fixtures that every test may use."""

import os
from pathlib import Path

# Before NumPy is imported: the matrices here are small, and BLAS threads that wait for each other
# on a busy machine cost a hundred times more than they gain.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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
