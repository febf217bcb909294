"""The SHA-256 of a file, by which inputs and results are told apart."""

import hashlib
from pathlib import Path


def sha256_of(path: Path) -> str:
    """In hexadecimal digits.

    Raises
    ------
    OSError : the file cannot be read.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_if_readable(path: Path) -> str | None:
    """``sha256_of`` a file, None where it cannot be read."""
    try:
        return sha256_of(path)
    except OSError:
        return None
