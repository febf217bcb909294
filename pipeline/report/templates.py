"""The templates of all pages, and what every page gets: style, words of its language, footer."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from pipeline.language import Language
from pipeline.report.words import BEFORE_WORK, COMPLEMENT, LOOKS
from pipeline.results.provenance import version

BEFORE_AFTER_BEGINS = "<!-- before and after -->"
BEFORE_AFTER_ENDS = "<!-- end of before and after -->"
"""The place in the report page that ``before_after`` fills. What people typed is escaped, so no
title can be taken for it."""


def templates(language: Language) -> Any:
    """The environment for pages in a language, everything escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    here = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(here),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.policies["ext.i18n.trimmed"] = True
    environment.install_gettext_callables(  # type: ignore[attr-defined]
        language.word, language.words, newstyle=True
    )
    environment.globals.update(
        language=language,
        looks=LOOKS,
        before_work=BEFORE_WORK,
        complement=COMPLEMENT,
        css=Markup((here / "page.css").read_text(encoding="utf-8")),
        before_after_place=Markup(f"{BEFORE_AFTER_BEGINS}\n{BEFORE_AFTER_ENDS}"),
        version=version(),
        written=datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M"),
    )
    return environment
