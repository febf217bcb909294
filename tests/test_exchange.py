"""Exports read back by other people's libraries: the same coordinates, the same misfits."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pytest
import trimesh

from calib.camera import Camera
from pipeline.datum.deviation import DeviationTable
from pipeline.exchange.colmap import LEAST_SHIFT_PX, drift_px, posed_network, reprojection_px
from pipeline.exchange.export import SUFFIX_OF
from pipeline.exchange.ply import COLOUR_STOPS, deviation_colours
from pipeline.exchange.undistorted import pinhole_of, undistort
from pipeline.report.words import LOOKS
from pipeline.results.result import Result
from pipeline.results.result_json import load_result_json
from pipeline.sessions.measured import read_measured
from tests.report_case import HEIGHT_PX, MOVED_MM, SHEET_MM, invented, without_sheet, written
from tests.terminal import refused, run

Job = tuple[Path, Result]


@pytest.fixture
def job(tmp_path: Path) -> Job:
    result = invented(tmp_path / "van")[0]
    return written(result), result


# --- spreadsheet --------------------------------------------------------------------------------


def spreadsheet_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_spreadsheet_can_misread_no_cell(tmp_path: Path) -> None:
    """No decimal sign, and no point whose name alone would be a date, a number or a formula."""
    result = invented(tmp_path / "van")[0]
    names = ["2-3", "1E5", "MAR1", "=1+1", "3/4", "TRUE", "车", "أ", "a,b", '"']
    rows = tuple(
        replace(row, point=name) for row, name in zip(result.deviations.rows, names, strict=False)
    )
    table = DeviationTable(rows, np.eye(3 * len(rows)))
    folder = written(replace(result, deviations=table))
    assert run("export", folder, "--to", "csv").exit_code == 0
    data = (folder / "results" / "points-spreadsheet.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    for written_row, row in zip(
        spreadsheet_rows(folder / "results" / "points-spreadsheet.csv"), rows, strict=True
    ):
        name = written_row.pop("name")
        assert name == f"{'' if row.point[0] != '=' else chr(39)}{row.point} {row.side}"
        for cell in written_row.values():
            assert cell.lstrip("-").isalnum() or cell == "no reference", cell


def test_the_spreadsheet_has_the_figures_to_a_micrometre(job: Job) -> None:
    folder, _ = job
    run("export", folder, "--to", "csv", "-o", folder / "a.csv")
    rows = spreadsheet_rows(folder / "a.csv")
    assert rows[0]["name"] == "A L"
    assert rows[0]["dev_length_um"] == "-14200"
    assert rows[0]["tol_um"] == "3000"
    place = [[float(r[f"{a}_um"]) / 1000 for a in ("length", "width", "height")] for r in rows]
    truth = [np.add(s, MOVED_MM.get(n, (0.1, -0.1, 0.2))) for n, s in SHEET_MM.items()]
    np.testing.assert_allclose(place, truth, atol=5e-4)


# --- PLY ----------------------------------------------------------------------------------------


def lightness(rgb: np.ndarray) -> np.ndarray:
    """CIE L* of sRGB colours (IEC 61966-2-1 and CIE 15, from memory)."""
    c = rgb / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    return np.asarray(116 * np.cbrt(np.maximum(luminance, (6 / 29) ** 3)) - 16)


def test_colours_darken_with_the_deviation_and_part_at_the_tolerance() -> None:
    multiples = np.linspace(0.0, 4.0, 81)
    colours = deviation_colours(multiples).astype(float)
    steps = np.diff(lightness(colours))
    assert (steps < 0).all()
    blue_over_red = colours[:, 2] - colours[:, 0]
    assert (blue_over_red[multiples <= 1.0] > 20).all()
    assert (blue_over_red[multiples > 1.0] < -40).all()
    assert deviation_colours(np.array([50.0])).tolist() == [list(COLOUR_STOPS[-1][1])]


def test_ply_is_read_by_trimesh(job: Job) -> None:
    folder, result = job
    assert run("export", folder, "--to", "ply").exit_code == 0
    cloud = trimesh.load(folder / "results" / "points.ply")
    holes = [row.position_mm for row in result.deviations.rows]
    np.testing.assert_allclose(
        cloud.vertices, [*holes, *(c.centre_mm for c in result.cards)], atol=1e-6
    )
    data = cloud.metadata["_ply_raw"]["vertex"]["data"]
    normals = np.column_stack([data[a].ravel() for a in ("nx", "ny", "nz")])
    np.testing.assert_array_equal(normals, [(0, 0, -1)] * len(cloud.vertices))
    count = len(holes)
    off = np.column_stack([data[f"deviation_{a}"].ravel() for a in ("length", "width", "height")])
    np.testing.assert_allclose(
        off[:count], [row.deviation_mm for row in result.deviations.rows], atol=1e-6
    )
    assert not off[count + 11 :].any()
    assert data["kind"].ravel().tolist() == [0] * count + [1] * (len(cloud.vertices) - count)
    # A left is 14.2 / 3 tolerances off: the darkest; C left 0.2 / 3: nearly the palest.
    assert cloud.colors[0, :3].tolist() == list(COLOUR_STOPS[-1][1])
    assert np.abs(cloud.colors[4, :3].astype(int) - COLOUR_STOPS[0][1]).max() < 16
    assert data["verdict"].ravel()[:2].tolist() == [2, 1]


# --- DXF ----------------------------------------------------------------------------------------


def test_dxf_is_read_by_ezdxf(job: Job) -> None:
    folder, result = job
    assert run("export", folder, "--to", "dxf").exit_code == 0
    drawing = ezdxf.readfile(folder / "results" / "points.dxf")
    assert drawing.audit().errors == []
    assert drawing.units == ezdxf.units.MM
    space = drawing.modelspace()
    rows = result.deviations.rows
    measured = space.query('POINT[layer=="MEASURED"]')
    np.testing.assert_allclose([p.dxf.location for p in measured], [r.position_mm for r in rows])
    inks = ["#{:02x}{:02x}{:02x}".format(*ezdxf.colors.int2rgb(p.dxf.true_color)) for p in measured]
    assert inks == [LOOKS[row.verdict].ink for row in rows]
    sheet = space.query('POINT[layer=="SHEET"]')
    np.testing.assert_allclose([p.dxf.location for p in sheet], list(SHEET_MM.values()))
    lines = space.query('LINE[layer=="DEVIATION"]')
    along = [np.subtract(line.dxf.end, line.dxf.start) for line in lines]
    np.testing.assert_allclose(along, [row.deviation_mm for row in rows], atol=1e-6)
    assert len(space.query('LINE[layer=="PAIRS"]')) == 5
    assert len(space.query('POINT[layer=="CARDS"]')) == len(result.cards)
    assert space.query("TEXT")[0].dxf.text == "A L  -14.2  -5.5  +6.1"


def test_dxf_carries_any_name(tmp_path: Path) -> None:
    result = invented(tmp_path / "van")[0]
    rows = tuple(
        replace(row, point=name)
        for row, name in zip(
            result.deviations.rows, ["车 %%d", "أ", "a\n0\nEOF", "^J{\\P}"], strict=False
        )
    )
    folder = written(replace(result, deviations=DeviationTable(rows, np.eye(3 * len(rows)))))
    assert run("export", folder, "--to", "dxf").exit_code == 0
    drawing = ezdxf.readfile(folder / "results" / "points.dxf")
    assert drawing.audit().errors == []
    texts = [text.dxf.text for text in drawing.modelspace().query("TEXT")]
    assert texts[0].startswith("车 % %d L")
    assert texts[1].startswith("أ R")
    assert texts[2].startswith("a 0 EOF L")


def test_without_a_sheet_the_cards_remain(tmp_path: Path) -> None:
    result = without_sheet(invented(tmp_path / "van")[0])
    folder = written(result)
    for to in ("ply", "dxf"):
        outcome = run("export", folder, "--to", to)
        assert (outcome.exit_code, outcome.stdout.split(",")[0].split(" for")[0]) == (
            0,
            f"0 points and {len(result.cards)} cards",
        )
    assert len(trimesh.load(folder / "results" / "points.ply").vertices) == len(result.cards)
    drawing = ezdxf.readfile(folder / "results" / "points.dxf")
    assert len(drawing.modelspace()) == len(result.cards)
    sentence = refused("export", folder, "--to", "csv")
    assert "this job has no reference points for a spreadsheet" in sentence


# --- COLMAP -------------------------------------------------------------------------------------


def test_opencv_finds_the_misfits_in_the_text_files(solved_demo: Path, tmp_path: Path) -> None:
    """cv2.projectPoints on what the files say, pixels moved back by half a pixel."""
    assert run("export", solved_demo, "--to", "colmap", "-o", tmp_path).exit_code == 0
    lines = {
        name: [
            line.split()
            for line in (tmp_path / name).read_text(encoding="utf-8").splitlines()
            if not line.startswith("#")
        ]
        for name in ("cameras.txt", "images.txt", "points3D.txt")
    }
    cameras = {row[0]: np.array(row[4:], dtype=float) for row in lines["cameras.txt"]}
    points = {row[0]: np.array(row[1:4], dtype=float) for row in lines["points3D.txt"]}
    off = []
    for head, seen in zip(lines["images.txt"][::2], lines["images.txt"][1::2], strict=True):
        w, x, y, z, *translation = (float(value) for value in head[1:8])
        turn = trimesh.transformations.quaternion_matrix([w, x, y, z])[:3, :3]
        fx, fy, cx, cy, *distortion = cameras[head[8]]
        matrix = np.array([[fx, 0, cx - 0.5], [0, fy, cy - 0.5], [0, 0, 1]])
        # OpenCV's order is COLMAP's: k1 k2 p1 p2 k3 k4 k5 k6.
        predicted, _ = cv2.projectPoints(
            np.array([points[key] for key in seen[2::3]]),
            cv2.Rodrigues(turn)[0],
            np.array(translation),
            matrix,
            np.array(distortion),
        )
        at = np.array([seen[0::3], seen[1::3]], dtype=float).T - 0.5
        off.append(at - predicted[:, 0])
    document = load_result_json(solved_demo / "results" / "result.json")
    ours = [
        residual
        for photo in document["photos"]
        for sighting in document["adjustment"]["sightings"]
        if sighting["photo"] == photo["name"]
        for residual in sighting["residuals_px"]
        if residual[0] is not None
    ]
    # The demo's photos were taken at rest, so there is no drift to make a difference; the bars,
    # which mend the shape after the adjustment, move dots by hundredths of a pixel at most.
    np.testing.assert_allclose(np.vstack(off), ours, atol=0.02)
    assert 0.005 < np.sqrt(np.mean(np.vstack(off) ** 2)) < 0.1


def test_pycolmap_finds_the_same_misfits(job: Job) -> None:
    pycolmap = pytest.importorskip("pycolmap", reason="pycolmap is not installed")
    folder, _ = job
    assert run("export", folder, "--to", "colmap").exit_code == 0
    theirs = pycolmap.Reconstruction(folder / "results" / "colmap")
    network = posed_network(load_result_json(folder / "results" / "result.json"))
    # Every photo of this job has a shift of its own, which only a camera of its own can hold.
    assert len(theirs.cameras) == len(theirs.images) == len(network.photos)
    assert {camera.model.name for camera in theirs.cameras.values()} == {"FULL_OPENCV"}
    mm = {int(i): p for i, p in zip(network.point_ids, network.points_mm, strict=True)}
    for key, point in theirs.points3D.items():
        np.testing.assert_allclose(point.xyz, mm[key], atol=1e-6)
    by_name = {image.name: image for image in theirs.images.values()}
    for photo in network.photos:
        image = by_name[photo.name]
        off = [
            p.xy - image.project_point(theirs.points3D[p.point3D_id].xyz) for p in image.points2D
        ]
        np.testing.assert_allclose(off, reprojection_px(network, photo), atol=2e-6)
    theirs.update_point_3d_errors()
    written_errors = pycolmap.Reconstruction(folder / "results" / "colmap").points3D
    for key, point in theirs.points3D.items():
        assert written_errors[key].error == pytest.approx(point.error, abs=2e-6)


def test_the_first_pixel_of_colmap_lies_at_one_half(job: Job) -> None:
    """COLMAP's documentation of its text format: the centre of the first pixel is (0.5, 0.5)."""
    folder, result = job
    run("export", folder, "--to", "colmap")
    camera = (folder / "results" / "colmap" / "cameras.txt").read_text().splitlines()[1].split()
    shift = result.solution.shift_px[0]
    cx, cy = result.solution.groups[0].camera.constants[2:4] + shift + 0.5
    assert [float(camera[6]), float(camera[7])] == pytest.approx([cx, cy], abs=1e-5)


