"""The catalogues of other languages, kept up with the code: ``python -m pipeline.catalogue``.

It finds every sentence that can be told in another language, brings ``languages/CODE.po`` up to
date (new sentences come in empty, those that are gone go), compiles it to ``.mo`` and lists what
has no translation yet. Babel is needed for this alone.
"""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.datum.budget import DECISION_RULE, SOURCES
from pipeline.datum.symmetry import CANNOT
from pipeline.findings import CATALOGUE
from pipeline.language import LANGUAGES
from pipeline.repair.correction import CAUTIONS
from pipeline.shoot.safety import packaged_lines

_HERE = Path(__file__).parent
_JINJA_KEYWORDS = ["_", "gettext", "ngettext"]

PACKAGES = ("targets", "calib", "capture", "pipeline")
"""All that has words for people."""

TELLERS = {"UserError": (0, 2), "wrong": (1, 2), "progress": (0,)}
"""Which arguments of a call are sentences of the program, without ``say`` where they are fixed."""

Message = str | tuple[str, str]
"""A pattern, or its singular and plural."""


def messages() -> dict[Message, set[str]]:
    """All that can be translated, and the files it stands in."""
    found: dict[Message, set[str]] = {}
    for message, file in (*_of_code(), *_of_templates(), *_of_tables()):
        found.setdefault(message, set()).add(file)
    return found


def sources() -> list[Path]:
    """All files of the program."""
    return [path for package in PACKAGES for path in sorted((_HERE.parent / package).rglob("*.py"))]


def _named(path: Path) -> str:
    """How a catalogue names a file: those of the pipeline without its name."""
    return path.relative_to(_HERE if path.is_relative_to(_HERE) else _HERE.parent).as_posix()


def chosen_from(*parts: ast.expr) -> Iterator[ast.expr]:
    """What an argument may be: each branch of a choice."""
    for part in parts:
        if isinstance(part, ast.IfExp):
            yield from chosen_from(part.body, part.orelse)
        elif isinstance(part, ast.BoolOp):
            yield from chosen_from(*part.values)
        else:
            yield part


def _of_code() -> Iterator[tuple[Message, str]]:
    # Babel's own reader of Python loses calls inside the arguments of other calls. A clock's
    # ``stop`` names a stage of the work.
    for path in sources():
        here = _named(path)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            texts = [
                part.value
                for part in node.args
                if isinstance(part, ast.Constant) and isinstance(part.value, str)
            ]
            if name in ("say", "stop") and len(texts) == 1:
                yield texts[0], here
            elif name in TELLERS:
                for place in TELLERS[name]:
                    for part in chosen_from(*node.args[place : place + 1]):
                        if isinstance(part, ast.Constant) and part.value:
                            yield str(part.value), here
            elif name == "Finding":  # code and severity come first and are no words for people
                yield from ((text, here) for text in texts if " " in text)
                # What it is about, if that is a word and no file's name.
                about = node.args[2] if len(node.args) > 2 else None
                if isinstance(about, ast.Constant) and re.fullmatch(r"\w+", str(about.value)):
                    yield str(about.value), here
            elif name == "say_count" and len(texts) == 2:
                yield (texts[0], texts[1]), here


def _of_templates() -> Iterator[tuple[Message, str]]:
    from jinja2.ext import babel_extract

    options = {"trimmed": "true", "trim_blocks": "true", "lstrip_blocks": "true"}
    for path in sorted(_HERE.rglob("*.html")):
        with path.open("rb") as file:
            for _, function, message, _ in babel_extract(file, _JINJA_KEYWORDS, [], options):
                parts = [message] if isinstance(message, str) else [str(m) for m in message or ()]
                if not parts or parts == ["None"]:
                    continue  # a word out of a variable
                found: Message = (parts[0], parts[1]) if function == "ngettext" else str(parts[0])
                yield found, path.relative_to(_HERE).as_posix()


def _of_tables() -> Iterator[tuple[Message, str]]:
    """Sentences that code takes from a table by name."""
    for text in (*SOURCES.values(), DECISION_RULE):
        yield text, "budget.py"
    for text in CAUTIONS:
        yield text, "correction.py"
    yield CANNOT, "symmetry.py"
    for line in packaged_lines():
        yield line, "safety.txt"
    for kind in CATALOGUE.values():
        if kind.effect:
            yield kind.effect, "findings.py"


def read_catalogue(code: str) -> Any:
    """The catalogue of a language (``babel.messages.Catalog``), empty where there is none."""
    from babel.messages.catalog import Catalog
    from babel.messages.pofile import read_po

    path = _HERE / "languages" / f"{code}.po"
    if not path.is_file():
        return Catalog(locale=code)
    with path.open("rb") as file:
        return read_po(file, locale=code)


def updated(code: str) -> Any:
    """A catalogue with just the messages that there are now, and the translations known so far."""
    from babel.messages.catalog import Catalog

    old = read_catalogue(code)
    new = Catalog(locale=code, project="datumshot", creation_date=old.creation_date, fuzzy=False)
    new.revision_date = old.revision_date
    for message, files in sorted(
        messages().items(), key=lambda item: (sorted(item[1]), str(item[0]))
    ):
        known = old.get(message if isinstance(message, str) else message[0])
        empty = "" if isinstance(message, str) else ("", "")
        same_kind = known is not None and isinstance(known.string, str) == isinstance(message, str)
        new.add(
            message,
            known.string if known is not None and same_kind else empty,
            locations=[(file, 0) for file in sorted(files)],
        )
    return new


def po_text(catalogue: Any) -> bytes:
    """A catalogue as a .po file."""
    from babel.messages.pofile import write_po

    file = io.BytesIO()
    write_po(file, catalogue, width=100, include_lineno=False)
    return file.getvalue()


def mo_bytes(catalogue: Any) -> bytes:
    """A catalogue as a .mo file; what has no translation is left out, and so stays English."""
    from babel.messages.mofile import write_mo

    file = io.BytesIO()
    write_mo(file, catalogue)
    return file.getvalue()


def untranslated(code: str) -> list[tuple[str, str]]:
    """Patterns that a language has no words for, and the first file each stands in."""
    catalogue = read_catalogue(code)
    missing = []
    for message, files in messages().items():
        key = message if isinstance(message, str) else message[0]
        entry = catalogue.get(key)
        if entry is None or not any(entry.string):
            missing.append((key, min(files)))
    return sorted(missing, key=lambda item: (item[1], item[0]))


def main() -> None:
    for code in LANGUAGES:
        if code == "en":
            continue
        catalogue = updated(code)
        folder = _HERE / "languages"
        (folder / f"{code}.po").write_bytes(po_text(catalogue))
        (folder / f"{code}.mo").write_bytes(mo_bytes(catalogue))
        for text, file in untranslated(code):
            print(f"{code}: {file}: {text}")


if __name__ == "__main__":
    main()
