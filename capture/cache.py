"""What was measured in a photo, kept between runs: a second run measures only what is new.

An entry is found by what it depends on: the photo's bytes, what was looked for, and the very code
and libraries that looked. So an entry cannot be stale; it is found or it is not. One file an entry,
checked by its own SHA-256; what is damaged is measured again. Deleting the folder costs only time.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import json
import platform
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from capture.sightings import Sighting
from targets.atomic import write_bytes
from targets.errors import UserError

_LARGEST_BYTES = 20_000_000
"""No photo holds so many cards."""
_PACKAGES = ("targets", "calib", "capture")
_LIBRARIES = ("numpy", "scipy", "cv2", "PIL", "pillow_heif")

# The Cache Directory Tagging Specification (bford.info/cachedir): backups may leave it out.
_TAG = (
    b"Signature: 8a477f597d28d172789f06886806bc55\n"
    b"# What datumshot measured in each photo; safe to delete.\n"
)

Measured = tuple[tuple[Sighting, ...], tuple[int, ...]]
"""Sightings of one photo, and ids found at more than one place."""


class SightingCache:
    """A folder of measurements, one file for each photo and way of looking.

    Where the folder cannot be written, everything is measured anew each time. Threads and
    processes may share it: files are written beside and renamed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._used: set[str] = set()
        self.hits = 0
        self.misses = 0

    def key(self, photo_sha256: str, looked_for: Iterable[object]) -> str:
        """Name of an entry.

        Parameters
        ----------
        photo_sha256 : of the photo's bytes.
        looked_for : everything else that the measurement depends on, each with a ``repr`` that
            tells it whole.
        """
        whole = "\n".join([photo_sha256, *map(repr, looked_for), code_fingerprint()])
        return hashlib.sha256(whole.encode("utf-8", "surrogatepass")).hexdigest()

    def load(self, key: str, photo: str) -> Measured | None:
        """What was stored under ``key``, as sightings of ``photo``; None when there is nothing
        whole."""
        self._used.add(key)
        try:
            path = self._path(key)
            data = b"" if path.stat().st_size > _LARGEST_BYTES else path.read_bytes()
        except OSError:
            data = b""
        measured = _decoded(data, key, photo)
        if measured is None:
            self.misses += 1
        else:
            self.hits += 1
        return measured

    def store(self, key: str, sightings: Sequence[Sighting], repeated: Sequence[int]) -> None:
        """Keep a measurement; nothing happens where that is not possible."""
        try:
            tag = self._folder / "CACHEDIR.TAG"
            if not tag.is_file():
                write_bytes(tag, _TAG)
            write_bytes(self._path(key), _encoded(key, sightings, repeated))
        except (UserError, OSError):  # not ours, read-only or full: the next run measures again
            pass

    def drop_unused(self) -> None:
        """Remove entries that this run did not ask for: of photos, settings or versions gone by."""
        try:
            for path in self._folder.glob("*.json"):
                if path.stem not in self._used:
                    path.unlink(missing_ok=True)
        except OSError:
            pass

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.json"


def cache_of_job(folder: Path) -> SightingCache:
    """The cache of a job folder: its hidden folder ``.cache``, made when first needed."""
    return SightingCache(folder / ".cache")


@functools.cache
def code_fingerprint() -> str:
    """SHA-256 of the code that measures, and versions of the libraries that it stands on."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parents[1]
    for package in _PACKAGES:
        for file in sorted((root / package).glob("*.py")):
            digest.update(file.name.encode() + b"\0" + file.read_bytes() + b"\0")
    versions = [f"{name} {importlib.import_module(name).__version__}" for name in _LIBRARIES]
    digest.update(repr([*versions, platform.machine(), platform.system()]).encode())
    return digest.hexdigest()


def _encoded(key: str, sightings: Sequence[Sighting], repeated: Sequence[int]) -> bytes:
    """A line with the SHA-256 of the rest, and the rest: JSON, numbers to the last bit."""
    document = {
        "key": key,
        "repeated": [int(card) for card in repeated],
        "sightings": [
            {
                "card": int(s.card),
                "corners_px": s.corners_px.tolist(),
                "dots_px": s.dots_px.tolist(),
                "covariance_px2": s.covariance_px2.tolist(),
                "measured": s.measured.tolist(),
            }
            for s in sightings
        ],
    }
    body = json.dumps(document).encode()  # with NaN and Infinity, which Python reads back
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def _decoded(data: bytes, key: str, photo: str) -> Measured | None:
    digest, _, body = data.partition(b"\n")
    if hashlib.sha256(body).hexdigest().encode() != digest:
        return None
    try:
        document = json.loads(body)
        if document["key"] != key:  # an entry that somebody renamed
            return None
        sightings = tuple(_sighting(one, photo) for one in document["sightings"])
        return sightings, tuple(int(card) for card in document["repeated"])
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None


def _sighting(one: dict[str, Any], photo: str) -> Sighting:
    return Sighting(
        card=int(one["card"]),
        photo=photo,
        corners_px=np.array(one["corners_px"], dtype=float).reshape(4, 2),
        dots_px=np.array(one["dots_px"], dtype=float).reshape(4, 2),
        covariance_px2=np.array(one["covariance_px2"], dtype=float).reshape(4, 2, 2),
        measured=np.array(one["measured"], dtype=bool).reshape(4),
    )