def test_what_the_drift_costs_is_stated(job: Job) -> None:
    """By hand: a camera that sinks by 3 mm while it reads moves a dot in row y by tau 3 f / z."""
    folder, _ = job
    document = load_result_json(folder / "results" / "result.json")
    network = posed_network(document)
    photo = network.photos[0]
    camera = network.cameras[photo.camera]
    in_camera = photo.camera_from_scene.apply(network.points_mm[photo.points])
    tau = photo.px[:, 1:] / HEIGHT_PX - 0.5
    drifted = camera.project(in_camera + tau * [0.0, 3.0, 0.0])
    still = replace(network, photos=(replace(photo, residuals_px=photo.px - drifted),))
    told = drift_px(still)
    expected = np.abs(tau[:, 0]) * 3.0 * camera.constants[1] / in_camera[:, 2]
    assert told.apart_max_px == pytest.approx(expected.max(), rel=0.1)
    assert told.apart_rms_px == pytest.approx(np.sqrt(np.mean(expected**2) / 2), rel=0.1)
    said = run("export", folder, "--to", "colmap").stdout
    assert f"{drift_px(network).told_rms_px:.3f} px without the photos' drift" in said


def test_photos_share_a_camera_where_nothing_was_shifted(job: Job) -> None:
    folder, _ = job
    document = load_result_json(folder / "results" / "result.json")
    for photo in document["photos"]:
        photo["shift_px"] = [0.9 * LEAST_SHIFT_PX, 0.0]
    assert len(posed_network(document).cameras) == 1


