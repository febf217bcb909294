"""A folder of photos watched: half-written, replaced and lost files, a folder that goes."""

import os
import shutil
import threading
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.inputs.job import read_job
from pipeline.inputs.new_job import new_job
from pipeline.shoot.look_words import answer_lines
from pipeline.shoot.watch import Answer, LiveShoot, watch
from tests.card_images import camera_of, draw_cards, facing


@pytest.fixture(scope="module")
def pictures() -> list[bytes]:
    """Three JPEGs of five cards from three places."""
    camera = camera_of(720, 560, 640.0)
    coded = []
    for n, turn in enumerate((0.0, 0.4, -0.3)):
        cards = {
            card: facing(x + 20.0 * n, y, 700.0 + 30.0 * n, 0.3 * n, turn)
            for card, (x, y) in enumerate(
                [(-180.0, -120.0), (150.0, -110.0), (-20.0, 0.0), (-170.0, 130.0), (170.0, 120.0)]
            )
        }
        picture = draw_cards(camera, cards, np.random.default_rng(n))
        ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 95])
        assert ok
        coded.append(data.tobytes())
    return coded


@pytest.fixture
def live(tmp_path: Path) -> LiveShoot:
    new_job(tmp_path / "job")
    return LiveShoot(read_job(tmp_path / "job"), 0.5, None, "two-post")


def put(path: Path, data: bytes, age_s: float = 2.0) -> None:
    """A file that was last changed some seconds ago."""
    path.write_bytes(data)
    then = time.time() - age_s
    os.utime(path, (then, then))


def looked(answer: Answer | None) -> Answer:
    assert answer is not None
    assert answer.looked is not None
    return answer


def test_photos_come_change_and_go(live: LiveShoot, pictures: list[bytes]) -> None:
    folder = live.folder
    began = time.time()
    assert live.update() is None
    put(folder / "a.jpg", pictures[0], age_s=3600.0)  # a copy that kept the time of the photo
    first = looked(live.update())
    assert 0.0 < first.seconds <= time.time() - began
    assert first.new == ("a.jpg",)
    assert first.looked is not None
    assert first.looked.cards == dict.fromkeys(range(5), 1)
    assert live.update() is None  # nothing new, nothing said

    put(folder / "b.jpg", pictures[1])
    put(folder / "notes.txt", b"not a photo")
    second = looked(live.update())
    assert second.new == ("b.jpg",)
    assert second.looked is not None
    assert second.looked.cards == dict.fromkeys(range(5), 2)

    put(folder / "b.jpg", pictures[2], age_s=1.5)  # replaced under the same name
    assert looked(live.update()).new == ("b.jpg",)
    (folder / "a.jpg").unlink()
    gone = looked(live.update())
    assert gone.gone == ("a.jpg",)
    assert gone.looked is not None
    assert gone.looked.photos == 1


def test_a_file_that_is_still_written_is_waited_for(live: LiveShoot, pictures: list[bytes]) -> None:
    path = live.folder / "a.jpg"
    put(path, pictures[0][: len(pictures[0]) // 3], age_s=0.0)
    assert live.update() is None  # it has only just changed
    put(path, pictures[0][: len(pictures[0]) // 2], age_s=1.0)
    half = looked(live.update())
    assert half.looked is not None
    assert "a.jpg" in half.looked.unreadable or half.looked.photos == 1
    put(path, pictures[0], age_s=0.5)
    whole = looked(live.update())
    assert whole.looked is not None
    assert whole.looked.unreadable == {}
    assert whole.looked.cards == dict.fromkeys(range(5), 1)


def test_the_folder_goes_and_comes_back(live: LiveShoot, pictures: list[bytes]) -> None:
    put(live.folder / "a.jpg", pictures[0])
    looked(live.update())
    shutil.rmtree(live.folder)
    answer = live.update()
    assert answer is not None
    assert answer.absent
    assert "waiting" in answer_lines(answer)[0]
    assert live.update() is None
    live.folder.mkdir()
    put(live.folder / "a.jpg", pictures[0])
    assert looked(live.update()).new == ("a.jpg",)


def test_a_photo_that_drops_in_is_answered(live: LiveShoot, pictures: list[bytes]) -> None:
    """The whole loop, with the real watcher of this system."""
    answers: list[Answer] = []
    done = threading.Event()
    thread = threading.Thread(target=watch, args=(live, answers.append, done.is_set))
    thread.start()
    try:
        (live.folder / "a.jpg").write_bytes(pictures[0])
        until = time.monotonic() + 20.0
        while not answers and time.monotonic() < until:
            time.sleep(0.05)
    finally:
        done.set()
        thread.join(10.0)
    assert not thread.is_alive()
    assert answers
    assert answers[0].new == ("a.jpg",)
