"""A solved job, read back from its results/result.json: what later steps start from."""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array, Pose
from calib.photo import photo_paths, read_time
from pipeline.datum.deviation import DeviationRow
from pipeline.findings import Finding
from pipeline.inputs.job import read_job
from pipeline.inputs.sheet import SheetPoint
from pipeline.results.provenance import input_hashes
from pipeline.results.result import CardRow, PhotoRow
from pipeline.results.result_json import load_result_json, matrix_from_triangle
from targets.errors import UserError
from targets.said import say, say_count


@dataclass(frozen=True)
class Measured:
    """A solved job. Lengths in mm, vehicle frame (network frame where there is no datum).

    Attributes
    ----------
    folder : the job folder.
    title : as the customer reads it.
    settings : the job's settings as result.json holds them.
    scaled : whether a bar gave the scale.
    vehicle_from_network : the vehicle frame, None without a datum.
    base : names "POINT SIDE" of the base points that carried the frame.
    points : reference points as measured, in the order of cards.csv; empty without a datum.
    covariance_mm2 : (3 N, 3 N) joint covariance of ``points``' positions.
    cards : all measured cards.
    sheet : points of the reference sheet, empty without one.
    photos, findings : as solved.
    inputs : (file, SHA-256) when the job was solved.
    changed : input files that differ now, came or went since then.
    symmetry : left against right as result.json holds it, None with a sheet.
    photographed : when the first of the photos in its folder was taken, by the camera's clock;
        None where none of them tells.
    """

    folder: Path
    title: str
    settings: Mapping[str, Any]
    scaled: bool
    vehicle_from_network: Pose | None
    base: tuple[str, ...]
    points: tuple[DeviationRow, ...]
    covariance_mm2: Array
    cards: tuple[CardRow, ...]
    sheet: tuple[SheetPoint, ...]
    photos: tuple[PhotoRow, ...]
    findings: tuple[Finding, ...]
    inputs: tuple[tuple[str, str | None], ...]
    changed: tuple[str, ...]
    symmetry: Mapping[str, Any] | None = None
    photographed: datetime.datetime | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """(N,) names "POINT SIDE" of ``points``."""
        return tuple(f"{row.point} {row.side}" for row in self.points)

    @property
    def known(self) -> tuple[str, ...]:
        """Names "POINT SIDE" of the sheet and of cards.csv, measured or not."""
        sheet = [f"{point.point} {point.side}" for point in self.sheet]
        cards = [f"{card['point']} {card['side']}" for card in self.settings["cards"]]
        return tuple(dict.fromkeys([*sheet, *cards]))

    @property
    def language(self) -> str:
        """Code of the language that the job asks for, "" where it does not."""
        return str(self.settings.get("language", ""))

    @property
    def inches(self) -> bool:
        """Whether pages show inches beside millimetres."""
        return bool(self.settings.get("inches", False))

    @property
    def positions_mm(self) -> Array:
        """(N, 3) positions of ``points``."""
        return np.array([row.position_mm for row in self.points]).reshape(-1, 3)

    def covariance_of(self, indices: Sequence[int]) -> Array:
        """(3 K, 3 K) joint covariance of some of ``points``, in the order given."""
        columns = (3 * np.asarray(indices, dtype=int)[:, None] + np.arange(3)).ravel()
        return np.asarray(self.covariance_mm2[np.ix_(columns, columns)])

    @property
    def warnings(self) -> tuple[str, ...]:
        """A line to print when the results are older than the files; none when all is well."""
        if not self.changed:
            return ()
        first, more = self.changed[0], len(self.changed) - 1
        others = say_count(more, " and {count} more file", " and {count} more files")
        return (
            say(
                "Warning: {first}{others} changed after '{job}' was solved; run datumshot solve "
                "again.",
                first=first,
                others=others if more else "",
                job=self.folder.name,
            ),
        )


def solved_document(folder: Path) -> dict[str, Any]:
    """The result.json of a solved job as it is.

    Raises
    ------
    UserError : there is no such folder, the job was not solved, or its results cannot be read.
    """
    path = folder / "results" / "result.json"
    if not os.path.isdir(folder):
        raise UserError("there is no such job folder", str(folder), "check its name")
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UserError(
            "this job was not solved yet", str(folder), "run datumshot solve first"
        ) from error
    except OSError:
        pass  # reading it tells why it cannot be read
    return load_result_json(path)


def measured_of(folder: Path, document: Mapping[str, Any]) -> Measured:
    """The results of a solved job from its result.json, which ``solved_document`` reads.

    Results older than the job's files are taken all the same: ``Measured.changed`` names the
    files. Their content is read for that, photos included.

    Raises
    ------
    UserError : something of the results is missing.
    """
    try:
        return _measured(folder, document)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, IndexError) as error:
        raise UserError(
            "this is not a whole result file",
            str(folder / "results" / "result.json"),
            "run datumshot solve again",
        ) from error


def read_measured(folder: Path) -> Measured:
    """``measured_of`` the ``solved_document`` of a folder; raises what they raise."""
    return measured_of(folder, solved_document(folder))


