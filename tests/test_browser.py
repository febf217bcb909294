"""The page in a real browser: Chromium runs its scripts, axe-core looks for barriers."""

from __future__ import annotations

import io
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable
from pipeline.inputs.readings import read_readings
from pipeline.language import language_of
from pipeline.report import words
from pipeline.report.before_after import section_html
from pipeline.report.compare_page import write_compare_page
from pipeline.report.page import page_html, write_report
from pipeline.report.plan_page import write_plan_page
from pipeline.report.tape_page import write_tape_page
from pipeline.report.templates import BEFORE_AFTER_BEGINS
from pipeline.sessions.compare import compare_sessions
from pipeline.sessions.compare_tables import comparison_document
from pipeline.sessions.tape import check_tape
from pipeline.shoot.plan import plan_shoot
from pipeline.shoot.safety import cautions
from tests.measured_case import SHEET_MM, measured_job
from tests.report_case import invented, whole, without_sheet

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip("axe_playwright_python", reason="axe-core is not installed")

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_CHROMIUM = next((path for name in _NAMES if (path := shutil.which(name))), None)
pytestmark = pytest.mark.skipif(_CHROMIUM is None, reason=f"none of {_NAMES} is installed")

TITLE = "سيارة فان 厢式车 <script>window.broken = 1</script>"


@dataclass
class Visit:
    """A page in the browser, with what it asked for and complained of."""

    page: Any
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        # Chromium's sandbox refuses to run as root, as in a container.
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        opened = playwright.chromium.launch(
            executable_path=_CHROMIUM, args=["--no-sandbox"] if root else []
        )
        yield opened
        opened.close()


def visit(browser: Any, path: Path, width_px: int, **options: Any) -> Visit:
    """Open a page offline."""
    context = browser.new_context(
        viewport={"width": width_px, "height": 900}, offline=True, **options
    )
    context.set_default_timeout(5000)
    found = Visit(context.new_page())
    found.page.on("request", lambda request: found.asked.append(request.url))
    found.page.on("console", lambda message: found.complaints.append(message.text))
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.goto(path.as_uri())
    return found


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    hashes = (("job.toml", "ab" * 32), ("IMG_0099.jpg", None))
    write_report(*whole(folder, TITLE), folder / "report.html", hashes)
    return folder / "report.html"


@pytest.fixture
def desk(browser: Any, report: Path) -> Iterator[Visit]:
    found = visit(browser, report, 1400)
    yield found
    assert found.complaints == []
    found.page.context.close()


