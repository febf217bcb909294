"""Which files there are for other software, and writing one of them for a solved job."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.sessions.measured import Measured, measured_of, solved_document
from targets.errors import UserError
from targets.said import one_of, say

SUFFIX_OF = {"csv": ".csv", "ply": ".ply", "dxf": ".dxf", "colmap": "", "undistorted": ""}
"""What can be exported, and how its name ends; without an end it is a folder."""

_NAME_OF = {"csv": "points-spreadsheet.csv", "ply": "points.ply", "dxf": "points.dxf"}


@dataclass(frozen=True)
class Exported:
    """Lines to print, and whether something that was asked for is missing."""

    lines: tuple[str, ...]
    incomplete: bool = False


def export(
    folder: Path, to: str, output: Path | None, progress: Callable[[str, int, int], None]
) -> Exported:
    """Write a solved job for other software.

    Parameters
    ----------
    folder : the job folder.
    to : a key of ``SUFFIX_OF``.
    output : file or folder to write; by default in the job's results.
    progress : told the stage, how many are done, how many there are.

    Raises
    ------
    UserError : no such format, the job was not solved, it has nothing of the kind, or the output
        cannot be written.
    """
    if to not in SUFFIX_OF:
        raise UserError(
            say("'{to}' is no format", to=to),
            "--to",
            say("take {known}", known=one_of(list(SUFFIX_OF))),
        )
    suffix = SUFFIX_OF[to]
    path = output or folder / "results" / _NAME_OF.get(to, to)
    if suffix and path.suffix.lower() != suffix:
        raise UserError(
            say("the name does not end in {suffix}", suffix=suffix),
            str(path),
            say("add {suffix}", suffix=suffix),
        )
    if not suffix and path.exists() and not path.is_dir():
        raise UserError("this is a file, and a folder is needed", str(path), "name a folder")
    document = solved_document(folder)
    measured = measured_of(folder, document)
    if to in ("colmap", "undistorted"):
        exported = _photos(measured, document, to, path, progress)
    else:
        exported = Exported((_points(measured, to, path),))
    return Exported((*exported.lines, *measured.warnings), exported.incomplete)


def _points(measured: Measured, to: str, path: Path) -> str:
    """Write points and cards; the line that says so."""
    what = say(
        "{points} points and {cards} cards", points=len(measured.points), cards=len(measured.cards)
    )
    if to == "csv":
        from pipeline.exchange.spreadsheet import write_spreadsheet

        if not measured.points:
            raise UserError(
                "this job has no reference points for a spreadsheet",
                str(measured.folder),
                "its cards are in results/cards.csv",
            )
        write_spreadsheet(measured.points, path)
        return say(
            "{points} points for a spreadsheet, in micrometres: {path}",
            points=len(measured.points),
            path=path,
        )
    if to == "ply":
        from pipeline.exchange.ply import write_ply

        write_ply(measured, path)
        return say("{what}, coloured by deviation: {path}", what=what, path=path)
    from pipeline.exchange.dxf import write_dxf

    write_dxf(measured, path)
    return say("{what} for CAD: {path}", what=what, path=path)


def _photos(
    measured: Measured,
    document: Mapping[str, Any],
    to: str,
    path: Path,
    progress: Callable[[str, int, int], None],
) -> Exported:
    from pipeline.exchange.colmap import drift_px, posed_network, write_model
    from pipeline.exchange.undistorted import write_undistorted

    try:
        network = posed_network(document)
    except KeyError as error:
        raise UserError(
            "an older version wrote this result, without what is needed here",
            str(measured.folder / "results" / "result.json"),
            "run datumshot solve again",
        ) from error
    told = drift_px(network)
    drift = say(
        "Reprojection: {adjusted:.3f} px rms in the adjustment, "
        "{told:.3f} px without the photos' drift over their rows, which "
        "such a model cannot hold (it moves dots by {apart:.3f} px rms, "
        "{most:.2f} px at most).",
        adjusted=told.adjusted_rms_px,
        told=told.told_rms_px,
        apart=told.apart_rms_px,
        most=told.apart_max_px,
    )
    if to == "colmap":
        write_model(network, path)
        dots = len({int(point) for photo in network.photos for point in photo.points})
        line = say(
            "{photos} photos and {dots} dots for COLMAP: {path}",
            photos=len(network.photos),
            dots=dots,
            path=path,
        )
        return Exported((line, drift))
    done = write_undistorted(
        network, measured.folder / "photos", path, lambda i, n: progress("undistorting", i, n)
    )
    lines = [
        say(
            "{done} of {photos} photos without distortion: {path}",
            done=done.photos,
            photos=len(network.photos),
            path=path,
        ),
        drift,
    ]
    lines += [say("Left out: {name} {why}", name=name, why=why) for name, why in done.missing]
    return Exported(tuple(lines), incomplete=bool(done.missing))
