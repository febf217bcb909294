"""A new job: a folder with empty tables, and a job.toml that explains every key."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

from pipeline.inputs.job import CARD_COLUMNS, STEEL_ALPHA_PER_K, STEM_U_MM
from pipeline.inputs.sheet import SHEET_COLUMNS
from pipeline.language import LANGUAGES
from targets import atomic
from targets.errors import UserError, system_reason
from targets.said import Said, one_of, say
from targets.wording import shown


def new_job(folder: Path, title: str = "", put: Callable[[str], str] = str) -> None:
    """Start a job folder: job.toml with every key explained, header rows, an empty photos/.

    Parameters
    ----------
    folder : made if need be; what is in it stays.
    title : the folder's name if empty.
    put : puts what explains the keys into the language of those who fill them in.

    Raises
    ------
    UserError : a job is there already, or the folder cannot be written to.
    """
    for name in ("job.toml", "sheet.csv", "cards.csv"):
        if (folder / name).exists():
            raise UserError(
                say("there is a {name} already", name=name), str(folder), "name another folder"
            )
    title = title or Path(os.path.realpath(folder)).name
    if not title.isprintable():
        raise UserError(
            say("the title {title} cannot be printed", title=shown(title)), "", "give a plain title"
        )
    try:
        (folder / "photos").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(
            say("cannot make this folder ({reason})", reason=system_reason(error)),
            str(folder),
            "name another folder",
        ) from error
    atomic.write_text(folder / "sheet.csv", ",".join(SHEET_COLUMNS) + "\n")
    atomic.write_text(folder / "cards.csv", ",".join(CARD_COLUMNS) + "\n")
    # Last: a folder with a job.toml is a whole job. A JSON text of printable signs is a TOML one.
    quoted = json.dumps(title, ensure_ascii=False)
    atomic.write_text(folder / "job.toml", job_template(quoted, put))


def job_template(title: str, put: Callable[[str], str] = str) -> str:
    """The text of job.toml; ``title`` as TOML writes it."""
    parts = (_comment(put(part)) if isinstance(part, Said) else part for part in _PARTS)
    return "".join(parts).replace("TITLE", title)


def _comment(text: str) -> str:
    """
    >>> _comment("Lengths in mm.")
    '# Lengths in mm.\\n'
    """
    return "".join(f"# {line}\n" for line in text.split("\n"))


_PARTS: tuple[str, ...] = (
    say("Settings of this job. Lengths in mm, temperatures in degrees C."),
    "\ntitle = TITLE\n\n",
    say(
        "When it was measured and by whom (initials only), if the report is to say so. "
        "Keep the owner's\n"
        "name and the number plate out of the title: the report shows it."
    ),
    '# date = 2026-05-12\n# technician = "K. I."\n\n',
    say("Mechanical parts (engine, axles) in or out: picks the rows of sheet.csv that hold."),
    'parts = "in"\n\n',
    say("Of the car and the bars when the photos were taken."),
    "temperature_c = 20\n\n",
    say("Permitted deviation per axis where sheet.csv gives none."),
    "tolerance_mm = 3.0\n\n",
    say(
        "The phone's lens profile as made by {command}, or {itself}: worked out from these photos.",
        command="`datumshot lens`",
        itself='"self"',
    ),
    'lens = "self"\n\n',
    say(
        "How far a card's stem may sit off the middle of its hole (standard uncertainty per axis)."
    ),
    "seating_u_mm = 0.2\n\n",
    say("How well the length of a stem is known (standard uncertainty)."),
    f"stem_u_mm = {STEM_U_MM}\n\n",
    say(
        "Language of the report and the summary: {known}; without it that of the system.",
        known=one_of(list(LANGUAGES)),
    ),
    '# language = "en"\n\n',
    say("Whether the report shows inches beside millimetres."),
    "# inches = true\n\n",
    say("Thermal expansion of the body per kelvin (steel)."),
    f"body_alpha_per_k = {STEEL_ALPHA_PER_K}\n\n",
    say(
        "Every bar: its two cards, the length between their centres at 20 degrees C, the "
        "expanded\n"
        "uncertainty (k = 2) of that length, and the expansion of its material "
        "(aluminium 23.1e-6).\n"
        "Nothing is exact: a bar stated to better than 0.02 mm counts as good to 0.02 mm.\n"
        "Nothing but a bar gives the scale; a second one checks the first."
    ),
    """\
# [[bar]]
# cards = [90, 91]
# length_mm = 1200.0
# U_mm = 0.1
# alpha_per_k = 23.1e-6

""",
    say(
        "Bare tags of another ArUco or AprilTag dictionary, stuck on the body as further "
        "ties: side of the\n"
        'black square, or "unknown"; ids where not the whole dictionary may be there. '
        "Marks of another side\n"
        "get a [[mark]] of their own. In bars and results the mark with tag 7 is called "
        "card 1007."
    ),
    """\
# [marks]
# dictionary = "DICT_4X4_50"
# side_mm = 50.0
# ids = [0, 1, 2, 3, 4, 5, 6, 7]
# [[mark]]
# ids = [6, 7]
# side_mm = "unknown"

[datum]
""",
    say(
        'Points that carry the vehicle frame: "auto" chooses among those that sheet.csv '
        "marks as base,\n"
        'or name them yourself, such as ["A L", "A R", "B L", "B R"].'
    ),
    'base = "auto"\n\n',
    say(
        "How far sound bodies of this type scatter about the sheet (standard deviation "
        "per axis, mm). Base\n"
        "points that are off by more than this and the measurement explain are left out "
        "or doubted.\n"
        "Default: a sixth of the point's tolerance."
    ),
    "# build_sd_mm = 0.5\n\n",
    say(
        "Next: type the points into sheet.csv ({sheet};\n"
        "side L, R, C or LR for a pair; parts in, out or both; base yes or no),\n"
        "say in cards.csv which card sits where ({cards}),\n"
        "and put the photos into photos/.",
        sheet=",".join(SHEET_COLUMNS),
        cards=",".join(CARD_COLUMNS),
    ),
)
