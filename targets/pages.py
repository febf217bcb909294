"""Cards and board on paper: vector PDF at exact scale, with a check line along both sides.

Inside this file a page has its origin at the top left corner of the paper, x right, y down,
millimetres; only ``_Page`` knows of PDF points and of PDF's y axis, which runs up.
"""

import io
import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from targets import atomic
from targets.board import Board, charuco_board
from targets.card import ID_COUNT, Card, card_of
from targets.errors import UserError
from targets.plates import Cells, Disc, Polygon, Shape, Text, card_face, font_file
from targets.said import Said, one_of, say

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height of the papers that pages can be made for, upright."""

CHECK_LINE_MM = 100.0

SCALE_SENTENCE = say(
    "Print at 100 % (“actual size”), never “fit to page”. Before use, measure both 100 mm lines "
    "with a steel rule; if one is wrong, print again."
)

_POINTS_PER_MM = 72.0 / 25.4
_EDGE_MM = 5.0  # Office printers leave about 4.2 mm (1/6 inch) of the paper blank.
_SIDE_MM = 12.0  # strip at the left: the upright check line
_FOOT_MM = 10.0  # strip at the bottom: the level check line, caption, sentence
_GAP_MM = 5.0  # between cards
_MARK_MM = (1.0, 4.0)  # a cut mark begins and ends so far outside the card
_HAIR_MM = 0.1
_CHECK_MM = 0.2
_PRINT_MM = 2.4
_FONT = "Vera"

_PART = re.compile(r"([0-9]+)(?:\s*-\s*([0-9]+))?")


def parse_ids(text: str) -> tuple[int, ...]:
    """Card ids from a list of numbers and ranges; a repeated id counts once.

    Raises
    ------
    UserError : empty, not such a list, a range that runs down, or no such card.

    >>> parse_ids("0-3, 90,2,300-301")
    (0, 1, 2, 3, 90, 300, 301)
    """
    where = say("card ids '{ids}'", ids=_short(text))
    example = say("write numbers and ranges, such as 0-11,90,91")
    if not text.strip():
        raise UserError("no card ids are given", "", example)
    ids: dict[int, None] = {}
    for part in text.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            shown = _short(part.strip())
            raise UserError(
                say("'{part}' is neither a number nor a range", part=shown), where, example
            )
        first, last = _card_id(match[1], where), _card_id(match[2] or match[1], where)
        if last < first:
            raise UserError(
                say("the range {first}-{last} runs down", first=first, last=last),
                where,
                say("write {last}-{first}", last=last, first=first),
            )
        ids.update(dict.fromkeys(range(first, last + 1)))
    return tuple(ids)


def cards_pdf(
    ids: Sequence[int], path: Path, paper: str = "A4", put: Callable[[str], str] = str
) -> int:
    """Write pages of cards, each size class on pages of its own, as many cards as fit.

    Parameters
    ----------
    ids : cards to print; a repeated id counts once, since no car may carry the same card twice.
    path : the PDF; the same cards on the same paper give the same bytes.
    paper : "A4" or "Letter", upright.
    put : puts what is printed beside the cards into the language of its readers.

    Returns
    -------
    Number of pages.

    Raises
    ------
    UserError : no ids, no such card or paper, a card too large for it, or ``path`` not writable.
    """
    cards = [card_of(card_id) for card_id in dict.fromkeys(ids)]
    if not cards:
        raise UserError("no cards are asked for", "", "name some, such as 0-11,90,91")
    size_mm = paper_size_mm(paper)
    sheets: list[list[Card]] = []
    for width_mm in dict.fromkeys(card.width_mm for card in cards):
        alike = [card for card in cards if card.width_mm == width_mm]
        columns, rows = _cards_per_page(width_mm, size_mm, paper)
        count = columns * rows
        sheets += [alike[start : start + count] for start in range(0, len(alike), count)]

    canvas = _canvas(io.BytesIO(), size_mm, "datumshot cards")
    for number, sheet in enumerate(sheets, start=1):
        page = _Page(canvas, size_mm)
        _draw_cards(page, sheet, paper)
        _draw_checks(page, (_cards_caption(sheet), _page_number(number, len(sheets))), put)
        canvas.showPage()
    atomic.write_bytes(path, canvas.getpdfdata())
    return len(sheets)


def board_pdf(board: Board, path: Path, paper: str = "A4", put: Callable[[str], str] = str) -> int:
    """Write the calibration board on one page, lying if the board is wider than high.

    Parameters
    ----------
    board : what to print.
    path : the PDF; the same board on the same paper gives the same bytes.
    paper : "A4" or "Letter".
    put : puts what is printed beside the board into the language of its readers.

    Returns
    -------
    Number of pages, which is 1.

    Raises
    ------
    UserError : no such paper, the board is too large for it, or ``path`` is not writable.
    """
    short_mm, long_mm = paper_size_mm(paper)
    lying = board.width_mm > board.height_mm
    size_mm = (long_mm, short_mm) if lying else (short_mm, long_mm)
    room_mm = _room_mm(size_mm)
    if board.width_mm > room_mm[0] or board.height_mm > room_mm[1]:
        largest_mm = math.floor(min(room_mm[0] / board.columns, room_mm[1] / board.rows))
        raise UserError(
            say(
                "a board of {width_mm:g} x {height_mm:g} mm does not fit on {paper} "
                "({free_width_mm:g} x {free_height_mm:g} mm are free)",
                width_mm=board.width_mm,
                height_mm=board.height_mm,
                paper=paper,
                free_width_mm=room_mm[0],
                free_height_mm=room_mm[1],
            ),
            "board",
            say("take squares of {largest_mm} mm, or another paper", largest_mm=largest_mm)
            if largest_mm >= 5
            else "take fewer squares",
        )
    canvas = _canvas(io.BytesIO(), size_mm, "datumshot calibration board")
    page = _Page(canvas, size_mm)
    left_mm = _EDGE_MM + _SIDE_MM + (room_mm[0] - board.width_mm) / 2.0
    top_mm = _EDGE_MM + (room_mm[1] - board.height_mm) / 2.0
    for shape in _board_shapes(board):
        page.draw(shape, left_mm, top_mm)
    caption = (
        say(
            "board of {columns} x {rows}, squares {square:g} mm, markers {marker:g} mm",
            columns=board.columns,
            rows=board.rows,
            square=board.square_mm,
            marker=board.marker_mm,
        ),
        say("{board}, {page}", board=board.dictionary, page=_page_number(1, 1)),
    )
    _draw_checks(page, caption, put)
    canvas.showPage()
    atomic.write_bytes(path, canvas.getpdfdata())
    return 1


class _Page:
    """One page of a canvas, in mm from the top left corner."""

    def __init__(self, canvas: "Canvas", size_mm: tuple[float, float]) -> None:
        self.canvas = canvas
        self.width_mm, self.height_mm = size_mm

    def _at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return x_mm * _POINTS_PER_MM, (self.height_mm - y_mm) * _POINTS_PER_MM

    def line(self, start_mm: tuple[float, float], end_mm: tuple[float, float], mm: float) -> None:
        """A line of width ``mm``."""
        self.canvas.setLineWidth(mm * _POINTS_PER_MM)
        self.canvas.line(*self._at(*start_mm), *self._at(*end_mm))

    def print(
        self, text: str, x_mm: float, y_mm: float, size_mm: float, align: str = "left"
    ) -> float:
        """Print standing on ``y_mm``, aligned to ``x_mm``; returns its width in mm."""
        size = size_mm * _POINTS_PER_MM
        width = self.canvas.stringWidth(text, _FONT, size)
        x, y = self._at(x_mm, y_mm)
        x -= {"left": 0.0, "centre": 0.5, "right": 1.0}[align] * width
        self.canvas.setFont(_FONT, size)
        self.canvas.drawString(x, y, text)
        return float(width / _POINTS_PER_MM)

    def draw(self, shape: Shape, x_mm: float, y_mm: float) -> None:
        """A shape whose own origin is at (``x_mm``, ``y_mm``)."""
        if isinstance(shape, Disc):
            x, y = self._at(x_mm + shape.x_mm, y_mm + shape.y_mm)
            radius = shape.diameter_mm / 2.0 * _POINTS_PER_MM
            self.canvas.circle(x, y, radius, stroke=0, fill=1)
        elif isinstance(shape, Text):
            self.print(
                shape.text, x_mm + shape.x_mm, y_mm + shape.baseline_mm, shape.size_mm, "centre"
            )
        elif isinstance(shape, Polygon):
            self._fill([np.add(shape.points_mm, (x_mm, y_mm))])
        else:
            origin_mm = (x_mm + shape.left_mm, y_mm + shape.top_mm)
            self._fill([ring * shape.cell_mm + origin_mm for ring in _outlines(shape.black)])

    def _fill(self, rings_mm: list[NDArray[np.float64]]) -> None:
        path = self.canvas.beginPath()
        for ring in rings_mm:
            path.moveTo(*self._at(*ring[0]))
            for point in ring[1:]:
                path.lineTo(*self._at(*point))
            path.close()
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=0)  # 0: even-odd


def _canvas(file: io.BytesIO, size_mm: tuple[float, float], title: str) -> "Canvas":
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    pdfmetrics.registerFont(TTFont(_FONT, str(font_file())))
    points = (size_mm[0] * _POINTS_PER_MM, size_mm[1] * _POINTS_PER_MM)
    # invariant: neither date nor random identifier, so that the same request gives the same file.
    canvas = Canvas(file, pagesize=points, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    # Asks the viewer's print dialogue to start at actual size; not every viewer obeys.
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


def _outlines(black: NDArray[np.bool_]) -> list[NDArray[np.float64]]:
    """Closed outlines of the black cells, each (n, 2) as column, row in cells; fill even-odd.

    Cells drawn one by one leave hairlines where they touch; an outline has nothing inside.
    """
    ways: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row, column in np.argwhere(black).tolist():
        # Around the cell clockwise; the two runs along an edge between black cells cancel.
        ring = [(column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1)]
        for start, end in zip(ring, ring[1:] + ring[:1], strict=True):
            if start in ways.get(end, []):
                ways[end].remove(start)
            else:
                ways.setdefault(start, []).append(end)
    outlines = []
    for start, ends in ways.items():
        while ends:
            ring = [start]
            while (point := ways[ring[-1]].pop()) != start:
                ring.append(point)
            outlines.append(np.array(ring, dtype=np.float64))
    return outlines


def _board_shapes(board: Board) -> list[Shape]:
    """The board's black squares and markers, placed where OpenCV's own board says they are."""
    import cv2

    charuco = charuco_board(board)
    dictionary = charuco.getDictionary()
    cells = dictionary.markerSize + 2
    squares = np.ones((board.rows, board.columns), dtype=np.bool_)
    shapes: list[Shape] = []
    for marker, corners in zip(np.ravel(charuco.getIds()), charuco.getObjPoints(), strict=True):
        column, row = np.asarray(corners)[:, :2].mean(axis=0) // board.square_mm
        squares[int(row), int(column)] = False
        # OpenCV's own corners are single precision; the middle of the square is exact.
        margin_mm = (board.square_mm - board.marker_mm) / 2.0
        image = cv2.aruco.generateImageMarker(dictionary, int(marker), cells, None, 1)
        shapes.append(
            Cells(
                np.asarray(image) < 128,
                float(column) * board.square_mm + margin_mm,
                float(row) * board.square_mm + margin_mm,
                board.marker_mm / cells,
            )
        )
    return [Cells(squares, 0.0, 0.0, board.square_mm), *shapes]


def _draw_cards(page: _Page, cards: list[Card], paper: str) -> None:
    """Cards row by row from the top left, with their cut marks."""
    width_mm = cards[0].width_mm
    size_mm = (page.width_mm, page.height_mm)
    columns, rows = _cards_per_page(width_mm, size_mm, paper)
    step_mm = width_mm + _GAP_MM
    left_mm, top_mm = (
        start_mm + (room_mm - (count * step_mm - _GAP_MM)) / 2.0
        for start_mm, room_mm, count in zip(
            (_EDGE_MM + _SIDE_MM, _EDGE_MM), _room_mm(size_mm), (columns, rows), strict=True
        )
    )
    # A set, since cards side by side share the marks between them.
    marks: set[tuple[tuple[float, float], tuple[float, float]]] = set()
    for place, card in enumerate(cards):
        x_mm = left_mm + place % columns * step_mm
        y_mm = top_mm + place // columns * step_mm
        for shape in card_face(card):
            page.draw(shape, x_mm + width_mm / 2.0, y_mm + width_mm / 2.0)
        marks.update(_cut_marks(x_mm, y_mm, width_mm))
    for start, end in sorted(marks):
        page.line(start, end, _HAIR_MM)


def _cut_marks(
    x_mm: float, y_mm: float, width_mm: float
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Two lines outside each corner of a card, in line with its edges."""
    near, far = _MARK_MM
    marks = []
    for along in (0.0, width_mm):
        for start, end in ((-far, -near), (width_mm + near, width_mm + far)):
            marks.append(((x_mm + along, y_mm + start), (x_mm + along, y_mm + end)))
            marks.append(((x_mm + start, y_mm + along), (x_mm + end, y_mm + along)))
    # Rounded to a nanometre, so that a mark reached from two cards is one mark.
    return [
        ((round(x0, 6), round(y0, 6)), (round(x1, 6), round(y1, 6))) for (x0, y0), (x1, y1) in marks
    ]


