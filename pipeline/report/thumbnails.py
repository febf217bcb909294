"""Photos as people see them, small, with what was found drawn over them."""

from __future__ import annotations

import base64
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np

from calib.frames import Array
from capture.sightings import Sighting
from pipeline.datum.deviation import DeviationRow
from pipeline.report.words import LOOKS
from pipeline.results.result import PhotoRow
from targets.card import card_of
from targets.mark import is_mark
from targets.said import say

LONGEST_PX = 1000
"""Longer side of a picture, where there are few: enough to see a card when it is enlarged."""
_LEAST_PX = 240
_BYTES_IN_ALL = 4_500_000
"""Of all pictures before base64, which makes them a third larger: a page can still be mailed."""
_QUALITIES = (78, 65, 50, 35)
_WIDTH_UNITS = 480.0
"""Longer side of a picture in units of the page, so that marks are equally bold on all."""
_LABEL_SHARE = 40.0  # photos are shown equally wide, so labels go with the width
_FOUND, _DOT, _HALO = "#f0e442", "#56c8ff", "#101418"


@dataclass(frozen=True)
class Thumbnail:
    """One photo on the page; ``svg`` is "" when the photo cannot be read, ``trouble`` says why."""

    photo: PhotoRow
    svg: str
    trouble: str


def thumbnails(
    folder: Path,
    photos: Sequence[PhotoRow],
    sightings: Iterable[Sighting],
    rejected: Iterable[tuple[int, str, int]],
    rows: Iterable[DeviationRow],
    previews: Previews | None = None,
) -> list[Thumbnail]:
    """Thumbnails of all photos.

    Parameters
    ----------
    folder : where the photos are.
    photos : what became of each.
    sightings : what was found in them, sensor px.
    rejected : (card, photo, dot) of dots that the adjustment dropped.
    rows : reference points, for their names and verdicts.
    previews : of the photos, if they were begun before; else they are made now.
    """
    by_photo: dict[str, list[Sighting]] = {}
    for sighting in sightings:
        by_photo.setdefault(sighting.photo, []).append(sighting)
    dropped = set(rejected)
    points = {row.card: row for row in rows}

    def one(photo: PhotoRow) -> Thumbnail:
        try:
            preview = small.of(photo.name)
        except (OSError, ValueError) as error:
            why = error.args[0] if isinstance(error, ValueError) else str(error)
            return Thumbnail(photo, "", why)
        seen = by_photo.get(photo.name, [])
        overlay = "".join(_overlay(s, preview.page_from_sensor, dropped, points) for s in seen)
        return Thumbnail(photo, _picture(photo.name, preview, overlay), "")

    with previews or Previews(folder) as small:
        small.begin([photo.name for photo in photos], os.cpu_count() or 1)
        return [one(photo) for photo in photos]


