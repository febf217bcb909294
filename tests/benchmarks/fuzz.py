"""Coverage-guided fuzzing of every reader: no traceback, no hang, no memory over 1 GB.

    python -m pip install atheris
    python tests/benchmarks/fuzz.py cards.csv 600

runs one reader for so many seconds from small sound files, with libFuzzer by way of atheris. It
stops at the first input that raises anything but UserError, takes more than 10 s, or lets the
process grow beyond 1 GB; that input is then in the file it names. Such inputs belong, made small,
into tests/hostile, which tests/test_hostile_files.py reads. Without arguments it lists the readers.

libFuzzer looks at the largest size that the process ever had, once a second, and blames the input
that runs then. So memory is measured here, around each input (Linux only): what the process had
before, the most it had meanwhile, and what it keeps. A line every 10 000 inputs tells both.
"""

from __future__ import annotations

import io
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

try:
    import atheris
except ImportError:
    sys.exit("atheris is not installed: python -m pip install atheris")

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
with atheris.instrument_imports(
    include=["targets", "calib", "capture", "pipeline", "tomllib", "PIL"]
):
    from tests import readers

import numpy as np
from PIL import Image

from targets.errors import UserError

MOST_MB = 1000.0


def pictures() -> list[bytes]:
    """Small pictures of every kind, some with EXIF."""
    rng = np.random.default_rng(1)
    image = Image.fromarray(rng.integers(0, 255, (24, 32, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "ExampleCam", "EC-1", 6
    exif.get_ifd(0x8769)[0x920A] = 4.4
    made = []
    for mode, kind, options in (
        ("RGB", "JPEG", {"exif": exif}),
        ("RGB", "JPEG", {"progressive": True}),
        ("CMYK", "JPEG", {}),
        ("L", "PNG", {"exif": exif}),
        ("I;16", "PNG", {}),
        ("P", "PNG", {}),
        ("RGBA", "PNG", {}),
        ("RGB", "TIFF", {"exif": exif}),
        ("RGB", "TIFF", {"compression": "tiff_lzw"}),
        ("RGB", "HEIF", {}),
        ("RGB", "WEBP", {}),
        ("RGB", "BMP", {}),
        ("RGB", "MPO", {"save_all": True, "append_images": [image]}),
    ):
        stream = io.BytesIO()
        (image.convert("L") if mode == "I;16" else image).convert(mode).save(
            stream, format=kind, **options
        )
        made.append(stream.getvalue())
    return made


class Memory:
    """The process in MB: what it has, and the most that one input took beyond that."""

    def __init__(self) -> None:
        self.inputs, self.most = 0, 0.0

    def around(self, read: Callable[[], None]) -> None:
        """Read one input.

        Raises
        ------
        MemoryError : the process grew beyond ``MOST_MB``.
        """
        Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
        before = _status_mb("VmRSS")
        try:
            read()
        finally:
            peak = _status_mb("VmHWM")
            self.inputs += 1
            if peak - before > self.most or self.inputs % 10_000 == 0:
                self.most = max(self.most, peak - before)
                print(
                    f"input {self.inputs}: {_status_mb('VmRSS'):.0f} MB now, at most "
                    f"{self.most:.0f} MB more for one input",
                    flush=True,
                )
        if peak > MOST_MB:
            raise MemoryError(f"{peak:.0f} MB, {before:.0f} MB of them from before")


def _status_mb(key: str) -> float:
    text = Path("/proc/self/status").read_text()
    return int(text.partition(f"{key}:")[2].split()[0]) / 1024


def main(name: str, seconds: int) -> None:
    reader = readers.READERS[name]
    seeds = reader.seeds() or pictures()
    corpus = Path(tempfile.mkdtemp(prefix="fuzz-"))
    for number, seed in enumerate(seeds):
        (corpus / f"seed{number}").write_bytes(seed)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-read-"))

    memory = Memory()

    def one(data: bytes) -> None:
        try:
            memory.around(lambda: reader.try_out(folder, data))
        except UserError as error:
            if len(str(error)) > 2000:
                raise ValueError(f"a sentence of {len(str(error))} signs") from error

    longest = max(4096, 4 * max(map(len, seeds)))
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={seconds}",
            f"-max_len={longest}",
            "-timeout=10",
            "-rss_limit_mb=4000",
            "-print_final_stats=1",
            f"-artifact_prefix={corpus}/",
        ],
        one,
    )
    atheris.Fuzz()


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(f"readers: {', '.join(readers.READERS)}")
    main(sys.argv[1], int(sys.argv[2]))
