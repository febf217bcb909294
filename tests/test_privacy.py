"""What leaves the shop tells nothing of place, owner, serial numbers, or the computer's folders."""

from __future__ import annotations

import base64
import io
import re
import shutil
from dataclasses import replace
from pathlib import Path

from PIL import Image
from typer.testing import CliRunner

from calib.photo import photo_paths
from pipeline.cli import app
from pipeline.report.compare_page import write_compare_page
from pipeline.sessions.compare import compare_sessions
from pipeline.sessions.compare_tables import compare_lines, write_comparison
from pipeline.sessions.measured import read_measured
from tests.private_photos import SECRETS

_PICTURE = re.compile(r"data:image/\w+;base64,([A-Za-z0-9+/=]+)")


def secrets_in(folder: Path, path_parts: list[str]) -> list[str]:
    """What files of a folder tell of the photos' tags or of the computer's folders."""
    found = []
    for file in folder.rglob("*"):
        if not file.is_file():
            continue
        data = file.read_bytes()
        text = data.decode("utf-8", errors="replace")
        pictures = [base64.b64decode(p) for p in _PICTURE.findall(text)]
        for word in (*SECRETS, *path_parts):
            if any(word.encode() in blob for blob in (data, *pictures)):
                found.append(f"{file.name}: {word}")
        for picture in pictures:
            with Image.open(io.BytesIO(picture)) as opened:
                if opened.getexif():
                    found.append(f"{file.name}: a picture with EXIF tags")
    return found


def test_the_photos_do_tell(solved_demo: Path) -> None:
    """Else the other tests would prove nothing."""
    photo = photo_paths(solved_demo / "photos")[0]
    with Image.open(photo) as opened:
        assert opened.getexif().get_ifd(0x8825)[2] == (51.0, 17.0, 33.0)
    data = photo.read_bytes()
    assert all(word.encode() in data for word in SECRETS[:5])
    folder = solved_demo / "photos"
    assert len(secrets_in(folder, [])) >= 5 * len(photo_paths(folder))


def test_results_tell_nothing(solved_demo: Path, tmp_path: Path) -> None:
    readings = tmp_path / "readings.csv"
    readings.write_text(
        "from,from_side,to,to_side,reading_mm,mode\nE,L,E,R,837,centres\nE,L,G,R,1000,centres\n",
        encoding="utf-8",
    )
    job = tmp_path / "van"
    shutil.copytree(solved_demo, job)
    assert CliRunner().invoke(app, ["tape", str(job), str(readings)]).exit_code == 1
    names = {file.name for file in (job / "results").iterdir()}
    assert {
        "report.html",
        "result.json",
        "tape.json",
        "tape.csv",
        "tape.html",
        "points.csv",
    } <= names
    assert secrets_in(job / "results", [str(solved_demo.parent), str(tmp_path)]) == []
    html = (job / "results" / "report.html").read_text(encoding="utf-8")
    assert len(_PICTURE.findall(html)) >= 8  # there were pictures to look into


def test_comparisons_tell_nothing(solved_demo: Path, tmp_path: Path) -> None:
    one = read_measured(solved_demo)
    two = replace(one, folder=tmp_path / "after", changed=("cards.csv",))
    comparison = compare_sessions([one, two])
    out = tmp_path / "out"
    write_comparison(comparison, out)
    write_compare_page(comparison, out / "compare.html")
    assert {file.name for file in out.iterdir()} == {"compare.csv", "compare.json", "compare.html"}
    assert secrets_in(out, [str(solved_demo.parent), str(tmp_path)]) == []
    assert str(tmp_path) not in "\n".join(compare_lines(comparison))
