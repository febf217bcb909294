"""The result in space: a PLY file for any viewer, and a window with Open3D.

Both are made from result.json, so that looking at a result never means solving again. Open3D is
large and not needed for measuring; it is imported only when the window is asked for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array, Pose
from pipeline.ply import COLOUR, PLACE, numbered, ply_document
from pipeline.report.drawing import STEPS, nice_below
from pipeline.report.words import LOOKS
from pipeline.results.result import Result
from pipeline.results.result_document import result_document
from pipeline.results.result_json import load_result_json
from targets.atomic import write_text
from targets.card import card_of
from targets.errors import UserError
from targets.mark import is_mark
from targets.said import say

KINDS = ("hole", "card", "camera station")
"""What the vertices of the PLY file stand for, by the number in their ``kind``."""

_CARD_RGB, _STATION_RGB = (110, 116, 124), (20, 20, 20)
_FRUSTUM_MM = 120.0
_MARK_MM = 60.0
_HOLE_RADIUS_MM = 18.0

# What ``import open3d`` (0.20.0) asks of a bare Debian 12 (debootstrap, minbase) that is not there.
_APT_ALL = ("libegl1", "libgl1", "libusb-1.0-0")
# Debian's packages for these and the other libraries that it names (readelf, NEEDED); libgomp is
# named by older releases only (from memory).
_APT = {
    "libEGL": "libegl1",
    "libGL": "libgl1",
    "libusb-1.0": "libusb-1.0-0",
    "libX11": "libx11-6",
    "libudev": "libudev1",
    "libidn2": "libidn2-0",
    "libgomp": "libgomp1",
}


@dataclass(frozen=True)
class Scene:
    """What there is to see, mm, in the vehicle frame (network frame without a datum).

    Attributes
    ----------
    vertices_mm : (V, 3) holes, then cards, then camera stations.
    normals : (V, 3) unit vectors: out of the printed face; a station's viewing direction.
    colours : (V, 3) uint8, red green blue; holes by verdict, and cards that stand for a point.
    kinds : (V,) index into ``KINDS``.
    cards : (V,) card ids, -1 for stations.
    arrows_mm : (A, 2, 3) where a point belongs and where it is, the way between drawn ``times``
        as large; ``arrow_colours`` (A, 3) uint8.
    times : exaggeration of the arrows.
    cameras : per station the pose scene_from_camera and the half width and half height of its
        image at distance 1.
    """

    vertices_mm: Array
    normals: Array
    colours: np.ndarray
    kinds: np.ndarray
    cards: np.ndarray
    arrows_mm: Array
    arrow_colours: np.ndarray
    times: int
    cameras: tuple[tuple[Pose, float, float], ...]


def scene_of(document: Mapping[str, Any]) -> Scene:
    """The scene of a result.json as ``pipeline.results.result_json.load_result_json`` gives it."""
    points, cards = document["points"], document["cards"]
    normal_of = {card["card"]: card["normal"] for card in cards}
    verdict_of = {point["card"]: point["verdict"] for point in points}
    # A hole has the direction of the card that stood for it.
    holes = [
        (p["position_mm"], normal_of.get(p["card"], [0.0, 0.0, 0.0]), _rgb(p["verdict"]), p["card"])
        for p in points
    ]
    plain = [
        (
            c["centre_mm"],
            c["normal"],
            _rgb(verdict_of[c["card"]]) if c["card"] in verdict_of else _CARD_RGB,
            c["card"],
        )
        for c in cards
    ]
    cameras = _cameras(document)
    stations = [
        (pose.translation.tolist(), pose.rotation[:, 2].tolist(), _STATION_RGB, -1)
        for pose, _, _ in cameras
    ]
    rows = holes + plain + stations
    times, arrows, arrow_colours = _arrows(points)
    return Scene(
        vertices_mm=_array([row[0] for row in rows]),
        normals=_array([row[1] for row in rows]),
        colours=np.array([row[2] for row in rows], dtype=np.uint8).reshape(-1, 3),
        kinds=np.repeat(np.arange(3), [len(holes), len(plain), len(stations)]),
        cards=np.array([row[3] for row in rows], dtype=int),
        arrows_mm=arrows,
        arrow_colours=arrow_colours,
        times=times,
        cameras=cameras,
    )


def ply_text(result: Result | Mapping[str, Any]) -> str:
    """ASCII PLY (1.0) of holes, cards and camera stations, with normals and colours, mm.

    Beside the properties that every viewer knows, ``kind`` is the index into ``KINDS`` and
    ``card`` the id of the card (-1 for a station).
    """
    document = _document(result)
    scene = scene_of(document)
    finite = np.isfinite(scene.vertices_mm).all(axis=1)
    rows = [
        " ".join(
            [
                *(f"{v:.4f}" for v in scene.vertices_mm[i]),
                *(f"{n:.6f}" for n in np.nan_to_num(scene.normals[i])),
                *(str(c) for c in scene.colours[i]),
                str(scene.kinds[i]),
                str(scene.cards[i]),
            ]
        )
        for i in np.flatnonzero(finite)
    ]
    axes = "x length + forward, y width + left, z height + up"
    return ply_document(
        [
            f"{document['frame']} frame" + (f": {axes}" if document["frame"] == "vehicle" else ""),
            f"kind: {numbered(KINDS)}",
        ],
        [PLACE, ("uchar", (*COLOUR, "kind")), ("int", ("card",))],
        rows,
    )


def write_ply(result: Result | Mapping[str, Any], path: Path) -> None:
    """Write ``ply_text`` to a file.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, ply_text(result))