def _draw_checks(page: _Page, caption: tuple[Said, Said], put: Callable[[str], str]) -> None:
    """Both check lines, the sentence on scale, and the caption."""
    left_mm = _EDGE_MM + _SIDE_MM
    level_mm = page.height_mm - _EDGE_MM - 6.4
    tick_mm = 1.4
    label = f"{CHECK_LINE_MM:g} mm"

    end_mm = left_mm + CHECK_LINE_MM
    page.line((left_mm, level_mm), (end_mm, level_mm), _CHECK_MM)
    for x_mm in (left_mm, end_mm):
        page.line((x_mm, level_mm - tick_mm), (x_mm, level_mm + tick_mm), _CHECK_MM)
    page.print(label, end_mm + 2.0, level_mm + 0.9, _PRINT_MM)

    upright_mm = _EDGE_MM + 5.4
    low_mm = (page.height_mm + CHECK_LINE_MM) / 2.0
    high_mm = low_mm - CHECK_LINE_MM
    page.line((upright_mm, low_mm), (upright_mm, high_mm), _CHECK_MM)
    for y_mm in (low_mm, high_mm):
        page.line((upright_mm - tick_mm, y_mm), (upright_mm + tick_mm, y_mm), _CHECK_MM)
    page.print(label, upright_mm, high_mm - 2.0, _PRINT_MM, "centre")

    right_mm = page.width_mm - _EDGE_MM
    page.print(put(caption[0]), right_mm, level_mm - 0.7, _PRINT_MM, "right")
    page.print(put(caption[1]), right_mm, level_mm + 2.7, _PRINT_MM, "right")
    page.print(put(SCALE_SENTENCE), left_mm, page.height_mm - _EDGE_MM - 0.6, _PRINT_MM)


