"""Measurements kept between runs: the same to the last bit, never stale, never trusted damaged."""

import hashlib
import json
from dataclasses import fields
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from capture import cache as cache_module
from capture import photo_set
from capture.cache import SightingCache, cache_of_job
from capture.photo_set import GreyPhotos, PhotoSet, look_closer, see_photos
from capture.sightings import Sighting
from targets.mark import Marks
from tests.card_images import camera_of, draw_cards, facing
from tests.tag_images import corners_of, tag_image, tag_pattern

MARKS = Marks("DICT_4X4_50", {7: 50.0})


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two photos of cards, one of a mark, one of nothing."""
    folder = tmp_path_factory.mktemp("photos")
    rng = np.random.default_rng(5)
    pictures = [
        draw_cards(
            camera_of(420, 320, 450.0),
            {card: facing(-90, 0, 500, 0.3), card + 1: facing(90, 20, 500, 0.2, 0.4)},
            rng,
        )
        for card in (3, 7)
    ]
    corners = corners_of(150.0, 0.3, 0.2, np.array([200.0, 200.0]))
    pictures.append(tag_image(tag_pattern(cv2.aruco.DICT_4X4_50, 7), corners, 400))
    pictures.append(np.full((300, 400), 120.0))
    paths = [folder / f"{number}.png" for number in range(len(pictures))]
    for path, picture in zip(paths, pictures, strict=True):
        Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(path)
    return paths


def seen(
    paths: list[Path], cache: SightingCache | None = None, marks: Marks | None = MARKS
) -> PhotoSet:
    return see_photos(paths, GreyPhotos(0), lambda i, n: None, marks, cache)


def same(one: PhotoSet, other: PhotoSet) -> bool:
    """To the last bit, in every field there is."""

    def bits(photo_set: PhotoSet) -> list[object]:
        return [
            [photo.header, photo.repeated, photo.sha256]
            + [
                (value.dtype.str, value.tobytes()) if isinstance(value, np.ndarray) else value
                for sighting in photo.sightings
                for value in (getattr(sighting, field.name) for field in fields(Sighting))
            ]
            for photo in photo_set.photos
        ]

    return bits(one) == bits(other)


def test_a_second_run_measures_only_what_is_new(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh = seen(photos)
    assert [[s.card for s in p.sightings] for p in fresh.photos] == [[3, 4], [7, 8], [1007], []]
    first = cache_of_job(tmp_path)
    assert same(seen(photos[:3], first), fresh) is False
    assert (first.hits, first.misses) == (0, 3)
    second = cache_of_job(tmp_path)
    assert same(seen(photos, second), fresh)
    assert (second.hits, second.misses) == (3, 1)
    monkeypatch.setattr(photo_set, "read_grey", None)  # decoding would fail now
    assert same(seen(photos, cache_of_job(tmp_path)), fresh)


def test_the_closer_look_is_kept_too(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = PhotoSet(tuple(photo_set.replace(p, sightings=()) for p in seen(photos).photos), {})
    once, found = look_closer(
        nothing, GreyPhotos(0), lambda i, n: None, MARKS, cache_of_job(tmp_path)
    )
    assert found == 5
    monkeypatch.setattr(photo_set, "read_grey", None)
    again, _ = look_closer(nothing, GreyPhotos(0), lambda i, n: None, MARKS, cache_of_job(tmp_path))
    assert same(once, again)


def test_the_same_bytes_under_another_name_are_the_same_photo(
    photos: list[Path], tmp_path: Path
) -> None:
    seen(photos[:1], cache_of_job(tmp_path))
    copy = tmp_path / "other.png"
    copy.write_bytes(photos[0].read_bytes())
    cache = cache_of_job(tmp_path)
    assert same(seen([copy], cache), seen([copy]))
    assert cache.hits == 1


def test_whatever_changes_the_measurement_is_measured_again(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen(photos[2:], cache_of_job(tmp_path))
    for marks in (None, Marks("DICT_4X4_50", {7: 51.0}), Marks("DICT_5X5_50", {7: 50.0})):
        cache = cache_of_job(tmp_path)
        assert same(seen(photos[2:], cache, marks), seen(photos[2:], None, marks))
        assert cache.hits == 0
    monkeypatch.setattr(cache_module, "code_fingerprint", lambda: "another version")
    cache = cache_of_job(tmp_path)
    seen(photos[2:], cache)
    assert cache.hits == 0


def test_the_fingerprint_is_that_of_the_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for package in ("targets", "calib", "capture"):
        (tmp_path / package).mkdir()
        (tmp_path / package / "one.py").write_text("a = 1\n")
    monkeypatch.setattr(cache_module, "__file__", str(tmp_path / "capture" / "cache.py"))
    plain = cache_module.code_fingerprint.__wrapped__()
    assert plain == cache_module.code_fingerprint.__wrapped__()
    (tmp_path / "calib" / "one.py").write_text("a = 2\n")
    assert plain != cache_module.code_fingerprint.__wrapped__()


def test_a_damaged_entry_is_measured_again(photos: list[Path], tmp_path: Path) -> None:
    fresh = seen(photos[:1])

    def entry() -> Path:
        (only,) = (tmp_path / ".cache").glob("*.json")
        return only

    seen(photos[:1], cache_of_job(tmp_path))
    whole = entry().read_bytes()
    digits = [place for place in range(len(whole)) if whole[place : place + 1].isdigit()]
    damages = [b"", b"{}", whole[:-1], whole[: len(whole) // 2], b"\0" * len(whole)]
    damages += [
        whole[:at] + b"%d" % ((whole[at] - 47) % 10) + whole[at + 1 :] for at in digits[::600]
    ]
    for damaged in damages:
        entry().write_bytes(damaged)
        cache = cache_of_job(tmp_path)
        assert same(seen(photos[:1], cache), fresh)
        assert (cache.hits, cache.misses) == (0, 1)
        assert entry().read_bytes() == whole


def test_a_cache_that_may_not_be_looked_into_costs_only_time(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbidden(self: Path) -> bool:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "is_file", forbidden)
    cache = cache_of_job(tmp_path)
    cache.store(cache.key("0", ()), (), ())
    assert cache.load(cache.key("0", ()), "a.jpg") is None


def test_an_entry_under_a_wrong_name_is_not_believed(photos: list[Path], tmp_path: Path) -> None:
    seen(photos[:2], cache_of_job(tmp_path))
    one, other = (tmp_path / ".cache").glob("*.json")
    other.write_bytes(one.read_bytes())
    cache = cache_of_job(tmp_path)
    assert same(seen(photos[:2], cache), seen(photos[:2]))
    assert (cache.hits, cache.misses) == (1, 1)


@given(
    card=st.none() | st.floats() | st.text(max_size=3),
    numbers=st.recursive(
        st.none() | st.floats() | st.text(max_size=3), lambda s: st.lists(s, max_size=4)
    ),
)
def test_no_entry_however_odd_stops_a_run(card: object, numbers: object) -> None:
    """Entries with a right checksum and a wrong content, as another program might write them."""
    one = {"card": card} | dict.fromkeys(
        ("corners_px", "dots_px", "covariance_px2", "measured"), numbers
    )
    for document in (
        numbers,
        {"key": "k", "sightings": numbers, "repeated": []},
        {"key": "k", "sightings": [one], "repeated": []},
        {"key": "k", "sightings": [], "repeated": [card]},
    ):
        body = json.dumps(document).encode()
        digest = hashlib.sha256(body).hexdigest().encode()
        measured = cache_module._decoded(digest + b"\n" + body, "k", "a.jpg")
        assert measured is None or not measured[0]


def test_where_nothing_can_be_kept_all_is_measured(photos: list[Path], tmp_path: Path) -> None:
    (tmp_path / ".cache").write_text("a file where the folder should be")
    cache = cache_of_job(tmp_path)
    assert same(seen(photos, cache), seen(photos))
    cache.drop_unused()
    assert [path.name for path in tmp_path.iterdir()] == [".cache"]


def test_only_what_this_run_used_is_kept(photos: list[Path], tmp_path: Path) -> None:
    seen(photos, cache_of_job(tmp_path))
    cache = cache_of_job(tmp_path)
    seen(photos[1:3], cache)
    cache.drop_unused()
    assert len(list((tmp_path / ".cache").glob("*.json"))) == 2
    # The tag of the Cache Directory Tagging Specification, by which backups leave it out.
    tag = (tmp_path / ".cache" / "CACHEDIR.TAG").read_text()
    assert tag.startswith("Signature: 8a477f597d28d172789f06886806bc55")
