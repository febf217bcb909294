"""Photos that are not as the camera took them: mirrored, cropped, screenshots, lying EXIF."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from calib.photo import CameraIdentity, PhotoHeader
from capture.photo_set import GreyPhotos, mirrored_told, see_photos
from pipeline.adjustment.cameras import group_photos
from pipeline.faults.originals import edited_findings
from pipeline.solve import solve_sightings
from tests.card_images import camera_of, draw_cards, facing
from tests.fault_cases import PHONE, draft, photographed

WHOLE = CameraIdentity("ExampleCam", "EC-1", "", 4.4, 27, 4000, 3000, None)


def header(name: str, identity: CameraIdentity = WHOLE, edited: str = "") -> PhotoHeader:
    return PhotoHeader(name, Path(name), identity, 1, edited)


def test_a_mirrored_photo_is_told_from_one_without_cards(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    camera = camera_of(640, 480, 520.0)
    cards = {5: facing(-100, 0, 500), 17: facing(60, 20, 520, 0.3)}
    grey = draw_cards(camera, cards, rng)
    pictures = {"as taken": grey, "flipped": grey[:, ::-1], "empty": np.full_like(grey, 90)}
    for name, picture in pictures.items():
        cv2.imwrite(str(tmp_path / f"{name}.png"), np.ascontiguousarray(picture))
    greys = GreyPhotos()
    seen = see_photos(sorted(tmp_path.iterdir()), greys, lambda done, count: None)
    told = mirrored_told(seen, greys)
    assert {p.name for p in told.photos if p.mirrored} == {"flipped.png"}


def test_crops_and_screenshots_are_named_and_a_second_phone_is_not() -> None:
    crop = replace(WHOLE, width_px=2900, height_px=2100)
    screenshot = CameraIdentity("", "", "", None, None, 2340, 1080, None)
    headers = [
        *(header(f"a{i}.jpg") for i in range(4)),
        header("crop.jpg", crop),
        header("screen.png", screenshot),
        header("sent.jpg", replace(screenshot, width_px=4000, height_px=3000)),
        header("told.jpg", edited="taken with digital zoom 2"),
        header("other.jpg", replace(crop, model="EC-2")),
    ]
    found = {f.subject: f.text for f in edited_findings(headers, group_photos(headers, None))}
    assert set(found) == {"crop.jpg", "screen.png", "told.jpg"}
    assert "2900 x 2100 pixels where others of this camera have 4000 x 3000" in found["crop.jpg"]
    assert "no EXIF" in found["screen.png"]
    assert "digital zoom 2" in found["told.jpg"]


def test_a_lying_focal_length_is_named_and_does_no_harm() -> None:
    """EXIF of a tele lens of 77 mm on photos taken at 27 mm."""
    made = draft(1, photos=12, columns=4)
    made.headers = [
        replace(h, identity=replace(PHONE, focal_mm=9.0, focal35_mm=77)) for h in made.headers
    ]
    result = solve_sightings(made.job, photographed(made))
    (finding,) = [f for f in result.findings if f.severity != "note"]
    assert finding.code == "focal-length-odd"
    measured_px = float(finding.text.split("one of ")[1].split(" px")[0])
    assert 0.98 < measured_px / made.cameras[0].constants[0] < 1.02
    at = {row.card: i for i, row in enumerate(made.job.cards)}
    errors = [
        np.linalg.norm(r.position_mm - made.holes_mm[at[r.card]]) for r in result.deviations.rows
    ]
    assert len(errors) == len(at)
    assert max(errors) < 1.0
