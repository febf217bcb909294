"""What the page's view in three dimensions draws: points, arrows, cards and photos."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.frames import Array, Pose
from pipeline.report import drawing, words
from pipeline.results.result import Result
from targets.said import Said, say, say_count

_OUTLINE_SHARE = 0.09
"""How far from its station a photo's outline is drawn, of the size of what was measured."""


def space(result: Result) -> dict[str, Any]:
    """The scene for the script of the page, and what it shows in words.

    Coordinates are whole or tenths of mm in the frame of the result: vehicle, or network without a
    datum (then ``in_vehicle`` is false and there are cards and photos only).
    """
    rows = result.deviations.rows
    by_point = {(row.point, row.side): index for index, row in enumerate(rows)}
    centres = np.array([card.centre_mm for card in result.cards]).reshape(-1, 3)
    scene = {
        "times": drawing.exaggeration(rows),
        "in_vehicle": result.vehicle_from_network is not None,
        "front": say("FRONT"),
        "inks": {look.css: look.ink for look in words.LOOKS.values()},
        "points": [
            {
                "name": words.place_name(row),
                "lines": words.told(row),
                "css": words.LOOKS[row.verdict].css,
                "base": row.base,
                "belongs": _mm(row.position_mm - np.nan_to_num(row.deviation_mm)),
                "off": _mm(row.deviation_mm, 3) if np.isfinite(row.deviation_mm).all() else None,
            }
            for row in rows
        ],
        "pairs": [
            [index, by_point[name, "R"]]
            for (name, side), index in by_point.items()
            if side == "L" and (name, "R") in by_point
        ],
        "cards": [_mm(centre) for centre in centres],
        "photos": [
            {"name": name, "at": _mm(station), "corners": [_mm(corner) for corner in corners]}
            for name, station, corners in _photos(result, centres)
        ],
    }
    return {"scene": scene, "told": _told(result, centres)}


def _photos(result: Result, centres: Array) -> list[tuple[str, Array, Array]]:
    """Name, station (3,) and outline (4, 3) of each photo, mm in the frame of the result."""
    solution = result.solution
    far_mm = _OUTLINE_SHARE * float(np.linalg.norm(np.ptp(centres, axis=0))) if len(centres) else 0
    to_result = result.vehicle_from_network or Pose.identity()
    outlines = []
    for group in solution.groups:
        wide, high = group.camera.width_px - 1.0, group.camera.height_px - 1.0
        rays = group.camera.rays(np.array([[0.0, 0.0], [wide, 0.0], [wide, high], [0.0, high]]))
        outlines.append(np.column_stack([rays[:, :2], np.ones(4)]) * max(far_mm, 50.0))
    found = []
    for name, pose, group in zip(
        solution.photos, solution.camera_from_network, solution.group_of_photo, strict=True
    ):
        result_from_camera = to_result.compose(pose.inverse())
        station = result_from_camera.apply(np.zeros((1, 3)))[0]
        found.append((name, station, result_from_camera.apply(outlines[int(group)])))
    return found


def _told(result: Result, centres: Array) -> Said:
    """The same in words, for those who do not see the picture."""
    photos = _photos(result, centres)
    cards = say_count(len(centres), "{count} card", "{count} cards")
    if not photos or not len(centres):
        return say("{cards} and no photo take part.", cards=cards)
    stations = np.array([station for _, station, _ in photos])
    aims = np.linalg.norm(stations[:, None] - centres[None], axis=-1)
    distances = say_count(
        len(photos),
        "{count} photo, taken {near:.1f} m from the nearest card",
        "{count} photos, taken {near:.1f} to {far:.1f} m from the nearest card",
        near=float(aims.min(axis=1).min()) / 1000.0,
        far=float(aims.min(axis=1).max()) / 1000.0,
    )
    if result.vehicle_from_network is None:
        return say(
            "{cards} and {photos}. Thin pyramids are the photos, seen from where they were taken.",
            cards=cards,
            photos=distances,
        )
    middle = (centres.min(axis=0) + centres.max(axis=0)) / 2
    ahead = int((stations[:, 0] > middle[0]).sum())
    left = int((stations[:, 1] > 0.0).sum())
    return say(
        "{points} and {photos}: {ahead} from the front half, {behind} from the rear, {left} from "
        "the left side, {right} from the right. Arrows are drawn {times} times as large, as in the "
        "drawings; thin pyramids are the photos, seen from where they were taken.",
        points=say_count(len(result.deviations.rows), "{count} point", "{count} points"),
        photos=distances,
        ahead=ahead,
        behind=len(photos) - ahead,
        left=left,
        right=len(photos) - left,
        times=drawing.exaggeration(result.deviations.rows),
    )


def _mm(values: Array, decimals: int = 1) -> list[float]:
    return [round(float(v), decimals) for v in values]
