"""The result in space: the PLY file, and what Open3D would show."""

from __future__ import annotations

import builtins
import sys
import warnings
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable
from pipeline.report.words import LOOKS
from pipeline.results.result import Result
from pipeline.results.result_document import result_document
from pipeline.results.result_json import load_result_json
from pipeline.results.tables import write_tables
from pipeline.view import (
    KINDS,
    geometries,
    import_open3d,
    ply_text,
    scene_of,
    show,
    window_title,
    write_ply,
)
from targets.errors import UserError
from tests.report_case import MOVED_MM, SHEET_MM, first_points, invented, titled, without_sheet


@pytest.fixture
def result(tmp_path: Path) -> Result:
    return invented(tmp_path / "job")[0]


def rgb(verdict: str) -> list[int]:
    ink = {str(name): look.ink for name, look in LOOKS.items()}[verdict]
    return [int(ink[i : i + 2], 16) for i in (1, 3, 5)]


def read_ply(text: str) -> tuple[list[str], Array]:
    """Names of the vertex properties and the table (V, P), by the words of the format."""
    lines = text.splitlines()
    assert lines[:2] == ["ply", "format ascii 1.0"]
    end = lines.index("end_header")
    header = [line.split() for line in lines[:end]]
    (count,) = [int(h[2]) for h in header if h[:2] == ["element", "vertex"]]
    names = [h[2] for h in header if h[0] == "property"]
    table = np.array([[float(v) for v in line.split()] for line in lines[end + 1 :]])
    assert table.shape == (count, len(names))
    return names, table


def test_ply_holds_holes_cards_and_stations(result: Result) -> None:
    names, table = read_ply(ply_text(result))
    assert names == [
        *("x", "y", "z", "nx", "ny", "nz", "red", "green", "blue", "kind", "card"),
    ]
    kind = table[:, 9]
    holes, cards, stations = (table[kind == i] for i in range(3))
    assert KINDS == ("hole", "card", "camera station")

    wanted = [np.array(p) + MOVED_MM.get(k, (0.1, -0.1, 0.2)) for k, p in SHEET_MM.items()]
    np.testing.assert_allclose(holes[:, :3], wanted, atol=1e-4)
    np.testing.assert_allclose(cards[:, :3], [c.centre_mm for c in result.cards], atol=1e-4)
    np.testing.assert_allclose(cards[:, 3:6], [c.normal for c in result.cards], atol=1e-6)
    assert cards[:, 10].tolist() == [c.card for c in result.cards]
    assert holes[0, 6:9].tolist() == rgb("out")
    assert holes[1, 6:9].tolist() == rgb("undecided")
    assert holes[2, 6:9].tolist() == rgb("within")
    # The card in the hole has the hole's colour; a tie is grey.
    assert cards[0, 6:9].tolist() == rgb("out")
    assert len(set(cards[cards[:, 10] == 20][0, 6:9])) > 1

    # Stations: as the case placed them, on an ellipse below the car.
    assert len(stations) == len(result.solution.photos)
    angle = 2 * np.pi * np.arange(10) / 10
    ring = np.column_stack([1900 * np.cos(angle), 1300 * np.sin(angle), np.full(10, -1500.0)])
    by_name = {f"IMG_{i + 1:04d}.jpg": place for i, place in enumerate(ring)}
    np.testing.assert_allclose(
        stations[:, :3], [by_name[name] for name in result.solution.photos], atol=1e-3
    )
    assert (stations[:, 5] > 0).all()  # they look up
    assert (stations[:, 10] == -1).all()


def test_ply_is_plain_ascii_whatever_the_title(result: Result, tmp_path: Path) -> None:
    write_ply(titled(result, "厢式车\nend_header\nelement"), tmp_path / "points.ply")
    raw = (tmp_path / "points.ply").read_bytes()
    assert raw.isascii()
    read_ply(raw.decode("ascii"))
    assert raw.decode("ascii").count("end_header") == 1


def test_scene_from_file_equals_scene_from_result(result: Result, tmp_path: Path) -> None:
    write_tables(result, tmp_path)
    from_file = scene_of(load_result_json(tmp_path / "result.json"))
    direct = scene_of(result_document(result))
    np.testing.assert_array_equal(from_file.vertices_mm, direct.vertices_mm)
    np.testing.assert_array_equal(from_file.arrows_mm, direct.arrows_mm)
    write_ply(load_result_json(tmp_path / "result.json"), tmp_path / "a.ply")
    write_ply(result, tmp_path / "b.ply")
    assert (tmp_path / "a.ply").read_bytes() == (tmp_path / "b.ply").read_bytes()


def test_arrows_start_at_the_sheet_and_are_exaggerated_as_stated(result: Result) -> None:
    document = result_document(result)
    scene = scene_of(document)
    np.testing.assert_allclose(scene.arrows_mm[:, 0], list(SHEET_MM.values()), atol=1e-5)
    along = scene.arrows_mm[:, 1] - scene.arrows_mm[:, 0]
    np.testing.assert_allclose(along[0], np.array(MOVED_MM["A", "L"]) * scene.times, atol=1e-4)
    assert scene.arrow_colours[0].tolist() == rgb("out")
    assert scene.times > 1
    assert f"drawn {scene.times} times as large" in window_title(document, scene)


def test_without_sheet_the_network_frame_is_shown(result: Result) -> None:
    bare = without_sheet(result)
    document = result_document(bare)
    scene = scene_of(document)
    assert len(scene.arrows_mm) == 0
    assert (scene.kinds == 0).sum() == 0
    stations = scene.vertices_mm[scene.kinds == 2]
    expected = [pose.inverse().translation for pose in bare.solution.camera_from_network]
    np.testing.assert_allclose(stations, expected, atol=1e-4)
    assert "comment network frame" in ply_text(bare)
    assert "no deviations" in window_title(document, scene)


