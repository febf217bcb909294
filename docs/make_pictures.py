"""The pictures of these pages, made by the tool from the demo: ``python docs/make_pictures.py``.

Takes a minute or two, and needs a Chromium and the packages of the extra ``test``. Everything shown
is the invented, rendered van of ``sample_images``. Each picture stays below 150 kB.
"""

from __future__ import annotations

import io
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pymupdf
from PIL import Image, ImageChops
from playwright.sync_api import sync_playwright

from pipeline import actions
from pipeline.inputs.job import read_job
from pipeline.report.pictures import write_picture
from pipeline.solve import solve

HERE = Path(__file__).resolve().parent
PICTURES = HERE / "pictures"
LARGEST_BYTES = 150_000

_WIDTH_PX = 900
_NAMES = ("chromium", "chromium-browser", "google-chrome")

# Which part of which page: file, selector or heading of a section, picture.
_SECTIONS = (
    ("job/results/report.html", "Where the points moved", "drawings.png"),
    ("job/results/report.html", "Damage by zone", "damage.png"),
    ("job/results/report.html", "Points", "points.png"),
    ("job/results/report.html", "In three dimensions", "space.png"),
    ("job/results/report.html", "The weakest figures, and why", "weakest.png"),
    ("job/results/report.html", "What could go unseen", "unseen.png"),
    ("job/results/report.html", "What makes the figures unsure", "budget.png"),
    ("job/plan/plan.html", "Plan", "plan.png"),
    ("job/results/tape.html", "Readings", "tape.png"),
    ("pulled/results/compare.html", "The path of each point", "compare.png"),
)


def main() -> None:
    """Run the demo in a folder of its own and take its pictures."""
    os.environ["LANGUAGE"] = os.environ["LC_ALL"] = "en"
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo"
        run_the_demo(demo)
        take_pages(demo)
        result, _ = solve(read_job(demo / "job"), quiet)
        write_picture(result, demo / "result.png")
        save((demo / "result.png").read_bytes(), "demo-result.png")
        actions.print_cards("0-5", demo / "cards.pdf", "A4", None)
        save(page_of(demo / "cards.pdf"), "cards.png", 16)
        save(page_of(demo / "job" / "results" / "report.pdf"), "paper.png", 32)


def quiet(stage: str, done: int, total: int) -> None:
    """Progress that nobody watches."""


def run_the_demo(demo: Path) -> None:
    """Everything that the pictures show, with the functions behind the commands."""
    actions.run_demo(demo, quiet)
    actions.solve_job(demo / "pulled", quiet, "en")
    actions.compare_jobs([demo / "job", demo / "pulled"])
    actions.tape_job(demo / "job", demo / "job" / "readings.csv")
    actions.plan_job(demo / "job", "two-post", None, None, (4200.0, 1500.0), "A4")
    actions.report_job(demo / "job", True, None, "A4")


def take_pages(demo: Path) -> None:
    """Sections of the pages, as a browser shows them."""
    chromium = next(path for name in _NAMES if (path := shutil.which(name)))
    with sync_playwright() as playwright:
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox"] if root else []
        )
        page = browser.new_page(viewport={"width": _WIDTH_PX, "height": 620})
        page.goto((demo / "job/results/report.html").as_uri())
        save(page.screenshot(), "report.png")
        page.locator("button.enlarge").nth(2).click()
        save_photo(page.locator("dialog .stage svg").screenshot(), "photo.jpg")
        for file, title, name in _SECTIONS:
            page.goto((demo / file).as_uri())
            section = page.locator("section", has=heading(page, title))
            section.scroll_into_view_if_needed()
            page.wait_for_timeout(300)
            save(section.screenshot(), name)
        browser.close()


def heading(page: Any, title: str) -> Any:
    """The heading of a section."""
    return page.get_by_role("heading", name=title, exact=True)


def page_of(pdf: Path) -> bytes:
    """The first page of a PDF as PNG."""
    with pymupdf.open(pdf) as document:
        return bytes(document[0].get_pixmap(dpi=80).tobytes("png"))


def save(png: bytes, name: str, colours: int = 64) -> None:
    """A drawing with few colours, which is small."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    picture.quantize(colours, dither=Image.Dither.NONE).save(PICTURES / name, optimize=True)
    check(PICTURES / name)


def save_photo(png: bytes, name: str) -> None:
    """A photo."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    width, height = picture.size
    picture = picture.crop((2, 2, width - 2, height - 2))
    # The photo stands in the middle of a plain ground.
    ground = Image.new("RGB", picture.size, picture.getpixel((20, height // 2)))
    differs = ImageChops.difference(picture, ground).convert("L")
    beyond = differs.point(lambda grey: 255 * (grey > 8))
    picture = picture.crop(beyond.getbbox())
    picture.thumbnail((_WIDTH_PX, _WIDTH_PX))
    picture.save(PICTURES / name, quality=72, optimize=True)
    check(PICTURES / name)


def check(file: Path) -> None:
    """Refuse a picture that is too large for these pages."""
    size = file.stat().st_size
    if size > LARGEST_BYTES:
        raise SystemExit(f"{file} has {size} bytes, {LARGEST_BYTES} are allowed")
    print(f"{file.name}: {size // 1000} kB")


if __name__ == "__main__":
    main()