def test_a_result_of_an_older_version_is_refused(job: Job) -> None:
    folder, _ = job
    path = folder / "results" / "result.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    for sighting in document["adjustment"]["sightings"]:
        del sighting["dots_px"]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert "run datumshot solve again" in refused("export", folder, "--to", "colmap")


# --- undistorted --------------------------------------------------------------------------------


def test_dots_lie_where_a_pinhole_camera_sees_them() -> None:
    """Discs drawn where the camera with distortion projects them, found by their centroids."""
    camera = Camera(640, 480, np.array([500.0, 505.0, 310.0, 250.0, -0.2, 0.05, 1e-3, -2e-3, 0.01]))
    pinhole = pinhole_of(camera)
    points = np.array([[x, y, 1.0] for x in (-0.45, -0.1, 0.35) for y in (-0.35, 0.05, 0.3)])
    picture = np.full((480, 640, 3), 255, dtype=np.uint8)
    for x, y in camera.project(points):
        cv2.circle(
            picture, (round(x * 64), round(y * 64)), 4 * 64, (0, 0, 0), -1, cv2.LINE_AA, shift=6
        )
    flat = 255.0 - undistort(picture, camera, pinhole)[:, :, 0]
    moved = 0.0
    for (x, y), before in zip(pinhole.project(points), camera.project(points), strict=True):
        left, top = round(x) - 9, round(y) - 9
        window = flat[top : top + 19, left : left + 19]
        rows, columns = np.mgrid[0:19, 0:19]
        found = np.array([(window * columns).sum(), (window * rows).sum()]) / window.sum()
        np.testing.assert_allclose(found + [left, top], [x, y], atol=0.1)
        moved = max(moved, float(np.hypot(x - before[0], y - before[1])))
    assert moved > 10.0  # else there was nothing to undistort


