"""The text of a small file that a person typed or a spreadsheet program saved."""

import stat
from pathlib import Path

from targets.errors import UserError, system_reason
from targets.said import say

LARGEST_BYTES = 500_000
"""No settings and no table of a job come near to it."""


def read_typed(
    path: Path,
    where: str,
    kind: str = say("this file"),
    missing: str = say("check that it is there"),
    not_utf8: str = say("save it as UTF-8"),
) -> str:
    """UTF-8 text, line ends as they are; the mark that some editors put before it is dropped.

    Parameters
    ----------
    where : how messages name the file.
    kind : what they call it.
    missing : what to do when it cannot be read.
    not_utf8 : what to do when it is not UTF-8.

    Raises
    ------
    UserError : it cannot be read, is no ordinary file (a pipe would wait for ever, a device never
        end), is far too large, or is not UTF-8.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise UserError("this is a folder, not a file", where, "check its name")
        if not stat.S_ISREG(status.st_mode):
            raise UserError("this is no ordinary file", where, "put the file itself there")
        if status.st_size > LARGEST_BYTES:
            raise UserError(
                say("{size:.0f} MB are too much for such a file", size=status.st_size / 1e6),
                where,
                "check that it is the right one",
            )
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserError("this is not UTF-8 text", where, not_utf8) from error
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = system_reason(error) if isinstance(error, OSError) else str(error)
        raise UserError(
            say("cannot read {kind} ({reason})", kind=kind, reason=reason), where, missing
        ) from error
