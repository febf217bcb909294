"""Printed pages and plates, measured on their raster as a person would with a rule."""

import json
import math
import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from pipeline.language import language_of
from targets import pages, plates
from targets.board import Board, charuco_board
from targets.card import ID_COUNT, Card, card_of
from targets.errors import UserError

with warnings.catch_warnings():
    # The C extension of pymupdf trips a deprecation of newer Pythons while it is loaded.
    warnings.filterwarnings("ignore", "builtin type (Swig|swig)", DeprecationWarning)
    import pymupdf

DPI = 600
TOLERANCE_MM = 0.02
CARDS = "0-6,66,300-325,586"


@dataclass(frozen=True)
class Raster:
    """A page or plate as ink, 0 white to 1 black; the outer edge of the first pixel is 0 mm."""

    ink: NDArray[np.uint8]
    mm: float
    words: list[Any]

    def window(
        self, left: float, top: float, right: float, bottom: float
    ) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Ink of whole pixels about a rectangle in mm, and the x and y of their centres."""
        x0, x1 = math.floor(left / self.mm), math.ceil(right / self.mm)
        y0, y1 = math.floor(top / self.mm), math.ceil(bottom / self.mm)
        assert min(x0, y0) >= 0
        part = self.ink[y0:y1, x0:x1] / 255.0
        assert part.shape == (y1 - y0, x1 - x0)
        return part, (np.arange(x0, x1) + 0.5) * self.mm, (np.arange(y0, y1) + 0.5) * self.mm

    def about(self, x: float, y: float, half_x: float, half_y: float) -> Any:
        """The window of these half sides about a point."""
        return self.window(x - half_x, y - half_y, x + half_x, y + half_y)


def rasters(path: Path, dpi: int = DPI) -> list[Raster]:
    """The pages of a PDF."""
    found = []
    with pymupdf.open(path) as document:
        for page in document:
            pixmap = page.get_pixmap(dpi=dpi, colorspace=pymupdf.csGRAY)
            grey = np.frombuffer(pixmap.samples, np.uint8).reshape(pixmap.height, pixmap.stride)
            found.append(Raster(255 - grey[:, : pixmap.width], 25.4 / dpi, page.get_text("words")))
    return found


def detected(raster: Raster) -> dict[int, NDArray[np.float64]]:
    """Tags as OpenCV finds them: corners (4, 2) in mm, good to a few tenths."""
    smaller = cv2.resize(255 - raster.ink, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(smaller)
    scale = raster.mm * len(raster.ink) / len(smaller)
    return {
        int(card_id): (quad[0] + 0.5) * scale
        for card_id, quad in zip(np.ravel(ids), corners, strict=True)
    }


def spot(raster: Raster, x: float, y: float, half: float) -> tuple[float, float, float]:
    """Ink-weighted centre of a disc near a point, and its diameter from its area, mm."""
    ink, xs, ys = raster.about(x, y, half, half)
    total = ink.sum()
    area = total * raster.mm**2
    return ink.sum(axis=0) @ xs / total, ink.sum(axis=1) @ ys / total, math.sqrt(4 * area / math.pi)


def stripe(profile: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[float, float]:
    """Centre and width, mm, of the one dark stripe in a profile of ink."""
    return float(profile @ at / profile.sum()), float(profile.sum() * (at[1] - at[0]))


def check_face(raster: Raster, card: Card, near: NDArray[np.float64]) -> tuple[float, float]:
    """Measure everything on a card's face; returns its centre in mm."""
    share = card.width_mm / 80.0
    dots = []
    for x, y in near + card.dots_mm:
        dot_x, dot_y, diameter = spot(raster, x, y, 5.5 * share)
        assert diameter == pytest.approx(8.0 * share, abs=TOLERANCE_MM)
        dots.append((dot_x, dot_y))
    centre_x, centre_y = np.mean(dots, axis=0)
    away = 33.0 * share * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    np.testing.assert_allclose(np.array(dots) - (centre_x, centre_y), away, atol=TOLERANCE_MM)

    # The black border on its four sides: as long as the tag, and centred on the dots.
    half, thin = 29.0 * share, 1.0 * share
    for side in (-21.0 * share, 21.0 * share):
        ink, xs, _ = raster.about(centre_x, centre_y + side, half, thin)
        assert stripe(ink.mean(axis=0), xs) == pytest.approx(
            (centre_x, 48.0 * share), abs=TOLERANCE_MM
        )
        ink, _, ys = raster.about(centre_x + side, centre_y, thin, half)
        assert stripe(ink.mean(axis=1), ys) == pytest.approx(
            (centre_y, 48.0 * share), abs=TOLERANCE_MM
        )

    # Every cell, so that no wrong bit hides behind the code's error correction.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    marker = cv2.aruco.generateImageMarker(dictionary, card.id, 8, None, 1)
    for row, column in np.ndindex(8, 8):
        x, y = ((np.array([column, row]) - 3.5) * 6.0 * share) + (centre_x, centre_y)
        ink, _, _ = raster.about(x, y, 2.8 * share, 2.8 * share)
        assert (ink == (marker[row, column] < 128)).all()

    # White: one cell around the tag, and 3 mm around each dot.
    ink, xs, ys = raster.about(centre_x, centre_y, 29.9 * share, 29.9 * share)
    outside = np.maximum.outer(abs(ys - centre_y), abs(xs - centre_x)) > 24.0 * share + raster.mm
    assert not ink[outside].any()
    for x, y in dots:
        ink, xs, ys = raster.about(x, y, 6.9 * share, 6.9 * share)
        assert not ink[np.hypot.outer(ys - y, xs - x) > 4.0 * share + raster.mm].any()

    # The arrow, alone in its window, points up: point, head, shaft from top to bottom.
    ink, _, _ = raster.window(
        centre_x - 7.0 * share,
        centre_y - 38.5 * share,
        centre_x - 1.0 * share,
        centre_y - 31.5 * share,
    )
    widths = ink.sum(axis=1)[ink.any(axis=1)] * raster.mm / share
    assert len(widths) * raster.mm / share == pytest.approx(6.1, abs=0.2)
    assert widths[len(widths) // 20] < 0.8
    assert 3.0 < widths.max() < 5.0
    assert 0.4 < widths.argmax() / len(widths) < 0.6
    assert widths[-len(widths) // 5] == pytest.approx(1.6, abs=0.1)
    return centre_x, centre_y


@dataclass(frozen=True)
class Printed:
    """A page of cards with where OpenCV sees the tags."""

    path: Path
    raster: Raster
    tags: dict[int, NDArray[np.float64]]


@pytest.fixture(scope="module", params=["A4", "Letter"])
def printed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Pages of all three sizes of card."""
    path = tmp_path_factory.mktemp(request.param) / "cards.pdf"
    count = pages.cards_pdf(pages.parse_ids(CARDS), path, request.param)
    found = [Printed(path, raster, detected(raster)) for raster in rasters(path)]
    assert count == len(found)
    return request.param, found


def test_each_size_fills_pages_of_its_own(printed: Any) -> None:
    paper, sheets = printed
    width_mm, height_mm = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}[paper]
    small = 24 if paper == "A4" else 20
    assert [sorted(sheet.tags) for sheet in sheets] == [
        [0, 1, 2, 3, 4, 5],
        [6, 66],
        list(range(300, 300 + small)),
        list(range(300 + small, 326)),
        [586],
    ]
    for sheet in sheets:
        rows, columns = sheet.raster.ink.shape
        assert (columns * sheet.raster.mm, rows * sheet.raster.mm) == pytest.approx(
            (width_mm, height_mm), abs=0.05
        )


def test_cards_have_their_size_and_cut_marks(printed: Any) -> None:
    _, sheets = printed
    for sheet in sheets:
        raster = sheet.raster
        for card_id, corners in sheet.tags.items():
            card = card_of(card_id)
            near = corners.mean(axis=0)
            # The right way up, first of all.
            np.testing.assert_allclose(corners - near, card.corners_mm, atol=0.3)
            x, y = check_face(raster, card, near)
            half = card.width_mm / 2.0
            for sign_x in (-1.0, 1.0):
                for sign_y in (-1.0, 1.0):
                    ink, xs, _ = raster.about(
                        x + sign_x * half, y + sign_y * (half + 2.5), 0.6, 1.2
                    )
                    assert stripe(ink.mean(axis=0), xs) == pytest.approx(
                        (x + sign_x * half, 0.1), abs=TOLERANCE_MM
                    )
                    ink, _, ys = raster.about(
                        x + sign_x * (half + 2.5), y + sign_y * half, 1.2, 0.6
                    )
                    assert stripe(ink.mean(axis=1), ys) == pytest.approx(
                        (y + sign_y * half, 0.1), abs=TOLERANCE_MM
                    )
            # Nothing is cut through: the edge itself is white.
            for side in (-half, half):
                assert not raster.about(x, y + side, half, 0.4)[0].any()
                assert not raster.about(x + side, y, 0.4, half)[0].any()


def test_each_card_bears_its_number(printed: Any) -> None:
    _, sheets = printed
    for sheet in sheets:
        numbers: dict[int, list[NDArray[np.float64]]] = {}
        for left, top, right, bottom, word, *_ in sheet.raster.words:
            if word in {str(card_id) for card_id in sheet.tags}:
                middle = np.array([left + right, top + bottom]) / 2.0 * 25.4 / 72.0
                numbers.setdefault(int(word), []).append(middle)
        for card_id, corners in sheet.tags.items():
            share = card_of(card_id).width_mm / 80.0
            offsets = (np.array(numbers[card_id]) - corners.mean(axis=0)) / share
            # A caption may hold the same number, elsewhere.
            own = [x for x, y in offsets if abs(x) < 20.0 and 31.0 < y < 38.0]
            assert len(own) == 1


def check_furniture(raster: Raster) -> None:
    """Measure both check lines between their ticks, and see that all print is on the page."""
    rows, columns = raster.ink.shape
    width_mm, height_mm = columns * raster.mm, rows * raster.mm
    # Level line: the row with most ink in the strip at the foot; upright: likewise at the left.
    ink, xs, ys = raster.window(5.0, height_mm - 15.0, 125.0, height_mm - 1.0)
    level = int((ink > 0.5).sum(axis=1).argmax())
    above = (level - round(1.2 / raster.mm), level - round(0.4 / raster.mm))
    check_line(ink[level], ink[slice(*above)].mean(axis=0), xs)
    ink, xs, ys = raster.window(5.0, 20.0, 15.0, height_mm - 16.0)
    upright = int((ink > 0.5).sum(axis=0).argmax())
    beside = (upright + round(0.4 / raster.mm), upright + round(1.2 / raster.mm))
    check_line(ink[:, upright], ink[:, slice(*beside)].mean(axis=1), ys)

    text = " ".join(word[4] for word in raster.words)
    assert pages.SCALE_SENTENCE in text
    assert re.search(r"page \d of \d", text)
    for number, first in enumerate(raster.words):
        left, _, right, bottom = np.array(first[:4]) * 25.4 / 72.0
        # What an office printer reaches: 4.2 mm from the edge. Boxes are those of the typeface,
        # a little higher than the letters.
        assert left > 4.9
        assert right < width_mm - 4.9
        assert bottom < height_mm - 4.3
        for other in raster.words[number + 1 :]:
            box, beside_box = pymupdf.Rect(first[:4]), pymupdf.Rect(other[:4])
            overlap = box & beside_box
            assert overlap.is_empty or overlap.height < 0.3 * box.height


def runs(dark: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Indices of each run of dark pixels."""
    found = np.flatnonzero(dark)
    return np.split(found, np.flatnonzero(np.diff(found) > 1) + 1)


def check_line(
    line: NDArray[np.float64], ticks: NDArray[np.float64], at: NDArray[np.float64]
) -> None:
    """Two ticks 100 mm apart, 0.2 mm thick, and a line without a gap from one to the other."""
    ends = []
    for tick in runs(ticks > 0.9):
        near = slice(tick[0] - 3, tick[-1] + 4)
        centre, thickness = stripe(ticks[near], at[near])
        assert thickness == pytest.approx(0.2, abs=TOLERANCE_MM)
        ends.append(centre)
    assert len(ends) == 2
    assert ends[1] - ends[0] == pytest.approx(100.0, abs=TOLERANCE_MM)
    longest = max(runs(line > 0.5), key=len)
    assert (at[longest[0]], at[longest[-1]]) == pytest.approx(tuple(ends), abs=0.15)


def test_both_check_lines_and_the_print(printed: Any) -> None:
    _, sheets = printed
    for sheet in sheets:
        check_furniture(sheet.raster)


@pytest.mark.parametrize("dpi", [97, 211])
def test_no_hairline_between_black_cells(tmp_path: Path, dpi: int) -> None:
    path = tmp_path / "cards.pdf"
    pages.cards_pdf(range(6), path)
    raster = rasters(path, dpi)[0]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tags = detected(rasters(path)[0])
    assert sorted(tags) == list(range(6))
    for card_id, corners in tags.items():
        black = cv2.aruco.generateImageMarker(dictionary, card_id, 8, None, 1) < 128
        for row, column in np.ndindex(8, 8):
            for down, right in ((0, 1), (1, 0)):
                pair = black[row : row + 1 + down, column : column + 1 + right]
                if pair.size == 2 and pair.all():
                    edge = np.array([column + right / 2.0, row + down / 2.0]) - 3.5
                    x, y = corners.mean(axis=0) + edge * 6.0
                    assert (raster.about(x, y, 0.6, 0.6)[0] == 1.0).all()


def test_the_same_request_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "first.pdf", tmp_path / "second.pdf"
    pages.cards_pdf((3, 300), first)
    pages.board_pdf(Board(), tmp_path / "board.pdf")
    pages.cards_pdf((3, 300, 3), second)
    assert first.read_bytes() == second.read_bytes()
    with pymupdf.open(first) as document:
        assert document.metadata["creationDate"].startswith("D:20000101")
        assert document.metadata["modDate"].startswith("D:20000101")
        # A viewer's print dialogue is asked not to scale.
        wish = document.xref_get_key(document.pdf_catalog(), "ViewerPreferences/PrintScaling")
        assert wish == ("name", "/None")


BOARDS = [
    (Board(), "A4", (297.0, 210.0)),
    (Board(6, 9), "a4", (210.0, 297.0)),
    (Board(square_mm=28.0, marker_mm=20.5, dictionary="DICT_4X4_50"), "Letter", (279.4, 215.9)),
    (Board(7, 5, square_mm=25.0, marker_mm=18.0), "letter", (279.4, 215.9)),
]


@pytest.mark.parametrize(("board", "paper", "size_mm"), BOARDS)
def test_the_board_is_opencvs_and_true_to_scale(
    tmp_path: Path, board: Board, paper: str, size_mm: tuple[float, float]
) -> None:
    path = tmp_path / "board.pdf"
    assert pages.board_pdf(board, path, paper) == 1
    (raster,) = rasters(path)
    rows, columns = raster.ink.shape
    assert (columns * raster.mm, rows * raster.mm) == pytest.approx(size_mm, abs=0.05)

    detector = cv2.aruco.CharucoDetector(charuco_board(board))
    corners, ids, _, _ = detector.detectBoard(255 - raster.ink)
    assert np.ravel(ids).tolist() == list(range(len(board.object_points_mm)))
    seen_mm = (np.reshape(corners, (-1, 2)) + 0.5) * raster.mm
    offsets = seen_mm - board.object_points_mm[:, :2]
    offset = offsets.mean(axis=0)
    np.testing.assert_allclose(offsets, np.broadcast_to(offset, offsets.shape), atol=TOLERANCE_MM)

    # Against OpenCV's own picture: no ink may differ but along edges.
    per_mm = 10
    size = (round(board.width_mm * per_mm), round(board.height_mm * per_mm))
    theirs = charuco_board(board).generateImage(size)
    step = 1.0 / (per_mm * raster.mm)
    start = offset / raster.mm + step / 2.0 - 0.5
    ours = cv2.warpAffine(
        255 - raster.ink,
        np.array([[step, 0.0, start[0]], [0.0, step, start[1]]]),
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    differs = (cv2.absdiff(ours, theirs) > 100).astype(np.uint8)
    assert not cv2.erode(differs, np.ones((3, 3), np.uint8)).any()

    # White all around: nothing else stands within 2 mm of the board.
    x, y = offset
    ink, xs, ys = raster.window(
        x - 2.0, y - 2.0, x + board.width_mm + 2.0, y + board.height_mm + 2.0
    )
    ink[
        np.ix_(
            (ys > y - raster.mm) & (ys < y + board.height_mm + raster.mm),
            (xs > x - raster.mm) & (xs < x + board.width_mm + raster.mm),
        )
    ] = 0.0
    assert not ink.any()
    check_furniture(raster)


def test_plates_are_true_to_scale(tmp_path: Path) -> None:
    path = plates.write_plates([7, 66, 300, 586, 7], tmp_path / "plates")
    assert path == tmp_path / "plates" / "cards.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    assert [entry["id"] for entry in told["cards"]] == [7, 66, 300, 586]
    assert (told["unit"], told["pixels_per_mm"]) == ("mm", 24)
    assert "y down" in told["frame"]
    assert "z into the card" in told["frame"]
    for entry in told["cards"]:
        card = card_of(entry["id"])
        with Image.open(path.parent / entry["file"]) as picture:
            assert picture.info["dpi"] == pytest.approx((609.6, 609.6), abs=1e-3)
            raster = Raster(255 - np.asarray(picture.convert("L")), 1.0 / 24.0, [])
        side = round(entry["width_mm"] * 24)
        assert raster.ink.shape == (side, side)
        middle = np.full(2, entry["width_mm"] / 2.0)
        x, y = check_face(raster, card, middle)
        assert (x, y) == pytest.approx(tuple(middle), abs=0.001)
        for dot_mm in entry["dots_mm"]:
            dot_x, dot_y = middle + dot_mm
            dot = spot(raster, dot_x, dot_y, 0.7 * entry["dot_diameter_mm"])
            assert dot == pytest.approx((dot_x, dot_y, entry["dot_diameter_mm"]), abs=0.001)
        tags = detected(raster)
        assert list(tags) == [card.id]
        np.testing.assert_allclose(tags[card.id] - middle, entry["corners_mm"], atol=0.3)
        assert entry["corners_mm"][2] == [entry["tag_mm"] / 2.0] * 2
        # The number is there: print in the band below the tag.
        share = card.width_mm / 80.0
        ink, _, _ = raster.about(middle[0], middle[1] + 34.5 * share, 26.0 * share, 3.5 * share)
        assert 0.02 < ink.mean() < 0.2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no card ids are given"),
        ("  ", "no card ids are given"),
        ("1,", "'' is neither a number nor a range"),
        ("a", "'a' is neither"),
        ("1.5", "'1.5' is neither"),
        ("-3", "'-3' is neither"),
        ("1-2-3", "'1-2-3' is neither"),
        ("1 2", "'1 2' is neither"),
        ("٣", "'٣' is neither"),
        ("²", "'²' is neither"),
        ("587", "no card 587; ids run from 0 to 586"),
        ("580-600", "no card 600"),
        ("0-99999999999", "no card 99999999999"),
        ("9" * 5000, f"no card {'9' * 40}...;"),
        ("x" * 5000, f"'{'x' * 40}...' is neither"),
        ("11-0", "the range 11-0 runs down; write 0-11"),
    ],
)
def test_rubbish_for_ids_is_refused(text: str, message: str) -> None:
    with pytest.raises(UserError, match=re.escape(message)) as caught:
        pages.parse_ids(text)
    assert caught.value.remedy
    assert len(str(caught.value)) < 200


def test_ids_as_documented() -> None:
    assert pages.parse_ids("0-11,90,91,300-303") == (*range(12), 90, 91, *range(300, 304))
    assert pages.parse_ids("5, 3-6 ,0586, 5") == (5, 3, 4, 6, 586)


spans = st.lists(
    st.tuples(st.integers(0, ID_COUNT - 1), st.integers(0, 30)), min_size=1, max_size=8
)


@given(spans, st.sampled_from([",", ", ", " ,"]), st.sampled_from(["-", " - "]))
def test_ids_keep_order_and_merge(spans: list[tuple[int, int]], comma: str, dash: str) -> None:
    expected: list[int] = []
    parts = []
    for first, more in spans:
        last = min(first + more, ID_COUNT - 1)
        parts.append(str(first) if more == 0 else f"{first}{dash}{last}")
        expected += [number for number in range(first, last + 1) if number not in expected]
    assert pages.parse_ids(comma.join(parts)) == tuple(expected)


@given(st.one_of(st.text(max_size=20), st.text(alphabet="0123456789-, ", max_size=12)))
def test_any_text_gives_cards_or_a_sentence(text: str) -> None:
    try:
        ids = pages.parse_ids(text)
    except UserError:
        return
    assert ids
    assert len(set(ids)) == len(ids)
    assert all(card_of(card_id).id == card_id for card_id in ids)


def test_what_cannot_be_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "out.pdf"
    with pytest.raises(UserError, match="'A7' is not known; take A4 or Letter"):
        pages.cards_pdf((1,), path, "A7")
    with pytest.raises(UserError, match="'' is not known"):
        pages.board_pdf(Board(), path, "")
    with pytest.raises(UserError, match="no cards are asked for"):
        pages.cards_pdf((), path)
    with pytest.raises(UserError, match="no cards are asked for"):
        plates.write_plates((), tmp_path)
    with pytest.raises(UserError, match="no card 587"):
        pages.cards_pdf((1, 587), path)
    with pytest.raises(UserError, match="no card 587"):
        plates.write_plates((1, 587), tmp_path)
    with pytest.raises(UserError, match=r"does not fit on Letter.*take squares of 28 mm"):
        pages.board_pdf(Board(), path, "Letter")
    with pytest.raises(UserError, match=r"does not fit on A4.*take fewer squares"):
        pages.board_pdf(Board(80, 3, 6.0, 4.0, "DICT_4X4_250"), path)
    monkeypatch.setitem(pages.PAPERS_MM, "A5", (148.0, 210.0))
    with pytest.raises(UserError, match="a card 160 mm wide does not fit on A5; take larger"):
        pages.cards_pdf((1, 586), path, "A5")
    assert list(tmp_path.iterdir()) == []

    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    for write in (pages.cards_pdf, plates.write_plates):
        with pytest.raises(UserError, match="cannot write here"):
            write((1,), in_the_way / "out.pdf")
    with pytest.raises(UserError, match="cannot write here"):
        pages.board_pdf(Board(), in_the_way / "out.pdf")


def test_what_stands_beside_the_cards_is_german_within_the_edges(tmp_path: Path) -> None:
    put = language_of("de").put
    for write in (
        lambda path, paper: pages.cards_pdf(range(6), path, paper, put),
        lambda path, paper: pages.board_pdf(Board(columns=8), path, paper, put),
    ):
        for paper in ("A4", "Letter"):
            path = tmp_path / f"{paper}.pdf"
            write(path, paper)
            page = pymupdf.open(path)[0]
            assert "Seite 1 von 1" in page.get_text()
            assert "Originalgröße" in page.get_text()
            edge = 5.0 * 72.0 / 25.4
            for x0, _, x1, *_ in page.get_text("words"):
                assert edge <= x0
                assert x1 <= page.rect.width - edge + 0.5
