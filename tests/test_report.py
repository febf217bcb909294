"""The page for people: whole, safe, self-contained, and right in what it says."""

from __future__ import annotations

import base64
import io
import re
import shutil
import sys
import time
import tomllib
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calib.frames import Array
from capture.sightings import Sighting
from pipeline.datum.deviation import DeviationRow, DeviationTable
from pipeline.findings import Finding
from pipeline.report import drawing, words
from pipeline.report.page import page_html, write_report
from pipeline.report.pictures import write_picture
from pipeline.report.thumbnails import Previews, card_outline_px
from pipeline.results.result import BarCheck, PhotoRow, Result
from targets.card import card_of
from targets.errors import UserError
from tests.report_case import (
    HEIGHT_PX,
    SHEET_MM,
    WIDTH_PX,
    first_points,
    invented,
    titled,
    with_terms,
    without_sheet,
)

_VOID = {"meta", "br", "link", "img", "hr", "input"}


@dataclass
class Page(HTMLParser):
    """What a browser would read: text without styles, tags, attributes; nesting is checked."""

    words: list[str] = field(default_factory=list)
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    open_tags: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open_tags.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open_tags.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open_tags):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.words))


def read(html: str) -> Page:
    page = Page()
    page.feed(html)
    page.close()
    assert page.open_tags == []
    return page


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, tuple[Sighting, ...]]:
    """The invented car with its photos: grey, each with one bright corner at the sensor's origin.

    The second photo is turned by its EXIF tag, as a phone held upright would. Tests that change
    photos work on a copy.
    """
    result, sightings = invented(tmp_path_factory.mktemp("shop") / "job")
    folder = result.job.folder / "photos"
    folder.mkdir(parents=True)
    for index, photo in enumerate(result.photos):
        pixels = np.full((HEIGHT_PX, WIDTH_PX, 3), 90, dtype=np.uint8)
        pixels[:60, :60] = 255
        exif = Image.Exif()
        exif[274] = 6 if index == 1 else 1
        Image.fromarray(pixels).save(folder / photo.name, quality=90, exif=exif)
    return result, sightings


def in_folder(result: Result, folder: Path) -> Result:
    """The same result with its job in another folder."""
    return replace(result, job=replace(result.job, folder=folder))


def test_page_is_whole_and_needs_nothing_else(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path
) -> None:
    write_report(*case, tmp_path / "report.html")
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    page = read(html)
    assert re.search(r"https?:|//[a-z]", html) is None
    assert not {"link", "iframe", "object"} & {tag for tag, _ in page.tags}
    assert "url(" not in html
    assert "@import" not in html
    for _, attributes in page.tags:
        for name in ("src", "href", "xlink:href"):
            value = attributes.get(name)
            assert value is None or value.startswith("data:image/jpeg;base64,")
    assert str(case[0].job.folder) not in html


def test_each_section_has_its_file_and_each_file_its_place() -> None:
    """No section is forgotten in a folder, and the package ships all of them."""
    report = Path(page_html.__code__.co_filename).parent
    included = re.findall(
        r'include "(sections/\w+\.html)"', (report / "page.html").read_text(encoding="utf-8")
    )
    kept = [path.relative_to(report).as_posix() for path in report.glob("sections/*")]
    later = ["sections/before_after.html"]  # comes when sessions are compared
    assert sorted([*included, *later]) == sorted(kept)
    project = tomllib.loads((report.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))
    shipped = project["tool"]["setuptools"]["package-data"]["pipeline.report"]
    assert {path for glob in shipped for path in report.glob(glob)} >= set(
        report.glob("sections/*")
    )


