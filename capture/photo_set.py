"""A folder of photos becomes sightings; bad photos are named and the rest is kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import PhotoHeader, read_grey, read_header
from capture.cache import Measured, SightingCache
from capture.find import TagFound, find_tags
from capture.find_by_dots import find_tags_by_dots
from capture.marks import see_marks
from capture.measure import (
    CardPlace,
    measure_cards,
    measure_led,
    place_by_face,
    refine_corners,
    shows_other_face,
)
from capture.sightings import Sighting
from targets.errors import UserError, system_reason
from targets.mark import Marks
from targets.said import say
from targets.sums import sha256_of

_Item = TypeVar("_Item")
_Out = TypeVar("_Out")

_KEPT_BYTES = 240_000_000
"""Grey photos kept for the second look; beyond this they are decoded again."""
_USABLE_DOTS = 2
"""A sighting of fewer does not count in the network."""


@dataclass(frozen=True)
class PhotoSeen:
    """One photo that could be read.

    Attributes
    ----------
    header : file, camera, orientation.
    sightings : cards measured in it.
    repeated : ids found at more than one place; not among the sightings.
    sha256 : of the file's bytes, in hexadecimal digits.
    mirrored : whether it shows cards only when it is turned over.
    """

    header: PhotoHeader
    sightings: tuple[Sighting, ...]
    repeated: tuple[int, ...]
    sha256: str = ""
    mirrored: bool = False

    @property
    def name(self) -> str:
        """File name."""
        return self.header.name


@dataclass(frozen=True)
class PhotoSet:
    """Photos that could be read, and why the others could not (name to sentence)."""

    photos: tuple[PhotoSeen, ...]
    unreadable: Mapping[str, str]

    @property
    def sightings(self) -> list[Sighting]:
        """All sightings of all photos."""
        return [s for photo in self.photos for s in photo.sightings]


class GreyPhotos:
    """Grey photos by path, kept in memory up to a budget so that most are decoded once."""

    def __init__(self, budget_bytes: int = _KEPT_BYTES) -> None:
        self._left = budget_bytes
        self._kept: dict[Path, NDArray[np.uint8]] = {}

    def read(self, path: Path) -> NDArray[np.uint8]:
        """The grey photo (H, W) in the sensor frame."""
        grey = self._kept.get(path)
        if grey is None:
            grey = read_grey(path)
            if grey.nbytes <= self._left:
                self._left -= grey.nbytes
                self._kept[path] = grey
        return grey


def see_photo(
    path: Path, greys: GreyPhotos, marks: Marks | None = None, cache: SightingCache | None = None
) -> PhotoSeen:
    """Find and measure the cards and marks in one photo, or take them from the cache.

    The outcome depends on the photo's bytes and on ``marks`` alone.

    Raises
    ------
    UserError : the photo cannot be read.
    """
    header = read_header(path)
    sha256 = _sha256(path)

    def measure() -> Measured:
        return _see(header, greys.read(path), marks)

    sightings, repeated = _kept(cache, sha256, header.name, ("see", marks), measure)
    return PhotoSeen(header, sightings, repeated, sha256)


def see_photos(
    paths: Sequence[Path],
    greys: GreyPhotos,
    progress: Callable[[int, int], None],
    marks: Marks | None = None,
    cache: SightingCache | None = None,
) -> PhotoSet:
    """``see_photo`` for every photo, several at a time; those that cannot be read are named."""

    def see(path: Path) -> PhotoSeen | UserError:
        try:
            return see_photo(path, greys, marks, cache)
        except UserError as error:
            return error

    photos: list[PhotoSeen] = []
    unreadable: dict[str, str] = {}
    for path, seen in zip(paths, _each(see, paths, progress), strict=True):
        if isinstance(seen, UserError):
            unreadable[path.name] = seen.what
        else:
            photos.append(seen)
    return PhotoSet(tuple(photos), unreadable)


def look_again(
    seen: PhotoSet,
    expected: Mapping[str, Sequence[CardPlace]],
    confirm: Callable[[Sighting, CardPlace], Sighting | None],
    confirm_led: Callable[[Sighting, CardPlace], Sighting | None],
    greys: GreyPhotos,
    progress: Callable[[int, int], None],
) -> tuple[PhotoSet, int]:
    """Measure cards at places predicted from a first solution.

    A card whose dots do not convince by themselves is looked for by its whole face; where that is
    beyond doubt, its dots are measured again, led to their places.

    Parameters
    ----------
    expected : per photo the cards that should be visible and are not measured whole.
    confirm : the strict test; returns the sighting with what stands up to it, or None.
    confirm_led : the same where the place is the one at which the face was seen.

    Returns
    -------
    seen : the set with confirmed sightings added (or put in place of poorer ones).
    added : number of sightings that are new or have more dots.
    """
    asked = [p for p in seen.photos if expected.get(p.name)]

    def look(photo: PhotoSeen) -> list[Sighting]:
        places = list(expected[photo.name])
        try:
            grey = greys.read(photo.header.path)
        except UserError:
            return []
        measured, _ = measure_cards(grey, photo.name, places)
        confirmed = [confirm(s, p) for s, p in zip(measured, places, strict=True)]
        doubtful = [p for p, s in zip(places, confirmed, strict=True) if s is None]
        seen_there = [found for p in doubtful if (found := place_by_face(grey, p)) is not None]
        led = measure_led(grey, photo.name, seen_there)
        confirmed += [confirm_led(s, p) for s, p in zip(led, seen_there, strict=True)]
        return [s for s in confirmed if s is not None]

    added = 0
    updated = {p.name: p for p in seen.photos}
    for photo, new in zip(asked, _each(look, asked, progress), strict=True):
        updated[photo.name], better = _with(photo, new)
        added += better
    return PhotoSet(tuple(updated.values()), seen.unreadable), added


def look_closer(
    seen: PhotoSet,
    greys: GreyPhotos,
    progress: Callable[[int, int], None],
    marks: Marks | None = None,
    cache: SightingCache | None = None,
) -> tuple[PhotoSet, int]:
    """Search every photo once more: at full size, and by dots for cards whose tag is broken.

    Slower than the first search by several times, so for jobs in which something is missing. Cards
    of which fewer than two dots were measured are looked for again.
    Returns the set with what was found and the number of sightings that are new or have more dots.
    """

    def look(photo: PhotoSeen) -> tuple[Sighting, ...]:
        usable = {s.card for s in photo.sightings if s.measured.sum() >= _USABLE_DOTS}
        known = sorted(usable | set(photo.repeated))

        def measure() -> Measured:
            return _see_closer(photo.name, greys.read(photo.header.path), known, marks)

        try:
            return _kept(cache, photo.sha256, photo.name, ("closer", marks, known), measure)[0]
        except UserError:
            return ()

    photos = []
    added = 0
    for photo, new in zip(seen.photos, _each(look, seen.photos, progress), strict=True):
        photo, better = _with(photo, new)
        photos.append(photo)
        added += better
    return PhotoSet(tuple(photos), seen.unreadable), added


def _with(photo: PhotoSeen, new: Iterable[Sighting]) -> tuple[PhotoSeen, int]:
    """The photo with sightings that are new or have more dots, and how many of them there are."""
    own = {s.card: s for s in photo.sightings}
    better = 0
    for sighting in new:
        old = own.get(sighting.card)
        if old is None or sighting.measured.sum() > old.measured.sum():
            own[sighting.card] = sighting
            better += 1
    return replace(photo, sightings=tuple(own[card] for card in sorted(own))), better


def mirrored_told(seen: PhotoSet, greys: GreyPhotos) -> PhotoSet:
    """The set with photos marked that show no card but, turned over, at least two."""

    def told(photo: PhotoSeen) -> PhotoSeen:
        if photo.sightings or photo.repeated:
            return photo
        try:
            grey = greys.read(photo.header.path)
        except UserError:
            return photo
        tags, _ = find_tags(np.ascontiguousarray(grey[:, ::-1]))
        return replace(photo, mirrored=len(tags) >= 2)

    photos = _each(told, seen.photos, lambda done, count: None)
    return replace(seen, photos=tuple(photos))


def _kept(
    cache: SightingCache | None,
    sha256: str,
    name: str,
    looked_for: tuple[object, ...],
    measure: Callable[[], Measured],
) -> Measured:
    """What the cache holds, else what ``measure`` finds, which the cache then holds."""
    if cache is None:
        return measure()
    key = cache.key(sha256, looked_for)
    measured = cache.load(key, name)
    if measured is None:
        measured = measure()
        cache.store(key, *measured)
    return measured


def _sha256(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError as error:
        raise UserError(
            say("cannot read this file ({reason})", reason=system_reason(error)),
            path.name,
            "check that it is there",
        ) from error


def _see(header: PhotoHeader, grey: NDArray[np.uint8], marks: Marks | None) -> Measured:
    tags, repeated = find_tags(grey)
    sightings = _measured(grey, header.name, tags)
    bare, bare_repeated = see_marks(grey, header.name, marks)
    return (*sightings, *bare), (*repeated, *bare_repeated)


def _measured(grey: NDArray[np.uint8], name: str, tags: Sequence[TagFound]) -> list[Sighting]:
    """The cards of these tags, without those that neither dots nor face bear out."""
    places = [CardPlace(t.id, t.corners_px) for t in tags]
    sightings, _ = measure_cards(grey, name, refine_corners(grey, places))
    return [
        s
        for s, place in zip(sightings, places, strict=True)
        if s.measured.sum() >= _USABLE_DOTS or not shows_other_face(grey, place)
    ]


def _see_closer(
    name: str, grey: NDArray[np.uint8], seen: Sequence[int], marks: Marks | None
) -> Measured:
    """Cards and marks at full size, and by dots; those ``seen`` are not looked for."""
    known = set(seen)
    whole_px = max(grey.shape)
    tags, repeated = find_tags(grey, whole_px)
    tags = [t for t in tags if t.id not in known]
    known |= {t.id for t in tags} | set(repeated)
    found = _measured(grey, name, tags)
    by_dots = find_tags_by_dots(grey, known, whole_px)
    places = [CardPlace(t.id, t.corners_px) for t in by_dots]
    spanned = measure_cards(grey, name, places)[0]
    bare, _ = see_marks(grey, name, marks, whole_px, known)
    return (*found, *(s for s in spanned if s.measured.sum() >= 3), *bare), ()


def _each(
    work: Callable[[_Item], _Out],
    items: Sequence[_Item],
    progress: Callable[[int, int], None],
) -> list[_Out]:
    """``work`` on every item, in order; OpenCV and NumPy release the interpreter lock."""
    # One thread per photo beats several threads inside one photo.
    cv2.setNumThreads(1)
    results: list[_Out] = []
    with ThreadPoolExecutor(max_workers=min(8, os.cpu_count() or 1)) as pool:
        for result in pool.map(work, items):
            results.append(result)
            progress(len(results), len(items))
    return results
