"""`maskwright series`: ordered artworks, or an animation, to boards that keep still where the art does."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from worker.command_line import ALL_DONE, SOME_FAILED, add_command
from worker.errors import ArtworkError, SettingsError
from worker.job_settings import Settings, read_settings
from worker.setting_options import add_settings

if TYPE_CHECKING:
    from worker.board_file import BoardFile
    from worker.engine.report.series_report import PieceEntry
    from worker.engine.series import Piece, SeriesArt
    from worker.fab_profile import FabProfile

EXAMPLES = """\
examples:
  the frames of an animation, on round boards of 20 mm, with the files for the fab:
    maskwright series moth.gif --fab nocturne-gold --width 20mm --board disc --fabrication on --out results
  numbered pictures of a folder, in the order that people count, shown at 8 boards a second:
    maskwright series frames/ --fab meadow-tin --width 24mm --edges dither --rate 8 --out results

The result is DIR/<name>/: pieces/01, pieces/02 and so on, each as of 'maskwright convert' and with frame.png, its
artwork beside its board; boards.webp and boards.gif, the series in motion beside the artworks; and report.json, which
says of every piece how many pixels changed their finish where the artwork did not. Where one artwork is bad, the
others are made.
"""

DEFAULT_RATE = 8.0
MAX_RATE = 50.0
"""Pictures a second: a GIF counts hundredths of a second, and players show none for less than two."""


def add_series(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `series`."""
    parser = add_command(commands, "series", "turn an animation or numbered artworks into a series of boards", EXAMPLES)
    parser.add_argument(
        "artworks", nargs="+", type=Path, metavar="ARTWORK", help="a GIF, APNG, WebP or TIFF; or a folder, or pictures"
    )
    parser.add_argument("--fab", required=True, help="path to a fab profile (.toml), or the id of an installed one")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the results")
    parser.add_argument("--name", default="", help="name of the result's folder (default: the file's or the folder's)")
    parser.add_argument(
        "--rate",
        metavar="PER_SECOND",
        help=f"boards a second in the animations (default: as the file says, else {DEFAULT_RATE:g})",
    )
    parser.add_argument(
        "--still",
        metavar="DELTA_E",
        default="1",
        help="colours no farther apart than this CIEDE2000 are taken for unchanged (default: 1)",
    )
    parser.add_argument(
        "--board-file", type=Path, metavar="FILE", help="outline, cut-outs and holes of all boards (.toml or .json)"
    )
    parser.add_argument("--bottom", metavar="FILE", help="pieces of a series have one side: see 'convert --bottom'")
    add_settings(parser, "for all pieces: the same names as over HTTP and in report.json")
    parser.set_defaults(run=_series)


def read_rate(text: str) -> float:
    """Pictures a second. Raises SettingsError."""
    return _number("rate", text, 0.1, MAX_RATE)


def read_still(text: str) -> float:
    """A CIEDE2000 up to which colours count as the same. Raises SettingsError."""
    return _number("still", text, 0.0, 20.0)


