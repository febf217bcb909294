"""job.toml and cards.csv as people write them, and as bad hands do."""

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.inputs.job import CardOnPoint, read_cards, read_job
from pipeline.inputs.new_job import new_job
from targets.bar import Bar
from targets.errors import UserError
from targets.mark import Marks

JOB = """\
title = "Van, front left"
parts = "in"
temperature_c = 22
tolerance_mm = 2.5
lens = "self"
seating_u_mm = 0.15
stem_u_mm = 0.03
body_alpha_per_k = 12e-6

[[bar]]
cards = [90, 91]
length_mm = 1200.0
U_mm = 0.1
alpha_per_k = 23.1e-6

[datum]
base = ["B  L", "B R"]
"""
SHEET = """\
point,side,length_mm,width_mm,height_mm,parts,base
A,LR,1985,455,318,both,no
B,LR,560,418,101,both,yes
C,C,-900,0,200,out,yes
"""
CARDS = "card,point,side,stem_mm,note\n11,A,L,60,\n51,B,L,50.5,loose\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A job folder with nothing wrong in it."""
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "job.toml").write_text(JOB)
    (folder / "sheet.csv").write_text(SHEET)
    (folder / "cards.csv").write_text(CARDS)
    return folder


def test_everything_arrives(folder: Path) -> None:
    job = read_job(folder)
    assert (job.folder, job.title, job.parts) == (folder, "Van, front left", "in")
    assert (job.temperature_c, job.tolerance_mm, job.seating_u_mm) == (22.0, 2.5, 0.15)
    assert (job.lens, job.body_alpha_per_k, job.stem_u_mm) == (None, 12e-6, 0.03)
    assert job.bars == (Bar((90, 91), 1200.0, 0.1, 23.1e-6),)
    assert job.base == ("B L", "B R")
    assert job.cards == (
        CardOnPoint(11, "A", "L", 60.0, ""),
        CardOnPoint(51, "B", "L", 50.5, "loose"),
    )
    assert job.sheet is not None
    assert [f"{p.point} {p.side}" for p in job.sheet.points] == ["A L", "A R", "B L", "B R"]
    assert {p.tol_mm for p in job.sheet.points} == {2.5}


def test_what_is_not_said_has_a_default(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('\ufeffparts = "out"\r\n', encoding="utf-8")
    job = read_job(tmp_path)
    assert (job.title, job.temperature_c, job.tolerance_mm) == (tmp_path.name, 20.0, 3.0)
    assert (job.lens, job.seating_u_mm, job.bars, job.base) == (None, 0.2, (), None)
    assert (job.cards, job.sheet, job.stem_u_mm) == ((), None, 0.05)
    assert job.body_alpha_per_k == 11.5e-6  # steel: Swyt, NIST J. Res. 99:31, 1994


MARKS = """
[marks]
dictionary = "DICT_4X4_50"
side_mm = 60.5
ids = [0, 1, 2, 7]

[[mark]]
ids = [2, 7]
side_mm = "unknown"

[[mark]]
ids = [1]
side_mm = 30
"""


def test_marks_arrive(folder: Path) -> None:
    assert read_job(folder).marks is None
    (folder / "job.toml").write_text(JOB.replace("[90, 91]", "[90, 1007]") + MARKS)
    job = read_job(folder)
    assert job.marks == Marks("DICT_4X4_50", {0: 60.5, 1: 30.0, 2: None, 7: None})
    assert job.bars[0].cards == (90, 1007)


def test_marks_may_be_the_whole_dictionary(tmp_path: Path) -> None:
    text = 'parts = "in"\n[marks]\ndictionary = "DICT_6X6_250"\nside_mm = "unknown"'
    (tmp_path / "job.toml").write_text(text)
    assert read_job(tmp_path).marks == Marks("DICT_6X6_250", dict.fromkeys(range(250)))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[marks]", "[[marks]]", "key 'marks': this is no table; head it with [marks]"),
        ("[[mark]]", "[mark]", "not TOML"),
        ('dictionary = "DICT_4X4_50"\n', "", "[marks]: the key 'dictionary' is missing"),
        ("4X4_50", "4X4_5", "there is no dictionary 'DICT_4X4_5'; the nearest is 'DICT_4X4_50'"),
        ("4X4_50", "APRILTAG_36h11", "a bare tag of it could not be told from a card"),
        ("4X4_50", "APRILTAG_36H11", "a bare tag of it could not be told from a card"),
        ("side_mm = 60.5\n", "", "[marks]: the key 'side_mm' is missing"),
        ("60.5", "0", "[marks], key 'side_mm': 0 cannot be"),
        ("60.5", '"about 60"', "[marks], key 'side_mm': 'about 60' is not a number"),
        ("60.5", "60.5\nside = 3", "[marks]: the key 'side' is not known"),
        ("[0, 1, 2, 7]", "[0, 1, 2, 50]", "[marks], key 'ids': tag 50 is not among the marks"),
        ("[0, 1, 2, 7]", "[]", "[marks], key 'ids': these are not the ids of tags"),
        ("[0, 1, 2, 7]", "[0, true]", "[marks], key 'ids': these are not the ids of tags"),
        ("[2, 7]", "[2, 8]", "mark 1, key 'ids': tag 8 is not among the marks"),
        ("[1]", "[7]", "mark 2, key 'ids': tag 7 stands under mark 1 already"),
        ("= 30", "= 3000", "mark 2, key 'side_mm': 3000 cannot be"),
        ("ids = [1]\n", "", "mark 2: the key 'ids' is missing"),
        (MARKS[: MARKS.index("[[mark]]")], "", "the dictionary of these marks is not said"),
    ],
)
def test_marks_are_strictly_read(folder: Path, old: str, new: str, message: str) -> None:
    assert old in MARKS
    (folder / "job.toml").write_text(JOB + MARKS.replace(old, new))
    with pytest.raises(UserError, match=re.escape(message)):
        read_job(folder)