def _page_number(number: int, count: int) -> Said:
    return say("page {number} of {pages}", number=number, pages=count)


def _cards_caption(cards: list[Card]) -> Said:
    """Which cards a page carries.

    >>> _cards_caption([card_of(0), card_of(1), card_of(2)])
    'cards 0 to 2, 80 mm wide'
    >>> _cards_caption([card_of(0), card_of(90)])
    '2 cards from 0 to 90, 80 mm wide'
    """
    ids = sorted(card.id for card in cards)
    wide = say("{width:g} mm wide", width=cards[0].width_mm)
    if len(ids) == 1:
        return say("card {card}, {wide}", card=ids[0], wide=wide)
    ends = {"first": ids[0], "last": ids[-1]}
    if ids[-1] - ids[0] == len(ids) - 1:
        return say("cards {first} to {last}, {wide}", **ends, wide=wide)
    return say("{n} cards from {first} to {last}, {wide}", n=len(ids), **ends, wide=wide)


def _card_id(digits: str, where: str) -> int:
    # By length first: a range up to a number of many digits must not be made, nor even read.
    digits = digits.lstrip("0") or "0"
    if len(digits) > 3 or int(digits) >= ID_COUNT:
        remedy = say("ids run from 0 to {last}", last=ID_COUNT - 1)
        raise UserError(say("there is no card {card}", card=_short(digits)), where, remedy)
    return int(digits)