def test_undistorted_photos_and_their_model(solved_demo: Path, tmp_path: Path) -> None:
    folder = tmp_path / "van"
    shutil.copytree(solved_demo, folder)
    names = sorted(path.name for path in (folder / "photos").iterdir())
    for name in names[2:]:  # two are enough to look at; the others are missing
        (folder / "photos" / name).unlink()
    outcome = run("export", folder, "--to", "undistorted")
    assert outcome.exit_code == 1
    assert outcome.stdout.startswith(f"2 of {len(names)} photos without distortion: ")
    assert outcome.stdout.count("\nLeft out: ") == len(names) - 2
    made = folder / "results" / "undistorted"
    assert sorted(path.name for path in (made / "images").iterdir()) == names[:2]
    cameras = (made / "sparse" / "cameras.txt").read_text().splitlines()[1:]
    assert [line.split()[1] for line in cameras] == ["PINHOLE"]
    # Every dot is dark where the model says, against its card around it: flat ones are only grey.
    images = (made / "sparse" / "images.txt").read_text().splitlines()[2:]
    for head, seen in zip(images[::2], images[1::2], strict=True):
        grey = cv2.imread(str(made / "images" / head.split()[9]), cv2.IMREAD_GRAYSCALE)
        at = np.array([seen.split()[0::3], seen.split()[1::3]], dtype=float).T - 0.5
        assert len(at) > 40
        for x, y in np.rint(at).astype(int):
            around = grey[max(y - 12, 0) : y + 13, max(x - 12, 0) : x + 13]
            assert grey[y, x] < 0.75 * np.percentile(around, 90)
    for name in names[:2]:
        (folder / "photos" / name).unlink()
    assert "photos can be read" in refused("export", folder, "--to", "undistorted")


# --- bad input ----------------------------------------------------------------------------------


def test_a_job_that_was_not_solved(tmp_path: Path) -> None:
    (tmp_path / "van").mkdir()
    for to in SUFFIX_OF:
        assert "this job was not solved yet" in refused("export", tmp_path / "van", "--to", to)


def test_an_output_that_cannot_be(job: Job) -> None:
    folder, _ = job
    assert "take csv, ply, dxf, colmap or undistorted" in refused("export", folder, "--to", "x")
    assert "add .dxf" in refused("export", folder, "--to", "dxf", "-o", folder / "a.txt")
    taken = folder / "taken"
    taken.write_text("x")
    assert "name a folder" in refused("export", folder, "--to", "colmap", "-o", taken)
    for to, suffix in SUFFIX_OF.items():
        if to != "undistorted":  # its photos are missing here, which comes first
            sentence = refused("export", folder, "--to", to, "-o", taken / f"a{suffix}")
            assert "cannot write" in sentence


def test_a_changed_job_is_told(job: Job) -> None:
    folder, _ = job
    assert read_measured(folder).changed
    assert "run datumshot solve again" in run("export", folder, "--to", "dxf").stdout
