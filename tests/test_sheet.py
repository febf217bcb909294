"""sheet.csv as people type it, and as bad hands do."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.inputs.csv_rows import read_rows
from pipeline.inputs.sheet import SHEET_COLUMNS, one_sided, read_sheet
from targets.errors import UserError

HEADER = ",".join(SHEET_COLUMNS)


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "sheet.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_rows_become_signed_points(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        f"{HEADER}\n"
        'A,LR,1985.5,455,-318,both,no,,"rail, end"\n'
        "B, R ,562,448.25,1e2,in,yes,1.5,\n"
        "\n"
        ",,,,,,,,\n"
        "C,C,0,-2.5,.5,in,,,x\n"
        "D,L,1,1,1,out,yes,,\n",
    )
    points = read_sheet(path, "in", 3.0).points
    got = [(p.point, p.side, *p.position_mm.tolist(), p.tol_mm, p.base, p.note) for p in points]
    assert got == [
        ("A", "L", 1985.5, 455.0, -318.0, 3.0, False, "rail, end"),
        ("A", "R", 1985.5, -455.0, -318.0, 3.0, False, "rail, end"),
        ("B", "R", 562.0, -448.25, 100.0, 1.5, True, ""),
        ("C", "C", 0.0, -2.5, 0.5, 3.0, False, "x"),  # left of centre is plus, right is minus
    ]
    assert [p.point for p in read_sheet(path, "out", 3.0).points] == ["A", "A", "D"]
    assert points[0].position_mm.dtype == np.float64


@pytest.mark.parametrize(
    "text",
    [
        f"\ufeff{HEADER}\nA,L,1,2,3,both,no,4,n\n",
        f"{HEADER}\r\nA,L,1,2,3,both,no,4,n\r\n",
        f"{HEADER}\rA,L,1,2,3,both,no,4,n\r",
        f"{HEADER},,\nA,L,1,2,3,both,no,4,n,,\n",
        f"\n{HEADER}\nA,L,1,2,3,both,no,4,n",
        "note,tol_mm,base,parts,height_mm,width_mm,length_mm,side,point\nn,4,no,both,3,2,1,L,A\n",
        '"point","side","length_mm","width_mm","height_mm","parts","base","tol_mm","note"\n'
        '"A","L","1","2","3","both","no","4","n"\n',
    ],
)
def test_what_spreadsheet_programs_write_is_read(tmp_path: Path, text: str) -> None:
    (point,) = read_sheet(written(tmp_path, text), "in", 3.0).points
    assert (point.point, point.side, point.tol_mm, point.note) == ("A", "L", 4.0, "n")
    assert point.position_mm.tolist() == [1.0, 2.0, 3.0]


def test_last_three_columns_may_be_absent(tmp_path: Path) -> None:
    path = written(tmp_path, "point,side,length_mm,width_mm,height_mm,parts\nA,C,1,0,3,in\n")
    (point,) = read_sheet(path, "in", 2.5).points
    assert (point.tol_mm, point.base, point.note) == (2.5, False, "")


def test_header_alone_is_an_empty_sheet(tmp_path: Path) -> None:
    assert read_sheet(written(tmp_path, HEADER + "\n"), "in", 3.0).points == ()


@pytest.mark.parametrize("state", ["in", "out"])
def test_a_point_may_have_a_row_for_each_state(tmp_path: Path, state: str) -> None:
    path = written(tmp_path, f"{HEADER}\nA,L,1,2,3,in,no,,\nA,L,1,2,4,out,no,,\n")
    (point,) = read_sheet(path, state, 3.0).points
    assert point.position_mm[2] == {"in": 3.0, "out": 4.0}[state]


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("A,L,19x,2,3,in,no,,", "length_mm '19x' is not a number"),
        ("A,L,1 985,2,3,in,no,,", "length_mm '1 985' is not a number"),
        ("A,L,1_985,2,3,in,no,,", "length_mm '1_985' is not a number"),
        ("A,L,5mm,2,3,in,no,,", "length_mm '5mm' is not a number"),
        ("A,L,nan,2,3,in,no,,", "length_mm 'nan' is not a number"),
        ("A,L,1,inf,3,in,no,,", "width_mm 'inf' is not a number"),
        ("A,L,1,2,1e999,in,no,,", "height_mm '1e999' cannot be"),
        ("A,L,1,2,1985000,in,no,,", "height_mm '1985000' cannot be; it lies between"),
        (
            'A,L,1,2,"3,5",in,no,,',
            "height_mm '3,5' has a comma; write a decimal point, and nothing",
        ),
        ("A,L,1,5,2,3,5,in,no,3,n,", "there are more cells than the 9 columns of the header"),
        ("A,L,1,2,,in,no,,", "height_mm is empty"),
        ("A,L,1", "width_mm is empty"),
        (",L,1,2,3,in,no,,", "point is empty"),
        ("A\x07,L,1,2,3,in,no,,", "point 'A\\x07' holds signs"),
        ("A,l,1,2,3,in,no,,", "side 'l' is not known; write L, R, C or LR"),
        ("A,,1,2,3,in,no,,", "side is empty; write L, R, C or LR"),
        ("A,L,1,-2,3,in,no,,", "width_mm -2 is negative; give the half-width without a sign"),
        ("A,LR,1,0,3,in,no,,", "width_mm is zero on side LR; a point on the centre line"),
        ("A,L,1,2,3,,no,,", "parts is empty; write in, out or both"),
        ("A,L,1,2,3,In,no,,", "parts 'In' is not known"),
        ("A,L,1,2,3,in,maybe,,", "base 'maybe' is not known; write yes or no"),
        ("A,L,1,2,3,in,no,0,", "tol_mm is zero"),
        ("A,L,1,2,3,in,no,-1,", "tol_mm '-1' cannot be"),
        ("A,L,1,2,3,in,no,wide,", "tol_mm 'wide' is not a number"),
        ("S,L,1,2,3,in,no,,", "point S L with parts in stands in sheet.csv, row 3 already"),
        ("S,LR,1,2,3,both,no,,", "point S L with parts in stands in sheet.csv, row 3 already"),
        ("S,L,1,2,3,out,no,,", "point S L with parts out stands in sheet.csv, row 3 already"),
        ('A,L,1,2,3,in,no,,"n', "this row cannot be read (unexpected end of data)"),
        ("A,L,1,2,3,in,no,," + "n" * 200_000, "this row cannot be read (field larger"),
        ("A,L," + "9" * 5000 + ",2,3,in,no,,", "length_mm '9999"),
    ],
)
def test_a_bad_row_is_named(tmp_path: Path, row: str, message: str) -> None:
    """Row 5 as a spreadsheet counts: header, blank, a good row, a row of the other state."""
    good = "S,L,7,8,9,both,yes,,\nT,L,7,8,9,out,yes,,\n"
    path = written(tmp_path, f"{HEADER}\n\n{good}{row}\n")
    with pytest.raises(UserError, match=re.escape(f"sheet.csv, row 5: {message}")) as caught:
        read_sheet(path, "in", 3.0)
    assert len(str(caught.value)) < 250  # one sentence, whatever was typed


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "row 1: the header is missing; the first row reads point,side,"),
        ("\n\n", "row 1: the header is missing"),
        ("A,L,1,2,3,in,no,,\n", "row 1: the column 'A' is not known"),
        (HEADER.replace("width_mm", "widht_mm"), "'widht_mm' is not known; the nearest is 'width"),
        (HEADER.replace("width_mm", "Width_mm"), "'Width_mm' is not known; the nearest is 'width"),
        (HEADER.replace("width_mm,", ""), "row 1: the column 'width_mm' is missing"),
        (HEADER.replace("note", "side"), "row 1: the column 'side' is there twice"),
        (HEADER.replace(",note", ",,note"), "row 1: the column '' is not known"),
        (HEADER.replace(",", ";") + "\nA;L;1;2;3;in;no;;\n", "separated by semicolons; separate"),
        (HEADER.replace(",", "\t"), "row 1: the columns are separated by tabs"),
        (f"{HEADER}\nA,L,1,2,3,out,no,,\n", "no row holds with the mechanical parts in"),
        (f"{HEADER}\nÄ".encode("cp1252"), "not UTF-8 text; save it from the spreadsheet program"),
        (HEADER.encode("utf-16"), "sheet.csv: this is not UTF-8 text"),
    ],
)
def test_a_bad_file_is_named(tmp_path: Path, text: str | bytes, message: str) -> None:
    with pytest.raises(UserError, match=re.escape(message)) as caught:
        read_sheet(written(tmp_path, text), "in", 3.0)
    assert caught.value.where.startswith("sheet.csv")


def test_what_cannot_be_opened_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"^sheet.csv: cannot read this file \(No such file"):
        read_sheet(tmp_path / "sheet.csv", "in", 3.0)
    (tmp_path / "sheet.csv").mkdir()
    with pytest.raises(UserError, match=r"^sheet.csv: this is a folder, not a file"):
        read_sheet(tmp_path / "sheet.csv", "in", 3.0)


WIDE = "point,side,length_mm,width_mm,height_mm,parts,base,zone,kind,u_height_mm,note"


def test_zone_kind_and_uncertainty_are_optional(tmp_path: Path) -> None:
    """Between rearmost and foremost base point lies the centre, unless the sheet says otherwise."""
    path = written(
        tmp_path,
        f"{WIDE}\n"
        "A,LR,1985.5,455,318,both,no,,hole,,\n"
        "E,LR,560,418,101,both,yes,,hole,0.4,\n"
        "F,LR,-215,418,101,both,yes,,,,\n"
        "G,LR,-216,418,101,both,no,,bush,,\n"
        "T,LR,540,550,900,both,no,front,strut tower,,upper body\n",
    )
    points = {p.name: p for p in read_sheet(path, "in", 3.0).points}
    zones = {name: p.zone for name, p in points.items() if p.side == "R"}
    assert zones == {
        "A R": "front",
        "E R": "centre",
        "F R": "centre",
        "G R": "rear",
        "T R": "front",
    }
    assert (points["T L"].kind, points["F L"].kind) == ("strut tower", "")
    assert points["E L"].u_mm.tolist() == [0.0, 0.0, 0.4]
    assert one_sided(points.values()) == []


def test_without_base_points_no_zone_is_made_up(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEADER}\nA,L,1985,2,3,both,no,,\nB,R,0,2,3,both,no,,\n")
    points = read_sheet(path, "in", 3.0).points
    assert [p.zone for p in points] == ["", ""]
    assert [p.name for p in one_sided(points)] == ["A L", "B R"]


def test_inches_are_stated_in_the_header(tmp_path: Path) -> None:
    """1 inch is 25.4 mm exactly (international inch, 1959)."""
    header = "point,side,length_in,width_in,height_in,parts,base,tol_in,note,u_width_in"
    path = written(tmp_path, f"{header}\nA,LR,78.125,17.5,-12.5,both,yes,0.125,,0.01\n")
    left, right = read_sheet(path, "out", 3.0).points
    np.testing.assert_allclose(left.position_mm, [1984.375, 444.5, -317.5], atol=1e-9)
    np.testing.assert_allclose(right.position_mm, [1984.375, -444.5, -317.5], atol=1e-9)
    assert left.tol_mm == pytest.approx(3.175)
    np.testing.assert_allclose(left.u_mm, [0.0, 0.254, 0.0])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        # A vehicle of 156 inches typed in as if they were millimetres.
        (
            f"{HEADER}\nA,LR,78,18,12.5,both,no,,\nB,LR,22,16.5,4,both,no,,\n"
            "C,LR,-78,19,13.4,both,no,,\n",
            "sheet.csv: all 6 points lie within 161 mm, which is no vehicle; give "
            "millimetres, or name the columns length_in, width_in, height_in if the figures are "
            "inches",
        ),
        (
            "point,side,length_in,width_in,height_in,parts\nA,LR,985,455,318,both\n"
            "B,LR,-985,418,101,both\n",
            "sheet.csv: the points reach over 2181 in, which is no vehicle; name the columns "
            "length_mm",
        ),
        (
            "point,side,length_in,width_mm,height_in,parts\n",
            "sheet.csv, row 1: the columns 'width_mm' and 'length_in' are in different units",
        ),
        (
            "point,side,length_in,width_in,height_in,parts\nA,L,1985,18,12,both\n",
            "sheet.csv, row 2: length_in 1985 cannot be, for that is 50 m; name the columns "
            "length_mm, width_mm, height_mm if the figures are millimetres",
        ),
        (
            f"{HEADER}\nS,LR,1,2,3,both,yes,,front Pinch-Weld\n",
            "sheet.csv, row 2: point 'S' is a sill flange, which is often bent",
        ),
        (f"{HEADER}\nsill flange 2,L,1,2,3,both,yes,,\n", "row 2: point 'sill flange 2' is a"),
        (f"{WIDE}\nS,L,1,2,3,both,yes,,sill flange,,\n", "row 2: point 'S' is a sill flange"),
        (f"{WIDE}\nS,L,1,2,3,both,yes,middle,,,\n", "row 2: zone 'middle' is not known"),
        (f"{WIDE}\nS,L,1,2,3,both,yes,,nut,,\n", "row 2: kind 'nut' is not known"),
        (f"{WIDE}\nS,L,1,2,3,both,yes,,,-1,\n", "row 2: u_height_mm '-1' cannot be"),
        (HEADER.replace(",parts", ""), "row 1: the column 'parts' is missing"),
    ],
)
def test_units_and_flanges_that_cannot_be(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(UserError, match=re.escape(message)):
        read_sheet(written(tmp_path, text), "in", 3.0)


def test_a_flange_that_carries_nothing_and_a_hole_near_one_are_read(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        f"{WIDE}\nS,LR,1,2,3,both,no,,sill flange,,\nH,LR,900,2,3,both,yes,,hole,,by sill flange\n",
    )
    assert len(read_sheet(path, "in", 3.0).points) == 4


CELLS = st.one_of(
    st.sampled_from(["A", "L", "R", "LR", "C", "in", "both", "yes", "3.5", "-1", "1e9", "", '"']),
    st.text(max_size=6),
)


@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.lists(st.lists(CELLS, max_size=11), max_size=4).map(
            lambda rows: "\n".join([HEADER, *(",".join(row) for row in rows)]).encode(
                "utf-8", "surrogatepass"
            )
        ),
    )
)
def test_any_bytes_are_a_sheet_or_a_user_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "sheet.csv"
    path.write_bytes(data)
    try:
        sheet = read_sheet(path, "in", 3.0)
    except UserError as error:
        assert error.where.startswith("sheet.csv")  # noqa: PT017 (both outcomes are checked)
    else:
        assert all(np.isfinite(point.position_mm).all() for point in sheet.points)
        assert all(point.tol_mm > 0.0 for point in sheet.points)


@given(
    rows=st.lists(
        st.lists(st.text(st.characters(exclude_categories=["Cs", "Cc"])), min_size=2, max_size=2)
    )
)
def test_quoted_text_comes_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]
) -> None:
    """Not proven: line ends inside a cell, which are read but are no names."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    quoted = [",".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows]
    path.write_bytes("\r\n".join(["a,b", *quoted]).encode())
    kept = [(row.text("a"), row.text("b")) for row in read_rows(path, ("a", "b"), optional=0)]
    stripped = [(first.strip(), second.strip()) for first, second in rows]
    assert kept == [row for row in stripped if any(row)]
