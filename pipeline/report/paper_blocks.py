"""What the report on paper is made of, and the blocks that its sections are set from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.language import Language
from pipeline.report import drawing, words
from pipeline.report.letters import REGULAR, Letters
from pipeline.sessions.measured import Measured
from targets.said import say

AXES_AND_U = tuple(say("{axis} ± U", axis=axis) for axis in words.AXIS_WORDS)


@dataclass(frozen=True)
class Source:
    """What the report is made of: a result.json, typed and as it is, its SHA-256, and drawings.

    ``language`` is that of the report; ``moved`` is what ``before_after`` says, None without a
    comparison with an earlier session.
    """

    measured: Measured
    document: Mapping[str, Any]
    sha256: str
    views: tuple[drawing.Drawing, ...]
    language: Language
    moved: Mapping[str, Any] | None


@dataclass(frozen=True)
class Paper:
    """The source with its letters and the size of the text on a page, points."""

    source: Source
    letters: Letters
    width: float
    height: float

    @property
    def measured(self) -> Measured:
        """The typed result."""
        return self.source.measured

    @property
    def document(self) -> Mapping[str, Any]:
        """The result as it is."""
        return self.source.document

    @property
    def put(self) -> Callable[[str], str]:
        """Puts a text into the language of the report."""
        return self.source.language.put

    @property
    def word(self) -> Callable[[str], str]:
        """Puts a fixed word of the result into the language of the report."""
        return self.source.language.word

    def style(self, size: float = 9.0, **settings: Any) -> Any:
        from reportlab.lib.styles import ParagraphStyle

        return ParagraphStyle(
            "text",
            **{
                "fontName": REGULAR,
                "bulletFontName": REGULAR,  # any other would be named in the file, unembedded
                "fontSize": size,
                "leading": 1.35 * size,
                "textColor": drawing.INK,
                "spaceAfter": 3.0,
                "splitLongWords": 1,
                **settings,
            },
        )

    def text(self, text: str, size: float = 9.0, bold: bool = False, **settings: Any) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(self.letters.markup(self.put(text), bold), self.style(size, **settings))

    def pair(self, bold: str, plain: str, **settings: Any) -> Any:
        from reportlab.platypus import Paragraph

        markup = " ".join(
            (self.letters.markup(self.put(bold), True), self.letters.markup(self.put(plain)))
        )
        return Paragraph(markup, self.style(**settings))

    def heading(self, text: str) -> Any:
        return self.text(text, 11.5, True, spaceBefore=8.0, keepWithNext=1)

    def table(self, rows: list[list[Any]], shares: Sequence[float], **settings: Any) -> Any:
        """A table with a line under its head row, columns as wide as their shares."""
        from reportlab.platypus import Table, TableStyle

        whole = sum(shares)
        table = Table(
            rows,
            colWidths=[self.width * share / whole for share in shares],
            repeatRows=1,
            hAlign="LEFT",
            **settings,
        )
        table.setStyle(
            TableStyle(
                [
                    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 2),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                    ("TOPPADDING", (0, 0), (-1, -1), 1.2),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
                    ("LINEBELOW", (0, 0), (-1, 0), 0.8, drawing.INK),
                    ("LINEBELOW", (0, 1), (-1, -1), 0.3, drawing.GRID),
                ]
            )
        )
        return table

    def cell(self, text: str, bold: bool = False, right: bool = False, ink: str = "") -> Any:
        return self.text(
            text,
            7.5,
            bold,
            spaceAfter=0.0,
            leading=9.2,
            alignment=2 if right else 0,
            textColor=ink or drawing.INK,
        )

    def verdict(self, verdict: str) -> Any:
        look = next(look for name, look in words.LOOKS.items() if name == verdict)
        return self.cell(f"{look.mark} {self.word(verdict)}", ink=look.ink)


def with_U(value_mm: float | None, U_mm: float | None, decimals: int = 1) -> str:
    """A length with its uncertainty, mm."""
    if value_mm is None or U_mm is None:
        return "–"
    return say(
        "{value} ± {U}",
        value=words.signed(value_mm, decimals),
        U=words.uncertainty(U_mm, decimals),
    )


def some(names: Sequence[str], most: int = 5) -> str:
    """The first names of many, and how many there are more."""
    more, first = len(names) - most, ", ".join(names[:most])
    return say("{names} and {more} more", names=first, more=more) if more > 0 else first


def capital(text: str) -> str:
    """The text with a capital in front, the rest as it is."""
    return text[:1].upper() + text[1:]
