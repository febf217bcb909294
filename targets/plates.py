"""The face of a card as shapes in millimetres, and that face as a picture for engraving.

The shapes are the one place where a card's layout is laid down; the printed pages
(``targets/pages.py``) and the pictures made here draw the same ones. They stand in the card frame
of ``targets/card.py``.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from targets import atomic
from targets.card import Card, card_of, tag_pattern
from targets.errors import UserError

if TYPE_CHECKING:
    from PIL import ImageFont

PIXELS_PER_MM = 24
"""A whole number, so that every tag cell (3, 6 or 12 mm) begins and ends between two pixels."""

FRAME_SENTENCE = (
    "Millimetres; origin at the card centre, x right and y down as printed, z into the card. "
    "Dots and tag corners run clockwise from the top left. The picture is the whole face of the "
    "card: the centre of its first pixel is at -width_mm / 2 + 0.5 / pixels_per_mm in x and y."
)


@dataclass(frozen=True)
class Disc:
    """A black disc."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True)
class Polygon:
    """A black polygon, its corners in order."""

    points_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Text:
    """One line of black print, centred on ``x_mm``, standing on ``baseline_mm``."""

    text: str
    x_mm: float
    baseline_mm: float
    size_mm: float


@dataclass(frozen=True, eq=False)
class Cells:
    """A grid of square cells from its top left corner; ``black`` is (rows, columns)."""

    black: NDArray[np.bool_]
    left_mm: float
    top_mm: float
    cell_mm: float


Shape = Disc | Polygon | Text | Cells

# Print and arrow of a card 80 mm wide; the other classes are this one scaled. Dots begin 29 mm
# from the centre lines and the white around the tag ends at 30 mm (one cell): what stands in
# |x| <= 26, 31 <= |y| <= 38 touches neither, nor the cut at 40 mm.
_NUMBER_MM = (0.0, 36.4, 5.4)
_UP_MM = (3.3, -33.3, 5.0)
_ARROW_MM = (
    (-3.9, -38.0),
    (-1.5, -34.9),
    (-3.1, -34.9),
    (-3.1, -31.9),
    (-4.7, -31.9),
    (-4.7, -34.9),
    (-6.3, -34.9),
)


def card_face(card: Card) -> tuple[Shape, ...]:
    """Everything black on the face of a card, in mm in the card frame."""
    share = card.width_mm / 80.0
    black = ~tag_pattern(card.id)
    left_mm = -card.tag_mm / 2.0
    x_mm, baseline_mm, size_mm = (share * value for value in _NUMBER_MM)
    up_x_mm, up_baseline_mm, up_size_mm = (share * value for value in _UP_MM)
    return (
        Cells(black, left_mm, left_mm, card.tag_mm / len(black)),
        *(Disc(float(x), float(y), card.dot_diameter_mm) for x, y in card.dots_mm),
        # With the word before it, 66 is not read as 99 from the other side.
        Text(f"card {card.id}", x_mm, baseline_mm, size_mm),
        Polygon(tuple((share * x, share * y) for x, y in _ARROW_MM)),
        Text("up", up_x_mm, up_baseline_mm, up_size_mm),
    )


def font_file() -> Path:
    """The typeface of all print (Bitstream Vera, which comes with reportlab)."""
    import reportlab

    return Path(reportlab.__file__).parent / "fonts" / "Vera.ttf"


def face_image(card: Card) -> NDArray[np.uint8]:
    """The face of a card, (n, n) grey, n = ``width_mm * PIXELS_PER_MM``; 0 black, 255 white.

    A grey level is the share of the pixel that is white, so that a dot's grey-weighted centroid
    is its centre.
    """
    side = round(card.width_mm * PIXELS_PER_MM)
    image = np.full((side, side), 255, np.uint8)
    for shape in card_face(card):
        if isinstance(shape, Cells):
            _paint_cells(image, shape)
        elif isinstance(shape, Disc):
            _paint_disc(image, shape)
        elif isinstance(shape, Polygon):
            _paint_polygon(image, shape)
        else:
            _paint_text(image, shape)
    return image


