"""Kill measurements at random times: nothing typed or photographed is touched, results stay whole.

    python tests/benchmarks/kill.py 100

A job of eight demo photos is measured again and again, its bars now 1 mm longer, now as they are,
so that every file of the results differs between the two. Each run is killed (SIGKILL) at a random
time between its start and a little after its usual end; one run in three begins without its cache.
Then

- every file in the job but the results, the cache and the lock must have its old bytes,
- the results must be whole, and those of either the one or the other setting,
- after every tenth kill the next run must succeed and leave nothing behind.
"""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DEMO = Path(__file__).resolve().parents[2] / "sample_images" / "job"
SOLVE = [sys.executable, "-c", "from pipeline.cli import main; main()", "solve"]
HIDDEN = {".cache", ".lock"}


def make_job(folder: Path) -> Path:
    (folder / "photos").mkdir(parents=True)
    for photo in sorted((DEMO / "photos").iterdir())[:8]:
        shutil.copy(photo, folder / "photos")
    for name in ("sheet.csv", "cards.csv"):
        shutil.copy(DEMO / name, folder)
    return folder


def set_bars(folder: Path, longer: bool) -> None:
    text = (DEMO / "job.toml").read_text(encoding="utf-8").replace('"phone.toml"', '"self"')
    if longer:
        lines = [
            f"length_mm = {float(line.split('=')[1]) + 1.0}" if line.startswith("length") else line
            for line in text.splitlines()
        ]
        text = "\n".join(lines)
    (folder / "job.toml").write_text(text, encoding="utf-8")


def start(folder: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [*SOLVE, str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )


def given(folder: Path) -> dict[str, str]:
    """SHA-256 of everything that datumshot was given."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and not path.relative_to(folder).parts[0].startswith(("results", ".results", ".cache"))
        and path.name != ".lock"
    }


def figures(folder: Path) -> str:
    """What the results say, times aside; an error when they are not of one piece."""
    results = folder / "results"
    for line in (results / "SHA256SUMS").read_text(encoding="utf-8").splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((results / name).read_bytes()).hexdigest() == digest, name
    document = json.loads((results / "result.json").read_text(encoding="utf-8"))
    del document["seconds"]
    tables = [(results / name).read_text(encoding="utf-8") for name in ("points.csv", "cards.csv")]
    return json.dumps([document, *tables])


def main(kills: int) -> None:
    draw = random.Random(20261125)
    with tempfile.TemporaryDirectory() as away:
        folder = make_job(Path(away) / "job")
        known = {}
        lasted = 0.0
        for longer in (False, True):
            set_bars(folder, longer)
            began = time.perf_counter()
            assert start(folder).wait() in (0, 1)
            lasted = time.perf_counter() - began  # of the second run, which has a cache
            known[longer] = figures(folder)
        assert known[False] != known[True]
        before, old, new, noted = known[True], 0, 0, 0
        for kill in range(1, kills + 1):
            longer = kill % 2 == 0
            set_bars(folder, longer)
            typed = given(folder)
            if draw.random() < 1 / 3:
                shutil.rmtree(folder / ".cache", ignore_errors=True)
            run = start(folder)
            time.sleep(draw.uniform(0.0, 1.15) * lasted)
            run.kill()
            run.wait()
            assert given(folder) == typed
            now = figures(folder)
            assert now in known.values()
            old, new = old + (now == before), new + (now != before)
            noted += (folder / "results" / "OUT-OF-DATE.txt").exists()
            before = now
            if kill % 10 == 0 or kill == kills:
                assert start(folder).wait() in (0, 1)
                assert figures(folder) == known[longer]
                assert given(folder) == typed
                left = {p.name for p in folder.iterdir() if p.name.startswith(".")}
                assert left <= HIDDEN, left
                assert not (folder / "results" / "OUT-OF-DATE.txt").exists()
                before = known[longer]
                print(
                    f"{kill} kills: {old} left the former results, {new} the new ones", flush=True
                )
        print(f"{kills} of {kills} sound; {noted} of the former results said that they are so")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
