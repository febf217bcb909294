"""Where a result comes from: its inputs by their sums, the version, and no folder's name."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pipeline.inputs.job import Job
from targets.said import changed
from targets.sums import sha256_if_readable


def input_hashes(job: Job, photos: Iterable[str]) -> list[tuple[str, str | None]]:
    """File names of a job's inputs and their SHA-256, None where a file cannot be read.

    Names only: a folder may tell who the customer is.
    """
    files = [
        job.folder / "job.toml",
        *([job.folder / "sheet.csv"] if job.sheet else []),
        *([job.folder / "cards.csv"] if job.cards else []),
        *([job.lens] if job.lens else []),
        *(job.folder / "photos" / name for name in photos),
    ]
    # hashlib lets go of the interpreter's lock, so threads do run side by side.
    with ThreadPoolExecutor(4) as pool:
        return list(
            zip((file.name for file in files), pool.map(sha256_if_readable, files), strict=True)
        )


def version() -> str:
    """Version of datumshot as installed."""
    try:
        return importlib.metadata.version("datumshot")
    except importlib.metadata.PackageNotFoundError:
        return "not installed, run from its source"


def without_folder(text: str, folder: Path) -> str:
    """The text with paths inside the job folder made relative, so that no absolute one leaves it.

    >>> without_folder("/home/kim/van/photos/a.jpg: too dark", Path("/home/kim/van"))
    'photos/a.jpg: too dark'
    """
    wholes = {str(folder), str(folder.absolute())} - {"."}

    def without(part: str) -> str:
        for whole in wholes:
            part = part.replace(f"{whole}/", "").replace(f"{whole}\\", "")
        return part

    return changed(text, without)
