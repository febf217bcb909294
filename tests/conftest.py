"""Fixtures that every test may use."""

import os
from pathlib import Path

# Before NumPy is imported: the matrices here are small, and BLAS threads that wait for each other
# on a busy machine cost a hundred times more than they gain.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Tests read English, whatever the system of the one who runs them speaks.
os.environ["LC_ALL"] = "C.UTF-8"

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


@pytest.fixture(scope="session")
def solved_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo job solved from a third of its photos, lens "self"; tests only read it.

    The photos tell place, serial numbers and owner, as a phone's may (``tests.private_photos``).
    """
    from pipeline.inputs.job import read_job
    from pipeline.report.page import write_report
    from pipeline.results.tables import write_tables
    from pipeline.solve import solve
    from tests.private_photos import with_secrets

    demo = Path(__file__).resolve().parents[1] / "sample_images" / "job"
    folder = tmp_path_factory.mktemp("solved") / "van"
    (folder / "photos").mkdir(parents=True)
    for name in ("job.toml", "sheet.csv", "cards.csv"):
        text = (demo / name).read_text(encoding="utf-8")
        text = text.replace('lens = "phone.toml"', 'lens = "self"')
        (folder / name).write_text(text, encoding="utf-8")
    for photo in sorted((demo / "photos").iterdir())[::3]:
        (folder / "photos" / photo.name).write_bytes(with_secrets(photo.read_bytes()))
    result, sightings = solve(read_job(folder), lambda stage, done, total: None)
    write_tables(result, folder / "results")
    write_report(result, sightings, folder / "results" / "report.html")
    return folder
