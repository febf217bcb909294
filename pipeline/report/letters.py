"""Letters for paper: fonts that go into the PDF, and texts in the order in which they are drawn.

DejaVu Sans, which comes with matplotlib, has Latin, Greek, Cyrillic and Arabic letters and the
signs of this project. Other signs (Chinese, say) are taken from a font of this computer, of which
only those signs are embedded. What no font has is drawn as an empty square and told.
"""

from __future__ import annotations

import io
import os
import re
import sys
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"
NO_SIGN = "\u25a1"
"""Drawn for what no font has."""

_RIGHT_TO_LEFT = re.compile(r"[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff]")
_NO_EMBEDDING = 0x0002
"""fsType of a font whose maker forbids embedding (OpenType, table OS/2)."""


@dataclass(frozen=True)
class Letters:
    """Registered fonts for a set of texts.

    Attributes
    ----------
    known : code points of DejaVu Sans.
    font_of : code point to the name of the font that stands in for it.
    missing : signs that no font of this computer has.
    """

    known: frozenset[int]
    font_of: dict[int, str]
    missing: tuple[str, ...]

    def runs(self, text: str, bold: bool = False, own_way: bool = False) -> list[tuple[str, str]]:
        """The text from left to right as (font, part); ``own_way`` as in ``visual``."""
        runs: list[tuple[str, str]] = []
        for sign in visual(text, own_way):
            font = BOLD if bold else REGULAR
            if ord(sign) not in self.known:
                other = self.font_of.get(ord(sign))
                font, sign = (other, sign) if other else (font, NO_SIGN)
            if runs and runs[-1][0] == font:
                runs[-1] = (font, runs[-1][1] + sign)
            else:
                runs.append((font, sign))
        return runs

    def markup(self, text: str, bold: bool = False, own_way: bool = False) -> str:
        """The text for a paragraph of reportlab, everything in it escaped."""
        from xml.sax.saxutils import escape

        return "".join(
            f'<font name="{font}">{escape(part)}</font>'
            for font, part in self.runs(text, bold, own_way)
        )

    def width(self, text: str, size: float, bold: bool = False) -> float:
        """Width in the unit of ``size``."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(sum(stringWidth(part, font, size) for font, part in self.runs(text, bold)))

    def lines(self, text: str, size: float, most: float, bold: bool = False) -> list[str]:
        """The text broken into lines of at most ``most`` in the unit of ``size``.

        It is broken before its order is turned: the first words stand on the first line, whichever
        way they run.
        """
        lines: list[str] = []
        for word in text.split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.width(longer, size, bold) <= most:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines


def starts_right(text: str) -> bool:
    """Whether a text is written from right to left: its first letter decides (UAX 9, P2)."""
    ways = (unicodedata.bidirectional(sign) for sign in text)
    return next((way != "L" for way in ways if way in ("L", "R", "AL")), False)


def letters_for(texts: Iterable[str], folders: Iterable[Path] | None = None) -> Letters:
    """Register the fonts with reportlab that these texts need.

    Parameters
    ----------
    folders : where fonts of this computer are looked for; by default where its system keeps them.
    """
    import matplotlib
    from fontTools.ttLib import TTFont as Tables
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    here = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (REGULAR, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(here / f"{name}.ttf")))
    with Tables(here / f"{BOLD}.ttf", lazy=True) as bold, Tables(here / f"{REGULAR}.ttf") as plain:
        known = frozenset(bold.getBestCmap()) & frozenset(plain.getBestCmap())
    wanted = {ord(sign) for text in texts for sign in visual(text)} - known
    font_of: dict[int, str] = {}
    if wanted:
        for path in _by_use(wanted, folders or system_folders()):
            found = _register(path, wanted - set(font_of))
            font_of |= found
            if wanted <= set(font_of):
                break
    missing = tuple(chr(code) for code in sorted(wanted - set(font_of)))
    return Letters(known, font_of, missing)


def visual(text: str, own_way: bool = False) -> str:
    """The text on one line in the order in which it is drawn, Arabic letters joined.

    It runs from left to right, as the English around it, with its right-to-left words turned; with
    ``own_way`` its first letter decides.

    The order is that of the Unicode bidirectional algorithm (UAX 9, by python-bidi), the joined
    forms are those of Unicode's Arabic presentation forms (by arabic-reshaper).
    """
    line = re.sub(r"\s+", " ", text).strip()
    line = "".join(s for s in line if unicodedata.category(s) not in ("Cc", "Cs", "Co", "Cn"))
    if not _RIGHT_TO_LEFT.search(line):
        return line
    from arabic_reshaper import ArabicReshaper
    from bidi import get_display

    joined = ArabicReshaper({"delete_harakat": False}).reshape(line)
    # Marks of direction have done their work and have no picture.
    return re.sub(
        "[\u200e\u200f\u202a-\u202e\u2066-\u2069]",
        "",
        str(get_display(joined, base_dir=None if own_way else "L")),
    )


def system_folders() -> list[Path]:
    """Where this computer keeps its fonts."""
    home = Path.home()
    if sys.platform == "win32":
        return [
            Path(os.environ.get("WINDIR", "C:/Windows")) / "Fonts",
            home / "AppData/Local/Microsoft/Windows/Fonts",
        ]
    if sys.platform == "darwin":
        return [Path("/System/Library/Fonts"), Path("/Library/Fonts"), home / "Library/Fonts"]
    return [
        Path("/usr/share/fonts"),
        Path("/usr/local/share/fonts"),
        home / ".local/share/fonts",
        home / ".fonts",
    ]


def _by_use(wanted: set[int], folders: Iterable[Path]) -> list[Path]:
    """Font files that have some of the wanted signs, those with most of them first.

    Among equals a plain one of usual weight leads.
    """
    ranked = []
    for path in _font_files(folders):
        try:
            with _opened(path) as tables:
                usable = "glyf" in tables or "CFF " in tables
                about = tables["OS/2"]
                count = len(wanted & tables.getBestCmap().keys()) if usable else 0
                if count and not about.fsType & _NO_EMBEDDING:
                    serif = "serif" in path.stem.lower() or "mono" in path.stem.lower()
                    off = abs(int(about.usWeightClass) - 400)
                    ranked.append((-count, serif, off, str(path)))
        except Exception:
            continue  # a damaged font is as good as none; fontTools raises anything
    return [Path(path) for *_, path in sorted(ranked)]


def _font_files(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            if path.suffix.lower() in (".ttf", ".otf", ".ttc", ".otc"):
                yield path


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The tables of the first font in a file, read as they are asked for."""
    from fontTools.ttLib import TTFont as Tables

    # fontTools leaves the file open when it is no font.
    with path.open("rb") as stream:
        yield Tables(stream, fontNumber=0, lazy=True)