def laid_by_symmetry(measured: Measured) -> Measured:
    """A job without a datum with its points in the frame of its centre plane; others unchanged.

    Distances are as true there as in a vehicle frame. Zeros and level are of our own choice, and
    no point has a reference.
    """
    found = measured.symmetry
    if measured.points or found is None:
        return measured
    pose = Pose(
        _floats(found["vehicle_from_network"]["rotation"]),
        _floats(found["vehicle_from_network"]["translation_mm"]),
    )
    card_of_name = {f"{c['point']} {c['side']}": c["card"] for c in measured.settings["cards"]}
    photos = {card.card: card.photos for card in measured.cards}
    rows = []
    for one in found["points"]:
        point, side = one["name"].rsplit(" ", 1)
        card = card_of_name[one["name"]]
        rows.append(
            DeviationRow(
                point=point,
                side=side,
                card=card,
                position_mm=_floats(one["position_mm"]),
                U_mm=_floats(one["U_mm"]),
                deviation_mm=np.full(3, np.nan),
                U_deviation_mm=np.full(3, np.nan),
                tol_mm=float("nan"),
                axis_verdicts=("no reference",) * 3,
                verdict="no reference",
                base=False,
                photos=photos[card],
            )
        )
    return replace(
        measured,
        points=tuple(rows),
        covariance_mm2=matrix_from_triangle(found["points_covariance_mm2"]),
        cards=tuple(
            replace(
                card,
                centre_mm=pose.apply(card.centre_mm[None])[0],
                normal=pose.rotation @ card.normal,
            )
            for card in measured.cards
        ),
    )


def _measured(folder: Path, document: Mapping[str, Any]) -> Measured:
    settings = dict(document["settings"])
    pose = document["vehicle_from_network"]
    photos = tuple(
        PhotoRow(p["name"], tuple(p["cards"]), p["used"], p["reason"], _float(p["rms_px"]))
        for p in document["photos"]
    )
    inputs = tuple((one["file"], one["sha256"]) for one in document["inputs"])
    return Measured(
        folder=folder,
        title=settings["title"],
        settings=settings,
        scaled=bool(document["scaled"]),
        vehicle_from_network=(
            None
            if pose is None
            else Pose(_floats(pose["rotation"]), _floats(pose["translation_mm"]))
        ),
        base=tuple(document["base"]),
        points=tuple(_point(row) for row in document["points"]),
        covariance_mm2=matrix_from_triangle(document["points_covariance_mm2"]),
        cards=tuple(
            CardRow(
                card=row["card"],
                role=row["role"],
                centre_mm=_floats(row["centre_mm"]),
                normal=_floats(row["normal"]),
                U_mm=_floats(row["U_mm"]),
                photos=row["photos"],
            )
            for row in document["cards"]
        ),
        sheet=tuple(
            SheetPoint(
                row["point"],
                row["side"],
                _floats(row["position_mm"]),
                _float(row["tol_mm"]),
                row["base"],
                row["note"],
                row.get("zone", ""),
                row.get("kind", ""),
                _floats(row.get("u_mm", [0.0, 0.0, 0.0])),
            )
            for row in document["sheet"]
        ),
        photos=photos,
        findings=tuple(
            Finding(
                f["code"],
                f["severity"],
                f["subject"],
                f["text"],
                f["remedy"],
                f.get("effect", ""),
            )
            for f in document["findings"]
        ),
        inputs=inputs,
        symmetry=document.get("symmetry"),
        changed=_changed(folder, inputs),
        photographed=_first_time(folder),
    )


def _point(row: Mapping[str, Any]) -> DeviationRow:
    length, width, height = row["axis_verdicts"]
    return DeviationRow(
        point=row["point"],
        side=row["side"],
        card=row["card"],
        position_mm=_floats(row["position_mm"]),
        U_mm=_floats(row["U_mm"]),
        deviation_mm=_floats(row["deviation_mm"]),
        U_deviation_mm=_floats(row["U_deviation_mm"]),
        tol_mm=_float(row["tol_mm"]),
        axis_verdicts=(length, width, height),
        verdict=row["verdict"],
        base=row["base"],
        photos=row["photos"],
    )


def _changed(folder: Path, inputs: Sequence[tuple[str, str | None]]) -> tuple[str, ...]:
    """Names of input files whose content is not what was solved, in the order solved."""
    try:
        now = dict(input_hashes(read_job(folder), [p.name for p in photo_paths(folder / "photos")]))
    except UserError as error:
        # A job that cannot be read any more has changed: its results stay what they were.
        return (error.where.split(",")[0] or "job.toml",)
    then = dict(inputs)
    both = dict.fromkeys([*then, *now])
    return tuple(name for name in both if then.get(name) != now.get(name))


def _first_time(folder: Path) -> datetime.datetime | None:
    try:
        paths = photo_paths(folder / "photos")
    except UserError:
        return None
    return min((time for time in map(read_time, paths) if time is not None), default=None)


def _float(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _floats(values: Sequence[Any]) -> Array:
    """An array of numbers, nan where the file has none."""
    return np.array(values, dtype=float)
