"""The results folder of a job: replaced as a whole, by one run at a time.

Files of two runs side by side would show figures that no photo gave. So a run writes its files into
a hidden folder beside ``results``, and the two change places in one step when all is written. A run
that stops before leaves the former results with a note that says so.
"""

from __future__ import annotations

import ctypes
import datetime
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from targets.atomic import write_text
from targets.errors import UserError, system_reason
from targets.said import changed, listed, say
from targets.sums import sha256_of

RESULTS = "results"
SUMS = "SHA256SUMS"
"""Sums of all other result files, as ``sha256sum -c`` of the GNU core utilities reads them."""
NOTE = "OUT-OF-DATE.txt"
"""Stands among results of a former run whenever a later one has not finished."""

EARLIER = "earlier"
"""Where files go that others put among former results: a page saved as PDF, a tape check."""

_OWN = frozenset({"points.csv", "cards.csv", "result.json", "report.html", SUMS, NOTE})
"""Files that the next run makes anew."""
_BESIDE = ".results-"
_BEFORE = ".results-before"
"""Where the former results are for a moment on file systems that cannot exchange two folders."""
_LOCK = ".lock"


@contextmanager
def only_run(folder: Path) -> Iterator[None]:
    """Hold the job's lock: two runs at once would each sweep away what the other writes.

    The lock is the operating system's, so that of a run that was killed is gone with it.

    Raises
    ------
    UserError : another run holds it, or the folder cannot be written to.
    """
    import filelock

    lock = filelock.FileLock(folder / _LOCK, timeout=0)
    try:
        lock.acquire()
    except filelock.Timeout as error:
        raise UserError(
            "another run of datumshot is at work on this job",
            str(folder),
            "wait until it is done",
        ) from error
    except NotImplementedError:  # a file system without locks: better unlocked than not at all
        yield
        return
    except OSError as error:
        raise UserError(
            say("cannot write here ({reason})", reason=system_reason(error)),
            str(folder),
            "check space and permissions",
        ) from error
    try:
        yield
    finally:
        lock.release()


@contextmanager
def new_results(folder: Path) -> Iterator[Path]:
    """Yield an empty folder for the results of a job; when all goes well it replaces ``results``.

    Meanwhile, and if it does not go well, the former results carry a note that they are out of
    date. Leftovers of a run that was killed are cleared away first. Hold ``only_run`` around it.

    Raises
    ------
    UserError : as the body raises it, with word of the former results if there are any; or the
        folder cannot be written to.
    """
    # It may be a link to another disk; one that leads to itself makes Path.resolve fail.
    place = Path(os.path.realpath(folder / RESULTS))
    if place.exists() and not place.is_dir():
        raise UserError(
            "there is a file where the results folder should be", str(place), "move it away"
        )
    beside = None
    try:
        _recover(place)
        _note(place, f"A run that began on {_now()} has not finished.")
        beside = Path(tempfile.mkdtemp(dir=place.parent, prefix=_BESIDE))
        yield beside
        former = _publish(beside, place)
        beside = None
        if former is not None:
            _retire(former, place)
    except OSError as error:
        told = UserError(
            say("cannot write the results ({reason})", reason=system_reason(error)),
            str(folder / RESULTS),
            "check space and permissions, and close programs that show them",
        )
        raise _with_former(told, place, folder) from error
    except UserError as error:
        there = str(beside)
        where = changed(error.where, lambda text: text.replace(there, str(folder / RESULTS)))
        raise _with_former(UserError(error.what, where, error.remedy), place, folder) from error
    finally:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)


def others(folder: Path) -> list[str]:
    """Names of what others put among the results of a job, which its next run moves away."""
    results = folder / RESULTS
    return sorted(path.name for path in _not_ours(results)) if results.is_dir() else []


def _not_ours(results: Path) -> list[Path]:
    return [path for path in results.iterdir() if path.name not in {*_OWN, EARLIER}]


def sums_text(folder: Path) -> str:
    """SHA-256 of every file in ``folder`` but the sums themselves, in order of name."""
    lines = []
    for file in sorted(folder.iterdir()):
        if file.name not in (SUMS, NOTE) and file.is_file():
            lines.append(f"{sha256_of(file)}  {file.name}\n")
    return "".join(lines)