def _register(path: Path, wanted: set[int]) -> dict[int, str]:
    """Embed the wanted signs of a font; code point to the name it was registered under."""
    from fontTools.subset import Options, Subsetter
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    small = io.BytesIO()
    with _opened(path) as tables:
        here = wanted & tables.getBestCmap().keys()
        if not here:
            return {}
        options = Options(layout_features=[], notdef_outline=True, name_IDs=["*"], hinting=False)
        subsetter = Subsetter(options)
        subsetter.populate(unicodes=here)
        subsetter.subset(tables)
        if "glyf" not in tables:
            _to_truetype(tables)
        tables.save(small)
    small.seek(0)
    name = f"{path.stem}-{len(pdfmetrics.getRegisteredFontNames())}"
    try:
        pdfmetrics.registerFont(TTFont(name, small))
    except TTFError:
        return {}
    return dict.fromkeys(here, name)


def _to_truetype(tables: Any) -> None:
    """Replace cubic outlines (CFF) by quadratic ones within a thousandth of the letter's height.

    reportlab embeds TrueType outlines only. The steps are those of fontTools' own documentation of
    cu2qu (from memory).
    """
    from fontTools.pens.cu2quPen import Cu2QuPen
    from fontTools.pens.ttGlyphPen import TTGlyphPen
    from fontTools.ttLib import newTable

    most = tables["head"].unitsPerEm / 1000.0
    drawn = tables.getGlyphSet()
    order = tables.getGlyphOrder()
    outlines = {}
    for name in order:
        pen = TTGlyphPen(drawn)
        drawn[name].draw(Cu2QuPen(pen, most, reverse_direction=True))
        outlines[name] = pen.glyph()
    tables["loca"] = newTable("loca")
    tables["glyf"] = glyf = newTable("glyf")
    glyf.glyphOrder, glyf.glyphs = order, outlines
    profile = tables["maxp"]
    profile.tableVersion = 0x00010000
    for key in (
        *("maxZones", "maxTwilightPoints", "maxStorage", "maxFunctionDefs", "maxInstructionDefs"),
        *("maxStackElements", "maxSizeOfInstructions", "maxComponentElements"),
    ):
        setattr(profile, key, 0)
    profile.maxZones = 1
    tables["post"].formatType = 3.0
    for name in ("CFF ", "VORG"):
        if name in tables:
            del tables[name]
    tables.sfntVersion = "\000\001\000\000"
