"""The documents keep up with the code."""

import importlib
import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer

from calib import lens_file
from pipeline.cli import app
from pipeline.datum.budget import SOURCES
from pipeline.findings import CATALOGUE
from pipeline.inputs import bars_and_marks, job, sheet
from pipeline.inputs.readings import READING_COLUMNS, read_readings
from pipeline.results.tables import CARD_COLUMNS, POINT_COLUMNS
from pipeline.sessions.compare_tables import COMPARE_COLUMNS
from pipeline.sessions.tape import TAPE_COLUMNS
from pipeline.shoot.accept import LENGTH_COLUMNS, read_lengths

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TYPES = re.findall(
    r"^\| (\w+) \| ((?:targets|calib|capture|pipeline)/[\w/]+\.py) \|", DEVELOPERS, re.M
)


PAGES = {
    str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
    for path in [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
}
ENTRIES = {
    match[1]: match[2]
    for match in re.finditer(
        r"^## `datumshot (\w+)`\n(.*?)(?=^## |\Z)", PAGES["docs/commands.md"], re.M | re.S
    )
}
IN_A_BLOCK = r"^    (?:.*&& )?(datumshot \S.*)"
IN_A_SENTENCE = r"`(datumshot [a-z]+ [^`\n]+)`"
EXAMPLES = sorted(
    {
        (page, line)
        for page, text in PAGES.items()
        for pattern in (IN_A_BLOCK, IN_A_SENTENCE)
        for line in re.findall(pattern, text, re.M)
    }
)
"""Page and command line: lines of code blocks, and commands with arguments in a sentence."""

GROUP: Any = typer.main.get_command(app)


def commands() -> list[str]:
    return sorted(GROUP.commands)


def read_arguments(line: str) -> tuple[str, dict[str, Any]]:
    """A command line as the program's own reader of arguments takes it; nothing is run."""
    name, *arguments = shlex.split(line, comments=True)[1:]
    context = GROUP.commands[name].make_context(name, arguments)
    return name, context.params


def test_examples_were_found() -> None:
    assert len(EXAMPLES) >= 60


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


def test_the_page_of_commands_has_an_entry_for_each_and_no_other() -> None:
    assert sorted(ENTRIES) == commands()


OF_ALL = ("help", "language")
"""Options of every command, which the page of commands tells of once."""


def test_every_command_takes_a_language_and_the_page_says_so_once() -> None:
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert "`--language`" in text.split("\n## ", 1)[0]
    for command in commands():
        assert any("--language" in p.opts for p in GROUP.commands[command].params), command


@pytest.mark.parametrize("command", commands())
def test_an_entry_has_an_example_and_every_option(command: str) -> None:
    entry = ENTRIES[command]
    assert re.search(rf"^    datumshot {command}\b", entry, re.M)
    for parameter in GROUP.commands[command].params:
        if parameter.param_type_name == "option" and parameter.name not in OF_ALL:
            longest = max(parameter.opts, key=len)
            assert longest in entry, f"{longest} is not in the entry of {command}"
    known = {option for p in GROUP.commands[command].params for option in p.opts}
    for option in re.findall(r"`(--?[a-z][a-z-]*)`", entry):
        assert option in known | {"--help"}, f"{command} has no {option}"


@pytest.mark.parametrize(("page", "line"), EXAMPLES)
def test_examples_are_read_by_the_program_itself(page: str, line: str) -> None:
    name, values = read_arguments(line)
    assert name in commands()
    assert values


def test_an_example_with_a_slip_is_refused() -> None:
    for line in ("datumshot solve van --langauge de", "datumshot cards -o cards.pdf"):
        with pytest.raises(Exception, match=r"No such option|Missing (option|parameter)"):
            read_arguments(line)
    with pytest.raises(KeyError):
        read_arguments("datumshot sovle van")


def test_examples_of_the_help_are_read_by_the_program_itself() -> None:
    for name in commands():
        for line in re.findall(r"^ +(datumshot .*)", GROUP.commands[name].help, re.M):
            read_arguments(line)


def section(page: str, title: str) -> str:
    """Text below a heading of any level, up to the next one."""
    found = re.search(rf"^#+ {re.escape(title)}\n(.*?)(?=^#|\Z)", PAGES[page], re.M | re.S)
    assert found, f"{page} has no heading {title}"
    return found[1]


@pytest.mark.parametrize(
    ("title", "names"),
    [
        (
            "job.toml",
            {
                *job._KEYS,
                *bars_and_marks._BAR_KEYS,
                *bars_and_marks._MARKS_KEYS,
                *bars_and_marks._MARK_KEYS,
                "base",
                "build_sd_mm",
            },
        ),
        ("sheet.csv", {*sheet.SHEET_COLUMNS, *sheet.MORE_COLUMNS}),
        ("cards.csv in the job", job.CARD_COLUMNS),
        ("Lens profile", {*lens_file._KEYS, *lens_file.CONSTANTS} - {"schema"}),
        ("Readings for tape", READING_COLUMNS),
        ("Lengths for accept", LENGTH_COLUMNS),
        ("points.csv", POINT_COLUMNS),
        ("cards.csv in the results", CARD_COLUMNS),
        ("tape.csv, tape.json, tape.html", TAPE_COLUMNS),
        ("compare.csv, compare.json, compare.html", COMPARE_COLUMNS),
    ],
)
def test_formats_name_every_key_and_column(title: str, names: set[str]) -> None:
    text = section("docs/formats.md", title)
    missing = [name for name in names if not re.search(rf"\b{re.escape(name)}\b", text)]
    assert not missing, f"{title}: {missing}"


def test_formats_name_every_key_of_result_json() -> None:
    schema = json.loads((ROOT / "docs" / "result.schema.json").read_text(encoding="utf-8"))
    named = set(re.findall(r"`(\w+)`", section("docs/formats.md", "result.json")))
    assert set(schema["properties"]) == named


def example(page: str, title: str) -> str:
    """The first code block below a heading."""
    found = re.search(r"(?:^    .*\n)+", section(page, title), re.M)
    assert found
    return re.sub("^    ", "", found[0], flags=re.M)


def test_examples_of_files_are_read_by_the_program_itself(tmp_path: Path) -> None:
    bar = example("docs/bar-and-stems.md", "The bar")
    (tmp_path / "job.toml").write_text('parts = "in"\n' + bar, encoding="utf-8")
    for name, title in (("sheet.csv", "sheet.csv"), ("cards.csv", "cards.csv in the job")):
        (tmp_path / name).write_text(example("docs/formats.md", title), encoding="utf-8")
    read = job.read_job(tmp_path)
    assert read.bars[0].cards == (90, 91)
    assert read.sheet is not None
    assert {p.name for p in read.sheet.points} == {"A L", "A R", "E L", "E R"}
    assert [card.card for card in read.cards] == [11, 52]

    readings = tmp_path / "readings.csv"
    readings.write_text(example("docs/formats.md", "Readings for tape"), encoding="utf-8")
    assert [r.reading_mm for r in read_readings(readings, {"E L", "G R", "A L", "C L"})] == [
        1142.0,
        618.5,
    ]
    lengths = tmp_path / "lengths.csv"
    lengths.write_text(example("docs/formats.md", "Lengths for accept"), encoding="utf-8")
    assert read_lengths(lengths)[0].cards == (11, 112)


def test_the_page_of_figures_names_every_source_and_code() -> None:
    text = section("docs/reading.md", "U: how sure a figure is")
    rows = "".join(re.findall(r"^\| ([^|]*) \|", text, re.M))
    assert [source for source in SOURCES if source not in rows] == []
    for page in ("docs/reading.md", "docs/limits.md", "docs/printing.md", "docs/bar-and-stems.md"):
        for code in re.findall(r"`([a-z]+(?:-[a-z]+)+)`", PAGES[page]):
            assert code in CATALOGUE, f"{page} names the finding {code}"


def recorded(pattern: str) -> list[float]:
    """Figures of the one line of the recorded benchmarks that fits."""
    text = (ROOT / "tests" / "benchmarks" / "README.md").read_text(encoding="utf-8")
    (rest,) = re.findall(rf"^ *{pattern}(.*)$", text, re.M)
    return [float(figure) for figure in re.findall(r"\d+(?:\.\d+)?", rest)]


def test_figures_told_are_those_recorded() -> None:
    whole, memory = recorded("whole job")[0], recorded("peak memory")[0]
    assert f"| {whole:.1f} s, {memory:.0f} MB |" in README
    held = f"{recorded('deviations   ')[1]:.1f} %"
    for page in ("README.md", "docs/reading.md", "docs/limits.md"):
        assert held in PAGES[page], page
    limits = PAGES["docs/limits.md"]
    for row in ("twist 3 mm", "diamond 3 mm", "all five 3 mm"):
        assert f"{recorded(row)[1]:.0f} %" in limits, row
    for row in ("sound, built to 0.7 mm", "sound, built to 1 mm"):
        assert f"{recorded(row)[2]:.1f} %" in limits, row
    six, four = recorded("6       0.5")[1], recorded("4       0.5")[1]
    assert f"in {six:.1f} %, four in {four:.1f} %" in PAGES["docs/real-job.md"]


def test_the_first_job_quotes_the_answer_of_the_demo(solved_demo: Path) -> None:
    result = json.loads((solved_demo / "results" / "result.json").read_text(encoding="utf-8"))
    # The page tells of all photos, with the board's lens; these are a third, to 0.15 mm (U).
    told = re.compile(r"\d+\.\d(?= mm)")
    (measured_mm,) = told.findall(result["answer"][0])
    before, after = (re.escape(part) for part in told.split(result["answer"][0]))
    (quoted_mm,) = re.findall(rf"^    {before}(\d+\.\d){after}", PAGES["docs/first-job.md"], re.M)
    assert abs(float(quoted_mm) - float(measured_mm)) < 0.15
    truth = json.loads((ROOT / "sample_images" / "truth.json").read_text(encoding="utf-8"))
    (a_left,) = (p for p in truth["points"] if (p["point"], p["side"]) == ("A", "L"))
    assert quoted_mm == f"{abs(a_left['deviation_mm'][0]):.1f}"
    assert f"    {result['settings']['title']}\n" in PAGES["docs/first-job.md"]


def test_the_page_of_the_demo_says_where_before_it_draws(solved_demo: Path) -> None:
    """The front left was hit (sample_images/README.md): found without reading on."""
    page = (solved_demo / "results" / "report.html").read_text(encoding="utf-8")
    head = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page[page.index("<h1") : page.index("<svg")]))
    assert "Front section: ▲ out Centre section: ✓ within Rear section: ✓ within" in head
    assert "(A left, length)" in head