def show(result: Result | Path) -> None:
    """Open a window with points, camera stations and exaggerated deviation arrows.

    Parameters
    ----------
    result : a result, or the path of a result.json.

    Raises
    ------
    UserError : Open3D or a library of the system is missing, there is no screen, or the file
        cannot be read.
    """
    document = load_result_json(result) if isinstance(result, Path) else _document(result)
    scene = scene_of(document)
    o3d = import_open3d()
    window = o3d.visualization.Visualizer()
    # Open3D prints its own reason and returns False where there is no screen.
    if not window.create_window(window_title(document, scene), 1280, 800):
        raise UserError(
            "no window can be opened here",
            "",
            "run this where there is a screen, or open the PLY file elsewhere",
        )
    try:
        for geometry in geometries(scene, o3d):
            window.add_geometry(geometry)
        window.run()
    finally:
        window.destroy_window()


def window_title(document: Mapping[str, Any], scene: Scene) -> str:
    """Title of the window; it says how much larger the arrows are than the deviations."""
    title = re.sub(r"\s+", " ", document["settings"]["title"])
    if not len(scene.arrows_mm):
        return f"{title} - no deviations"
    return f"{title} - deviations drawn {scene.times} times as large"


def geometries(scene: Scene, o3d: Any) -> list[Any]:
    """The scene as Open3D geometries: spheres, card tiles, frusta as lines, arrows, axes.

    Parameters
    ----------
    scene : what to show.
    o3d : the module ``open3d``, see ``import_open3d``.
    """
    built: list[Any] = []
    for vertex, normal, colour, kind, card in zip(
        scene.vertices_mm, scene.normals, scene.colours, scene.kinds, scene.cards, strict=True
    ):
        if kind == 0 and np.isfinite(vertex).all():
            mesh = o3d.geometry.TriangleMesh.create_sphere(_HOLE_RADIUS_MM, 12)
            mesh.translate(vertex)
        elif kind == 1 and np.isfinite(vertex).all():
            side = _MARK_MM if is_mark(int(card)) else card_of(int(card)).width_mm
            mesh = o3d.geometry.TriangleMesh.create_box(side, side, 2.0)
            mesh.translate([-side / 2, -side / 2, -2.0])
            mesh.rotate(_rotation_to(normal), center=(0.0, 0.0, 0.0))
            mesh.translate(vertex)
        else:
            continue
        built.append(_painted(mesh, colour))
    lines = _frusta(scene, o3d)
    if lines is not None:
        built.append(lines)
    for (start, tip), colour in zip(scene.arrows_mm, scene.arrow_colours, strict=True):
        length = float(np.linalg.norm(tip - start))
        if length < 1.0:
            continue
        head = min(70.0, 0.4 * length)
        mesh = o3d.geometry.TriangleMesh.create_arrow(
            cylinder_radius=8.0,
            cone_radius=24.0,
            cylinder_height=length - head,
            cone_height=head,
        )
        mesh.rotate(_rotation_to((tip - start) / length), center=(0.0, 0.0, 0.0))
        mesh.translate(start)
        built.append(_painted(mesh, colour))
    built.append(o3d.geometry.TriangleMesh.create_coordinate_frame(300.0))
    return built


def import_open3d() -> Any:
    """The module ``open3d``.

    Raises
    ------
    UserError : it, or a library of the system that it needs, is not installed.
    """
    try:
        import open3d
    except ModuleNotFoundError as error:
        if error.name != "open3d":
            raise UserError(
                say("Open3D lacks the package {package}", package=error.name),
                "",
                'run pip install "datumshot[cloud]"',
            ) from error
        raise UserError(
            "the 3-D window needs Open3D, which is not installed",
            "",
            'run pip install "datumshot[cloud]"',
        ) from error
    except (ImportError, OSError) as error:
        raise UserError(*_missing_library(str(error))) from error
    return open3d


