"""How time and memory of the network grow: ``python tests/benchmarks/growth.py [PHOTOS ...]``.

A long object of 200 cards is photographed by someone who walks along it and back: each photo shows
the 10 to 20 cards around it, so sightings grow in proportion to photos. Dots are invented exactly
and given noise (``tests.scene``), no picture is rendered; ``find_network`` does the rest: start,
adjustment, outlier test and the covariance of all dots, once for a hand that held still and once,
from there, with drift and shift of each photo, as ``solve`` does. Each size runs in a process of
its own, because memory once had is not given back. Seconds are processor time.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import subprocess
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from calib.camera import Camera
from pipeline.adjustment.cameras import loose_information
from pipeline.adjustment.job_network import HAND_HELD, LAYOUT_SD_MM, STEADY
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS
from pipeline.adjustment.network import CameraGuess, find_network
from tests.scene import Scene, aligned, layout_of, looking, make_scene, photographed

SIZES = (40, 100, 200, 400)
LENGTH_MM, WIDTH_MM = 15000.0, 1400.0


def walked(photos: int) -> Scene:
    """200 cards along a long object, photographed down one side and up the other."""
    scene = make_scene(
        5,
        columns=50,
        rows=4,
        photos=0,
        extent_mm=(LENGTH_MM, WIDTH_MM),
        print_sd_mm=(0.03, 0.03, 0.15),
    )
    rng = np.random.default_rng(6)
    poses = []
    for i in range(photos):
        turn = 2.0 * np.pi * i / photos
        # As fast in the middle as at the ends.
        x = LENGTH_MM * (0.98 * abs(1.0 - turn / np.pi) - 0.49) + rng.uniform(-60.0, 60.0)
        y = np.sign(np.sin(turn + 1e-9)) * rng.uniform(0.2, 0.6) * WIDTH_MM
        place = np.array([x, y, rng.uniform(-1500.0, -1200.0)])
        aim = np.array([x + rng.uniform(-500.0, 500.0), rng.uniform(-200.0, 200.0), 100.0])
        poses.append(looking(place, aim, (0.0, 90.0, -90.0)[i % 3] + rng.uniform(-8.0, 8.0)))
    names = tuple(f"a{i:03d}.jpg" for i in range(photos))
    scene = replace(
        scene, photos=names, camera_from_vehicle=tuple(poses), drift=np.zeros((photos, 6))
    )
    return photographed(rng, scene)


def grow(photos: int) -> None:
    """One line of the table."""
    scene = walked(photos)
    constants = np.zeros(9)
    constants[:4] = 2950.0, 2950.0, 1999.5, 1499.5
    guess = CameraGuess(
        Camera(4000, 3000, constants), loose_information(2950.0, 0.06, 4000), EXTRA_CONSTANTS
    )
    groups, layout = dict.fromkeys(scene.photos, 0), layout_of(scene)
    before_mb = _peak_mb()
    since = time.process_time()
    steady = find_network(scene.sightings, [guess], groups, layout, LAYOUT_SD_MM, *STEADY)
    between = time.process_time()
    found = find_network(
        scene.sightings, [guess], groups, layout, LAYOUT_SD_MM, *HAND_HELD, resume=steady
    )
    now = time.process_time()
    truth = scene.dots_mm[[scene.cards.index(c) for c in found.cards]].reshape(-1, 3)
    errors = np.linalg.norm(aligned(found.network.points, truth) - truth, axis=1)
    print(
        f"{photos:6d} {len(found.photos):5d} {len(found.cards):6d} {len(scene.sightings):10d}"
        f" {between - since:7.1f} {now - between:9.1f}"
        f" {1000.0 * (now - since) / len(scene.sightings):12.2f} {_peak_mb():8.0f} {before_mb:7.0f}"
        f" {np.sqrt((errors**2).mean()):8.2f}",
        flush=True,
    )


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    if sys.argv[1:2] == ["one"]:
        grow(int(sys.argv[2]))
        return
    print("photos  used  cards  sightings  steady  unsteady  ms/sighting  peak MB  before   rms mm")
    for photos in map(int, sys.argv[1:] or SIZES):
        subprocess.run([sys.executable, __file__, "one", str(photos)], check=True)


if __name__ == "__main__":
    main()