def test_a_bar_needs_marks_that_are_there(folder: Path) -> None:
    for text in (JOB.replace("91]", "1007]"), JOB.replace("91]", "1008]") + MARKS):
        (folder / "job.toml").write_text(text)
        with pytest.raises(UserError, match="there is no card 100"):
            read_job(folder)


def test_a_mark_sits_on_no_point(folder: Path) -> None:
    (folder / "job.toml").write_text(JOB + MARKS)
    (folder / "cards.csv").write_text(CARDS.replace("11,", "1007,"))
    with pytest.raises(UserError, match="there is no card 1007"):
        read_job(folder)


def test_a_sheet_without_rows_is_none(folder: Path) -> None:
    (folder / "sheet.csv").write_text(SHEET.splitlines()[0])
    (folder / "job.toml").write_text('parts = "in"')
    job = read_job(folder)
    assert job.sheet is None
    assert len(job.cards) == 2  # holes can be measured without a sheet


def test_the_lens_is_found_beside_the_job(folder: Path) -> None:
    (folder / "job.toml").write_text('parts = "in"\nlens = "../phone.toml"')
    (folder.parent / "phone.toml").touch()
    assert read_job(folder).lens == folder / "../phone.toml"
    (folder / "job.toml").write_text(f"parts = 'in'\nlens = '{folder.parent / 'phone.toml'}'")
    assert read_job(folder).lens == folder.parent / "phone.toml"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("tolerance_mm", "tolerence_mm", "'tolerence_mm' is not known; the nearest is 'tolerance_"),
        ("U_mm", "u_mm", "job.toml, bar 1: the key 'u_mm' is not known; the nearest is 'U_mm'"),
        ("base =", "bases =", "job.toml, [datum]: the key 'bases' is not known"),
        ("title", "x" * 9999, "job.toml: the key 'xxxxxxxx"),
        ('parts = "in"\n', "", "job.toml: the key 'parts' is missing; write parts = "),
        ("U_mm = 0.1\n", "", "job.toml, bar 1: the key 'U_mm' is missing"),
        ("alpha_per_k = 23.1e-6\n", "", "job.toml, bar 1: the key 'alpha_per_k' is missing"),
        ('"Van, front left"', "7", "key 'title': 7 is not a text; write it in quotes"),
        ('"Van, front left"', '" "', "key 'title': the text is empty"),
        ('"in"', '"both"', "key 'parts': 'both' is not a state of the mechanical parts"),
        ("= 22", '= "22"', "key 'temperature_c': '22' is not a number"),
        ("= 22", "= true", "key 'temperature_c': true is not a number"),
        ("= 22", "= [22]", "key 'temperature_c': a list is not a number"),
        ("= 22", "= {a = 1}", "key 'temperature_c': a table is not a number"),
        ("= 22", "= 2024-01-01", "key 'temperature_c': 2024-01-01 is not a number"),
        ("= 22", "= nan", "key 'temperature_c': nan cannot be"),
        ("= 22", "= -31", "key 'temperature_c': -31 cannot be; give a number between -30 and 60"),
        ("= 22", "= 72", "key 'temperature_c': 72 cannot be; give a number between -30 and 60"),
        ("= 22", "= 1" + "0" * 400, "key 'temperature_c': this number cannot be"),
        ("= 22", "= 1" + "0" * 4400, "this is not TOML"),
        ("= 2.5", "= 0", "key 'tolerance_mm': 0 cannot be; give a number above 0"),
        ("= 2.5", "= inf", "key 'tolerance_mm': inf cannot be"),
        ("= 0.15", "= -0.1", "key 'seating_u_mm': -0.1 cannot be"),
        ("= 0.03", "= -0.01", "key 'stem_u_mm': -0.01 cannot be; give a number between 0 and 100"),
        ("= 0.03", '= "0.03"', "key 'stem_u_mm': '0.03' is not a number"),
        ("stem_u_mm", "stem_mm", "the key 'stem_mm' is not known"),
        ("= 12e-6", "= 11.5", "key 'body_alpha_per_k': 11.5 cannot be; give a number between 0 a"),
        ('"self"', '"phone.toml"', "key 'lens': there is no lens profile"),
        ('"self"', '"a\\u0000b"', "key 'lens': there is no lens profile"),
        ('"self"', '"."', "key 'lens': there is no lens profile"),
        ('"self"', '""', "key 'lens': the text is empty"),
        ("[[bar]]", "[bar]", "key 'bar': this is no list of bars; head each with [[bar]]"),
        ("[90, 91]", "[90, 90]", "bar 1, key 'cards': these are not the ids of two different"),
        ("[90, 91]", "[90]", "bar 1, key 'cards': these are not the ids of two different"),
        ("[90, 91]", "[90, 91.0]", "bar 1, key 'cards': these are not the ids of two different"),
        ("[90, 91]", "[false, true]", "bar 1, key 'cards': these are not the ids"),
        ("[90, 91]", '"90, 91"', "bar 1, key 'cards': these are not the ids"),
        ("[90, 91]", "[90, 587]", "there is no card 587; card ids run from 0 to 586"),
        ("[90, 91]", "[-1, 91]", "there is no card -1"),
        ("[90, 91]", "[90, 1" + "0" * 99 + "]", "there is no card this number"),
        ("1200.0", "1.2", "key 'length_mm': 1.2 mm is too short: cards this wide would overlap"),
        ("1200.0", "79.9", "give millimetres between the two centres, 80 at least"),
        ("1200.0", "0", "bar 1, key 'length_mm': 0 cannot be"),
        ("1200.0", "-1200", "bar 1, key 'length_mm': -1200 cannot be"),
        ("0.1\n", "-0.1\n", "bar 1, key 'U_mm': -0.1 cannot be"),
        ("23.1e-6", "23.1", "bar 1, key 'alpha_per_k': 23.1 cannot be"),
        (
            "[datum]",
            "[[bar]]\ncards = [7, 91]\nlength_mm = 1400\nU_mm = 0\nalpha_per_k = 0\n[datum]",
            "job.toml, bar 2, key 'cards': card 91 is on bar 1 already",
        ),
        ("[datum]", "[[datum]]", "key 'datum': this is no table; head it with [datum]"),
        ('["B  L", "B R"]', '"all"', "'all' does not say which points; write \"auto\" or a list"),
        ('["B  L", "B R"]', "[1]", "a list does not say which points"),
        ('["B  L", "B R"]', "[]", "key 'base': the list is empty"),
        ('"B R"', '"BR"', "point 'BR' is not among the rows of sheet.csv that hold for"),
        ('"B R"', '"B r"', "the nearest is 'B R'"),
        ('"B R"', '"C C"', "point 'C C' is not among"),  # a row of the other state of the parts
        ('"B R"', '"A L"', "point 'A L' is not marked as base in sheet.csv"),
        ('"B R"', '"B L"', "point 'B L' is named twice"),
        ("= 22", "= ", "this is not TOML (Invalid value (at line 3, column 17))"),
        ("= 22", '= 22\ntitle = "b"', "this is not TOML (Cannot overwrite a value (at line 4"),
        ("= 22", "= " + "[" * 5000, "this is not TOML"),
    ],
)
def test_a_bad_setting_is_named(folder: Path, old: str, new: str, message: str) -> None:
    assert old in JOB
    (folder / "job.toml").write_text(JOB.replace(old, new, 1))
    with pytest.raises(UserError, match=re.escape(message)) as caught:
        read_job(folder)
    assert caught.value.where.startswith("job.toml")
    assert len(str(caught.value)) < 400