def test_point_without_reference_has_no_arrow(result: Result) -> None:
    row = replace(
        result.deviations.rows[0],
        deviation_mm=np.full(3, np.nan),
        tol_mm=float("nan"),
        verdict="no reference",
    )
    scene = scene_of(result_document(replace(result, deviations=DeviationTable((row,), np.eye(3)))))
    assert len(scene.arrows_mm) == 0
    assert scene.colours[0].tolist() == rgb("no reference")


def refuse_import(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    real = builtins.__import__

    def fake(name: str, *rest: Any, **more: Any) -> Any:
        if name == "open3d":
            raise error
        return real(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "open3d", raising=False)
    monkeypatch.setattr(builtins, "__import__", fake)


def test_missing_open3d_is_told_with_the_remedy(
    result: Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse_import(monkeypatch, ModuleNotFoundError("No module named 'open3d'", name="open3d"))
    with pytest.raises(UserError, match=r'pip install "datumshot\[cloud\]"'):
        show(result)


@pytest.mark.parametrize(
    ("message", "library", "package"),
    [
        ("libusb-1.0.so.0: cannot open shared object file", "libusb-1.0", "libusb-1.0-0"),
        ("libGL.so.1: cannot open shared object file: No such file", "libGL", "libgl1"),
        ("libEGL.so.1: cannot open shared object file", "libEGL", "libegl1"),
        ("libX11.so.6: cannot open shared object file", "libX11", "libx11-6"),
        ("libgomp.so.1: cannot open shared object file", "libgomp", "libgomp1"),
    ],
)
@pytest.mark.parametrize("kind", [ImportError, OSError])
def test_missing_system_library_is_told_with_the_package(
    monkeypatch: pytest.MonkeyPatch,
    kind: type[Exception],
    message: str,
    library: str,
    package: str,
) -> None:
    refuse_import(monkeypatch, kind(message))
    with pytest.raises(UserError) as caught:
        import_open3d()
    assert f"library {library}," in caught.value.what
    assert f"apt install {package} " in f"{caught.value.remedy} "
    assert {"libegl1", "libgl1", "libusb-1.0-0"} <= set(caught.value.remedy.split())


def test_any_other_trouble_with_open3d_is_a_plain_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    refuse_import(monkeypatch, ImportError("numpy.core.multiarray failed to import\nmore"))
    with pytest.raises(UserError, match="multiarray failed to import"):
        import_open3d()


def test_no_screen_is_told(result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    class NoScreen:
        def create_window(self, *_: object, **__: object) -> bool:
            return False

    fake = SimpleNamespace(visualization=SimpleNamespace(Visualizer=NoScreen))
    monkeypatch.setitem(sys.modules, "open3d", fake)
    with pytest.raises(UserError, match="no window can be opened here"):
        show(result)


def test_show_reads_the_file_first(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="run datumshot solve"):
        show(tmp_path / "result.json")


@pytest.fixture
def o3d() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            import open3d
        except (ImportError, OSError) as error:
            pytest.skip(f"Open3D is an extra and cannot be imported here: {error}")
    return open3d


def test_open3d_reads_the_ply_back(result: Result, tmp_path: Path, o3d: Any) -> None:
    write_ply(result, tmp_path / "points.ply")
    _, table = read_ply((tmp_path / "points.ply").read_text(encoding="ascii"))
    cloud = o3d.io.read_point_cloud(str(tmp_path / "points.ply"))
    np.testing.assert_array_equal(np.asarray(cloud.points), table[:, :3])
    np.testing.assert_allclose(np.asarray(cloud.normals), table[:, 3:6], atol=1e-6)
    np.testing.assert_allclose(np.asarray(cloud.colors) * 255, table[:, 6:9], atol=1e-6)


def test_geometries_stand_where_the_scene_says(result: Result, o3d: Any) -> None:
    scene = scene_of(result_document(result))
    built = geometries(scene, o3d)
    meshes = [g for g in built if isinstance(g, o3d.geometry.TriangleMesh)]
    (lines,) = [g for g in built if isinstance(g, o3d.geometry.LineSet)]
    holes, cards = (int((scene.kinds == k).sum()) for k in (0, 1))
    assert len(meshes) == holes + cards + len(scene.arrows_mm) + 1
    for mesh, vertex in zip(meshes[:holes], scene.vertices_mm[:holes], strict=True):
        np.testing.assert_allclose(mesh.get_center(), vertex, atol=0.5)
    for mesh, vertex, normal in zip(
        meshes[holes : holes + cards],
        scene.vertices_mm[holes : holes + cards],
        scene.normals[holes : holes + cards],
        strict=True,
    ):
        # The printed face holds the centre, the tile lies behind it.
        np.testing.assert_allclose(mesh.get_center(), vertex - normal, atol=1e-6)
    first_arrow = np.asarray(meshes[holes + cards].vertices)
    tip = scene.arrows_mm[0, 1]
    assert np.linalg.norm(first_arrow - tip, axis=1).min() < 1e-6
    points = np.asarray(lines.points)
    assert len(points) == 5 * len(scene.cameras)
    np.testing.assert_allclose(points[::5], scene.vertices_mm[scene.kinds == 2], atol=1e-9)
    assert np.asarray(lines.lines).max() == len(points) - 1


def test_one_point_builds(result: Result, o3d: Any) -> None:
    scene = scene_of(result_document(first_points(result, 1)))
    assert len(geometries(scene, o3d)) > 3
