"""The options of commands that take readings: conditions, and what a file of readings leaves unsaid."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from worker.errors import SettingsError
from worker.reading_files.named_reading import CONDITIONS

if TYPE_CHECKING:
    from worker.reading import Reading
    from worker.reading_files.named_reading import ReadingDefaults


def add_condition_options(parser: argparse.ArgumentParser, about: str) -> None:
    """Add one option for each condition of a reading."""
    group = parser.add_argument_group("conditions", about)
    for name, meaning in CONDITIONS.items():
        group.add_argument(f"--{name}", default="", metavar=name.upper(), help=meaning)


def add_file_options(parser: argparse.ArgumentParser) -> None:
    """Add what says how the numbers of a file are meant."""
    parser.add_argument(
        "--scale", choices=("fraction", "percent"), default="", help="what a perfect white is in the file: 1, or 100"
    )
    parser.add_argument(
        "--decimal", choices=("point", "comma"), default="point", help="the sign of its decimals (default: point)"
    )


def reading_defaults(given: argparse.Namespace) -> ReadingDefaults:
    """What the options say."""
    from worker.reading_files.named_reading import ReadingDefaults

    conditions = {name: getattr(given, name) for name in CONDITIONS}
    return ReadingDefaults(**conditions, scale=given.scale, decimal_comma=given.decimal == "comma")


def named_finishes(pairs: Iterable[str]) -> Mapping[str, str]:
    """The finish of each sample, from NAME=FINISH. Raises SettingsError."""
    found: dict[str, str] = {}
    for pair in pairs:
        name, equals, finish = pair.rpartition("=")
        if not equals or not name or not finish:
            raise SettingsError(f"--sample is {pair!r}.", mend="Write NAME=FINISH: the file's name, the finish's id.")
        if found.setdefault(name, finish) != finish:
            raise SettingsError(f"--sample names {name!r} twice.", mend="Give each sample one finish.")
    return found


def typed_reading(given: argparse.Namespace, finish: str) -> Reading:
    """The reading that a command line states by --lab or --xyz and its conditions. Raises ReadingFileError."""
    from worker.reading_files.named_reading import FileName, ReadingDefaults
    from worker.reading_files.sample import Sample, to_readings

    sample = Sample(
        name=finish,
        place="this reading",
        conditions={name: getattr(given, name) for name in CONDITIONS},
        xyz=None if given.xyz is None else three_numbers(given.xyz, "--xyz"),
        lab=None if given.lab is None else three_numbers(given.lab, "--lab"),
        scale="percent",  # typed by hand, and said in the help: the white is at 100
    )
    (reading,) = to_readings([sample], ReadingDefaults(), FileName(name=finish))
    return reading.reading


def three_numbers(text: str, option: str) -> tuple[float, float, float]:
    """Three numbers with commas between. Raises ReadingFileError."""
    from worker.reading_files.named_reading import FileName
    from worker.reading_files.plain_text import number

    parts = text.split(",")
    if len(parts) != 3:
        raise SettingsError(f"{option} is {text!r}.", mend="Write three numbers with commas between, without blanks.")
    first, second, third = (number(part, FileName(name=option), "", decimal_comma=False) for part in parts)
    return first, second, third