def test_a_base_list_needs_a_sheet(folder: Path) -> None:
    (folder / "sheet.csv").unlink()
    with pytest.raises(UserError, match=r"\[datum\], key 'base': there are no points in sheet"):
        read_job(folder)


def test_a_missing_job_says_how_to_start_one(folder: Path) -> None:
    with pytest.raises(UserError, match=r"no such folder; start one with `datumshot new "):
        read_job(folder / "elsewhere")
    with pytest.raises(UserError, match=r"this is a file; name the job folder"):
        read_job(folder / "job.toml")
    (folder / "job.toml").unlink()
    with pytest.raises(UserError, match=r"there is no job.toml in it; start a job with `datum"):
        read_job(folder)
    (folder / "job.toml").mkdir()
    with pytest.raises(UserError, match=r"job.toml: this is a folder, not a file"):
        read_job(folder)
    (folder / "job.toml").rmdir()
    (folder / "job.toml").write_bytes(b"title = '\xe4'")
    with pytest.raises(UserError, match=r"job.toml: this is not UTF-8 text"):
        read_job(folder)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("11,A,R,60,", "row 4: card 11 stands in cards.csv, row 2 already"),
        ("12,A,L,60,", "row 4: point 'A L' has a card in cards.csv, row 2 already"),
        ("91,A,R,60,", "row 4: card 91 is on a bar in job.toml"),
        ("587,A,R,60,", "row 4: there is no card 587; card ids run from 0 to 586"),
        ("9" * 5000 + ",A,R,60,", "row 4: card '99999"),
        ("-1,A,R,60,", "row 4: card '-1' is not a whole number"),
        ("12.0,A,R,60,", "row 4: card '12.0' is not a whole number"),
        ("\u0661,A,R,60,", "row 4: card '\u0661' is not a whole number"),
        (",A,R,60,", "row 4: card '' is not a whole number"),
        ("12,AA,R,60,", "row 4: point 'AA R' is not among the rows of sheet.csv that hold for"),
        ("12,a,R,60,", "the nearest is 'A R'"),
        ("12,C,C,60,", "point 'C C' is not among"),
        ("12,A,C,60,", "it has 'A L' and 'A R' only: correct the side, or add the row to"),
        ("12,A,LR,60,", "row 4: side 'LR' is not known; write L, R or C"),
        ("12,,R,60,", "row 4: point is empty"),
        ("12,A,R,-60,", "row 4: stem_mm '-60' cannot be; it lies between 0 and 2000"),
        ("12,A,R,,", "row 4: stem_mm is empty"),
        ("12,A,R,6 cm,", "row 4: stem_mm '6 cm' is not a number"),
        ('12,A,R,"60,5",', "row 4: stem_mm '60,5' has a comma; write a decimal point"),
    ],
)
def test_a_bad_card_row_is_named(folder: Path, row: str, message: str) -> None:
    (folder / "cards.csv").write_text(f"{CARDS}{row}\n", encoding="utf-8")
    with pytest.raises(UserError, match=re.escape(message)) as caught:
        read_job(folder)
    assert caught.value.where == "cards.csv, row 4"
    assert len(str(caught.value)) < 250


