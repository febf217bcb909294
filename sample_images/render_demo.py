"""Render the demo job: photos, board photos, job files and truth.

    python sample_images/render_demo.py            everything, then the checks
    python sample_images/render_demo.py --check    the checks alone, on the files that are there
    python sample_images/render_demo.py --pulled   the second session, after the first pull

A tool for development; nothing at run time needs it. README.md beside it says what to install.
"""

from __future__ import annotations

import argparse
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image

import scenario
from scenario import Array, PlacedCard
from targets.card import card_of

if TYPE_CHECKING:
    from rays import Tracer

HERE = Path(__file__).resolve().parent
SAMPLES = 4
"""Samples per pixel along a side."""
BLUR_PX = 0.68
FLASH = 1.5
INVENTED = (
    "Rendered by render_demo.py: the van, its sheet, its damage, the camera and the workshop are "
    "all invented; no photo shows a real vehicle."
)


# -- film ------------------------------------------------------------------------------------


def develop(linear: Array, gain: float, random: np.random.Generator) -> Array:
    """8-bit RGB of a linear picture: blur, vignetting, noise, tone curve."""
    picture = cv2.GaussianBlur(linear.astype(np.float32) * np.float32(gain), (0, 0), BLUR_PX)
    height, width = picture.shape[:2]
    v, u = np.ogrid[:height, :width]
    radius2 = ((u - width / 2) ** 2 + (v - height / 2) ** 2) / (width**2 + height**2) * 4.0
    picture *= (1.0 - 0.30 * radius2 + 0.06 * radius2**2).astype(np.float32)[..., None]
    # Shot noise grows with the root of the light, read noise does not; half of it is common to
    # the three colours, as after a phone's own denoising.
    sd = np.sqrt(3.0e-6 + 9.0e-5 * np.clip(picture[..., 1:2], 0.0, 1.2))
    common = random.standard_normal((height, width, 1), dtype=np.float32)
    own = random.standard_normal(picture.shape, dtype=np.float32)
    picture += sd * (0.85 * common + 0.35 * own)
    over = np.maximum(picture - 0.8, 0.0)
    picture = np.where(picture > 0.8, 0.8 + 0.2 * (1.0 - np.exp(-over / 0.2)), picture)
    picture = np.clip(picture, 0.0, 1.0)
    curve = np.where(
        picture <= 0.0031308,
        12.92 * picture,
        1.055 * np.maximum(picture, 1e-6) ** (1 / 2.4) - 0.055,
    )
    return np.clip(np.rint(curve * 255.0), 0, 255).astype(np.uint8)


def to_linear(grey: Array) -> Array:
    """Linear light of 8-bit grey levels (the tone curve above, undone below its shoulder)."""
    value = np.asarray(grey, dtype=float) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def save_photo(
    path: Path, pixels: Array, orientation: int, taken: str, flash: bool, exposure_s: float
) -> None:
    """A JPEG with the tags that a phone writes; the sensor's pixels are never turned."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Rendered", "datumshot demo camera"
    exif[0x0112], exif[0x0132] = orientation, taken
    details = exif.get_ifd(0x8769)
    details.update(
        {
            0x829A: exposure_s,
            0x829D: 1.8,
            0x8827: 100,
            0x9003: taken,
            0x9004: taken,
            0x9209: 1 if flash else 16,
            0x920A: 4.84,
            0xA405: 26,
            0xA002: scenario.WIDTH_PX,
            0xA003: scenario.HEIGHT_PX,
            0xA434: "datumshot demo lens 4.84 mm",
        }
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(pixels).save(
        path,
        "JPEG",
        quality=scenario.JPEG_QUALITY,
        subsampling="4:2:0",
        optimize=True,
        progressive=True,
        exif=exif,
    )


# -- geometry of views -------------------------------------------------------------------------


def project(points_mm: Array) -> Array:
    """Pixels of points (N, 3) in the camera frame, by OpenCV: independent of the renderer."""
    k = np.eye(3)
    k[0, 0], k[1, 1], k[0, 2], k[1, 2] = scenario.CONSTANTS[:4]
    return cv2.projectPoints(
        np.asarray(points_mm, dtype=float).reshape(-1, 1, 3),
        np.zeros(3),
        np.zeros(3),
        k,
        scenario.CONSTANTS[4:],
    )[0].reshape(-1, 2)


def job_folder() -> Path:
    """Folder of the job's files."""
    return HERE / scenario.JOB


