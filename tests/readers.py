"""Every reader of files that users hand over, each with small sound files, for the fuzz tests."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from calib.camera import Camera
from calib.lens_file import LensProfile, read_profile, write_profile
from calib.photo import CameraIdentity, read_grey, read_header, read_preview
from capture.cache import _decoded, _encoded
from capture.sightings import Sighting
from pipeline.inputs.job import read_cards, read_job
from pipeline.inputs.new_job import job_template
from pipeline.inputs.readings import read_readings
from pipeline.inputs.sheet import read_sheet
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.sessions.measured import read_measured
from pipeline.sessions.verify import verify
from pipeline.shoot.accept import read_lengths
from pipeline.truth import read_truth
from targets.board import Board, read_board, write_board
from tests.report_case import invented

DEMO = Path(__file__).resolve().parents[1] / "sample_images"


@dataclass(frozen=True)
class Reader:
    """One reader.

    Attributes
    ----------
    file : where the file lies in its folder.
    read : raises UserError or nothing.
    seeds : sound files.
    beside : other files that the folder needs.
    """

    file: str
    read: Callable[[Path], object]
    seeds: Callable[[], list[bytes]]
    beside: Mapping[str, bytes] = field(default_factory=dict)

    def try_out(self, folder: Path, data: bytes) -> None:
        """Read ``data`` as if it were that file in ``folder``."""
        for name, content in {**self.beside, self.file: data}.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if name == self.file or not path.exists():
                path.write_bytes(content)
        self.read(folder / self.file)


def _written(write: Callable[[Path], None]) -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        write(Path(folder) / "a")
        return [(Path(folder) / "a").read_bytes()]


def _profile() -> list[bytes]:
    identity = CameraIdentity("ExampleCam", "EC-1", "EC-1 main", 4.4, 28.0, 3264, 2448, None)
    camera = Camera(3264, 2448, np.array([2500.0, 2500.0, 1600.0, 1200.0, *[0.01] * 5]))
    profile = LensProfile(camera, np.eye(9), identity, 0.2, 14, "good", ("a reason",))
    return _written(lambda path: write_profile(profile, path))


def _job() -> list[bytes]:
    whole = (DEMO / "job" / "job.toml").read_text(encoding="utf-8")
    whole = whole.replace('"phone.toml"', '"self"')
    return [
        whole.encode(),
        job_template('"Van"').encode(),
        b'parts = "out"\n[marks]\ndictionary = "DICT_4X4_50"\nside_mm = "unknown"\nids = [1, 2]\n'
        b"[[mark]]\nids = [2]\nside_mm = 30.5\n",
    ]


def _result() -> list[bytes]:
    """Without what no reader reads, which is most of it."""
    with tempfile.TemporaryDirectory() as folder:
        document = result_document(invented(Path(folder))[0], [("job.toml", "0" * 64)])
    unread = {"dots", "dots_covariance_mm2", "card_centres_covariance_mm2", "adjustment", "budget"}
    return [json_text({k: v for k, v in document.items() if k not in unread}).encode()]


def _truth() -> list[bytes]:
    document = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    return [json.dumps({k: document[k][:3] for k in ("cards", "points", "suspension")}).encode()]


def _entry() -> list[bytes]:
    sighting = Sighting(
        3, "a.jpg", np.ones((4, 2)), np.full((4, 2), np.nan), np.ones((4, 2, 2)), np.ones(4, bool)
    )
    return [_encoded("k", [sighting], [5]).partition(b"\n")[2]]


def _read_entry(path: Path) -> None:
    body = path.read_bytes()
    _decoded(hashlib.sha256(body).hexdigest().encode() + b"\n" + body, "k", "a.jpg")


def _read_result(path: Path) -> None:
    read_measured(path.parents[1])
    verify(path.parents[1])


def _read_photo(path: Path) -> None:
    read_header(path)
    read_grey(path)
    read_preview(path, 16)


def _csv(name: str) -> Callable[[], list[bytes]]:
    return lambda: [(DEMO / "job" / name).read_bytes()]


READERS = {
    "job.toml": Reader(
        "job.toml",
        lambda path: read_job(path.parent),
        _job,
        {name: (DEMO / "job" / name).read_bytes() for name in ("sheet.csv", "cards.csv")},
    ),
    "sheet.csv": Reader(
        "sheet.csv",
        lambda path: [read_sheet(path, parts, 3.0) for parts in ("in", "out")],
        _csv("sheet.csv"),
    ),
    "cards.csv": Reader("cards.csv", lambda path: read_cards(path, None), _csv("cards.csv")),
    "lengths.csv": Reader(
        "lengths.csv",
        read_lengths,
        lambda: [b"card_a,card_b,length_mm,U_mm\n1,2,1000.5,0.1\n3,4,2e3,.1\n"],
    ),
    "readings.csv": Reader(
        "readings.csv",
        lambda path: read_readings(path, ["A L", "A R", "B L"]),
        lambda: [
            b"from,from_side,to,to_side,reading_mm,mode,from_hole_mm,to_hole_mm,tape_class\n"
            b"A,L,B,L,1234.5,centres,,,II\nA,L,A,R,900,near edges,12,12.5,I\n"
        ],
    ),
    "phone.toml": Reader("phone.toml", read_profile, _profile),
    "board.toml": Reader(
        "board.toml", read_board, lambda: _written(lambda path: write_board(Board(), path))
    ),
    "result.json": Reader("results/result.json", _read_result, _result),
    "truth.json": Reader("truth.json", read_truth, _truth),
    "cache entry": Reader("entry", _read_entry, _entry),
    "photo": Reader("a.jpg", _read_photo, lambda: []),
}