def anchors(text: str) -> set[str]:
    """Anchors that a page of GitHub makes of its headings."""
    titles = re.findall(r"^#+ (.*)", text, re.M)
    return {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page: str) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", PAGES[page]):
        if target.startswith("http"):
            continue
        file, _, anchor = target.partition("#")
        path = (ROOT / page).parent / file if file else ROOT / page
        assert path.exists(), f"{page} links to {target}"
        if anchor:
            assert anchor in anchors(path.read_text(encoding="utf-8")), f"{page}: {target}"


def test_the_index_names_every_page() -> None:
    index = PAGES["docs/README.md"]
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "README.md" or f"({page.name})" in index, page.name


def test_pictures_of_the_docs_are_used_and_small() -> None:
    text = "".join(PAGES.values())
    pictures = sorted((ROOT / "docs" / "pictures").iterdir())
    assert pictures
    for picture in pictures:
        assert f"pictures/{picture.name})" in text, f"no page shows {picture.name}"
        assert picture.stat().st_size < 150_000, picture.name


def test_every_dependency_has_its_reason() -> None:
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = project[project.index("dependencies = [") : project.index("[project.optional")]
    for package in re.findall(r'"([a-z0-9-]+)>=', block):
        assert package in DEVELOPERS


def test_pictures_of_the_readme_exist() -> None:
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / picture).is_file()
