"""Time and memory of a job of many 12 MP photos: ``python tests/benchmarks/speed.py [PHOTOS]``.

The photos are those of the demo, enlarged to 12 MP and repeated with fresh noise; what is measured
is the work, not the accuracy. Each line is the median of three runs; decoding the same files with
as many threads is the yardstick, because machines differ. The command by itself, as a user runs it,
starts Python and loads its libraries, too; the memory is that of this process.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import shutil
import statistics
import subprocess
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from calib.photo import read_grey
from pipeline.inputs.job import read_job
from pipeline.report.page import write_report
from pipeline.report.thumbnails import Previews
from pipeline.results.tables import write_tables
from pipeline.solve import solve

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "job"
SIZE_PX = (4032, 3024)
RUNS = 3
ALONE = """
import re, runpy, sys
try:
    runpy.run_module("pipeline.cli", run_name="__main__", alter_sys=True)
except SystemExit as ended:
    # 1 says that points are out.
    assert ended.code in (None, 0, 1)
print(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1], file=sys.stderr)
"""
"""The command line, and then the most memory that its process had (Linux), kB. This one could not
ask for it: the system would count what it had itself when it started the other."""


def make_job(folder: Path, count: int) -> list[Path]:
    """A self-calibrating job of ``count`` photos of 12 MP."""
    shutil.copytree(SAMPLE, folder)
    text = (folder / "job.toml").read_text().replace('lens = "phone.toml"', 'lens = "self"')
    (folder / "job.toml").write_text(text)
    sources = sorted((folder / "photos").iterdir())
    rng = np.random.default_rng(7)
    made = []
    for k in range(count):
        grey = read_grey(sources[k % len(sources)])
        large = cv2.resize(grey, SIZE_PX, interpolation=cv2.INTER_CUBIC).astype(np.float32)
        large += rng.normal(0, 2, large.shape).astype(np.float32)
        path = folder / "photos" / f"B{k:04d}.jpg"
        colour = cv2.cvtColor(np.clip(large, 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)
        cv2.imwrite(str(path), colour, [cv2.IMWRITE_JPEG_QUALITY, 90])
        made.append(path)
    for source in sources:
        source.unlink()
    return made


def decode_seconds(photos: list[Path]) -> float:
    since = time.perf_counter()
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for _ in pool.map(lambda p: read_grey(p).shape, photos):
            pass
    return time.perf_counter() - since


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "job"
        photos = make_job(folder, count)
        stages: dict[str, list[float]] = {}
        for _ in range(RUNS):
            stages.setdefault("decoding alone", []).append(decode_seconds(photos))
            since = time.perf_counter()
            with Previews(folder / "photos") as previews:
                result, sightings = solve(
                    read_job(folder), lambda stage, done, total: None, None, previews.begin
                )
                written = time.perf_counter()
                write_tables(result, folder / "results")
                page = folder / "results" / "report.html"
                write_report(result, sightings, page, previews=previews)
            now = time.perf_counter()
            for stage, seconds in result.seconds.items():
                stages.setdefault(stage, []).append(seconds)
            stages.setdefault("tables and page", []).append(now - written)
            stages.setdefault("whole job", []).append(now - since)
            shutil.rmtree(folder / ".cache", ignore_errors=True)
            since = time.perf_counter()
            command = [sys.executable, "-c", ALONE, "solve", str(folder)]
            ended = subprocess.run(command, check=True, capture_output=True, text=True)
            stages.setdefault("datumshot solve by itself", []).append(time.perf_counter() - since)
            peak_mb = int(ended.stderr.split()[-1]) / 1024
        decoding = statistics.median(stages["decoding alone"])
        print(f"{count} photos of 12 MP, {len(sightings)} sightings, {os.cpu_count()} cores")
        print(f"{'stage':28} {'seconds':>8} {'x decoding':>11}")
        for stage, seconds in stages.items():
            median = statistics.median(seconds)
            print(f"{stage:28} {median:8.2f} {median / decoding:11.2f}")
        print(f"peak memory {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
