"""What goes wrong in a shop: one plain sentence, or a named finding while the rest is measured."""

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.inputs.job import read_job
from pipeline.results.result import Result
from pipeline.solve import solve
from tests.card_images import camera_of, draw_cards, facing

DEMO = Path(__file__).resolve().parents[1] / "sample_images" / "job"
PHOTOS = sorted((DEMO / "photos").iterdir())
PYTHON = [sys.executable, "-c", "from pipeline.cli import main; main()"]

Make = Callable[..., Path]


@pytest.fixture
def make_job(tmp_path: Path) -> Make:
    """A copy of the demo job with some of its photos and edits to its text files."""

    def make(photos: list[Path], edits: dict[str, Callable[[str], str]] | None = None) -> Path:
        folder = tmp_path / "job"
        (folder / "photos").mkdir(parents=True)
        for name in ("job.toml", "sheet.csv", "cards.csv"):
            text = (DEMO / name).read_text(encoding="utf-8")
            text = text.replace('lens = "phone.toml"', 'lens = "self"')
            text = (edits or {}).get(name, str)(text)
            (folder / name).write_text(text, encoding="utf-8")
        for photo in photos:
            shutil.copy(photo, folder / "photos")
        return folder

    return make


def measure(folder: Path) -> Result:
    return solve(read_job(folder), lambda stage, done, total: None)[0]


def codes(result: Result) -> set[str]:
    return {f.code for f in result.findings}


def refusal(folder: Path) -> str:
    """What ``datumshot solve`` says on standard error; it must end with 2 and write nothing."""
    done = subprocess.run(
        [*PYTHON, "solve", str(folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (folder / "results").exists()
    return done.stderr


def test_empty_photo_folder(make_job: Make) -> None:
    assert "no photos" in refusal(make_job([]))


def test_photos_without_any_card(make_job: Make) -> None:
    folder = make_job([])
    for name in ("a.jpg", "b.jpg"):
        Image.fromarray(np.full((600, 800), 120, np.uint8)).save(folder / "photos" / name)
    assert "no card was found in 2 photos" in refusal(folder)


def test_one_photo_cannot_be_measured(make_job: Make) -> None:
    assert "one photo" in refusal(make_job(PHOTOS[:1]))


def test_photos_that_cannot_be_read_at_all(make_job: Make) -> None:
    folder = make_job([])
    (folder / "photos" / "a.jpg").write_bytes(b"")
    assert "none of the 1 photos can be read" in refusal(folder)


def test_missing_lens_file(make_job: Make) -> None:
    folder = make_job(PHOTOS[:2], {"job.toml": lambda t: t.replace('"self"', '"lost.toml"')})
    assert "lost.toml" in refusal(folder)


def test_misspelt_key_names_the_nearest_one(make_job: Make) -> None:
    folder = make_job([], {"job.toml": lambda t: t.replace("temperature_c", "temprature_c")})
    assert "temperature_c" in refusal(folder)


def test_duplicate_card_is_refused_with_its_row(make_job: Make) -> None:
    folder = make_job([], {"cards.csv": lambda t: t + t.splitlines()[1] + "\n"})
    assert "cards.csv, row" in refusal(folder)


def test_text_in_a_number_column_is_refused_with_its_row(make_job: Make) -> None:
    folder = make_job([], {"sheet.csv": lambda t: t + "Z,L,long,1,1,both,no,,\n"})
    assert "sheet.csv, row" in refusal(folder)


def test_truncated_photo_is_named_and_the_rest_measured(make_job: Make) -> None:
    folder = make_job(PHOTOS)
    victim = folder / "photos" / PHOTOS[3].name
    victim.write_bytes(victim.read_bytes()[:200_000])
    result = measure(folder)
    named = [f for f in result.findings if f.code == "photo-unreadable"]
    assert [f.subject for f in named] == [victim.name]
    assert len(result.solution.photos) == len(PHOTOS) - 1
    assert sum(r.verdict == "out" for r in result.deviations.rows) == 7


def test_without_a_bar_there_is_no_verdict(make_job: Make) -> None:
    folder = make_job(PHOTOS, {"job.toml": lambda t: t[: t.index("[[bar]]")]})
    result = measure(folder)
    assert not result.scaled
    assert "no-scale" in codes(result)
    assert {r.verdict for r in result.deviations.rows} == {"undecided"}
    # A printer may be off by a percent: that is what U must say, some 20 mm at the car's ends.
    assert max(r.U_mm[0] for r in result.deviations.rows) > 10.0


def test_fewer_than_three_base_points(make_job: Make) -> None:
    folder = make_job(
        PHOTOS, {"job.toml": lambda t: t.replace('base = "auto"', 'base = ["E L", "E R"]')}
    )
    result = measure(folder)
    assert "base-too-few" in codes(result)
    assert result.vehicle_from_network is None
    assert result.deviations.rows == ()
    assert len(result.cards) > 30


def test_card_that_no_photo_shows_is_named(make_job: Make) -> None:
    folder = make_job(
        PHOTOS,
        {
            "sheet.csv": lambda t: t + "Z,C,0,0,0,both,no,,\n",
            "cards.csv": lambda t: t + "299,Z,C,20,\n",
        },
    )
    result = measure(folder)
    missing = [f for f in result.findings if f.code == "card-not-measured"]
    assert [f.subject for f in missing] == ["card 299"]


def test_wrong_bar_length_is_contradicted_by_the_other_bar(make_job: Make) -> None:
    folder = make_job(PHOTOS, {"job.toml": lambda t: t.replace("1399.763", "1397.763")})
    result = measure(folder)
    assert "bars-disagree" in codes(result)


def test_cropped_photo_does_not_share_the_camera(make_job: Make) -> None:
    folder = make_job(PHOTOS)
    name = PHOTOS[5].name
    with Image.open(PHOTOS[5]) as image:
        exif = image.info["exif"]
        image.crop((0, 0, 3000, 2300)).save(folder / "photos" / name, quality=95, exif=exif)
    result = measure(folder)
    assert len(result.solution.groups) == 2
    assert sum(r.verdict == "out" for r in result.deviations.rows) == 7


def test_nothing_is_written_when_results_cannot_be(make_job: Make) -> None:
    folder = make_job(PHOTOS[:8])
    (folder / "results").write_text("a file where the folder should be")
    done = subprocess.run(
        [*PYTHON, "solve", str(folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_photo_left_out_tells_how_many_of_its_cards_are_known(make_job: Make) -> None:
    """A strange photo: one card that the others show and three that none of them does."""
    folder = make_job(PHOTOS[:6])
    camera = camera_of(3264, 2448, 2500.0)
    # Card 141 is a tie of the demo; 200 to 202 are nowhere on the car.
    places = {141: (-150, -100), 200: (150, -100), 201: (-150, 100), 202: (150, 100)}
    poses = {card: facing(x, y, 900, 0.3) for card, (x, y) in places.items()}
    picture = draw_cards(camera, poses, np.random.default_rng(4))
    Image.fromarray(picture).save(folder / "photos" / "strange.png")
    result = measure(folder)
    (left_out,) = (f for f in result.findings if f.code == "photo-left-out")
    assert left_out.subject == "strange.png"
    assert "1 of its 4 cards" in left_out.text