def write_plates(ids: Sequence[int], folder: Path) -> Path:
    """Write one PNG for each card (609.6 dpi, i.e. 24 pixels per mm) and ``cards.json``.

    Parameters
    ----------
    ids : cards to write; a repeated id counts once.
    folder : made if need be; files of the same names are replaced.

    Returns
    -------
    The path of ``cards.json``: frame, unit, pixels_per_mm, and for each card id, width_mm,
    tag_mm, dot_diameter_mm, dots_mm, corners_mm and file (name of its PNG).

    Raises
    ------
    UserError : no ids, no such card, or the folder cannot be written to.
    """
    from PIL import Image

    cards = [card_of(card_id) for card_id in dict.fromkeys(ids)]
    if not cards:
        raise UserError("no cards are asked for", "", "name some, such as 0-11,90,91")
    entries = []
    for card in cards:
        name = f"card_{card.id:03d}.png"
        with atomic.replacing(folder / name) as beside:
            dpi = PIXELS_PER_MM * 25.4
            Image.fromarray(face_image(card)).save(beside, format="PNG", dpi=(dpi, dpi))
        entries.append(
            {
                "id": card.id,
                "width_mm": card.width_mm,
                "tag_mm": card.tag_mm,
                "dot_diameter_mm": card.dot_diameter_mm,
                "dots_mm": card.dots_mm.tolist(),
                "corners_mm": card.corners_mm.tolist(),
                "file": name,
            }
        )
    head = {"frame": FRAME_SENTENCE, "unit": "mm", "pixels_per_mm": PIXELS_PER_MM}
    # Last, so that it never names a picture that is not there.
    path = folder / "cards.json"
    atomic.write_text(path, json.dumps({**head, "cards": entries}, indent=1) + "\n")
    return path


def _edge_px(image: NDArray[np.uint8], mm: float) -> float:
    """Where a card coordinate lies, in pixels from the outer edge of the first pixel."""
    return len(image) / 2.0 + mm * PIXELS_PER_MM


def _paint_cells(image: NDArray[np.uint8], cells: Cells) -> None:
    cell = round(cells.cell_mm * PIXELS_PER_MM)
    black = np.repeat(np.repeat(cells.black, cell, axis=0), cell, axis=1)
    top, left = round(_edge_px(image, cells.top_mm)), round(_edge_px(image, cells.left_mm))
    rows, columns = black.shape
    image[top : top + rows, left : left + columns][black] = 0


def _paint_disc(image: NDArray[np.uint8], disc: Disc) -> None:
    # A straight edge at the disc's distance cuts the pixel: share covered = radius - distance
    # + 1/2, clipped. Against the true circle the area is wrong by less than 1e-5 at these sizes.
    radius = disc.diameter_mm / 2.0 * PIXELS_PER_MM
    x, y = _edge_px(image, disc.x_mm) - 0.5, _edge_px(image, disc.y_mm) - 0.5
    top, left = math.floor(y - radius) - 1, math.floor(x - radius) - 1
    count = math.ceil(2.0 * radius) + 4
    rows, columns = np.mgrid[top : top + count, left : left + count]
    covered = np.clip(radius - np.hypot(columns - x, rows - y) + 0.5, 0.0, 1.0)
    window = image[top : top + count, left : left + count]
    np.minimum(window, np.rint(255.0 * (1.0 - covered)).astype(np.uint8), out=window)


def _paint_polygon(image: NDArray[np.uint8], polygon: Polygon) -> None:
    from PIL import Image, ImageDraw

    points = np.array([[_edge_px(image, x), _edge_px(image, y)] for x, y in polygon.points_mm])
    origin = np.floor(points.min(axis=0)).astype(int) - 1
    columns, rows = np.ceil(points.max(axis=0)).astype(int) + 1 - origin
    finer = 8
    drawn = Image.new("L", (columns * finer, rows * finer), 255)
    corners = [(float(x), float(y)) for x, y in (points - origin) * finer - 0.5]
    ImageDraw.Draw(drawn).polygon(corners, fill=0)
    grey = np.asarray(drawn).reshape(rows, finer, columns, finer).mean(axis=(1, 3))
    window = image[origin[1] : origin[1] + rows, origin[0] : origin[0] + columns]
    np.minimum(window, np.rint(grey).astype(np.uint8), out=window)


def _paint_text(image: NDArray[np.uint8], text: Text) -> None:
    from PIL import Image, ImageDraw

    drawn = Image.new("L", (len(image), len(image)), 255)
    place = (_edge_px(image, text.x_mm), _edge_px(image, text.baseline_mm))
    font = _font(text.size_mm)
    ImageDraw.Draw(drawn).text(place, text.text, fill=0, font=font, anchor="ms")
    np.minimum(image, np.asarray(drawn), out=image)


def _font(size_mm: float) -> "ImageFont.FreeTypeFont":
    from PIL import ImageFont

    return ImageFont.truetype(font_file(), size_mm * PIXELS_PER_MM)
