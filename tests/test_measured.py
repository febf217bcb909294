"""A solved job read back: the same figures, and word of files that changed since."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.datum.deviation import DeviationTable
from pipeline.results.result import Result
from pipeline.results.tables import write_tables
from pipeline.sessions.measured import read_measured
from targets.errors import UserError
from tests.report_case import SHEET_MM, invented, without_sheet

JOB_TOML = 'parts = "in"\n'


@pytest.fixture
def case(tmp_path: Path) -> Result:
    job = tmp_path / "van"
    (job / "photos").mkdir(parents=True)
    (job / "job.toml").write_text(JOB_TOML, encoding="utf-8")
    (job / "sheet.csv").write_text(
        "point,side,length_mm,width_mm,height_mm,parts\nA,L,1900,460,330,both\n", encoding="utf-8"
    )
    (job / "cards.csv").write_text("card,point,side,stem_mm\n1,A,L,50\n", encoding="utf-8")
    result = invented(job)[0]
    for photo in result.photos:
        (job / "photos" / photo.name).write_bytes(photo.name.encode())
    return result


def test_what_was_solved_comes_back(case: Result) -> None:
    count = len(case.deviations.rows)
    root = np.random.default_rng(4).normal(size=(3 * count, 3 * count))
    case = replace(case, deviations=DeviationTable(case.deviations.rows, root @ root.T))
    write_tables(case, case.job.folder / "results")
    measured = read_measured(case.job.folder)
    assert measured.names == tuple(f"{point} {side}" for point, side in SHEET_MM)
    for row, back in zip(case.deviations.rows, measured.points, strict=True):
        np.testing.assert_allclose(back.position_mm, row.position_mm, atol=1e-6)
        np.testing.assert_allclose(back.deviation_mm, row.deviation_mm, atol=1e-6)
        np.testing.assert_allclose(back.U_deviation_mm, row.U_deviation_mm, atol=1e-6)
        assert (back.verdict, back.axis_verdicts) == (row.verdict, row.axis_verdicts)
        assert (back.base, back.card, back.tol_mm) == (row.base, row.card, row.tol_mm)
    np.testing.assert_allclose(measured.covariance_mm2, root @ root.T, rtol=1e-5)
    np.testing.assert_array_equal(
        measured.covariance_of([2, 0]),
        np.block(
            [
                [measured.covariance_mm2[6:9, 6:9], measured.covariance_mm2[6:9, :3]],
                [measured.covariance_mm2[:3, 6:9], measured.covariance_mm2[:3, :3]],
            ]
        ),
    )
    assert measured.base == case.base
    assert measured.title == case.job.title
    assert {p.point + p.side for p in measured.sheet} == {a + b for a, b in SHEET_MM}
    assert [card.role for card in measured.cards] == [card.role for card in case.cards]
    assert measured.findings == case.findings
    assert np.isnan(measured.photos[-1].rms_px)
    assert measured.vehicle_from_network is not None
    assert measured.changed == measured.warnings == ()


@pytest.mark.parametrize("name", ["job.toml", "cards.csv", "photos/IMG_0003.jpg"])
def test_a_file_that_changed_is_named(case: Result, name: str) -> None:
    folder = case.job.folder
    write_tables(case, folder / "results")
    with (folder / name).open("a", encoding="utf-8") as stream:
        stream.write("\n")
    measured = read_measured(folder)
    assert measured.changed == (Path(name).name,)
    assert f"{Path(name).name} changed after 'van'" in measured.warnings[0]


def test_a_new_photo_and_one_that_went_are_named(case: Result) -> None:
    photos = case.job.folder / "photos"
    write_tables(case, case.job.folder / "results")
    (photos / "IMG_0002.jpg").rename(photos / "IMG_0200.jpg")
    measured = read_measured(case.job.folder)
    assert set(measured.changed) == {"IMG_0002.jpg", "IMG_0200.jpg"}
    assert "1 more file changed" in measured.warnings[0]


def test_the_first_photo_of_a_folder_tells_when_it_was_shot(case: Result) -> None:
    write_tables(case, case.job.folder / "results")
    assert read_measured(case.job.folder).photographed is None
    for name, said in (("late", "2026:05:12 10:22:10"), ("early", "2026:05:12 10:14:07")):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = said
        Image.new("L", (8, 8)).save(case.job.folder / "photos" / f"{name}.jpg", exif=exif)
    shot = read_measured(case.job.folder).photographed
    assert shot == datetime.datetime(2026, 5, 12, 10, 14, 7)


def test_a_job_that_cannot_be_read_any_more_has_changed(case: Result) -> None:
    write_tables(case, case.job.folder / "results")
    (case.job.folder / "cards.csv").write_text("nonsense\n", encoding="utf-8")
    assert read_measured(case.job.folder).changed == ("cards.csv",)


def test_without_datum(case: Result) -> None:
    write_tables(without_sheet(case), case.job.folder / "results")
    measured = read_measured(case.job.folder)
    assert measured.vehicle_from_network is None
    assert measured.points == ()
    assert measured.positions_mm.shape == (0, 3)


def test_a_job_that_was_not_solved(case: Result, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"not solved yet; run datumshot solve first\."):
        read_measured(case.job.folder)
    with pytest.raises(UserError, match="no such job folder"):
        read_measured(tmp_path / "nothing")


def test_a_result_that_lacks_something(case: Result) -> None:
    write_tables(case, case.job.folder / "results")
    path = case.job.folder / "results" / "result.json"
    path.write_text('{"schema": "datumshot/result/1"}', encoding="utf-8")
    with pytest.raises(UserError, match="not a whole result file"):
        read_measured(case.job.folder)