def found_clean(found: Visit, width_px: int) -> None:
    """No error, no request, no barrier: WCAG 2.2 A and AA as far as axe-core can tell.

    Contrast is among it, and nothing is wider than the screen but what scrolls by itself.
    """
    page = found.page
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    page.evaluate((Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    told = page.evaluate(
        "axe.run(document, {resultTypes: ['violations'], runOnly: "
        "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
    )
    assert [(v["id"], [n["html"][:200] for n in v["nodes"]]) for v in told["violations"]] == []
    assert len(told["passes"]) > 12
    assert page.evaluate("document.documentElement.scrollWidth") <= width_px
    assert [url for url in found.asked if not url.startswith(("file:", "data:"))] == []
    assert found.complaints == []


@pytest.mark.parametrize("width_px", [390, 1400])
def test_no_error_no_request_no_barrier(browser: Any, report: Path, width_px: int) -> None:
    found = visit(browser, report, width_px)
    found_clean(found, width_px)
    assert found.page.title() == TITLE
    assert found.page.evaluate("window.broken") is None
    found.page.context.close()


@pytest.fixture(scope="module")
def others(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages beside the report, and the report with before and after, in German.

    German words are the longer ones; what fits them fits the English.
    """
    folder = tmp_path_factory.mktemp("others")
    jobs = [
        replace(
            measured_job(
                {n: place - [off * (n == "A L"), 0.0, 0.0] for n, place in SHEET_MM.items()},
                np.eye(3 * len(SHEET_MM)) * 0.01,
                folder=folder / f"van{off}",
            ),
            title=TITLE,
        )
        for off in (9.0, 2.0)
    ]
    (folder / "van9.0" / "results").mkdir(parents=True)
    (folder / "van9.0" / "results" / "result.json").touch()  # its sum is a long word
    comparison = compare_sessions(jobs)
    write_compare_page(comparison, folder / "compare.html", "de")
    result, sightings = whole(folder, TITLE)
    section = section_html(comparison_document(comparison), language_of("de"))
    page = page_html(result, sightings, language="de")
    page = page.replace(BEFORE_AFTER_BEGINS, section)
    (folder / "report.html").write_text(page, encoding="utf-8")
    readings = folder / "readings.csv"
    readings.write_text(
        "from,from_side,to,to_side,reading_mm,mode\nA,L,B,R,837,centres\nB,L,C,R,1000,centres\n",
        encoding="utf-8",
    )
    checks = check_tape(jobs[0], read_readings(readings, jobs[0].known))
    write_tape_page(jobs[0], checks, folder / "tape.html", "de")
    plan = plan_shoot(result.job, "two-post", None, 0.5)
    write_plan_page(plan, cautions("two-post", folder), folder / "plan.html", "de")
    return folder


@pytest.mark.parametrize("width_px", [390, 1400])
@pytest.mark.parametrize("name", ["compare", "tape", "plan", "report"])
def test_the_other_pages_are_as_clean(browser: Any, others: Path, name: str, width_px: int) -> None:
    found = visit(browser, others / f"{name}.html", width_px)
    assert found.page.evaluate("document.documentElement.lang") == "de"
    found_clean(found, width_px)
    assert found.page.evaluate("window.broken") is None
    if name == "report":
        assert "Vorher und nachher" in found.page.inner_text("main")
    found.page.context.close()


def test_the_policy_lets_no_other_script_run(desk: Visit) -> None:
    desk.page.evaluate(
        "document.body.append(Object.assign(document.createElement('script'), "
        "{textContent: 'window.foreign = 1'}))"
    )
    assert desk.page.evaluate("window.foreign") is None
    assert any("Content Security Policy" in text for text in desk.complaints)
    desk.complaints.clear()


def test_a_point_tells_its_figures_on_hover_and_by_keyboard(desk: Visit) -> None:
    page, tip = desk.page, desk.page.locator("#tip")
    assert tip.is_hidden()
    spot = page.locator(".wide .spot[data-point='0'] circle")
    spot.scroll_into_view_if_needed()
    spot.hover()
    said = tip.inner_text()
    for part in ("A left", "out: 14.2 rearward", "length −14.20 ± 0.15 mm", "tolerance 3.0 mm"):
        assert part in said
    page.keyboard.press("Escape")
    assert tip.is_hidden()
    page.locator(".wide .spot[tabindex='0']").focus()
    page.keyboard.press("ArrowRight")
    assert "A right" in tip.inner_text()
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith("A right")
    page.mouse.move(2, 2)


def test_a_point_tells_its_figures_on_tap(browser: Any, report: Path) -> None:
    found = visit(browser, report, 390, has_touch=True, is_mobile=True)
    spot = found.page.locator(".narrow .spot[data-point='1'] circle")
    spot.tap()
    assert "undecided" in found.page.locator("#tip").inner_text()
    place = found.page.locator("#tip").bounding_box()
    assert place["x"] >= 0
    assert place["x"] + place["width"] <= 390
    assert found.complaints == []
    found.page.context.close()


def names_in(page: Any) -> list[str]:
    return [
        " ".join(text.split()[:2])
        for text in page.locator("#points tbody tr:not([hidden]) th").all_inner_texts()
    ]


def test_the_table_is_sorted_and_filtered(desk: Visit) -> None:
    page = desk.page
    head = page.locator("#points th[data-column='2']")
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    first = names_in(page)
    assert first[:2] == ["A L", "A R"]  # -14.2 and -3.05 mm; the others moved by +0.1
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert names_in(page)[-2:] == ["A R", "A L"]
    page.locator("#points th[data-column='9']").get_by_role("button").click()
    cards = page.locator("#points tbody td:nth-child(10)").all_inner_texts()
    assert cards == sorted(cards, key=int)
    assert cards != sorted(cards)  # by number, not by letter
    page.select_option(".filter select", "undecided")
    assert names_in(page) == ["A R"]
    assert page.locator(".filter output").inner_text() == "1 of 11 shown"
    page.select_option(".filter select", "")
    page.fill(".filter input", "d")
    assert names_in(page) == ["D L", "D R"]


def picture_of(page: Any) -> Array:
    with Image.open(io.BytesIO(page.locator("#space").screenshot())) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def test_the_space_turns_zooms_and_tells(desk: Visit) -> None:
    page, canvas = desk.page, desk.page.locator("#space")
    canvas.scroll_into_view_if_needed()
    page.uncheck(".controls [name='names']")
    page.click("[data-view='plan']")
    page.wait_for_timeout(60)
    plan = picture_of(page)
    # The one arrow that is out is at the front left: left and down in a plan with the front left.
    vermillion = (np.abs(plan - [0xB3, 0x47, 0x00]).max(axis=2) < 25).nonzero()
    assert len(vermillion[0]) > 30
    height, width = plan.shape[:2]
    assert vermillion[1].mean() < 0.45 * width
    assert vermillion[0].mean() > 0.55 * height
    canvas.focus()
    for key in ("ArrowLeft", "ArrowDown", "+"):
        page.keyboard.press(key)
        page.wait_for_timeout(60)
        turned = picture_of(page)
        assert (turned != plan).any()
        plan = turned
    page.keyboard.press("n")
    assert page.locator("#space-told").inner_text().startswith("A left; out: 14.2 rearward")
    page.keyboard.press("p")
    assert page.locator("#space-told").inner_text().startswith("F centre")
    page.uncheck(".controls [name='photos']")
    page.wait_for_timeout(60)
    assert (picture_of(page) != plan).any()


def test_photos_are_enlarged(desk: Visit) -> None:
    page, dialog = desk.page, desk.page.locator("#enlarged")
    page.get_by_role("button", name="Enlarge IMG_0002.jpg").click()
    assert dialog.is_visible()
    assert "IMG_0002.jpg" in page.locator("#enlarged-name").inner_text()
    view = "document.querySelector('#enlarged svg').getAttribute('viewBox')"
    before = page.evaluate(view)
    page.keyboard.press("+")
    assert page.evaluate(view) != before
    page.keyboard.press("PageDown")
    assert "IMG_0003.jpg" in page.locator("#enlarged-name").inner_text()
    page.keyboard.press("Escape")
    assert dialog.is_hidden()


def test_on_paper_everything_is_open(desk: Visit) -> None:
    import pymupdf

    desk.page.fill(".filter input", "d")
    with pymupdf.open(stream=desk.page.pdf(format="A4"), filetype="pdf") as printed:
        text = " ".join(str(page.get_text()) for page in printed)
        assert 4 <= len(printed) <= 14
    text = re.sub(r"\s+", "", text)
    assert "abababab" in text  # the fingerprints are folded away on the screen
    assert "FC✓within" in text  # and this row was filtered out
    assert "Namecontains" not in text
    assert "Dragtoturn" not in text


def test_without_scripts_it_can_be_read(browser: Any, report: Path) -> None:
    found = visit(browser, report, 1400, java_script_enabled=False)
    text = found.page.inner_text("main")
    assert "1 of 11 points is out of tolerance" in text
    assert "needs a browser that runs scripts" in text
    assert "Name contains" not in text
    assert found.page.locator(".spot title").count() > 11
    found.page.context.close()


@pytest.mark.parametrize("what", ["no sheet", "one point", "no point known"])
def test_scarce_results_run_without_error(browser: Any, tmp_path: Path, what: str) -> None:
    result, sightings = invented(tmp_path)
    row = result.deviations.rows[0]
    if what == "no point known":
        row = replace(
            row,
            deviation_mm=np.full(3, np.nan),
            U_deviation_mm=np.full(3, np.nan),
            axis_verdicts=("no reference",) * 3,
            verdict="no reference",
        )
    result = (
        without_sheet(result)
        if what == "no sheet"
        else replace(result, deviations=DeviationTable((row,), np.eye(3)))
    )
    (tmp_path / "page.html").write_text(page_html(result, sightings), encoding="utf-8")
    found = visit(browser, tmp_path / "page.html", 390)
    found.page.locator("#space").press("n")
    assert (picture_of(found.page) != 255).any()
    assert found.complaints == []
    found.page.context.close()


def test_verdicts_look_different_to_the_colour_blind(browser: Any) -> None:
    """As Chromium emulates it (Machado, Oliveira, Fernandes 2009; from memory).

    Without any colour they may look alike: marks, words and shapes of arrows remain.
    """
    page = browser.new_page()
    session = page.context.new_cdp_session(page)
    looks = [words.LOOKS[verdict] for verdict in ("out", "undecided", "within")]
    page.set_content(
        "".join(f"<div style='height:40px;background:{look.ink}'></div>" for look in looks)
    )

    def seen(sight: str) -> Array:
        session.send("Emulation.setEmulatedVisionDeficiency", {"type": sight})
        with Image.open(io.BytesIO(page.screenshot())) as image:
            return np.asarray(image.convert("RGB"))[[28, 68, 108], 28].astype(float)

    for sight in ("none", "protanopia", "deuteranopia", "tritanopia"):
        colours = (seen(sight)[None] / 255).astype(np.float32)
        lab = cv2.cvtColor(colours, cv2.COLOR_RGB2LAB)[0].astype(float)
        apart = [np.linalg.norm(a - b) for a, b in combinations(lab, 2)]
        # Just noticeable is about 2.3 (CIE 1976, from memory).
        assert min(apart) > 25.0, sight
    assert np.ptp(seen("achromatopsia"), axis=1).max() <= 3  # the emulation does its work
    page.context.close()