def _missing_library(message: str) -> tuple[str, str, str]:
    """What, where and remedy for the loader's message about a missing library."""
    found = re.search(r"(lib[\w.+-]*?)\.so", message)
    if not found:
        first = message.splitlines()[0] if message else say("no reason given")
        return (
            say("Open3D does not start ({reason})", reason=first),
            "",
            say('run pip install "datumshot[cloud]" again'),
        )
    library = found[1]
    package = next((apt for name, apt in _APT.items() if library.startswith(name)), None)
    remedy = (
        say(
            "on Debian or Ubuntu run apt install {packages}",
            packages=" ".join(dict.fromkeys((package, *_APT_ALL))),
        )
        if package
        else say("install the package of your system that holds it")
    )
    what = say(
        "Open3D needs the system's library {library}, which is not installed", library=library
    )
    return what, "", remedy


def _document(result: Result | Mapping[str, Any]) -> Mapping[str, Any]:
    return result_document(result) if isinstance(result, Result) else result


def _rgb(verdict: str) -> tuple[int, int, int]:
    ink = next(look.ink for name, look in LOOKS.items() if name == verdict)
    return int(ink[1:3], 16), int(ink[3:5], 16), int(ink[5:7], 16)


def _array(rows: list[Any]) -> Array:
    """(N, 3) floats; what JSON has as null becomes nan."""
    return np.array(
        [[np.nan if v is None else v for v in row] for row in rows], dtype=float
    ).reshape(-1, 3)


def _pose(entry: Mapping[str, Any]) -> Pose:
    return Pose(_array(entry["rotation"]), _array([entry["translation_mm"]])[0])


def _cameras(document: Mapping[str, Any]) -> tuple[tuple[Pose, float, float], ...]:
    """Camera stations in the frame of the document, and the half sizes of their images."""
    vehicle = document["vehicle_from_network"]
    scene_from_network = _pose(vehicle) if vehicle else Pose.identity()
    found = []
    for photo in document["photos"]:
        if photo["camera_from_network"] is None:
            continue
        camera = document["cameras"][photo["camera"]]
        pose = scene_from_network.compose(_pose(photo["camera_from_network"]).inverse())
        found.append(
            (
                pose,
                camera["width_px"] / 2.0 / camera["constants"]["fx"],
                camera["height_px"] / 2.0 / camera["constants"]["fy"],
            )
        )
    return tuple(found)


def _arrows(points: list[dict[str, Any]]) -> tuple[int, Array, np.ndarray]:
    """Exaggeration, arrows (A, 2, 3) mm and their colours (A, 3)."""
    known = [p for p in points if None not in p["deviation_mm"] and None not in p["position_mm"]]
    if not known:
        return 1, np.zeros((0, 2, 3)), np.zeros((0, 3), dtype=np.uint8)
    place = _array([p["position_mm"] for p in known])
    deviation = _array([p["deviation_mm"] for p in known])
    sheet = place - deviation
    limits = [2.0 * p["tol_mm"] for p in known if p["tol_mm"] is not None]
    largest_mm = max([float(np.linalg.norm(deviation, axis=1).max()), *limits, 0.1])
    span_mm = max(float(np.ptp(sheet, axis=0).max()), 1000.0)
    times = max(1, math.floor(nice_below(0.15 * span_mm / largest_mm, STEPS)))
    arrows = np.stack([sheet, sheet + times * deviation], axis=1)
    colours = np.array([_rgb(p["verdict"]) for p in known], dtype=np.uint8)
    return times, arrows, colours


def _painted(mesh: Any, colour: np.ndarray) -> Any:
    mesh.paint_uniform_color(np.asarray(colour, dtype=float) / 255.0)
    mesh.compute_vertex_normals()
    return mesh


def _frusta(scene: Scene, o3d: Any) -> Any:
    """All camera stations as one set of lines: four edges and the rim of the image."""
    corners: list[Array] = []
    pairs: list[tuple[int, int]] = []
    for pose, half_width, half_height in scene.cameras:
        first = 5 * len(pairs) // 8
        rim = [
            (sx * half_width * _FRUSTUM_MM, sy * half_height * _FRUSTUM_MM, _FRUSTUM_MM)
            for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        corners.append(pose.apply(np.array([(0.0, 0.0, 0.0), *rim])))
        pairs += [(first, first + i) for i in range(1, 5)]
        pairs += [(first + i, first + i % 4 + 1) for i in range(1, 5)]
    if not corners:
        return None
    lines = o3d.geometry.LineSet(
        o3d.utility.Vector3dVector(np.vstack(corners)),
        o3d.utility.Vector2iVector(np.array(pairs, dtype=np.int32)),
    )
    lines.paint_uniform_color(np.array(_STATION_RGB) / 255.0)
    return lines


def _rotation_to(direction: Array) -> Array:
    """A rotation (3, 3) that takes the z axis to a unit vector."""
    z = np.asarray(direction, dtype=float)
    norm = float(np.linalg.norm(z))
    if not norm > 0.0:
        return np.eye(3)
    z = z / norm
    # Any axis well away from z will do for the second.
    other = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = np.cross(other, z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])
