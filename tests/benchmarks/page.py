"""How large the page grows, how long it takes to write, and how long a browser needs to draw it.

python tests/benchmarks/page.py
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capture.sightings import Sighting
from pipeline.datum.deviation import DeviationTable
from pipeline.report.page import write_report
from pipeline.results.result import Result
from tests.report_case import deviation_row, invented

_DRAWN = """() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() =>
  done(performance.now()))))"""


def many(folder: Path, points: int, photos: int) -> tuple[Result, tuple[Sighting, ...]]:
    """The invented car with so many points and photos of 12 MP, all of which show all its cards."""
    result, sightings = invented(folder)
    rng = np.random.default_rng(1)
    rows = []
    for number in range(points):
        side = "LR"[number % 2]
        sheet = rng.uniform([-2000.0, 100.0, 0.0], [2000.0, 700.0, 500.0])
        sheet[1] *= 1.0 if side == "L" else -1.0
        moved = sheet + rng.normal(size=3) * 2.0
        rows.append(deviation_row(f"P{number // 2}", side, number, moved, sheet, number % 9 == 0))
    (folder / "photos").mkdir(parents=True)
    texture = np.clip(rng.normal(120.0, 30.0, (375, 500, 3)), 0, 255).astype(np.uint8)
    first = folder / "photos" / "N000.jpg"
    Image.fromarray(texture).resize((4000, 3000), Image.Resampling.BICUBIC).save(first, quality=90)
    names = [f"N{number:03d}.jpg" for number in range(photos)]
    for name in names[1:]:
        shutil.copyfile(first, folder / "photos" / name)
    shown = result.solution.photos
    solution = replace(
        result.solution,
        photos=tuple(names),
        camera_from_network=tuple(
            result.solution.camera_from_network[n % len(shown)] for n in range(photos)
        ),
        group_of_photo=np.zeros(photos, dtype=int),
    )
    rows_of_photos = tuple(replace(result.photos[0], name=name) for name in names)
    seen = tuple(
        replace(sighting, photo=name)
        for number, name in enumerate(names)
        for sighting in sightings
        if sighting.photo == shown[number % len(shown)]
    )
    deviations = DeviationTable(tuple(rows), np.eye(3 * points))
    return replace(result, deviations=deviations, photos=rows_of_photos, solution=solution), seen


def drawn_s(path: Path) -> float:
    """Seconds from opening the page to its being drawn, the median of three; nan without Chromium.

    Chromium draws without a graphics processor here.
    """
    chromium = shutil.which("chromium")
    if chromium is None:
        return float("nan")
    from playwright.sync_api import sync_playwright

    times = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for _ in range(3):
            page = browser.new_page(viewport={"width": 1400, "height": 900})
            page.goto(path.as_uri())
            times.append(page.evaluate(_DRAWN) / 1000.0)
            page.close()
        browser.close()
    return sorted(times)[1]


def main() -> None:
    argparse.ArgumentParser(description=__doc__).parse_args()
    print("| points | photos | page, MB | written in, s | drawn in, s |")
    print("|---|---|---|---|---|")
    for points, photos in ((20, 40), (1, 40), (400, 40), (400, 400)):
        with tempfile.TemporaryDirectory() as name:
            case = many(Path(name) / "job", points, photos)
            path = Path(name) / "report.html"
            begun = time.perf_counter()
            write_report(*case, path)
            seconds = time.perf_counter() - begun
            size = path.stat().st_size / 1e6
            print(f"| {points} | {photos} | {size:.1f} | {seconds:.1f} | {drawn_s(path):.2f} |")


if __name__ == "__main__":
    main()
