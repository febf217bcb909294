"""The command line in the tests' own process."""

from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from pipeline.cli import app


def run(*arguments: str | Path) -> Any:
    """A command; ``exit_code``, ``stdout`` and ``stderr`` of what became of it."""
    return CliRunner().invoke(app, [str(one) for one in arguments], prog_name="datumshot")


def refused(*arguments: str | Path) -> str:
    """The sentence of a command that must refuse: one line, nothing else, exit code 2."""
    outcome = run(*arguments)
    assert outcome.exit_code == 2
    assert outcome.stdout == ""
    assert outcome.stderr.count("\n") == 1
    return str(outcome.stderr)
