"""The documents keep up with the code."""

import importlib
import re
from pathlib import Path

import pytest
import typer

from pipeline.cli import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TYPES = re.findall(
    r"^\| (\w+) \| ((?:targets|calib|capture|pipeline)/[\w/]+\.py) \|", DEVELOPERS, re.M
)


def commands() -> list[str]:
    group = typer.main.get_command(app)
    return sorted(group.commands)  # type: ignore[attr-defined]


def test_the_table_of_shared_types_was_found() -> None:
    assert len(TYPES) >= 15


@pytest.mark.parametrize(("name", "file"), TYPES)
def test_each_shared_type_lives_where_the_table_says(name: str, file: str) -> None:
    module = importlib.import_module(file.removesuffix(".py").replace("/", "."))
    assert getattr(module, name).__module__ == module.__name__


@pytest.mark.parametrize("command", commands())
def test_each_command_is_in_the_readme(command: str) -> None:
    assert f"datumshot {command}" in README


def test_the_readme_names_no_command_that_does_not_exist() -> None:
    named = set(re.findall(r"datumshot ([a-z]+)[ `\n]", README))
    prose = {"tells", "is", "copies"}
    assert named - prose <= set(commands())


def test_every_dependency_has_its_reason() -> None:
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = project[project.index("dependencies = [") : project.index("[project.optional")]
    for package in re.findall(r'"([a-z0-9-]+)>=', block):
        assert package in DEVELOPERS


def test_pictures_of_the_readme_exist() -> None:
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / picture).is_file()