def photo_name(index: int) -> str:
    """File name of a photo."""
    return f"IMG_{index + scenario.FIRST_PHOTO:04d}.jpg"


def board_name(index: int) -> str:
    """File name of a board photo."""
    return f"BOARD_{index + 1:02d}.jpg"


def dot_centroid_px(centre_mm: Array, axes: Array, dot_mm: Array, radius_mm: float) -> Array:
    """Centre of area of a dot's image, camera frame: the circle's outline, by Green's theorem.

    The image of a circle is not centred on the image of its centre; what a centroid measures is
    this.
    """
    angle = np.linspace(0.0, 2.0 * np.pi, 721)[:-1]
    rim = np.array(dot_mm) + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    outline = project(centre_mm + rim @ axes[:, :2].T)
    about = outline.mean(axis=0)
    x, y = (outline - about).T
    xn, yn = np.roll(x, -1), np.roll(y, -1)
    cross = x * yn - xn * y
    area = cross.sum() / 2.0
    return about + np.array([((x + xn) * cross).sum(), ((y + yn) * cross).sum()]) / (6.0 * area)


def sightings(tracer: Tracer, index: int) -> list[dict]:
    """Which cards a photo shows, and how well."""
    import drjit as dr
    import mitsuba as mi

    turn, shift = scenario.station_poses()[index]
    eye_world = scenario.to_world(-turn.T @ shift)
    found = []
    for card in tracer.cards:
        size = card_of(card.id)
        reach = np.linspace(-0.995, 0.995, 17) * size.width_mm / 2.0
        flat = np.stack(np.meshgrid(reach, reach), -1).reshape(-1, 2)
        points = card.centre_mm + flat @ card.axes[:, :2].T
        camera = points @ turn.T + shift
        to_card = turn @ card.centre_mm + shift
        distance = float(np.linalg.norm(to_card))
        cosine = float((turn @ card.axes[:, 2]) @ to_card / distance)
        if cosine <= 0.05 or camera[:, 2].min() < 100.0:
            continue
        ray_xy = camera[:, :2] / camera[:, 2:]
        if np.abs(ray_xy).max() > 0.75:
            continue
        pixels = project(camera)
        inside = ((pixels > 8) & (pixels < [scenario.WIDTH_PX - 9, scenario.HEIGHT_PX - 9])).all(1)
        if not inside.any():
            continue
        way = scenario.to_world(points) - eye_world
        far = np.linalg.norm(way, axis=1)
        way = (way / far[:, None]).astype(np.float32)
        hit = tracer.mi_scene.ray_intersect_preliminary(
            mi.Ray3f(
                mi.Point3f(*[float(v) for v in eye_world]),
                mi.Vector3f(*[mi.Float(way[:, k].copy()) for k in range(3)]),
            )
        )
        dr.eval(hit.t)
        # A ray through the seam of two triangles may miss the card itself; nothing hid it.
        free = hit.t.numpy() > far - 1.0
        share = float((free & inside).mean())
        if share < 0.05:
            continue
        width_px = float(scenario.CONSTANTS[0] * size.width_mm / distance)
        incidence_deg = float(np.degrees(np.arccos(min(1.0, cosine))))
        found.append(
            {
                "card": card.id,
                "distance_mm": round(distance, 1),
                "incidence_deg": round(incidence_deg, 2),
                "width_px": round(width_px, 1),
                "visible": round(share, 3),
                "well_seen": share == 1.0 and incidence_deg < 65.0 and width_px >= 60.0,
            }
        )
    return found


