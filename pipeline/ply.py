"""The ASCII form of PLY (1.0): a header that names the properties of a vertex, then a row each."""

from __future__ import annotations

from collections.abc import Sequence

PLACE = ("double", ("x", "y", "z", "nx", "ny", "nz"))
"""Type and names of the properties that every viewer takes for place and normal."""
COLOUR = ("red", "green", "blue")


def ply_document(
    comments: Sequence[str],
    properties: Sequence[tuple[str, Sequence[str]]],
    rows: Sequence[str],
) -> str:
    """The file.

    Parameters
    ----------
    properties : type and names, in the order of the values in a row.
    rows : values of a vertex each, apart by blanks.
    """
    header = [
        "ply",
        "format ascii 1.0",
        *(f"comment {line}" for line in ("datumshot; millimetres", *comments)),
        f"element vertex {len(rows)}",
        *(f"property {kind} {name}" for kind, names in properties for name in names),
        "end_header",
    ]
    return "\n".join([*header, *rows]) + "\n"


def numbered(kinds: Sequence[str]) -> str:
    """What the numbers of a property stand for.

    >>> numbered(("hole", "card"))
    '0 hole, 1 card'
    """
    return ", ".join(f"{i} {kind}" for i, kind in enumerate(kinds))
