"""Write beside, then rename: a file is the old one or the new one, never half of either."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from targets.errors import UserError, system_reason
from targets.said import say


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside ``path``; on success it replaces ``path``, else it vanishes.

    Raises
    ------
    UserError : the folder is missing, full, or may not be written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=path.suffix)
        os.close(handle)
    except OSError as error:
        raise UserError(
            say("cannot write here ({reason})", reason=system_reason(error)),
            str(path),
            "choose another folder",
        ) from error
    beside = Path(name)
    try:
        yield beside
        # mkstemp makes private files; what a user asked for gets the ordinary permissions.
        mask = os.umask(0)
        os.umask(mask)
        beside.chmod(0o666 & ~mask)
        os.replace(beside, path)
    except OSError as error:
        raise UserError(
            say("cannot write this file ({reason})", reason=system_reason(error)),
            str(path),
            "check space and permissions",
        ) from error
    finally:
        beside.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with the line ends as given."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path`` whole or not at all."""
    with replacing(path) as beside:
        beside.write_bytes(data)
