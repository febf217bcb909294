"""The calibration board against OpenCV's own, and its file against bad hands."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from targets.board import Board, charuco_board, read_board, write_board
from targets.errors import UserError

GOOD = """columns = 9
rows = 6
square_mm = 30.0
marker_mm = 22.0
dictionary = "DICT_5X5_100"
"""


@pytest.mark.parametrize(("columns", "rows"), [(9, 6), (6, 9), (7, 5), (8, 4), (3, 3)])
def test_corners_and_markers_are_opencvs(columns: int, rows: int) -> None:
    board = Board(columns, rows, square_mm=28.5, marker_mm=20.0)
    charuco = charuco_board(board)
    np.testing.assert_allclose(
        board.object_points_mm, charuco.getChessboardCorners(), atol=1e-4
    )  # OpenCV's are single precision
    assert board.marker_count == len(charuco.getIds())
    assert charuco.getSquareLength() == 28.5
    assert charuco.getMarkerLength() == 20.0
    np.testing.assert_allclose(
        charuco.getRightBottomCorner(), (board.width_mm, board.height_mm, 0.0), atol=1e-4
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"columns": 2}, "columns = 2 is too few"),
        ({"rows": -1}, "rows = -1 is too few"),
        ({"square_mm": 0.0}, "square_mm = 0 is not a size"),
        ({"marker_mm": -3.0}, "marker_mm = -3 is not a size"),
        ({"square_mm": float("inf")}, "square_mm = inf is not a size"),
        ({"marker_mm": float("nan")}, "marker_mm = nan is not a size"),
        ({"marker_mm": 30.0}, "marker_mm = 30 does not fit into square_mm = 30"),
        ({"dictionary": "DICT_5X5_99"}, "dictionary = 'DICT_5X5_99' is not known"),
        ({"dictionary": "DICT_5X6_100"}, "is not known"),
        ({"dictionary": "DICT_APRILTAG_36h11"}, "is not known"),
        ({"columns": 15, "rows": 14}, "need 105 markers, but DICT_5X5_100 has 100"),
    ],
)
def test_impossible_boards_are_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(UserError, match=re.escape(message)):
        Board(**change)  # type: ignore[arg-type]


def test_the_last_marker_of_a_dictionary_may_be_used() -> None:
    board = Board(columns=20, rows=10)
    assert board.marker_count == 100
    assert len(charuco_board(board).getIds()) == 100


@given(
    st.builds(
        Board,
        columns=st.integers(3, 12),
        rows=st.integers(3, 12),
        square_mm=st.floats(10.0, 1e6),
        marker_mm=st.floats(1e-9, 9.99),
        dictionary=st.sampled_from(["DICT_4X4_250", "DICT_6X6_100", "DICT_7X7_1000"]),
    )
)
def test_the_file_gives_back_the_board(
    tmp_path_factory: pytest.TempPathFactory, board: Board
) -> None:
    path = tmp_path_factory.mktemp("board") / "board.toml"
    write_board(board, path)
    assert read_board(path) == board
    assert [file.name for file in path.parent.iterdir()] == ["board.toml"]


def test_whole_numbers_do_for_millimetres(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_text(GOOD.replace("30.0", "30").replace("22.0", "22"))
    board = read_board(path)
    assert board == Board()
    assert isinstance(board.square_mm, float)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("square_mm", "squaremm", "board.toml: the key 'squaremm' is not known; .*'square_mm'"),
        ("rows = 6", "rows = 6\nmarkers = 2", "board.toml: the key 'markers' .*'marker_mm'"),
        ("rows = 6", "rows = 6\n[more]\nx = 1", "board.toml: the key 'more' is not known"),
        ("marker_mm = 22.0\n", "", "board.toml: the key 'marker_mm' is missing"),
        ("30.0", '"30"', "board.toml, key 'square_mm': '30' is not a number"),
        ("30.0", "true", "board.toml, key 'square_mm': true is not a number"),
        ("30.0", "[30.0]", "board.toml, key 'square_mm': .* is not a number"),
        ("30.0", "1" + "0" * 400, "board.toml, key 'square_mm': this number cannot be"),
        ("30.0", "nan", "board.toml, key 'square_mm': nan cannot be"),
        ("30.0", "1e308", "board.toml: square_mm = 1e\\+308 is not a size"),
        ("columns = 9", "columns = 9.0", "board.toml, key 'columns': 9.0 is not a whole number"),
        ("columns = 9", "columns = true", "board.toml, key 'columns': true is not a number"),
        ('"DICT_5X5_100"', "5", "board.toml, key 'dictionary': 5 is not a text"),
        ("22.0", "31.0", "board.toml: marker_mm = 31 does not fit"),
        ("rows = 6", "rows = six", "board.toml: this is not TOML"),
        ("rows = 6", "rows = 6\nrows = 6", "board.toml: this is not TOML"),
    ],
)
def test_bad_files_are_named_with_the_remedy(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    path = tmp_path / "board.toml"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new))
    with pytest.raises(UserError, match=message) as caught:
        read_board(path)
    assert caught.value.remedy


def test_files_that_cannot_be_read_or_written(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.toml: cannot read the board file"):
        read_board(tmp_path / "none.toml")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match=r"binary\.toml: this is not UTF-8 text; write"):
        read_board(binary)
    with pytest.raises(UserError, match="cannot write here"):
        write_board(Board(), binary / "board.toml")
