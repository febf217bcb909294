"""What went wrong or is doubtful, in plain words, with the remedy."""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning", "fault"]
"""note: good to know. warning: a figure may be worse than it looks. fault: something is missing."""


@dataclass(frozen=True)
class Finding:
    """One thing the technician should know.

    Attributes
    ----------
    code : short stable name of our own, such as ``photo-unreadable``.
    severity : see ``Severity``.
    subject : the card, photo, bar or point concerned ("card 12", "IMG_0003.jpg"), or "".
    text : what was seen, with figures, in one sentence.
    remedy : what to do about it, in one sentence ("" when nothing needs doing).
    """

    code: str
    severity: Severity
    subject: str
    text: str
    remedy: str = ""
