"""The command ``flushes``: what each toilet takes per flush, in one home or in many."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, parsed_volume_l, spread_options
from flowsift.cli.study_output import Answer
from flowsift.cli.terminal import SOME_FAILED, complain, counting, working
from flowsift.errors import FlowsiftError, InputError, OptionError
from flowsift.files import check_folder, write_table
from flowsift.fleet.names import KEY, as_text, split_partition
from flowsift.plot.files import check_file, save_flush_volumes
from flowsift.readers.reading_options import checked_reading
from flowsift.readers.trace_files import ENDINGS, is_hidden, one_file, without_ending
from flowsift.report.flushes_text import flushes_sections, homes_sections
from flowsift.study.flushes_homes import HomesStudy, homes_study
from flowsift.study.flushes_study import FlushStudy
from flowsift.study.flushes_study import flushes as study_flushes
from flowsift.units import UnitSystem, system_of

LOGS = ("log.parquet", "log.csv.gz", "trace.csv.gz")
"""A folder with one of these is one home, as ``simulate`` writes it: its other files are no traces."""

MEANS = ("per_flush_l", "flushes_per_day", "toilet_share", "leak_per_day_l", "saving_per_year_l")
"""Columns of homes whose means, with intervals over homes, go into the JSON of a study over homes."""


class Meter(StrEnum):
    """Meters with published limits."""

    displacement = "displacement"
    class_2 = "class-2"
    exact = "exact"


class Classes(StrEnum):
    """Sets of classes of flush volume."""

    us = "us"
    uk = "uk"


@dataclass(frozen=True, kw_only=True)
class Studying:
    """What the study takes for granted, and its picture."""

    meter: Annotated[Meter, typer.Option(help="Whose published limits hold: displacement, class-2 or exact.")] = (
        Meter.displacement
    )
    classes: Annotated[Classes, typer.Option(help="Classes of flush volume: us or uk.")] = Classes.us
    replacement: Annotated[
        str | None,
        typer.Option(help="Volume per flush of a replacement, such as 0.8gal [default: 1.28gal].", metavar="VOLUME"),
    ] = None
    figure: Annotated[
        Path | None, typer.Option(help="Draw a histogram of volumes here (.png, .svg or .pdf).", metavar="PATH")
    ] = None

    def study(self, trace: fs.Trace) -> FlushStudy:
        """Study one trace."""
        return study_flushes(
            fs.disaggregate(trace),
            meter=self.meter.value,
            classes=self.classes.value,
            replacement_l=None if self.replacement is None else parsed_volume_l(self.replacement, name="replacement"),
        )

    def check(self) -> None:
        """Find out before the work whether an option can't be used."""
        if self.replacement is not None:
            parsed_volume_l(self.replacement, name="replacement")
        if self.figure is not None:
            check_file(self.figure)


def register(app: typer.Typer) -> None:
    """Add ``flushes`` to the command line."""
    app.command()(spread_options(flushes))


def flushes(
    files: Annotated[
        list[Path],
        typer.Argument(help="Flow data: a file a home, or folders of files or of partitions KEY=ID.", metavar="FILE"),
    ],
    reading: Reading,
    studying: Studying,
    answer: Answer,
) -> None:
    """Tell what each toilet takes per flush, how sure that is, and whether one refills with nobody flushing.

    One file gives the toilets of one home. Several files, or a folder, give a study over homes: shares of the classes
    with intervals, and what replacement would save. A folder named KEY=ID is one home, its Parquet files are joined.
    Ends with status 3 when some of them could not be studied. The table is that of toilets; that of homes is written
    beside it as NAME-homes.
    """
    homes = _told_apart(list(_homes(files)))
    checked_reading(reading.given())
    studying.check()
    _check(answer, *(part for _, path in homes for part in _parts(path)))
    if len(homes) == 1 and not files[0].is_dir():
        _one(*homes[0], reading, studying, answer)
    else:
        _many(homes, reading, studying, answer)


def _check(answer: Answer, *read: Path) -> None:
    """Find out before the work whether the files asked for can be written, none in place of one that is read."""
    answer.check(*read)
    if answer.table is not None:
        check_folder(homes_path(answer.table), *read, answer.json)


def _one(name: str, path: Path, reading: Reading, studying: Studying, answer: Answer) -> None:
    with working(f"reading {path.name}"):
        trace = reading.read(path)
    with working("telling the toilets apart"):
        study = studying.study(trace)
    units = answer.system(trace)
    table = homes_study([(name, study)])
    _write_beside(table, studying, answer, units)
    answer.give(study, table.toilets, flushes_sections(study, units=units), units=units)