def _number(name: str, text: str, least: float, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        raise SettingsError(f"{name} is {text[:40]!r}.", mend=f"Write a number from {least:g} to {most:g}.")
    return value


def _series(given: argparse.Namespace) -> int:
    from worker.collection_run import read_board
    from worker.installed_fabs import find_fab
    from worker.job_settings import SETTINGS
    from worker.quick_start import load_compiled_loops_alone
    from worker.shell_environment import read_shell_environment

    if given.bottom is not None:
        raise SettingsError(
            "A series has a bottom, and its pieces have one side.",
            mend="Leave --bottom out: the other side then shows the profile's back. Or give the artworks to "
            "'maskwright convert --bottom', which makes each piece by itself.",
        )
    settings = read_settings({name: getattr(given, name) for name in SETTINGS if name != "palette"} | _SHARED)
    rate = None if given.rate is None else read_rate(given.rate)
    environment = read_shell_environment()
    run = SeriesRun(
        fab=find_fab(given.fab, environment),
        settings=settings,
        still=read_still(given.still),
        rate=rate,
        board_file=None if given.board_file is None else read_board(given.board_file),
        tables=environment.tables,
        threads=environment.threads_or_cores,
    )
    load_compiled_loops_alone()
    art, name = find_series(given.artworks, out=given.out)
    return run.write(art, given.name or name, given.out)


_SHARED = {"palette": "shared"}


def find_series(given: Sequence[Path], *, out: Path) -> tuple[SeriesArt, str]:
    """The artworks of a series in their order, and what it may be called.

    One file is an animation. Several, and those of folders, are pieces in the order that people count by.

    Raises ArtworkError.
    """
    from worker.artwork_files import SUFFIXES, open_artwork, walk
    from worker.engine.series import Animation, FrameFile
    from worker.natural_order import natural_key

    for path in given:
        if not path.exists():
            raise ArtworkError(f"There is no file or folder {str(path)!r}.", mend="Check the path.")
    if len(given) == 1 and given[0].is_file():
        with open_artwork(given[0]) as source:
            animation = Animation(source.read(), name=given[0].name)
        if len(animation) < 2:
            raise ArtworkError(
                f"{given[0].name} has one frame.", mend="Give an animation, or several pictures, or a folder of them."
            )
        return animation, given[0].stem
    found: dict[Path, str] = {}
    for path in given:
        if path.is_dir():
            files = [one for one in walk(path, {out.resolve()}) if one.suffix.lower() in SUFFIXES]
            found |= {one: one.relative_to(path).as_posix() for one in files}
        else:
            found[path] = path.as_posix()
    if len(found) < 2:
        raise ArtworkError(f"A series needs two artworks, and here are {len(found)}.", mend="Name its pictures.")
    ordered = sorted(found, key=lambda path: natural_key(found[path]))
    folder = next((path.resolve().name for path in given if path.is_dir()), ordered[0].stem)
    return [FrameFile(name=path.name, open=partial(open_artwork, path)) for path in ordered], folder


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRun:
    """How a series is made. `rate` : boards a second in the animations; None for the file's own times."""

    fab: FabProfile
    settings: Settings
    still: float
    rate: float | None
    board_file: BoardFile | None
    tables: Path
    threads: int
    entries: list[PieceEntry] = field(default_factory=list)
    frames: list[tuple[bytes, int]] = field(default_factory=list)

    def write(self, art: SeriesArt, name: str, out: Path) -> int:
        """Make the series and put it in its place as a whole; the exit status."""
        from worker.result_folder import replace_result

        target = out / name
        replace_result(target, self._files(art, name))
        failed = [entry for entry in self.entries if entry.error is not None]
        print(f"results: {target}", flush=True)
        for entry in failed:
            assert entry.error is not None
            print(f"failed: {entry.name}: {entry.error.what}\n  {entry.error.mend}", file=sys.stderr)
        return SOME_FAILED if failed else ALL_DONE

    def _files(self, art: SeriesArt, name: str) -> Iterator[tuple[str, bytes]]:
        from worker.engine.pipeline import json_file
        from worker.engine.report.animation import animation
        from worker.engine.report.series_report import build_series_report
        from worker.engine.series import convert_series
        from worker.table_folder import TableFolder

        pieces = convert_series(
            art,
            self.fab,
            self.settings,
            still=self.still,
            board_file=self.board_file,
            tables=TableFolder(self.tables),
            threads=self.threads,
        )
        first: dict[str, Any] = {}
        digits = max(2, len(str(len(art))))
        began = time.perf_counter()
        for piece in pieces:
            folder = f"pieces/{piece.number + 1:0{digits}}"
            for path, data in self._piece(piece, folder, self._milliseconds(art, piece.number)):
                yield f"{folder}/{path}", data
            if piece.conversion is not None and not first:
                first = piece.conversion.report
            print(
                f"{piece.number + 1}/{len(art)} {_line(self.entries[-1])}; {time.perf_counter() - began:.1f} s",
                flush=True,
            )
        if not self.frames:
            raise ArtworkError("No piece of the series could be made.", mend="Mend the artworks named above.")
        names = []
        for form in ("webp", "gif"):
            names.append(f"boards.{form}")
            yield names[-1], animation([frame for frame, _ in self.frames], [time for _, time in self.frames], form)
        report = build_series_report(
            self.entries,
            name=name,
            fab=first["fab"],
            settings=first["settings"],
            shared={"edges": first["edges"], "palette": first["palette"], "still_delta_e": self.still},
            animations=names,
        )
        print(_stillness(report))
        yield "report.json", json_file(report)

    def _piece(self, piece: Piece, folder: str, milliseconds: int) -> Iterator[tuple[str, bytes]]:
        from worker.engine.report.series_report import PieceEntry
        from worker.job import FRAME_FILE

        made = piece.conversion
        if made is None:
            self.entries.append(PieceEntry(name=piece.name, milliseconds=milliseconds, error=piece.error))
            return
        for path, data in piece.files():
            if path == FRAME_FILE:
                self.frames.append((data, milliseconds))
            yield path, data
        self.entries.append(
            PieceEntry(
                name=piece.name,
                milliseconds=milliseconds,
                folder=folder,
                report=made.report,
                flicker=made.separation.flicker,
            )
        )

    def _milliseconds(self, art: SeriesArt, number: int) -> int:
        """How long a piece is shown."""
        from worker.engine.series import Animation

        if self.rate is not None:
            return round(1000.0 / self.rate)
        if isinstance(art, Animation) and art.file.format != "TIFF":
            return art.file.milliseconds[number]
        return round(1000.0 / DEFAULT_RATE)


def _line(entry: PieceEntry) -> str:
    if entry.report is None:
        return f"{entry.name}: failed"
    mean = entry.report["score"]["s_cielab"]["mean"]
    told = f"{entry.name}: error mean {mean:.2f}"
    if entry.flicker is None:
        return told
    return f"{told}; {entry.flicker.flickering:,} of {entry.flicker.unchanged:,} unchanged pixels changed their finish"


def _stillness(report: dict[str, Any]) -> str:
    still = report["stillness"]
    elsewhere = still["flickering_px"] - still["beside_changes_px"]
    return (
        f"of all unchanged pixels {100.0 * still['share']:.4f} % changed their finish, {elsewhere:,} of them away from "
        "changes"
    )
