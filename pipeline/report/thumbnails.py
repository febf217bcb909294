"""Photos as people see them, small, with what was found drawn over them."""

from __future__ import annotations

import base64
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np

from calib.frames import Array
from capture.sightings import Sighting
from pipeline.deviation import DeviationRow
from pipeline.report.words import LOOKS
from pipeline.result import PhotoRow
from targets.card import card_of
from targets.mark import is_mark

LONGEST_PX = 480
_JPEG_QUALITY = 78
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
) -> list[Thumbnail]:
    """Thumbnails of all photos, read on all processors (decoding lets go of the interpreter).

    Parameters
    ----------
    folder : where the photos are.
    photos : what became of each.
    sightings : what was found in them, sensor px.
    rejected : (card, photo, dot) of dots that the adjustment dropped.
    rows : reference points, for their names and verdicts.
    """
    by_photo: dict[str, list[Sighting]] = {}
    for sighting in sightings:
        by_photo.setdefault(sighting.photo, []).append(sighting)
    dropped = set(rejected)
    points = {row.card: row for row in rows}

    def one(photo: PhotoRow) -> Thumbnail:
        try:
            jpeg, size_px, preview_from_sensor = _preview(folder / photo.name)
        except (OSError, ValueError) as error:
            return Thumbnail(photo, "", str(error))
        seen = by_photo.get(photo.name, [])
        overlay = "".join(_overlay(s, preview_from_sensor, dropped, points) for s in seen)
        return Thumbnail(photo, _picture(photo.name, jpeg, size_px, overlay), "")

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(one, photos))


def _preview(path: Path) -> tuple[str, tuple[int, int], Array]:
    """JPEG in base64, its width and height, and the affine (2, 3) from sensor to preview px.

    Raises
    ------
    ValueError : there is no such photo, or it cannot be read; told in plain words.
    """
    import cv2

    from calib.photo import read_preview
    from targets.errors import UserError

    if not path.is_file():
        raise ValueError("it is no longer in the folder photos/")
    try:
        rgb, preview_from_sensor = read_preview(path, LONGEST_PX)
    except UserError as error:
        raise ValueError(error.what) from error
    done, jpeg = cv2.imencode(
        ".jpg",
        cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR),
        [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY, cv2.IMWRITE_JPEG_OPTIMIZE, 1],
    )
    if not done:
        raise ValueError("it could not be made small")
    height_px, width_px = rgb.shape[:2]
    text = base64.b64encode(jpeg.tobytes()).decode("ascii")
    return text, (width_px, height_px), np.asarray(preview_from_sensor, dtype=float)


def _picture(name: str, jpeg: str, size_px: tuple[int, int], overlay: str) -> str:
    width_px, height_px = size_px
    return (
        f'<svg class="photo" role="img" aria-label="{escape(name)}" '
        f'viewBox="0 0 {width_px} {height_px}" font-size="{width_px / _LABEL_SHARE:.1f}">'
        f'<image width="{width_px}" height="{height_px}" href="data:image/jpeg;base64,{jpeg}"/>'
        f"{overlay}</svg>"
    )


def _overlay(
    sighting: Sighting,
    preview_from_sensor: Array,
    dropped: set[tuple[int, str, int]],
    points: Mapping[int, DeviationRow],
) -> str:
    """A card's outline, its dots, and its id with the name of its point."""
    edge = _to(preview_from_sensor, card_outline_px(sighting))
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
    for dot, (x, y) in enumerate(_to(preview_from_sensor, sighting.dots_px)):
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
