"""points.csv, cards.csv and result.json: the public interface, written and read back."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.frames import Pose
from pipeline.datum.deviation import DeviationTable
from pipeline.results.result import Result
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text, load_result_json, matrix_from_triangle
from pipeline.results.tables import write_tables
from targets.errors import UserError
from tests.report_case import BARS, MOVED_MM, SHEET_MM, first_points, invented, without_sheet

# As the design states them, word for word.
POINTS = (
    "point,side,length_mm,width_mm,height_mm,U_length_mm,U_width_mm,U_height_mm,"
    "dev_length_mm,dev_width_mm,dev_height_mm,U_dev_length_mm,U_dev_width_mm,U_dev_height_mm,"
    "tol_mm,verdict,base,photos"
)
CARDS = "card,role,x_mm,y_mm,z_mm,nx,ny,nz,U_x_mm,U_y_mm,U_z_mm,photos"


@pytest.fixture
def case(tmp_path: Path) -> Result:
    job = tmp_path / "job"
    (job / "photos").mkdir(parents=True)
    (job / "job.toml").write_bytes(b'title = "x"\n')
    (job / "sheet.csv").write_bytes(b"point\n")
    (job / "cards.csv").write_bytes(b"card\n")
    (job / "photos" / "IMG_0001.jpg").write_bytes(b"not read here, only hashed")
    return invented(job)[0]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def with_point_name(result: Result, name: str) -> Result:
    rows = (replace(result.deviations.rows[0], point=name), *result.deviations.rows[1:])
    return replace(result, deviations=DeviationTable(rows, result.deviations.covariance_mm2))


def test_columns_are_those_of_the_design(case: Result, tmp_path: Path) -> None:
    write_tables(case, tmp_path)
    assert (tmp_path / "points.csv").read_text(encoding="utf-8").splitlines()[0] == POINTS
    assert (tmp_path / "cards.csv").read_text(encoding="utf-8").splitlines()[0] == CARDS


def test_points_read_back(case: Result, tmp_path: Path) -> None:
    write_tables(case, tmp_path)
    rows = rows_of(tmp_path / "points.csv")
    assert [(r["point"], r["side"]) for r in rows] == list(SHEET_MM)
    first = rows[0]
    sheet, moved = np.array(SHEET_MM["A", "L"]), np.array(MOVED_MM["A", "L"])
    place = [float(first[f"{axis}_mm"]) for axis in ("length", "width", "height")]
    np.testing.assert_allclose(place, sheet + moved, atol=5e-4)
    off = [float(first[f"dev_{axis}_mm"]) for axis in ("length", "width", "height")]
    np.testing.assert_allclose(off, moved, atol=5e-4)
    assert first["dev_length_mm"] == "-14.200"
    assert first["U_dev_height_mm"] == "0.300"
    assert first["U_width_mm"] == "0.120"
    assert (first["verdict"], first["base"], first["photos"]) == ("out", "no", "7")
    assert rows[4]["base"] == "yes"
    assert float(rows[1]["width_mm"]) < 0 < float(first["width_mm"])


def test_nan_is_an_empty_cell_and_no_zero_has_a_sign(case: Result, tmp_path: Path) -> None:
    row = replace(
        case.deviations.rows[0],
        deviation_mm=np.full(3, np.nan),
        U_deviation_mm=np.full(3, np.nan),
        tol_mm=float("nan"),
        position_mm=np.array([-0.0001, -0.0, 1e-9]),
        verdict="no reference",
    )
    write_tables(replace(case, deviations=DeviationTable((row,), np.eye(3))), tmp_path)
    (cells,) = rows_of(tmp_path / "points.csv")
    assert [cells[f"dev_{axis}_mm"] for axis in ("length", "width", "height")] == ["", "", ""]
    assert cells["tol_mm"] == ""
    assert cells["verdict"] == "no reference"
    assert [cells[f"{axis}_mm"] for axis in ("length", "width", "height")] == ["0.000"] * 3


def test_cards_read_back(case: Result, tmp_path: Path) -> None:
    write_tables(case, tmp_path)
    rows = {int(r["card"]): r for r in rows_of(tmp_path / "cards.csv")}
    assert sorted(rows) == [card.card for card in case.cards]
    assert {card for card, row in rows.items() if row["role"] == "bar"} == set(BARS)
    place = [float(rows[90][f"{axis}_mm"]) for axis in "xyz"]
    np.testing.assert_allclose(place, BARS[90], atol=5e-4)
    assert rows[90]["nz"] == "-1.000000"
    assert rows[90]["U_z_mm"] == "0.110"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "  =", "\t=", "\r+", "\n@"])
def test_text_cannot_become_a_formula(case: Result, tmp_path: Path, start: str) -> None:
    name = f"{start}HYPERLINK(A1)"
    write_tables(with_point_name(case, name), tmp_path)
    assert rows_of(tmp_path / "points.csv")[0]["point"] == f"'{re.sub('[^ -~]', ' ', name)}"
    # No spreadsheet opens the JSON: there the name stays itself.
    assert load_result_json(tmp_path / "result.json")["points"][0]["point"] == name


def test_a_minus_inside_a_name_stays(case: Result, tmp_path: Path) -> None:
    write_tables(with_point_name(case, "A-1=x"), tmp_path)
    assert rows_of(tmp_path / "points.csv")[0]["point"] == "A-1=x"


def test_names_with_commas_and_quotes_survive(case: Result, tmp_path: Path) -> None:
    name = 'rail "front", 左前'
    write_tables(with_point_name(case, name), tmp_path)
    assert rows_of(tmp_path / "points.csv")[0]["point"] == name


def test_json_is_strict_and_whole(case: Result, tmp_path: Path) -> None:
    case = replace(case, datum_rms_mm=float("nan"))
    write_tables(case, tmp_path)

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    text = (tmp_path / "result.json").read_text(encoding="utf-8")
    document = json.loads(text, parse_constant=refuse)
    assert document == load_result_json(tmp_path / "result.json")
    assert document["schema"] == "datumshot/result/1"
    assert document["datum_rms_mm"] is None
    assert document["frame"] == "vehicle"
    assert document["settings"]["lens"] == "self"
    assert document["settings"]["bars"][0]["length_mm"] == 1200.0
    assert [p["point"] + p["side"] for p in document["sheet"]] == ["".join(k) for k in SHEET_MM]
    assert document["photos"][-1]["camera_from_network"] is None
    assert document["photos"][-1]["reason"] == "too blurred to measure"
    assert document["cameras"][0]["sd_constants"]["fx"] == 0.3
    assert len(document["findings"]) == 2
    assert document["bars"][0]["measured_mm"] == 1200.04
    assert len(document["adjustment"]["sightings"]) == len(case.solution.sighting_card)
    pose = document["photos"][0]["camera_from_network"]
    expected = case.solution.camera_from_network[0]
    np.testing.assert_allclose(pose["rotation"], expected.rotation, atol=1e-11)
    np.testing.assert_allclose(pose["translation_mm"], expected.translation, atol=1e-5)


def test_covariances_come_back(case: Result, tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(33, 33))
    case = replace(case, deviations=DeviationTable(case.deviations.rows, root @ root.T))
    write_tables(case, tmp_path)
    document = load_result_json(tmp_path / "result.json")
    solution = case.solution
    for key, matrix in (
        ("points_covariance_mm2", case.deviations.covariance_mm2),
        ("dots_covariance_mm2", solution.covariance_mm2),
        ("card_centres_covariance_mm2", solution.centres_covariance_mm2),
    ):
        back = matrix_from_triangle(document[key])
        np.testing.assert_allclose(back, matrix, rtol=1e-5)
        assert np.array_equal(back, back.T)
    assert document["points_covariance_mm2"]["order"][0] == "A L"


def test_covariance_of_card_centres_is_that_of_the_mean_of_four_dots(case: Result) -> None:
    solution = case.solution
    count = len(solution.cards)
    mean = np.kron(np.eye(count), np.kron(np.full((1, 4), 0.25), np.eye(3)))
    expected = mean @ solution.covariance_mm2 @ mean.T
    np.testing.assert_allclose(solution.centres_covariance_mm2, expected, rtol=1e-12)


def test_forty_cards_stay_below_three_megabytes(case: Result, tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    root = rng.normal(size=(480, 480)) * 0.01
    solution = replace(
        case.solution,
        cards=tuple(range(40)),
        dots_mm=rng.normal(size=(40, 4, 3)) * 1000,
        covariance_mm2=root @ root.T,
        sighting_photo=np.zeros(1000, dtype=int),
        sighting_card=np.arange(1000) % 40,
        measured_px=rng.normal(size=(1000, 4, 2)) * 1000,
        residuals_px=rng.normal(size=(1000, 4, 2)) * 0.03,
    )
    write_tables(replace(case, solution=solution), tmp_path)
    size = (tmp_path / "result.json").stat().st_size
    assert 1_000_000 < size < 3_000_000


def test_inputs_are_hashed_and_named_without_folders(case: Result, tmp_path: Path) -> None:
    lens = tmp_path / "elsewhere" / "phone.toml"
    lens.parent.mkdir()
    lens.write_bytes(b"lens")
    folder = case.job.folder
    finding = replace(case.findings[0], text=f"{folder}/photos/IMG_0001.jpg: too dark.")
    case = replace(case, job=replace(case.job, lens=lens), findings=(finding,))
    write_tables(case, tmp_path)
    text = (tmp_path / "result.json").read_text(encoding="utf-8")
    inputs = {i["file"]: i["sha256"] for i in json.loads(text)["inputs"]}
    assert inputs["phone.toml"] == hashlib.sha256(b"lens").hexdigest()
    assert inputs["job.toml"] == hashlib.sha256(b'title = "x"\n').hexdigest()
    photo = hashlib.sha256(b"not read here, only hashed").hexdigest()
    assert inputs["IMG_0001.jpg"] == photo
    assert inputs["IMG_0002.jpg"] is None
    assert {"sheet.csv", "cards.csv"} <= set(inputs)
    assert str(tmp_path) not in text


def test_without_sheet(case: Result, tmp_path: Path) -> None:
    write_tables(without_sheet(case), tmp_path)
    assert rows_of(tmp_path / "points.csv") == []
    document = load_result_json(tmp_path / "result.json")
    assert document["frame"] == "network"
    assert document["vehicle_from_network"] is None
    assert document["sheet"] == document["points"] == []
    assert matrix_from_triangle(document["points_covariance_mm2"]).shape == (0, 0)


def test_one_point(case: Result, tmp_path: Path) -> None:
    write_tables(first_points(case, 1), tmp_path)
    assert len(rows_of(tmp_path / "points.csv")) == 1


def test_document_holds_for_a_frame_that_is_not_finite(case: Result) -> None:
    broken = Pose(np.eye(3), np.array([np.nan, 0.0, 0.0]))
    document = result_document(replace(case, vehicle_from_network=broken))
    assert document["vehicle_from_network"]["translation_mm"] == [None, 0.0, 0.0]


def test_a_figure_that_slipped_through_is_refused_rather_than_written() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_text({"settings": {"temperature_c": float("nan")}})


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "not a whole result file"),
        ('{"schema": "datumshot/result/99"}', "datumshot/result/99"),
        ("[]", "None"),
    ],
)
def test_a_foreign_file_is_refused(tmp_path: Path, content: str, said: str) -> None:
    path = tmp_path / "result.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UserError, match=said):
        load_result_json(path)


def test_a_missing_result_names_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="run datumshot solve"):
        load_result_json(tmp_path / "result.json")