def _short(text: str, most: int = 40) -> str:
    """Enough of a user's text to know it again."""
    return text if len(text) <= most else f"{text[:most]}..."


def paper_size_mm(paper: str) -> tuple[float, float]:
    """Width and height of a paper, upright.

    Raises
    ------
    UserError : no such paper.
    """
    for name, size_mm in PAPERS_MM.items():
        if name.lower() == paper.lower():
            return size_mm
    raise UserError(
        say("the paper '{paper}' is not known", paper=paper),
        "",
        say("take {papers}", papers=one_of(list(PAPERS_MM))),
    )


def _room_mm(size_mm: tuple[float, float]) -> tuple[float, float]:
    """What margins and strips leave of a page, width and height."""
    return size_mm[0] - 2.0 * _EDGE_MM - _SIDE_MM, size_mm[1] - 2.0 * _EDGE_MM - _FOOT_MM


def _cards_per_page(width_mm: float, size_mm: tuple[float, float], paper: str) -> tuple[int, int]:
    """Columns and rows of cards that fit, cut marks included."""
    columns, rows = (
        math.floor((room_mm - 2.0 * _MARK_MM[1] + _GAP_MM) / (width_mm + _GAP_MM))
        for room_mm in _room_mm(size_mm)
    )
    if columns < 1 or rows < 1:
        raise UserError(
            say(
                "a card {width_mm:g} mm wide does not fit on {paper}",
                width_mm=width_mm,
                paper=paper,
            ),
            "",
            "take larger paper",
        )
    return columns, rows