def test_the_answer_comes_first_and_says_what_is_out(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    text = read(page_html(*case)).text
    first, second = words.answer(case[0])
    assert first == (
        "1 of 11 points is out of tolerance, the largest by 14.2 mm (A left, length); "
        "1 point is too close to the limit to tell."
    )
    assert second == "The 4 base points fit the sheet to 0.2 mm rms."
    order = [
        "Invented car, front left",
        first,
        second,
        "Plan, seen from above",
        "Left side, front to the left",
        "Deviation ± U, mm",
        "In three dimensions",
        "What to look at",
        "The weakest figures, and why",
        "Certificate, mm",
        "IMG_0001.jpg: ",
        "How it was measured",
        "Before anyone goes under the car",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_every_point_is_there_with_its_verdict_in_words(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    text = read(page_html(*case)).text
    for (point, side), place in SHEET_MM.items():
        assert f"{point} {side}" in text
        assert re.search(rf"{point} {side}(?: base)? *[▲?✓] (?:out|undecided|within)", text), place
    assert re.search(r"A L *▲ out *14\.2 rearward, 5\.5 inward, 6\.1 up", text)
    assert re.search(r"A R *\? undecided *3\.0 rearward|A R *\? undecided *3\.1 rearward", text)
    assert re.search(r"C L base *✓ within", text)
    assert "−14.20 ± 0.15" in text
    assert "+6.10 ± 0.30" in text


def test_worst_points_lead_and_the_rest_keep_their_order(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    rows = case[0].deviations.rows
    shuffled = (*rows[3:], *rows[:3])
    names = [f"{row.point} {row.side}" for row in words.worst_first(shuffled)]
    assert names[:2] == ["A L", "A R"]
    assert names[2:] == ["B R", "C L", "C R", "D L", "D R", "E L", "E R", "F C", "B L"]


def test_findings_and_remedies(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    text = read(page_html(*case)).text
    assert "warning" in text
    assert "Card 11 was measured in 2 photos only." in text
    assert "Take two more photos of it from other sides." in text
    none = read(page_html(replace(case[0], findings=()), case[1])).text
    assert "Nothing doubtful was found." in none


@pytest.mark.parametrize(
    "nasty",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "</title></style><b>bold</b>",
        "{{ 7 * 7 }} {% raw %} & < >",
    ],
)
def test_what_people_typed_stays_text(
    case: tuple[Result, tuple[Sighting, ...]], nasty: str
) -> None:
    result, sightings = case
    rows = (replace(result.deviations.rows[0], point=nasty), *result.deviations.rows[1:])
    result = replace(
        titled(result, nasty),
        deviations=DeviationTable(rows, result.deviations.covariance_mm2),
        findings=tuple(
            replace(f, subject=nasty, text=nasty, remedy=nasty) for f in result.findings
        ),
        photos=(*result.photos, PhotoRow(nasty, (), False, nasty, float("nan"))),
        seconds={nasty: 1.0},
        solution=replace(
            result.solution,
            groups=(replace(result.solution.groups[0], name=nasty),),
            rejected=((1, nasty, 0),),
        ),
    )
    page = read(page_html(result, sightings))
    assert not {"img", "b"} & {
        tag for tag, attributes in page.tags if tag != "b" or "onerror" in attributes
    }
    # The figures for the scripts, and the scripts.
    assert [a.get("type") for tag, a in page.tags if tag == "script"] == ["application/json", None]
    assert not any(name.startswith("on") for _, attributes in page.tags for name in attributes)
    assert "<b>bold" not in page_html(result, sightings)
    # Title, heading, point and its labels, finding, photo, its reason, camera and so on.
    assert page.text.count(re.sub(r"\s+", " ", nasty)) >= 12


@pytest.mark.parametrize(
    "title", ["سيارة فان، أمامي أيسر", "厢式车,左前", "Fourgon n° 3 – côté gauche"]
)
def test_titles_of_any_script(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path, title: str
) -> None:
    write_report(titled(case[0], title), case[1], tmp_path / "report.html")
    page = read((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert page.text.count(title) == 2
    assert any(tag == "h1" and a.get("dir") == "auto" for tag, a in page.tags)
    assert any(tag == "meta" and a.get("charset") == "utf-8" for tag, a in page.tags)


def test_without_scale_the_page_warns(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    assert "Not to scale." not in read(page_html(*case)).text
    text = read(page_html(replace(case[0], scaled=False, bars=()), case[1])).text
    assert text.index("Not to scale.") < text.index("Deviation ± U")
    assert "the printer's" in text
    assert "No bar was measured." in text


def test_rendered_is_said_only_when_the_title_says_so(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    assert "rendered by a computer" not in read(page_html(*case)).text
    demo = titled(case[0], "Demo, rendered")
    assert "rendered by a computer" in read(page_html(demo, case[1])).text


def test_without_sheet_cards_are_listed_and_the_reason_given(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    result = without_sheet(case[0])
    page = read(page_html(result, case[1]))
    assert "no reference sheet (sheet.csv)" in page.text
    assert "no deviation can be given" in page.text
    assert f"{len(result.cards)} cards, mm in the network frame" in page.text
    assert any(tag == "details" and "open" in attributes for tag, attributes in page.tags)
    assert "Plan, seen from above" not in page.text
    for card in result.cards:
        assert words.number(float(card.centre_mm[0]), 2) in page.text


def test_sheet_without_frame_says_so(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    result = replace(
        case[0],
        vehicle_from_network=None,
        base=(),
        datum_rms_mm=float("nan"),
        deviations=DeviationTable((), np.zeros((0, 0))),
    )
    text = read(page_html(result, case[1])).text
    assert "The base points did not give a vehicle frame" in text
    assert "the findings below say why" in text


@pytest.mark.parametrize(
    ("index", "first"),
    [
        (0, "1 of 1 point is out of tolerance, the largest by 14.2 mm (A left, length)."),
        (1, "No point is out of tolerance beyond doubt, but 1 of 1 point is too close"),
        (2, "The one point measured is within tolerance."),
    ],
)
def test_one_point(case: tuple[Result, tuple[Sighting, ...]], index: int, first: str) -> None:
    row = case[0].deviations.rows[index]
    result = replace(case[0], deviations=DeviationTable((row,), np.eye(3)))
    assert first in read(page_html(result, case[1])).text


def test_points_whose_cards_were_not_measured_are_named_at_the_top(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    assert words.unmeasured(case[0]) == ""

    def seen(count: int) -> Result:
        left = {row.card for row in case[0].deviations.rows[count:]}
        cards = tuple(card for card in case[0].cards if card.card not in left)
        return replace(first_points(case[0], count), cards=cards)

    result = seen(9)
    said = "2 points have no result, because their cards were not measured: "
    text = read(page_html(result, case[1])).text
    assert said + "E right (card 10), F centre (card 11)." in text
    assert text.index(said) < text.index("Deviation ± U")
    assert "1 point has no result, because its card was not measured" in words.unmeasured(seen(10))
    # Measured, but set aside, as where the cards of two points are swapped.
    assert words.unmeasured(first_points(case[0], 10)) == (
        "1 point has no result, because its card sits elsewhere than cards.csv says: "
        "F centre (card 11)."
    )


def test_all_within(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    rows = case[0].deviations.rows[2:]
    result = replace(case[0], deviations=DeviationTable(rows, np.eye(3 * len(rows))))
    assert words.answer(result)[0] == "All 9 points are within tolerance."


def test_all_within_a_sheet_of_this_car_is_not_straight(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    rows = case[0].deviations.rows[2:]
    own = Finding("sheet-of-this-car", "warning", "sheet.csv", "The sheet was made from this car.")
    result = replace(
        case[0], deviations=DeviationTable(rows, np.eye(3 * len(rows))), findings=(own,)
    )
    assert "not whether the car is straight" in words.answer(result)[1]


def test_largest_is_the_largest_that_is_out(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    # Height is off by more, but its U is so large that it is not out beyond doubt.
    row = replace(
        case[0].deviations.rows[0],
        deviation_mm=np.array([-4.0, 0.0, 9.0]),
        axis_verdicts=("out", "within", "undecided"),
    )
    result = replace(case[0], deviations=DeviationTable((row,), np.eye(3)))
    assert "4.0 mm (A left, length)" in words.answer(result)[0]


def test_bars_say_whether_they_agree(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    assert "one bar cannot check itself" in read(page_html(*case)).text
    good, bad = BarCheck((1, 2), 1200.0, 1200.05, 0.1), BarCheck((3, 4), 900.0, 900.3, 0.1)
    text = read(page_html(replace(case[0], bars=(good, bad)), case[1])).text
    assert re.search(r"1 and 2 *1200\.00 *1200\.05 *\+0\.05 ± 0\.10 *agrees", text)
    assert re.search(r"3 and 4 *900\.00 *900\.30 *\+0\.30 ± 0\.10 *does not agree", text)


def test_how_it_was_measured(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    result, sightings = case
    text = read(page_html(*case)).text
    rms_px = float(np.sqrt(np.mean(result.solution.residuals_px**2)))
    assert f"{rms_px:.3f} px typical misfit" in text
    assert f"{4 * len(sightings)} dots" in text
    assert f"{result.solution.redundancy} more observations than needed" in text
    assert "1.07 misfit against what was expected" in text
    assert re.search(r"640\.00 *± 0\.30", text)
    assert "found from these photos alone" in text
    assert "adjustment 0.40 s" in text
    assert "(dot 3)" in text
    profile = replace(result.solution.groups[0], from_profile=True)
    solution = replace(result.solution, groups=(profile,))
    assert (
        "lens profile of this camera"
        in read(page_html(replace(result, solution=solution), sightings)).text
    )


def test_terms_of_distortion_are_told(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    result, sightings = case
    assert "Terms of distortion" not in read(page_html(*case)).text
    text = read(page_html(with_terms(result), sightings)).text
    assert "taken in, because the photos ask for them: k2 +35." in text
    assert "Held near nought, because the photos do not ask for them: p1, p2 −13; k3 −5." in text


def test_cautions_are_all_there(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    text = read(page_html(*case)).text
    for said in (
        "rated for it, arms and locks engaged",
        "stands on a jack",
        "shift the weight",
        "qualified person makes the battery safe first",
        "exhaust cool",
        "eye protection",
        "nobody stands in line with chains",
        "repair procedure, local codes, licensed practice and a wheel alignment",
        "never replace",
    ):
        assert said in text


def pictures_of(page: Page) -> list[Array]:
    """Embedded JPEGs in the order of the page, (H, W, 3)."""
    found = []
    for tag, attributes in page.tags:
        if tag == "image":
            data = base64.b64decode((attributes["href"] or "").split(",", 1)[1])
            with Image.open(io.BytesIO(data)) as image:
                found.append(np.asarray(image.convert("RGB"), dtype=float))
    return found


def test_thumbnails_are_upright_and_marks_follow_them(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    result, _ = case
    name = result.photos[1].name
    # A card in the bright corner of the sensor image, and a dot that is not usable.
    corner = card_of(5).dots_mm * 0.5 + [28.0, 28.0]
    seen = Sighting(
        card=5,
        photo=name,
        corners_px=card_of(5).corners_mm * 0.5 + [28.0, 28.0],
        dots_px=corner,
        covariance_px2=np.tile(np.eye(2), (4, 1, 1)),
        measured=np.array([True, True, True, False]),
    )
    html = page_html(result, (seen,))
    upright = pictures_of(read(html))
    assert upright[0].shape == (600, 800, 3)
    assert upright[1].shape == (800, 600, 3)
    # Orientation 6: the sensor's first pixel is shown at the top right.
    assert upright[1][:20, -20:].mean() > 240
    assert upright[1][:20, :20].mean() < 110
    (circles,) = [
        re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="1.7"', part)
        for part in html.split("<figure")
        if 'r="1.7"' in part
    ]
    scale = 480 / WIDTH_PX
    places = np.array(circles, dtype=float)
    # A pixel's centre lies half a pixel inside the edge of the picture.
    across, down = 600 - (corner[:3, 1] + 0.5), corner[:3, 0] + 0.5
    np.testing.assert_allclose(places, scale * np.column_stack([across, down]), atol=0.06)
    assert html.count("l6,6m0,-6l-6,6") == 1


def test_card_outline_reaches_the_edge_of_the_card() -> None:
    card = card_of(310)
    tilted = np.array([[3.0, 0.4, 500.0], [-0.2, 2.0, 300.0], [1e-3, 2e-3, 1.0]])

    def image_of(plane_mm: Array) -> Array:
        image = np.column_stack([plane_mm, np.ones(len(plane_mm))]) @ tilted.T
        return np.asarray(image[:, :2] / image[:, 2:])

    half = card.width_mm / 2
    edge = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    seen = Sighting(
        310,
        "x",
        image_of(card.corners_mm),
        image_of(card.dots_mm),
        np.zeros((4, 2, 2)),
        np.ones(4, dtype=bool),
    )
    np.testing.assert_allclose(card_outline_px(seen), image_of(edge), atol=0.01)
    lost = replace(seen, dots_px=np.full((4, 2), np.nan), measured=np.zeros(4, dtype=bool))
    np.testing.assert_allclose(card_outline_px(lost), image_of(edge), atol=0.01)


def test_photos_that_are_gone_or_broken_are_named(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path
) -> None:
    result, sightings = in_folder(case[0], tmp_path), case[1]
    photos = tmp_path / "photos"
    shutil.copytree(case[0].job.folder / "photos", photos)
    (photos / "IMG_0001.jpg").unlink()
    (photos / "IMG_0003.jpg").write_bytes(b"not a photo")
    page = read(page_html(result, sightings))
    assert "is no longer in the folder photos/" in page.text
    assert page.text.count("No picture of this photo: ") == 2
    assert "IMG_0001.jpg" in page.text
    assert "IMG_0003.jpg" in page.text
    assert len(pictures_of(page)) == len(result.photos) - 2


def test_unused_photo_gives_its_reason(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    text = read(page_html(*case)).text
    assert "IMG_0099.jpg not used: too blurred to measure" in text


def test_forty_photos_stay_small_and_quick(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path
) -> None:
    result, sightings = in_folder(case[0], tmp_path), case[1]
    (tmp_path / "photos").mkdir()
    rng = np.random.default_rng(2)
    # Noise compresses worst: no real photo makes a larger page.
    coarse = rng.integers(0, 255, (150, 200, 3), dtype=np.uint8)
    image = Image.fromarray(coarse).resize((800, 600), Image.Resampling.BICUBIC)
    photos = tuple(replace(result.photos[0], name=f"N{n:02d}.jpg") for n in range(40))
    for photo in photos:
        image.save(tmp_path / "photos" / photo.name, quality=88)
    path = tmp_path / "report.html"
    begun = time.perf_counter()
    write_report(replace(result, photos=photos), sightings, path)
    seconds = time.perf_counter() - begun
    assert 500_000 < path.stat().st_size < 8_000_000
    # A runaway guard only: the machine may be shared; the figure itself is measured elsewhere.
    assert seconds < 10.0


def test_previews_begun_before_the_page_are_those_on_it(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path
) -> None:
    result, sightings = in_folder(case[0], tmp_path), case[1]
    photo = replace(result.photos[0], name="N.jpg")
    result = replace(result, photos=(photo,))
    (tmp_path / "photos").mkdir()
    Image.new("RGB", (800, 600), (90, 120, 60)).save(tmp_path / "photos" / photo.name)
    at_once = page_html(result, sightings)
    assert "data:image/jpeg" in at_once
    with Previews(tmp_path / "photos") as previews:
        previews.begin([photo.name])
        previews.of(photo.name)
        # From here on only the preview can be what the page shows.
        (tmp_path / "photos" / photo.name).unlink()
        assert page_html(result, sightings, previews=previews) == at_once


def arrows_of(row: DeviationRow, view: drawing.View, times: int) -> list[drawing.Shape]:
    return [
        shape
        for shape in drawing.draw_view([row], view, times).shapes
        if shape.stroke == words.LOOKS[row.verdict].ink
    ]


@pytest.mark.parametrize(
    ("view", "deviation_mm", "way"),
    [
        # Front is left; the car's left side is at the bottom, seen from above; up is up.
        (drawing.PLAN, (10.0, 0.0, 0.0), (-1, 0)),
        (drawing.PLAN, (0.0, 10.0, 0.0), (0, 1)),
        (drawing.PLAN_UPRIGHT, (10.0, 0.0, 0.0), (0, -1)),
        (drawing.PLAN_UPRIGHT, (0.0, 10.0, 0.0), (-1, 0)),
        (drawing.SIDES[0], (10.0, 0.0, 0.0), (-1, 0)),
        (drawing.SIDES[0], (0.0, 0.0, 10.0), (0, -1)),
    ],
)
def test_arrows_point_the_right_way_and_to_scale(
    case: tuple[Result, tuple[Sighting, ...]],
    view: drawing.View,
    deviation_mm: tuple[float, float, float],
    way: tuple[int, int],
) -> None:
    rows = case[0].deviations.rows
    sheet = np.array(SHEET_MM["A", "L"])
    row = replace(rows[0], position_mm=sheet + deviation_mm, deviation_mm=np.array(deviation_mm))
    times = 20
    drawn = drawing.draw_view((row, *rows[2:]), view, times)
    line, head = [s for s in drawn.shapes if s.stroke == words.LOOKS["out"].ink]
    start, tip = line.points[0], head.points[0]
    length_px = float(np.linalg.norm(tip - start))
    np.testing.assert_allclose((tip - start) / length_px, way, atol=1e-9)
    # The tolerance square of 2 x 3 mm is drawn at the same exaggeration.
    square = next(s for s in drawn.shapes if s.kind == "polygon" and s.fill == "#eceff2")
    side_px = float(np.ptp(square.points[:, 0]))
    assert length_px / side_px == pytest.approx(10.0 / 6.0, rel=1e-9)


def test_plan_is_to_scale(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    """Distances between places on the sheet are those of the reference sheet, scaled."""
    rows = [row for row in case[0].deviations.rows if row.base]
    drawn = drawing.draw_view(rows, drawing.PLAN, 10)
    marks = [
        s.points.mean(axis=0)
        for s in drawn.shapes
        if s.fill == drawing.INK and s.kind == "polygon" and len(s.points) == 4
    ]
    sheet = np.array([SHEET_MM[row.point, row.side] for row in rows])
    spans_px = np.array(marks) - marks[0]
    spans_mm = sheet - sheet[0]
    scale = spans_px[2, 0] / -spans_mm[2, 0]
    assert scale > 0.1
    np.testing.assert_allclose(spans_px[:, 0], -scale * spans_mm[:, 0], atol=1e-6)
    np.testing.assert_allclose(spans_px[:, 1], scale * spans_mm[:, 1], atol=1e-6)


def test_all_views_have_one_scale_and_lengths_stand_over_one_another(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    # The frontmost point of the left side is missing, and moved points reach out on the right.
    rows = case[0].deviations.rows[1:]
    places = []
    for view in (drawing.PLAN, *drawing.SIDES):
        shapes = drawing.draw_view(rows, view, 30).shapes
        ticks = {s.text: s.points[0, 0] for s in shapes if s.text in ("1000", "−1000")}
        places.append([ticks["1000"], ticks["−1000"]])
    np.testing.assert_allclose(places[1:], [places[0]] * 2, atol=1e-9)
    assert places[0][0] < places[0][1]


def test_verdicts_differ_in_shape_not_only_in_colour(
    case: tuple[Result, tuple[Sighting, ...]],
) -> None:
    rows = case[0].deviations.rows

    def build(row: DeviationRow) -> list[tuple[str, bool, bool]]:
        return [
            (s.kind, s.dash, s.fill not in ("none", "#ffffff"))
            for s in arrows_of(row, drawing.PLAN, 10)
        ]

    unknown = replace(
        rows[0], deviation_mm=np.full(3, np.nan), tol_mm=float("nan"), verdict="no reference"
    )
    looks = [build(rows[0]), build(rows[1]), build(rows[2]), build(unknown)]
    assert all(looks)
    assert len({tuple(look) for look in looks}) == 4


def test_names_do_not_cover_one_another(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    drawn = drawing.draw_view(case[0].deviations.rows, drawing.PLAN, 30)
    names = [f"{point} {side}" for point, side in SHEET_MM]
    boxes = []
    for shape in drawn.shapes:
        if shape.text in names:
            x, y = shape.points[0]
            half = len(shape.text) * shape.size_px * 0.3
            boxes.append((x - half, y - shape.size_px, x + half, y))
    assert len(boxes) == len(names)
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


def test_a_sound_car_does_not_look_hit(case: tuple[Result, tuple[Sighting, ...]]) -> None:
    """Small deviations are not blown up until they look like damage."""
    sound = [
        replace(row, deviation_mm=np.array([0.05, 0.02, 0.04]), verdict="within")
        for row in case[0].deviations.rows
    ]
    times = drawing.exaggeration(sound)
    span_mm = 1900.0 + 1850.0
    assert times * 0.05 < 0.01 * span_mm
    assert times * 6.0 > 0.03 * span_mm


def test_words_meet_the_contrast_of_wcag_aa() -> None:
    def luminance(colour: str) -> float:
        linear = []
        for i in (1, 3, 5):
            share = int(colour[i : i + 2], 16) / 255
            linear.append(share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4)
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(a: str, b: str) -> float:
        low, high = sorted((luminance(a), luminance(b)))
        return (high + 0.05) / (low + 0.05)

    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for look in words.LOOKS.values():
        assert contrast(look.ink, "#ffffff") >= 4.5
        assert contrast(look.ink, look.wash) >= 4.5
        # Body text and the softer figures stand on the wash too.
        assert contrast("#1b1f24", look.wash) >= 4.5
        assert contrast("#50565e", look.wash) >= 4.5
    assert len({look.mark for look in words.LOOKS.values()}) == len(words.LOOKS)


def test_picture_is_drawn(case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path) -> None:
    result = titled(case[0], "Cost $5 and $6, 厢式车")
    write_picture(result, tmp_path / "picture.png")
    with Image.open(tmp_path / "picture.png") as image:
        assert image.width == 1650
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    vermillion = np.array([0xB3, 0x47, 0x00])
    assert (np.abs(pixels.astype(int) - vermillion).max(axis=1) < 8).sum() > 1000
    assert (pixels == 255).all(axis=1).mean() > 0.7
    first = (tmp_path / "picture.png").read_bytes()
    write_picture(result, tmp_path / "picture.png")
    assert (tmp_path / "picture.png").read_bytes() == first


def test_picture_of_nothing_is_refused(
    case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path
) -> None:
    with pytest.raises(UserError, match="no measured reference point"):
        write_picture(without_sheet(case[0]), tmp_path / "picture.png")
    assert not (tmp_path / "picture.png").exists()


def test_few_points_still_draw(case: tuple[Result, tuple[Sighting, ...]], tmp_path: Path) -> None:
    write_picture(first_points(case[0], 1), tmp_path / "one.png")
    assert (tmp_path / "one.png").stat().st_size > 5000
    for view in (drawing.PLAN, drawing.PLAN_UPRIGHT, *drawing.SIDES):
        drawn = drawing.draw_view(first_points(case[0], 1).deviations.rows, view, 10)
        places = np.vstack([s.points for s in drawn.shapes])
        assert np.isfinite(places).all()
        assert places[:, 1].max() <= drawn.height_px
        assert places[:, 0].max() <= drawn.width_px


def test_nothing_heavy_is_imported_for_the_page() -> None:
    """matplotlib belongs to the picture; the page draws its own lines."""
    import subprocess

    code = (
        "import sys; import pipeline.report.page, "
        "pipeline.report.pictures, pipeline.results.tables; "
        "print(sorted({'matplotlib', 'jinja2', 'cv2', 'open3d'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[1],
    )
    assert done.stdout.strip() == "[]"