def test_cards_need_no_sheet_and_no_notes(tmp_path: Path) -> None:
    path = tmp_path / "cards.csv"
    path.write_text("stem_mm,side,point,card\n\n0,C,any  name,007\n")
    assert read_cards(path, None) == (CardOnPoint(7, "any name", "C", 0.0, ""),)


@pytest.mark.parametrize("title", ["", 'the "new" one \\ ü'])
def test_a_new_job_is_a_job(tmp_path: Path, title: str) -> None:
    folder = tmp_path / "deep" / 'a "job"'
    new_job(folder, title)
    job = read_job(folder)
    assert job.title == (title or 'a "job"')
    assert (job.cards, job.sheet, job.bars, job.lens, job.base) == ((), None, (), None, None)
    assert sorted(path.name for path in folder.iterdir()) == [
        "cards.csv",
        "job.toml",
        "photos",
        "sheet.csv",
    ]


def test_a_new_job_explains_every_key(tmp_path: Path) -> None:
    """With the example bar uncommented as its comment says, each key of the reader is there."""
    new_job(tmp_path / "job")
    path = tmp_path / "job" / "job.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index("# [[bar]]")
    end = text.index("\n\n", start)
    text = text[:start] + text[start:end].replace("# ", "") + text[end:]
    path.write_text(text, encoding="utf-8")
    assert read_job(tmp_path / "job").bars == (Bar((90, 91), 1200.0, 0.1, 23.1e-6),)
    keys = tomllib.loads(text).keys()
    with pytest.raises(UserError) as caught:
        _reads_with_unknown_key(tmp_path / "job", text)
    assert caught.value.where == "job.toml"
    assert keys == {
        *("title", "parts", "temperature_c", "tolerance_mm", "lens", "seating_u_mm"),
        *("stem_u_mm", "body_alpha_per_k", "bar", "datum"),
    }