class Previews:
    """Small pictures of the photos in ``folder``, made on threads of their own from ``begin`` on.

    Decoding lets go of the interpreter, so one thread of them uses a processor that other work
    leaves idle.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._pool: ThreadPoolExecutor | None = None
        self._made: dict[str, Future[_Preview]] = {}

    def begin(self, names: Sequence[str], at_once: int = 1) -> None:
        """Have previews of these photos made, ``at_once`` at a time; of those not yet begun."""
        each = _BYTES_IN_ALL // max(len(names), 1)
        # Twice the side is four times the bytes; 100 kB show 1000 px well.
        longest_px = int(np.clip(LONGEST_PX * math.sqrt(each / 100_000), _LEAST_PX, LONGEST_PX))
        self._pool = self._pool or ThreadPoolExecutor(at_once)
        for name in names:
            if name not in self._made:
                made = self._pool.submit(_preview, self._folder / name, longest_px, each)
                self._made[name] = made

    def of(self, name: str) -> _Preview:
        """The preview of a photo that was begun, as soon as it is made.

        Raises
        ------
        ValueError : as ``_preview``.
        """
        return self._made[name].result()

    def __enter__(self) -> Previews:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool:
            self._pool.shutdown(cancel_futures=True)


@dataclass(frozen=True)
class _Preview:
    """A small picture: JPEG in base64, size in units of the page, and the affine (2, 3) to them."""

    jpeg: str
    width: float
    height: float
    page_from_sensor: Array


def _preview(path: Path, longest_px: int, most_bytes: int) -> _Preview:
    """The photo small, in as many bytes as it may have if any quality allows it.

    Raises
    ------
    ValueError : there is no such photo, or it cannot be read; told in plain words.
    """
    import cv2

    from calib.photo import read_preview
    from targets.errors import UserError

    if not path.is_file():
        raise ValueError(say("it is no longer in the folder photos/"))
    try:
        rgb, preview_from_sensor = read_preview(path, longest_px)
    except UserError as error:
        raise ValueError(error.what) from error
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    for quality in _QUALITIES:
        done, jpeg = cv2.imencode(
            ".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
        )
        if not done:
            raise ValueError("it could not be made small")
        if len(jpeg) <= most_bytes:
            break
    height_px, width_px = rgb.shape[:2]
    scale = _WIDTH_UNITS / max(height_px, width_px)
    # Here a pixel's centre is a whole number; on the page the picture's edge is.
    affine = np.asarray(preview_from_sensor, dtype=float) * scale
    affine[:, 2] += 0.5 * scale
    return _Preview(
        base64.b64encode(jpeg.tobytes()).decode("ascii"),
        width_px * scale,
        height_px * scale,
        affine,
    )


def _picture(name: str, preview: _Preview, overlay: str) -> str:
    size = f'width="{preview.width:g}" height="{preview.height:g}"'
    return (
        f'<svg class="photo" role="img" aria-label="{escape(name)}" '
        f'viewBox="0 0 {preview.width:g} {preview.height:g}" '
        f'font-size="{preview.width / _LABEL_SHARE:.1f}">'
        f'<image {size} href="data:image/jpeg;base64,{preview.jpeg}"/>'
        f"{overlay}</svg>"
    )


def _overlay(
    sighting: Sighting,
    page_from_sensor: Array,
    dropped: set[tuple[int, str, int]],
    points: Mapping[int, DeviationRow],
) -> str:
    """A card's outline, its dots, and its id with the name of its point."""
    edge = _to(page_from_sensor, card_outline_px(sighting))
    if not np.isfinite(edge).all():
        return ""
    row = points.get(sighting.card)
    out = row is not None and row.verdict == "out"
    colour = "#ff8c42" if out else _FOUND
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in edge)
    parts = [
        f'<polygon points="{path}" fill="none" stroke="{_HALO}" stroke-width="3"/>',
        f'<polygon points="{path}" fill="none" stroke="{colour}" '
        f'stroke-width="{2.2 if out else 1.2}"/>',
    ]
    for dot, (x, y) in enumerate(_to(page_from_sensor, sighting.dots_px)):
        if not (math.isfinite(x) and math.isfinite(y)):
            continue
        if (sighting.card, sighting.photo, dot) in dropped or not sighting.measured[dot]:
            parts.append(
                f'<path d="M{x - 3:.1f},{y - 3:.1f}l6,6m0,-6l-6,6" stroke="#ff8c42" '
                'stroke-width="1.4"/>'
            )
        else:
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.7" fill="none" stroke="{_DOT}" '
                'stroke-width="0.9"/>'
            )
    name = f"{sighting.card}" + (f" {row.point} {row.side}" if row is not None else "")
    mark = f" {LOOKS['out'].mark}" if out else ""
    x, y = edge[:, 0].mean(), edge[:, 1].min() - 3.0
    parts.append(
        f'<text x="{x:.1f}" y="{max(y, 10.0):.1f}" class="id" fill="{colour}">'
        f"{escape(name + mark)}</text>"
    )
    return "".join(parts)


def card_outline_px(sighting: Sighting) -> Array:
    """Edge of the whole card, (4, 2) sensor px, from its dots (else from its tag's corners).

    Of a mark, whose paper nobody knows, the edge of its tag.
    """
    from capture.plane import homography, projected

    if is_mark(sighting.card):
        return sighting.corners_px
    card = card_of(sighting.card)
    whole = np.isfinite(sighting.dots_px).all() and np.all(sighting.measured)
    plane, image = (
        (card.dots_mm, sighting.dots_px) if whole else (card.corners_mm, sighting.corners_px)
    )
    if not np.isfinite(image).all():
        return np.full((4, 2), np.nan)
    edge_mm = card.dots_mm / np.abs(card.dots_mm).max() * card.width_mm / 2.0
    return projected(homography(plane, image), edge_mm)


def _to(affine: Array, points_px: Array) -> Array:
    return np.asarray(np.asarray(points_px, dtype=float) @ affine[:, :2].T + affine[:, 2])
