"""The templates of all pages, and what every page gets: style, words of its language, footer."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from pipeline.language import Language, language_of
from pipeline.report.words import BEFORE_WORK, COMPLEMENT, LOOKS
from pipeline.tables import version


def templates(told_in: Language | None = None) -> Any:
    """The environment, everything escaped.

    Parameters
    ----------
    told_in : language of the page; pages that stand beside the report are in English only.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    language = told_in or language_of("en")
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
        version=version(),
        written=datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M"),
    )
    return environment
