"""Whatever bytes a file holds, each reader takes them or says in one sentence what is wrong.

Changed sound files come from Hypothesis here; tests/benchmarks/fuzz.py does the same for minutes,
guided by coverage. Inputs that once did harm are in tests/hostile, a folder for each reader.
"""

import io
import json
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from targets.errors import UserError
from tests.readers import READERS

HOSTILE = Path(__file__).with_name("hostile")
# What people, spreadsheets and attackers put into cells and values.
WORDS = [
    *("", '"', "'", ",", ";", "\t", "\r", "\n", "\0", "\ufeff", "=1+1", "@", "-", "1,5", "1;5"),
    *("nan", "inf", "-inf", "1e308", "1e999", "-0", "0x10", "1_0", "9" * 400, "true", "NULL"),
    *("[", "{", "]" * 50, "[[a]]", "<b>", "%s", "../..", "\\", "ü", "\u202e", "\U0001f697"),
]


@cache
def seeds(name: str) -> list[bytes]:
    if name != "photo":
        return READERS[name].seeds()
    image = Image.fromarray(np.arange(600, dtype=np.uint8).reshape(20, 30) % 251)
    made = []
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF"):
        stream = io.BytesIO()
        image.convert("RGB").save(stream, format=kind)
        made.append(stream.getvalue())
    return made


@st.composite
def changed(draw: st.DrawFn, name: str) -> bytes:
    """A sound file with up to three places overwritten, cut out, repeated or filled with a word."""
    data = draw(st.sampled_from(seeds(name)))
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 40)))
        put = draw(
            st.sampled_from(WORDS).map(lambda word: word.encode())
            | st.binary(max_size=8)
            | st.just(data[start:end] * 3)
        )
        data = data[:start] + put + data[end:]
    return data


def read_or_refuse(name: str, folder: Path, data: bytes) -> None:
    try:
        READERS[name].try_out(folder, data)
    except UserError as error:
        sentence = str(error)
        assert len(sentence) < 2000, sentence[:300]


@pytest.mark.parametrize("name", READERS)
def test_sound_files_are_read(name: str, tmp_path: Path) -> None:
    for data in seeds(name):
        READERS[name].try_out(tmp_path, data)


@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
def test_changed_files_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, name: str, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp() / f"hostile-{name.replace(' ', '-')}"
    folder.mkdir(exist_ok=True)
    read_or_refuse(name, folder, data.draw(changed(name)))


@pytest.mark.parametrize("path", sorted(HOSTILE.glob("*/*")), ids=lambda path: path.name)
def test_what_once_did_harm(path: Path, tmp_path: Path) -> None:
    read_or_refuse(path.parent.name, tmp_path, path.read_bytes())


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("result.json", b"[" * 1_000_000),
        ("truth.json", b"[" * 1_000_000),
        ("truth.json", b'{"cards": [{"card": 1e999}], "points": []}'),
        ("job.toml", b"[" * 450_000),
        ("job.toml", b"a." * 400_000 + b"a = 1"),  # days, when it was not refused
        ("job.toml", (b"a." * 190 + b"b = 1\n") * 200),
        ("job.toml", b"[[a]]\n" * 16_000),
        ("job.toml", b"a = 1" + b"0" * 450_000),
        ("job.toml", b'parts = "' + b"a" * 450_000 + b'"'),
        ("cards.csv", b"\n" * 499_999),
        ("cards.csv", b"card,point,side,stem_mm\n" + b"1\n" * 60_000),
        ("cards.csv", b'card,point,side,stem_mm\n1,"' + b"a" * 450_000),
        ("cards.csv", b"," * 499_999),
    ],
    ids=lambda value: value if isinstance(value, str) else value[:20].decode(),
)
def test_large_files_do_not_take_long(name: str, data: bytes, tmp_path: Path) -> None:
    """Some of these took minutes, one days, of the square of their length."""
    began = time.process_time()
    read_or_refuse(name, tmp_path, data)
    assert time.process_time() - began < 10.0


def test_a_result_that_claims_a_vast_matrix_is_refused(tmp_path: Path) -> None:
    document = json.loads(seeds("result.json")[0])
    document["points_covariance_mm2"]["size"] = 1_000_000_000
    with pytest.raises(UserError, match="this is not a whole result file"):
        READERS["result.json"].try_out(tmp_path, json.dumps(document).encode())