def _many(homes: list[tuple[str, Path]], reading: Reading, studying: Studying, answer: Answer) -> None:
    studies: list[tuple[str, FlushStudy]] = []
    problems: list[tuple[str, str]] = []
    found: list[UnitSystem] = []
    with counting() as progress:
        task = progress.add_task("homes", total=len(homes))
        for name, path in homes:
            try:
                trace = _read(path, reading)
                studies.append((name, studying.study(trace)))
                found.append(system_of(trace.unit))
            except (FlowsiftError, OSError) as error:
                # The home's name says which file it is.
                problem = as_text(str(error).removeprefix(path.name).lstrip(":, "))
                complain(f"{name}: {problem}")
                problems.append((name, problem))
            progress.advance(task)
    table = homes_study(studies, problems=problems)
    usual: UnitSystem = "us" if found and found.count("us") * 2 > len(found) else "si"
    units = answer.units.value if answer.units is not None else usual
    _write_beside(table, studying, answer, units)
    record = {
        "classes": table.by_class().to_dict("records"),
        "means_over_homes": {
            column: dict(zip(("mean", "low", "high"), table.mean(column), strict=True)) for column in MEANS
        },
        "saving_of_all_per_year_l": float(table.toilets["saving_per_year_l"].sum()),
        "homes": [{"home": name, "units": units, **vars(study)} for name, study in studies],
        "problems": [{"home": name, "problem": problem} for name, problem in problems],
    }
    answer.give(record, table.toilets, homes_sections(table, units=units), units=units)
    if problems:
        raise typer.Exit(SOME_FAILED)


def _write_beside(table: HomesStudy, studying: Studying, answer: Answer, units: UnitSystem) -> None:
    """Write what goes beside the table of toilets: that of homes, and the picture."""
    if answer.table is not None:
        write_table(table.homes.in_us_units() if units == "us" else table.homes, homes_path(answer.table))
    if studying.figure is not None:
        save_flush_volumes(table, studying.figure, units=units)


def homes_path(path: Path) -> Path:
    """Return where the table of homes goes beside that of toilets: ``study-homes.parquet`` for ``study.parquet``."""
    stem, dot, ending = path.name.partition(".")
    return path.with_name(f"{stem}-homes{dot}{ending}")


def _homes(files: list[Path]) -> Iterator[tuple[str, Path]]:
    """Yield the name and the place (a file, or the folder of a partition) of each home, by name within a folder."""
    for path in files:
        if not path.is_dir():
            yield path.name, path
            continue
        inside = sorted(_inside(path))
        homes = [one for one in inside if _may_be_home(one)]
        if not homes:
            raise InputError(f"expected files of flow data ({', '.join(ENDINGS)}, .gz), found none", file=str(path))
        others = [one.relative_to(path) for one in inside if not _may_be_home(one)]
        if others:
            complain(f"{path}: files left out, not named as flow data: {len(others)}, such as {others[0]}")
        yield from ((path.name if one == path else str(one.relative_to(path)), one) for one in homes)


def _told_apart(homes: list[tuple[str, Path]]) -> list[tuple[str, Path]]:
    """Return homes with the whole path as name where names are the same (OptionError for one file twice)."""
    read = [part for _, path in homes for part in _parts(path)]
    files = Counter(map(os.path.realpath, read))
    twice = next((part for part in read if files[os.path.realpath(part)] > 1), None)
    if twice is not None:
        raise OptionError(f"{twice}: is given twice, expected a file a home")
    count = Counter(name for name, _ in homes)
    return [(as_text(name if count[name] == 1 else str(path)), path) for name, path in homes]


def _inside(folder: Path) -> Iterator[Path]:
    """Yield what may hold a home each: files, and the folders of partitions."""
    log = next((folder / name for name in LOGS if (folder / name).is_file()), None)
    if log is not None:
        yield log
        return
    partition = split_partition(folder.name)
    if partition is not None:
        below = next((path.name for path in folder.iterdir() if split_partition(path.name) and path.is_dir()), None)
        if below is not None and partition[0] != KEY:
            raise InputError(
                f"found the partition {below} in it, where either may be the home: use flowsift fleet with --key",
                file=str(folder),
            )
        yield folder
        return
    for path in folder.iterdir():
        if is_hidden(path.name):
            continue
        if not path.is_dir():
            yield path
        # a link to a folder around it would lead round and round
        elif not Path(os.path.realpath(folder)).is_relative_to(os.path.realpath(path)):
            yield from _inside(path)


def _may_be_home(path: Path) -> bool:
    return path.is_dir() or without_ending(path.name) != path.name


def _parts(path: Path) -> list[Path]:
    """Return the files of a home, by name."""
    if not path.is_dir():
        return [path]
    inside = (file for file in path.rglob("*") if file.is_file())
    return sorted(file for file in inside if not any(map(is_hidden, file.relative_to(path).parts)))


def _read(path: Path, reading: Reading) -> fs.Trace:
    parts = _parts(path)
    if not parts:
        raise InputError("found no file")
    with one_file(parts) as file:
        return reading.read(file)
