"""A shoot watched while photos drop into the folder: each new photo is judged at once.

The folder is watched by watchfiles, which sleeps in the kernel until something changes. A file
counts once it has stopped growing; what cannot be read yet is tried again while it is young, since
a phone or a camera may write it in pieces. The folder is also listed every few seconds, because
drives on a network tell nothing of what others write there.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from calib.photo import photo_paths
from capture.cache import SightingCache
from capture.photo_set import GreyPhotos, PhotoSeen, PhotoSet, see_photos
from pipeline.adjustment.network import NetworkFound
from pipeline.inputs.job import Job
from pipeline.shoot.look import Looked, look
from targets.errors import UserError
from targets.said import say

_SETTLED_S = 0.4
"""A file that has not changed for so long is taken for whole."""
_YOUNG_S = 20.0
"""So long after its last change a file that cannot be read is tried again."""
_WAKE_MS = 700
_LIST_EVERY_S = 5.0
_ABSENT_S = 1.0

Stamp = tuple[int, int]
"""Size and time of change of a file: another stamp is another photo."""


@dataclass(frozen=True)
class Answer:
    """What there is to say after photos came or went.

    Attributes
    ----------
    looked : the shoot so far, None while the folder is absent or holds no photo.
    new : names of the photos judged for the first time, or anew.
    gone : names of photos that went.
    waiting : names of files that are not whole yet.
    seconds : from the moment the first of the new ones was whole, or the folder was looked at
        before that, if later (copies may keep the time of the photo), to the answer.
    absent : whether the folder is not there.
    """

    looked: Looked | None
    new: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()
    seconds: float = 0.0
    absent: bool = False


@dataclass
class LiveShoot:
    """A shoot that grows: what is known of each file, and the network so far.

    ``update`` looks at the folder once and says what changed; it waits for nothing.
    """

    job: Job
    wanted_U_mm: float | None
    clearance_mm: float | None
    place: str
    cache: SightingCache | None = None
    _stamps: dict[Path, Stamp] = field(default_factory=dict)
    _seen: dict[Path, PhotoSeen | str] = field(default_factory=dict)
    _measured: dict[Path, Stamp] = field(default_factory=dict)
    _network: NetworkFound | None = None
    _absent: bool = False
    _looked_s: float | None = None

    @property
    def folder(self) -> Path:
        """Where the photos drop in."""
        return self.job.folder / "photos"

    def update(self) -> Answer | None:
        """What changed since the last time; None if nothing did."""
        now = time.time()
        before_s, self._looked_s = self._looked_s or now, now
        stamps = self._listed()
        if stamps is None:
            if self._absent:
                return None
            self._absent = True
            self._forget(list(self._seen))
            return Answer(None, absent=True)
        came_back, self._absent = self._absent, False
        before, self._stamps = self._stamps, stamps
        gone = [p for p in self._seen if p not in stamps]
        self._forget(gone)
        ready: list[Path] = []
        waiting: list[Path] = []
        for path, stamp in stamps.items():
            age_s = now - stamp[1] * 1e-9
            failed = isinstance(self._seen.get(path), str)
            if self._measured.get(path) == stamp and not (failed and 0.0 <= age_s < _YOUNG_S):
                continue
            # A clock that runs ahead gives a negative age: then two equal stamps must do.
            settled = age_s > _SETTLED_S or (age_s < 0.0 and before.get(path) == stamp)
            (ready if settled and stamp[0] else waiting).append(path)
        again = [p for p in ready if self._measured.get(p) != stamps[p]]
        if not ready and not gone and not came_back:
            return None
        whole_since = min((stamps[p][1] * 1e-9 + _SETTLED_S for p in again), default=now)
        changed = self._measure(ready, stamps)
        if not changed and not gone and not came_back:
            return None
        if gone:
            self._network = None
        looked = self._judged()
        seconds = time.time() - max(whole_since, before_s)
        names = tuple(p.name for p in changed)
        return Answer(
            looked, names, tuple(p.name for p in gone), tuple(p.name for p in waiting), seconds
        )

    def _listed(self) -> dict[Path, Stamp] | None:
        """Stamps of the photos there are; None without the folder."""
        try:
            paths = photo_paths(self.folder)
        except UserError:
            return None
        stamps = {}
        for path in paths:
            try:
                status = path.stat()
            except OSError:
                continue  # it went between listing and looking
            stamps[path] = (status.st_size, status.st_mtime_ns)
        return stamps if stamps or self.folder.is_dir() else None

    def _measure(self, paths: list[Path], stamps: Mapping[Path, Stamp]) -> list[Path]:
        """Measure files; returns those whose outcome is new."""
        if not paths:
            return []
        found = see_photos(
            paths, GreyPhotos(0), lambda done, total: None, self.job.marks, self.cache
        )
        by_name = {p.name: p for p in found.photos}
        changed = []
        for path in paths:
            try:
                status = path.stat()
                same = (status.st_size, status.st_mtime_ns) == stamps[path]
            except OSError:
                same = False
            if not same:
                continue  # replaced while it was read: next time
            outcome = by_name.get(path.name) or found.unreadable.get(
                path.name, say("it cannot be read")
            )
            if self._measured.get(path) != stamps[path] or self._seen.get(path) != outcome:
                changed.append(path)
                if path in self._seen and isinstance(self._seen[path], PhotoSeen):
                    self._network = None  # of another photo with this name
            self._seen[path] = outcome
            self._measured[path] = stamps[path]
        return changed

    def _forget(self, paths: list[Path]) -> None:
        for path in paths:
            self._seen.pop(path, None)
            self._measured.pop(path, None)

    def _judged(self) -> Looked | None:
        photos = [self._seen[p] for p in sorted(self._seen)]
        seen = PhotoSet(
            tuple(p for p in photos if isinstance(p, PhotoSeen)),
            {p.name: why for p, why in sorted(self._seen.items()) if isinstance(why, str)},
        )
        if not photos:
            return None
        looked, self._network = look(
            self.job, seen, self.wanted_U_mm, self.clearance_mm, self._network, self.place
        )
        return looked


def watch(live: LiveShoot, show: Callable[[Answer], None], stop: Callable[[], bool]) -> None:
    """Show an answer whenever photos come or go, until ``stop`` says so.

    ``stop`` is asked about once a second and after each answer.
    """
    while not stop():
        answer = live.update()
        if answer:
            show(answer)
        if not live.folder.is_dir():
            time.sleep(_ABSENT_S)
            continue
        _watch_folder(live, show, stop)


def _watch_folder(
    live: LiveShoot, show: Callable[[Answer], None], stop: Callable[[], bool]
) -> None:
    """The same while the folder is there."""
    from watchfiles import watch as changes_of

    listed = time.monotonic()
    pending = True  # files that came before the watch began
    changes = changes_of(
        live.folder,
        watch_filter=None,
        debounce=200,
        step=50,
        rust_timeout=_WAKE_MS,
        yield_on_timeout=True,
        recursive=False,
        raise_interrupt=True,
    )
    try:
        for change in changes:
            if stop() or not live.folder.is_dir():
                return
            if change or pending or time.monotonic() - listed > _LIST_EVERY_S:
                listed = time.monotonic()
                answer = live.update()
                if answer:
                    show(answer)
                # What has just changed is not settled: look again at the next wake.
                pending = bool(change) or bool(answer)
    except (FileNotFoundError, RuntimeError):
        return  # the folder went while the watch began
