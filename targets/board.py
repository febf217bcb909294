"""The calibration board: a chessboard whose white squares carry markers (OpenCV's ChArUco).

Board frame: origin at the top left corner of the chessboard as printed, x right, y down, z into
the board, millimetres. The board only teaches lens constants, so its scale is without effect; its
flatness and the ratio of its two sides are not.
"""

import re
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from targets import atomic
from targets.errors import UserError
from targets.said import say
from targets.strict_toml import Table, read_toml

if TYPE_CHECKING:
    from cv2.aruco import CharucoBoard

# The tag dictionary of the cards (36h11) is not among these: a board must never pass for cards.
_LARGEST_MM = 1e6
_DICTIONARY_NAME = re.compile(r"DICT_([4-7])X\1_(50|100|250|1000)")


@dataclass(frozen=True)
class Board:
    """A calibration board; the default fits A4.

    Attributes
    ----------
    columns, rows : squares of the chessboard, at least 3 each.
    square_mm : side of a square.
    marker_mm : side of a marker, its black border included; smaller than a square.
    dictionary : OpenCV's name of the marker dictionary, DICT_4X4_50 to DICT_7X7_1000.

    Raises
    ------
    UserError : such a board cannot be.
    """

    columns: int = 9
    rows: int = 6
    square_mm: float = 30.0
    marker_mm: float = 22.0
    dictionary: str = "DICT_5X5_100"

    def __post_init__(self) -> None:
        for name, count in (("columns", self.columns), ("rows", self.rows)):
            if count < 3:
                raise UserError(
                    say("{name} = {count} is too few", name=name, count=count),
                    "board",
                    "give 3 or more",
                )
        for name, size in (("square_mm", self.square_mm), ("marker_mm", self.marker_mm)):
            if not 0.0 < size <= _LARGEST_MM:  # nan is in no span
                raise UserError(
                    say("{name} = {size:g} is not a size", name=name, size=size),
                    "board",
                    "give millimetres",
                )
        if self.marker_mm >= self.square_mm:
            raise UserError(
                say(
                    "marker_mm = {marker_mm:g} does not fit into square_mm = {square_mm:g}",
                    marker_mm=self.marker_mm,
                    square_mm=self.square_mm,
                ),
                "board",
                "make the markers smaller than the squares",
            )
        match = _DICTIONARY_NAME.fullmatch(self.dictionary)
        if match is None:
            raise UserError(
                say("dictionary = '{dictionary}' is not known", dictionary=self.dictionary),
                "board",
                "take one such as DICT_5X5_100 (4X4 to 7X7; 50, 100, 250 or 1000)",
            )
        if self.marker_count > int(match[2]):
            raise UserError(
                say(
                    "{columns} x {rows} squares need {markers} markers, but {dictionary} has {has}",
                    columns=self.columns,
                    rows=self.rows,
                    markers=self.marker_count,
                    dictionary=self.dictionary,
                    has=match[2],
                ),
                "board",
                "take fewer squares or a larger dictionary",
            )

    @property
    def width_mm(self) -> float:
        """Width of the chessboard."""
        return self.columns * self.square_mm

    @property
    def height_mm(self) -> float:
        """Height of the chessboard."""
        return self.rows * self.square_mm

    @property
    def marker_count(self) -> int:
        """Markers on the board: one in each white square; the top left square is black."""
        return self.columns * self.rows // 2

    @property
    def object_points_mm(self) -> NDArray[np.float64]:
        """Inner chessboard corners, ((columns - 1) (rows - 1), 3), z = 0, in the board frame.

        Row by row from the top left: the index is the corner id that OpenCV's detector gives.

        >>> Board().object_points_mm[[0, 1, 8]].tolist()
        [[30.0, 30.0, 0.0], [60.0, 30.0, 0.0], [30.0, 60.0, 0.0]]
        """
        rows, columns = np.mgrid[1 : self.rows, 1 : self.columns]
        points = np.stack([columns, rows, np.zeros_like(rows)], axis=-1).reshape(-1, 3)
        return points * self.square_mm


def charuco_board(board: Board) -> "CharucoBoard":
    """The board as OpenCV knows it, in mm."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    size = (board.columns, board.rows)
    return cv2.aruco.CharucoBoard(size, board.square_mm, board.marker_mm, dictionary)


def write_board(board: Board, path: Path) -> None:
    """Write ``board.toml``, which tells a calibration what was printed."""
    lines = ["# The calibration board that was printed; keep this file with its photos."]
    for field in fields(board):
        value = getattr(board, field.name)
        if isinstance(value, str):
            text = f'"{value}"'  # a checked dictionary name needs no escaping
        else:
            text = repr(float(value) if field.type is float else int(value))
        lines.append(f"{field.name} = {text}")
    atomic.write_text(path, "\n".join(lines) + "\n")


def read_board(path: Path) -> Board:
    """Read ``board.toml``; every key must be there, and no other.

    Raises
    ------
    UserError : the file is missing, is not TOML, or has a key or value that does not belong.
    """
    known = {field.name: field.type for field in fields(Board)}
    missing = say("name the file written when the board was printed")
    broken = say("write the file anew")
    read = read_toml(path, str(path), say("the board file"), missing, broken)
    table = Table(read, str(path), tuple(known))
    values: dict[str, Any] = {}
    for key, kind in known.items():
        if kind is str:
            values[key] = table.text(key)
        elif kind is int:
            values[key] = table.whole(key, 0, 10**6)
        else:
            values[key] = table.number(key)
    try:
        return Board(**values)
    except UserError as error:
        raise UserError(error.what, str(path), error.remedy) from error