# -- files -------------------------------------------------------------------------------------


def write_job_files(cards: list[PlacedCard]) -> None:
    """job.toml, sheet.csv, cards.csv."""
    job = job_folder()
    job.mkdir(parents=True, exist_ok=True)
    bars = "".join(
        f"\n[[bar]]\ncards = [{ids[0]}, {ids[1]}]\nlength_mm = {length_mm}\n"
        f"U_mm = {scenario.BAR_U_MM}\nalpha_per_k = {scenario.BAR_ALPHA_PER_K}\n"
        for ids, length_mm, *_ in scenario.BARS
    )
    (job / "job.toml").write_text(
        f'title = "{scenario.TITLE}"\n'
        'parts = "in"\n'
        "temperature_c = 20\n"
        "tolerance_mm = 3.0\n"
        f'lens = "{scenario.LENS}"\n'
        "seating_u_mm = 0.05\n" + bars + '\n[datum]\nbase = "auto"\n',
        encoding="utf-8",
    )
    rows = ["point,side,length_mm,width_mm,height_mm,parts,base,tol_mm,zone,kind,note"]
    for pair in scenario.PAIRS:
        length, width, height = pair.nominal_mm
        rows.append(
            f"{pair.name},LR,{length},{width},{height},both,{'yes' if pair.base else 'no'},,"
            f'{pair.zone},{pair.kind},"{pair.note}"'
        )
    (job / "sheet.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    rows = ["card,point,side,stem_mm,note"]
    rows += [f"{c.id},{c.point},{c.side},{c.stem_mm}," for c in cards if c.role == "point"]
    (job / "cards.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def _list(value: Array, decimals: int = 6) -> list:
    return np.round(np.asarray(value, dtype=float), decimals).tolist()


def write_truth(cards: list[PlacedCard], seen: list[list[dict]], checks: dict) -> None:
    """truth.json."""
    fx, fy, cx, cy, *distortion = scenario.CONSTANTS.tolist()
    good: dict[int, int] = {c.id: 0 for c in cards}
    for photo in seen:
        for sighting in photo:
            good[sighting["card"]] += bool(sighting["well_seen"])
    turn = scenario.WORLD_FROM_VEHICLE_R
    truth = {
        "rendered": True,
        "note": INVENTED,
        "units": "mm",
        "pixel_convention": "the centre of the first pixel is (0, 0), x right, y down, as OpenCV",
        "frames": "x_camera = R x_vehicle + t; vehicle x forward, y left, z up; world = workshop "
        "floor, z up; card axes: x right and y down as printed, z into the card; normal "
        "= -z; hole = card centre + stem_mm z",
        "datum": "as-built scatter of the base points has no rigid part: an equally weighted rigid "
        "fit of the true base points to the sheet is the identity",
        "camera": {
            "width_px": scenario.WIDTH_PX,
            "height_px": scenario.HEIGHT_PX,
            "fx": fx,
            "fy": fy,
            "cx": cx,
            "cy": cy,
            "distortion": distortion,
            "distortion_order": "k1, k2, p1, p2, k3 (OpenCV)",
        },
        "world_from_vehicle": {"R": _list(turn, 12), "t": _list(scenario.WORLD_FROM_VEHICLE_T)},
        "bars": [
            {"cards": list(ids), "length_mm": length, "alpha_per_k": scenario.BAR_ALPHA_PER_K}
            for ids, length, *_ in scenario.BARS
        ],
        "points": [
            {
                "point": p.name,
                "side": p.side,
                "base": p.base,
                "damaged": p.damaged,
                "nominal_mm": _list(p.nominal_mm),
                "true_mm": _list(p.true_mm),
                "deviation_mm": _list(p.true_mm - p.nominal_mm),
            }
            for p in scenario.points()
        ],
        "suspension": scenario.wheel_changes(),
        "cards": [
            {
                "card": c.id,
                "role": c.role,
                "point": c.point,
                "side": c.side,
                "stem_mm": c.stem_mm,
                "width_mm": scenario.card_width_mm(c.id),
                "well_seen_in": good[c.id],
                "vehicle": {
                    "centre_mm": _list(c.centre_mm),
                    "normal": _list(-c.axes[:, 2], 9),
                    "x": _list(c.axes[:, 0], 9),
                    "y": _list(c.axes[:, 1], 9),
                    "z": _list(c.axes[:, 2], 9),
                },
                "world": {
                    "centre_mm": _list(scenario.to_world(c.centre_mm)),
                    "normal": _list(-turn @ c.axes[:, 2], 9),
                    "x": _list(turn @ c.axes[:, 0], 9),
                    "y": _list(turn @ c.axes[:, 1], 9),
                    "z": _list(turn @ c.axes[:, 2], 9),
                },
            }
            for c in cards
        ],
        "photos": [
            {
                "file": f"{scenario.JOB}/photos/{photo_name(i)}",
                "orientation": station.orientation,
                "flash": station.flash,
                "camera_from_vehicle": {"R": _list(r, 12), "t": _list(t)},
                "cards": seen[i],
            }
            for i, (station, (r, t)) in enumerate(
                zip(scenario.STATIONS, scenario.station_poses(), strict=True)
            )
        ],
        "board": {
            "squares": list(scenario.BOARD_SQUARES),
            "square_mm": scenario.BOARD_SQUARE_MM,
            "marker_mm": scenario.BOARD_MARKER_MM,
            "dictionary": "DICT_5X5_100",
            "frame": "top left corner of the pattern, x right, y down, z away from the viewer",
            "photos": [
                {
                    "file": f"board/{board_name(i)}",
                    "orientation": s[5],
                    "camera_from_board": {"R": _list(r, 12), "t": _list(t)},
                }
                for i, (s, (r, t)) in enumerate(
                    zip(scenario.BOARD_STATIONS, scenario.board_poses(), strict=True)
                )
            ],
        },
        "faults": [],
        "checks": checks,
    }
    text = json.dumps(truth, indent=1)
    (HERE / scenario.TRUTH).write_text(_compact(text) + "\n", encoding="utf-8")


def _compact(text: str) -> str:
    """Short lists of plain values on one line, so that people can read the file."""
    return re.sub(
        r"\[\s+([^\[\]{}]*?)\s+\]", lambda m: "[" + re.sub(r"\s*\n\s*", " ", m.group(1)) + "]", text
    )


# -- checks ------------------------------------------------------------------------------------


def check_lens_and_planes(tracer: Tracer) -> dict:
    """Points on cards -> OpenCV's projection -> our rays -> the card's plane: px of difference."""
    import rays

    worst, count = 0.0, 0
    for turn, shift in scenario.station_poses():
        for card in tracer.cards:
            size = card_of(card.id)
            camera = (card.centre_mm + size.dots_mm @ card.axes[:, :2].T) @ turn.T + shift
            if camera[:, 2].min() < 100.0 or (turn @ card.axes[:, 2])[2] < 0.3:
                continue
            pixels = project(camera)
            inside = ((pixels > 0) & (pixels < [scenario.WIDTH_PX, scenario.HEIGHT_PX])).all()
            if not inside or np.abs(camera[:, :2] / camera[:, 2:]).max() > 0.75:
                continue
            x, y = rays.lens_rays(
                rays.Float64(pixels[:, 0].copy()), rays.Float64(pixels[:, 1].copy())
            )
            directions = np.stack([x.numpy(), y.numpy(), np.ones(4)], axis=1)
            z = turn @ card.axes[:, 2]
            depth = (turn @ card.centre_mm + shift) @ z / (directions @ z)
            back = project(directions * depth[:, None])
            off_mm = directions * depth[:, None] - camera
            scale = scenario.CONSTANTS[0] / camera[:, 2]
            worst = max(
                worst,
                float(np.abs(back - pixels).max()),
                float((np.linalg.norm(off_mm, axis=1) * scale).max()),
            )
            count += 4
    return {"points": count, "max_px": float(f"{worst:.3g}")}


def _centroid(light: Array, expected: Array, outline: Array) -> Array | None:
    """Centroid of darkness of a dot, after dividing by a plane fitted to the paper round it.

    ``outline`` (2, 2): px per dot radius, the dot's ellipse. The paper used lies between the dot
    and the card's edge, which is only 1.75 radii from the dot's centre.
    """
    smallest = float(np.linalg.svd(outline)[1][1])
    if smallest < 5.2:
        return None
    reach = int(np.ceil(np.abs(outline).sum(axis=1).max() * 1.5)) + 2
    c, r = np.rint(expected).astype(int)
    if min(c, r) < reach or c + reach >= light.shape[1] or r + reach >= light.shape[0]:
        return None
    window = light[r - reach : r + reach + 1, c - reach : c + reach + 1]
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(float)
    local = np.linalg.solve(
        outline, np.stack([u - (expected[0] - c), v - (expected[1] - r)]).reshape(2, -1)
    )
    radii = np.hypot(*local).reshape(u.shape)
    inner = 1.0 + 2.1 / smallest
    paper = (radii > inner) & (radii < max(1.75 - 1.6 / smallest, inner + 0.12))
    basis = np.stack([np.ones(paper.sum()), u[paper], v[paper]], axis=1)
    plane = np.linalg.lstsq(basis, window[paper], rcond=None)[0]
    dark = 1.0 - window / (plane[0] + plane[1] * u + plane[2] * v)
    dark = np.where(radii < inner + 0.05, dark, 0.0)
    return np.array([c + (dark * u).sum() / dark.sum(), r + (dark * v).sum() / dark.sum()])


def _good_dots(
    cards: list[PlacedCard], seen: list[dict], index: int
) -> Iterator[tuple[Array, Array]]:
    """Expected centroids, px, and outlines, px per radius, of dots of well-seen cards."""
    turn, shift = scenario.station_poses()[index]
    placed = {card.id: card for card in cards}
    for sighting in seen:
        if not sighting["well_seen"]:
            continue
        card = placed[sighting["card"]]
        size = card_of(card.id)
        axes, centre = turn @ card.axes, turn @ card.centre_mm + shift
        radius_mm = size.dot_diameter_mm / 2.0
        for dot in size.dots_mm:
            middle = centre + axes[:, :2] @ dot
            ends = project(
                np.stack([middle, middle + radius_mm * axes[:, 0], middle + radius_mm * axes[:, 1]])
            )
            yield dot_centroid_px(centre, axes, dot, radius_mm), (ends[1:] - ends[0]).T


def _spread(offsets: list[Array]) -> dict:
    off = np.array(offsets)
    return {
        "dots": len(off),
        "rms_px": round(float(np.sqrt((off**2).mean())), 4),
        "mean_px": _list(off.mean(axis=0), 4),
        "max_px": round(float(np.abs(off).max()), 4),
    }


def check_photos(cards: list[PlacedCard], seen: list[list[dict]]) -> dict:
    """Ids found by OpenCV, and centroids of dots, in the finished JPEG files."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(dictionary, parameters)
    wanted, found, wrong, offsets, missed = 0, 0, 0, [], []
    known = {c.id for c in cards}
    for index, photo in enumerate(seen):
        path = job_folder() / "photos" / photo_name(index)
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        _, ids, _ = detector.detectMarkers(grey)
        got = set() if ids is None else set(np.asarray(ids).ravel().tolist())
        well = {s["card"] for s in photo if s["well_seen"]}
        wanted += len(well)
        found += len(well & got)
        wrong += len(got - known)
        missed += [f"{path.name}:{i}" for i in sorted(well - got)]
        light = to_linear(grey)
        for expected, outline in _good_dots(cards, photo, index):
            measured = _centroid(light, expected, outline)
            if measured is not None:
                offsets.append(measured - expected)
    return {
        "well_seen": wanted,
        "found": found,
        "wrong_ids": wrong,
        "missed": missed,
        "jpeg_dots": _spread(offsets),
    }


def check_board() -> dict:
    """Calibrate from the board photos with OpenCV; constants against truth in units of sigma."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    board = cv2.aruco.CharucoBoard(
        scenario.BOARD_SQUARES, scenario.BOARD_SQUARE_MM, scenario.BOARD_MARKER_MM, dictionary
    )
    detector = cv2.aruco.CharucoDetector(board)
    objects, images, cells = [], [], set()
    for index in range(len(scenario.BOARD_STATIONS)):
        path = HERE / "board" / board_name(index)
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        corners, ids, _, _ = detector.detectBoard(grey)
        if ids is None or len(ids) < 8:
            continue
        # The centre of the first pixel is (0, 0) for OpenCV too.
        points, pixels = board.matchImagePoints(corners, ids)
        objects.append(points)
        images.append(pixels)
        for u, v in pixels.reshape(-1, 2):
            cells.add((int(u * 8 / scenario.WIDTH_PX), int(v * 6 / scenario.HEIGHT_PX)))
    rms, k, distortion, _, _, sd, _, _ = cv2.calibrateCameraExtended(
        objects, images, (scenario.WIDTH_PX, scenario.HEIGHT_PX), None, None
    )
    got = np.concatenate([[k[0, 0], k[1, 1], k[0, 2], k[1, 2]], np.ravel(distortion)[:5]])
    sigmas = (got - scenario.CONSTANTS) / np.ravel(sd)[:9]
    return {
        "photos_used": len(objects),
        "corners": int(sum(len(i) for i in images)),
        "cells_of_8x6_covered": len(cells),
        "rms_px": round(float(rms), 4),
        "constants_off": _list(got - scenario.CONSTANTS, 5),
        "constants_off_sigma": _list(sigmas, 2),
    }


# -- main --------------------------------------------------------------------------------------


def exposure_gain(linear: Array, index: int, cards: list[PlacedCard], seen: list[dict]) -> float:
    """Gain that a phone would choose: cards bright but not burnt out."""
    turn, shift = scenario.station_poses()[index]
    placed = {card.id: card for card in cards}
    levels = []
    for sighting in seen:
        card = placed[sighting["card"]]
        side = scenario.card_width_mm(card.id) * 0.41
        spots = np.array([[side, 0], [-side, 0], [0, side], [0, -side]], dtype=float)
        spots = card.centre_mm + spots @ card.axes[:, :2].T
        for u, v in np.rint(project(spots @ turn.T + shift)).astype(int):
            if 0 <= u < scenario.WIDTH_PX and 0 <= v < scenario.HEIGHT_PX:
                levels.append(float(linear[v, u].mean()))
    middle, bright = np.percentile(levels, [50, 93])
    return min(0.66 / middle, 0.92 / bright) * scenario.STATIONS[index].exposure


def render(samples: int, only: set[int] | None, board: bool) -> None:
    """All pictures and files."""
    import rays
    import underbody

    start = time.perf_counter()
    scene, cards = underbody.build()
    tracer = rays.Tracer(scene, cards)
    tracer.bake()
    print(f"scene of {len(tracer.faces)} triangles baked in {time.perf_counter() - start:.1f} s")
    seen = [sightings(tracer, i) for i in range(len(scenario.STATIONS))]
    for card in cards:
        print(
            card.id,
            card.role,
            card.point + card.side,
            sum(s["card"] == card.id and s["well_seen"] for photo in seen for s in photo),
        )

    offsets = []
    for index, station in enumerate(scenario.STATIONS):
        if only is not None and index not in only:
            continue
        start = time.perf_counter()
        turn, shift = scenario.station_poses()[index]
        world_turn = turn @ scenario.WORLD_FROM_VEHICLE_R.T
        shot = rays.Shot(
            world_turn,
            shift - world_turn @ scenario.WORLD_FROM_VEHICLE_T,
            FLASH if station.flash else 0.0,
            samples,
        )
        linear = tracer.picture(shot)
        light = linear[..., 1].astype(float)
        for expected, outline in _good_dots(cards, seen[index], index):
            measured = _centroid(light, expected, outline)
            if measured is not None:
                offsets.append(measured - expected)
        random = np.random.default_rng([scenario.SEED, 30, index + scenario.FIRST_PHOTO - 1])
        pixels = develop(linear, exposure_gain(linear, index, cards, seen[index]), random)
        minute, second = divmod(23 * index + 7, 60)
        save_photo(
            job_folder() / "photos" / photo_name(index),
            pixels,
            station.orientation,
            f"2026:05:12 {scenario.HOUR}:{14 + minute:02d}:{second:02d}",
            station.flash,
            1 / 60,
        )
        print(f"{photo_name(index)} {time.perf_counter() - start:.1f} s")
    noiseless = _spread(offsets) if offsets else {}

    for index, (turn, shift) in enumerate(scenario.board_poses() if board else []):
        start = time.perf_counter()
        random = np.random.default_rng([scenario.SEED, 40, index])
        linear = rays.board_picture(turn, shift, samples, random)
        pixels = develop(linear, float(random.uniform(0.80, 1.0)), random)
        save_photo(
            HERE / "board" / board_name(index),
            pixels,
            scenario.BOARD_STATIONS[index][5],
            f"2026:05:12 09:{40 + index:02d}:11",
            False,
            1 / 60,
        )
        print(f"{board_name(index)} {time.perf_counter() - start:.1f} s")

    write_job_files(cards)
    write_truth(
        cards, seen, {"lens_and_planes": check_lens_and_planes(tracer), "noiseless_dots": noiseless}
    )


def _load_truth() -> tuple[dict, list[PlacedCard]]:
    truth = json.loads((HERE / scenario.TRUTH).read_text(encoding="utf-8"))
    cards = [
        PlacedCard(
            c["card"],
            c["role"],
            np.array(c["vehicle"]["centre_mm"]),
            np.array([c["vehicle"][k] for k in "xyz"]).T,
            c["point"],
            c["side"],
            c["stem_mm"],
        )
        for c in truth["cards"]
    ]
    return truth, cards


def check() -> None:
    """Checks on the files; their figures go into truth.json beside the renderer's own."""
    truth, cards = _load_truth()
    truth["checks"]["photos"] = check_photos(cards, [p["cards"] for p in truth["photos"]])
    truth["checks"]["board"] = check_board()
    text = json.dumps(truth, indent=1)
    (HERE / scenario.TRUTH).write_text(_compact(text) + "\n", encoding="utf-8")
    print(json.dumps(truth["checks"], indent=1))
    files = [p for p in HERE.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    print(f"{len(files)} files, {sum(p.stat().st_size for p in files) / 1e6:.2f} MB")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="only check the files that are there")
    parser.add_argument("--samples", type=int, default=SAMPLES, help="samples per pixel side")
    parser.add_argument("--only", default="", help="photos to render, such as 1,5,9")
    parser.add_argument("--no-board", action="store_true", help="leave the board photos alone")
    parser.add_argument("--pulled", action="store_true", help="the second session")
    arguments = parser.parse_args()
    if arguments.pulled:
        import pulled

        pulled.set_scene()
    if not arguments.check:
        only = {int(i) - 1 for i in arguments.only.split(",")} if arguments.only else None
        render(arguments.samples, only, not (arguments.no_board or arguments.pulled))
        if only is not None:
            return
    check()


if __name__ == "__main__":
    main()
