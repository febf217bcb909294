"""What the three strict readers of TOML (job, lens profile, board) have in common."""

import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from targets.errors import UserError
from targets.strict_toml import Table, read_toml
from targets.typed_file import LARGEST_BYTES, read_typed

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=50),
    lambda one: st.lists(one, max_size=4) | st.dictionaries(st.text(max_size=9), one, max_size=3),
    max_leaves=6,
)


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_tabs_and_a_byte_order_mark_do_no_harm(
    tmp_path: Path, mark: str, line_end: str
) -> None:
    path = tmp_path / "a.toml"
    text = line_end.join([f"{mark}a\t=\t1", 'b = "x\ty" # note', "", "[c]", "d = 'ü'", ""])
    path.write_bytes(text.encode())
    assert read_toml(path, "a.toml") == {"a": 1, "b": "x\ty", "c": {"d": "ü"}}


def test_a_typed_file_is_an_ordinary_small_one(tmp_path: Path) -> None:
    """A pipe would be waited for for ever, /dev/zero has no end."""
    os.mkfifo(tmp_path / "pipe")
    for path, said in (
        (tmp_path / "pipe", "a.csv: this is no ordinary file; put the file itself there"),
        (Path("/dev/zero"), "a.csv: this is no ordinary file"),
        (tmp_path, "a.csv: this is a folder, not a file; check its name"),
        (tmp_path / "none", "a.csv: cannot read this file (No such file or directory)"),
        (tmp_path / "a\0b", "a.csv: cannot read this file (embedded null"),
        (tmp_path / ("x" * 300), "a.csv: cannot read this file (File name too long)"),
    ):
        with pytest.raises(UserError, match=re.escape(said)):
            read_typed(path, "a.csv")
    large = tmp_path / "large"
    large.write_bytes(b"")
    os.truncate(large, 3_000_000_000)
    with pytest.raises(UserError, match="3000 MB are too much for such a file"):
        read_typed(large, "a.csv")
    os.truncate(large, LARGEST_BYTES)
    assert len(read_typed(large, "a.csv")) == LARGEST_BYTES


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda t: t.number("inf"), "a.toml, key 'inf': inf cannot be; give a number that is fin"),
        (lambda t: t.number("nan"), "a.toml, key 'nan': nan cannot be; give a number that is fin"),
        (lambda t: t.number("huge"), "key 'huge': this number cannot be"),
        (lambda t: t.number("big", 0.0, 1e6), "key 'big': 1e+308 cannot be; give a number between"),
        (
            lambda t: t.number("zero", 0.0, above=True),
            "key 'zero': 0 cannot be; give a number ab",
        ),
        (lambda t: t.number("minus", 0.0), "key 'minus': -1 cannot be; give a number of 0 or more"),
        (lambda t: t.whole("half", 0, 9), "key 'half': 0.5 is not a whole number"),
        (lambda t: t.whole("huge", 0, 9), "key 'huge': this number cannot be"),
        (lambda t: t.numbers("pair", 3), "key 'pair': this is not a list of 3 numbers"),
        (lambda t: t.numbers("pair", 2), "key 'pair': nan cannot be"),
        (lambda t: t.texts("pair"), "key 'pair': this is not a list of texts"),
        (lambda t: t.table("half", ()), "key 'half': this is no table; head it with [half]"),
        (lambda t: t.text("gone"), "a.toml: the key 'gone' is missing; add it"),
    ],
)
def test_what_cannot_be_is_named(call: object, message: str) -> None:
    values = {
        **{"inf": float("inf"), "nan": float("nan"), "huge": 10**400, "big": 1e308, "zero": 0},
        **{"minus": -1, "half": 0.5, "pair": [1, float("nan")]},
    }
    table = Table(values, "a.toml", (*values, "gone"))
    with pytest.raises(UserError, match=re.escape(message)):
        call(table)  # type: ignore[operator]


def test_a_file_that_a_program_wrote_is_made_anew() -> None:
    """Nobody mends such a file by hand."""
    table = Table({"a": 1}, "p.toml", ("a", "b"), "make it again")
    for call in (lambda: table.text("a"), lambda: table.number("b"), lambda: table.table("a", ())):
        with pytest.raises(UserError, match="; make it again"):
            call()
    with pytest.raises(UserError, match="the nearest is 'b', or make it again"):
        Table({"bb": 1}, "p.toml", ("a", "b"), "make it again")


@given(value=VALUES)
def test_any_value_is_right_or_a_user_error(value: object) -> None:
    table = Table({"a": value}, "a.toml", ("a",))
    for call, kind in (
        (lambda: table.number("a", -1e9, 1e9), float),
        (lambda: table.whole("a", -9, 9), int),
        (lambda: table.text("a"), str),
        (lambda: table.texts("a"), tuple),
        (lambda: table.numbers("a", 2), tuple),
        (lambda: table.table("a", ("b",)), Table),
    ):
        try:
            got = call()
        except UserError as error:
            assert len(str(error)) < 250  # noqa: PT017 (either is right)
        else:
            assert type(got) is kind