def rewrite(results: Path, name: str, text: str) -> bool:
    """Write a file of the results anew, with its sum; hold ``only_run`` around it.

    Returns
    -------
    Whether it was done: a file that is not what its sum says is left alone.

    Raises
    ------
    UserError : the folder cannot be written to.
    """
    path, sums = results / name, results / SUMS
    try:
        line = f"{sha256_of(path)}  {name}\n"
        listed = sums.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return False
    if line not in listed:
        return False
    write_text(path, text)
    write_text(sums, listed.replace(line, f"{sha256_of(path)}  {name}\n"))
    return True


def _publish(beside: Path, place: Path) -> Path | None:
    """Let the new folder take the place of the former one; where that is now, None without one."""
    (beside / SUMS).write_text(sums_text(beside), encoding="utf-8")
    for file in beside.iterdir():
        # Else a power cut soon after could leave empty files under the right names.
        with file.open("rb+") as stream:
            os.fsync(stream.fileno())
    mask = os.umask(0)
    os.umask(mask)
    beside.chmod(0o777 & ~mask)  # mkdtemp makes private folders
    if not place.exists():
        beside.rename(place)
        return None
    if _exchange(beside, place):
        return beside
    before = place.with_name(_BEFORE)
    place.rename(before)
    beside.rename(place)
    return before


def _recover(place: Path) -> None:
    """Clear away what a killed run left. A folder with the note is one of former results."""
    before = place.with_name(_BEFORE)
    if before.is_dir() and not place.exists():
        before.rename(place)
    for left in place.parent.glob(f"{_BESIDE}*"):
        if (left / NOTE).exists():
            _retire(left, place)
        else:
            shutil.rmtree(left, ignore_errors=True)


def _retire(former: Path, place: Path) -> None:
    """Remove a folder of former results; files in it that are not ours go to ``EARLIER``."""
    before = list((former / EARLIER).iterdir()) if (former / EARLIER).is_dir() else []
    for path in [*before, *_not_ours(former)]:  # of two with one name the later stays
        kept = place / EARLIER / path.name
        kept.parent.mkdir(exist_ok=True)
        if kept.is_dir() and not kept.is_symlink():
            shutil.rmtree(kept)
        path.replace(kept)
    shutil.rmtree(former)


def _note(place: Path, sentence: str) -> None:
    """Say among former results that they are not those of the last run."""
    if place.is_dir() and any(place.iterdir()):
        text = f"{sentence} All files here are from a run before it; solve again.\n"
        # Not beside and renamed: a kill must leave no strange file, and the name alone says it.
        (place / NOTE).write_text(text, encoding="utf-8")


def _with_former(error: UserError, place: Path, folder: Path) -> UserError:
    """The error, with word of the former results where there are any."""
    # Path.exists would raise where the folder may not be looked into.
    if not os.path.exists(place / "result.json"):
        return error
    with suppress(OSError):  # a full disk; the note of the beginning may be there
        _note(place, f"A run on {_now()} stopped: {_without(str(error), folder)}")
    former = say("{results} is still that of an earlier run", results=folder / RESULTS)
    remedy = listed([error.remedy, former], "; ") if error.remedy else former
    return UserError(error.what, error.where, remedy)


def _without(sentence: str, folder: Path) -> str:
    """The sentence without the folders above the job, which may tell who the customer is."""
    for whole in (str(folder.resolve()), str(folder)):
        if whole != ".":
            sentence = sentence.replace(whole, folder.resolve().name)
    return sentence


def _now() -> str:
    return datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; False where the system or its disk cannot.

    Linux: renameat2 with RENAME_EXCHANGE (2), rename(2); macOS: renamex_np with RENAME_SWAP (2).
    """
    names = os.fsencode(one), os.fsencode(other)
    with suppress(OSError, AttributeError, TypeError):  # no such library, or no such function
        system = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "linux":
            here = -100  # AT_FDCWD
            return int(system.renameat2(here, names[0], here, names[1], 2)) == 0
        if sys.platform == "darwin":
            return int(system.renamex_np(names[0], names[1], 2)) == 0
    return False