def _reads_with_unknown_key(folder: Path, text: str) -> None:
    (folder / "job.toml").write_text(f"unheard_of = 1\n{text}", encoding="utf-8")
    read_job(folder)


@pytest.mark.parametrize("name", ["job.toml", "sheet.csv", "cards.csv"])
def test_a_job_is_never_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("typed by hand")
    with pytest.raises(UserError, match=f"there is a {name} already; name another folder"):
        new_job(tmp_path, "again")
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "typed by hand"


def test_a_new_job_keeps_photos_and_refuses_what_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"x")
    new_job(tmp_path, "t")
    assert (tmp_path / "photos" / "a.jpg").read_bytes() == b"x"
    with pytest.raises(UserError, match="cannot make this folder"):
        new_job(tmp_path / "job.toml", "t")
    with pytest.raises(UserError, match=r"the title 'a\\nb' cannot be printed"):
        new_job(tmp_path / "other", "a\nb")


@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.tuples(st.sampled_from(JOB.splitlines()), st.text(max_size=20)).map(
            lambda change: JOB.replace(change[0], change[1]).encode("utf-8", "surrogatepass")
        ),
    )
)
def test_any_bytes_are_a_job_or_a_user_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = tmp_path_factory.getbasetemp() / "any_job"
    folder.mkdir(exist_ok=True)
    (folder / "job.toml").write_bytes(data)
    (folder / "cards.csv").write_bytes(data)
    try:
        read_job(folder)
    except UserError as error:
        assert error.where.startswith(("job.toml", "cards.csv"))  # noqa: PT017 (either is right)


# Files are written and read: a busy machine takes longer than 200 ms now and then.
@settings(deadline=None)
@given(rows=st.lists(st.lists(st.text(max_size=5), max_size=6).map(",".join), max_size=4))
def test_any_rows_are_cards_or_a_user_error(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str]
) -> None:
    path = tmp_path_factory.getbasetemp() / "cards.csv"
    text = "\n".join(["card,point,side,stem_mm,note", *rows])
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        cards = read_cards(path, None)
    except UserError as error:
        assert error.where.startswith("cards.csv")  # noqa: PT017 (either is right)
    else:
        assert all(card.stem_mm >= 0.0 for card in cards)


@pytest.mark.parametrize(
    ("lines", "date", "technician"),
    [
        ("", "", ""),
        ('date = 2026-05-12\ntechnician = "K. I."', "2026-05-12", "K. I."),
        ('date = "2026-05-12"\ntechnician = ""', "2026-05-12", ""),
    ],
)
def test_date_and_initials(tmp_path: Path, lines: str, date: str, technician: str) -> None:
    (tmp_path / "job.toml").write_text(f'parts = "in"\n{lines}\n', encoding="utf-8")
    job = read_job(tmp_path)
    assert (job.date, job.technician) == (date, technician)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("date = 2026-05-12T10:00:00", "is not a date; write it 2026-05-12."),
        ('date = "12.5.2026"', "'12.5.2026' is not a date"),
        ("date = 20260512", "20260512 is not a date"),
        ('technician = "Kim Invented"', "is more than initials; give four letters at most"),
        ('technician = "K1"', "is more than initials"),
    ],
)
def test_no_date_and_no_initials(tmp_path: Path, line: str, said: str) -> None:
    (tmp_path / "job.toml").write_text(f'parts = "in"\n{line}\n', encoding="utf-8")
    with pytest.raises(UserError) as caught:
        read_job(tmp_path)
    assert said in str(caught.value)
