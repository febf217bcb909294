"""Templates of the pages that stand beside the report, which are in English only."""

from __future__ import annotations

from pathlib import Path
from typing import Any


def plain_templates() -> tuple[Any, Any]:
    """The environment, everything escaped, and the style sheet of all pages."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    here = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(here),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],  # sections that the report has, too, are translated there
    )
    environment.policies["ext.i18n.trimmed"] = True
    environment.install_null_translations(newstyle=True)  # type: ignore[attr-defined]
    return environment, Markup((here / "page.css").read_text(encoding="utf-8"))
