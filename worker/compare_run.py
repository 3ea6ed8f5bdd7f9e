"""`maskwright compare`: what a fab changed in the files that it sends back. It loads the engine when it runs."""

from __future__ import annotations

import argparse
import json
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from worker.archive_entries import accounts_agree
from worker.command_line import ALL_DONE, SOME_FAILED, add_command
from worker.errors import ReturnedFileError
from worker.result_folder import write_new_folder

if TYPE_CHECKING:
    from worker.engine.fabrication.layer_changes import Changes, LayerChange

MAX_FILES = 1000
MAX_BYTES = 1024**3
"""Of all files together, unpacked: what comes back from elsewhere may be anything."""
MAX_RATIO = 200
"""A file of an archive unpacks to at most so many times its size there, where it has more than a megabyte."""

EPILOG = """\
examples:
  maskwright compare results/badge from-the-fab.zip --out changes
  maskwright compare badge-fabrication.zip legend.gbr --layer legend-top=legend.gbr

PACKAGE is a result folder, its fabrication/ or the ZIP archive in it. FILES are a ZIP archive, a folder, or single
files. Each file says itself which layer it is (Gerber X2, .FileFunction); where one does not, --layer says so.
With --out come a picture of each layer that differs, with marks, and changes.json.

exit status: 0 nothing has changed; 1 something has; 2 the call was wrong, or a file can't be read
"""


def add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command and its options."""
    parser = add_command(commands, "compare", "show what a fab changed in the files that it sends back", EPILOG)
    parser.add_argument("package", type=Path, metavar="PACKAGE", help="the package as it was sent")
    parser.add_argument("files", nargs="+", type=Path, metavar="FILES", help="what came back")
    parser.add_argument(
        "--layer",
        action="append",
        default=[],
        metavar="NAME=FILE",
        help="which layer a file is that does not say so itself, such as legend-top=legend.gbr; may be repeated",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for pictures and changes.json; must be new")
    parser.add_argument("--pitch", metavar="PITCH", help="size of a pixel (default: 10um, 20um for large boards)")
    parser.set_defaults(run=_compare)


def _compare(given: argparse.Namespace) -> int:
    from worker.engine.fabrication.layer_changes import compare_packages
    from worker.engine.fabrication.returned_files import match_files
    from worker.job_settings import read_settings

    pitch_um = None if given.pitch is None else read_settings({"pitch": given.pitch}).pitch_um
    said = _said(given.layer)
    package = match_files(read_package(given.package), {}, whose="the package")
    returned, whole = read_returned(given.files)
    matched = match_files(returned, said, whose="the files that came back")
    changes = compare_packages(package.layers, matched.layers, pitch_um=pitch_um)
    differing = changes.differing(missing_counts=whole)
    for line in told(changes, differing, whole=whole, others=matched.others):
        print(line)
    if given.out is not None:
        write_new_folder(given.out, _files(changes))
        print(f"pictures and changes.json: {given.out}")
    return SOME_FAILED if differing else ALL_DONE


def _said(texts: Sequence[str]) -> dict[str, str]:
    """File name by layer."""
    said: dict[str, str] = {}
    for text in texts:
        layer, sign, name = text.partition("=")
        if not sign or not layer or not name or layer in said:
            raise ReturnedFileError(
                f"--layer is {text!r}.", mend="Write NAME=FILE, each layer once, such as legend-top=legend.gbr."
            )
        said[layer] = Path(name).name
    return said


def read_package(path: Path) -> dict[str, bytes]:
    """The files of a package by name: a ZIP archive, fabrication/ itself, or a result folder that holds it."""
    inner = path / "fabrication"
    files, _ = read_returned([inner if inner.is_dir() else path])
    return files


def read_returned(paths: Sequence[Path]) -> tuple[dict[str, bytes], bool]:
    """Files by name, and whether an archive or folder was among the paths, so that all layers should be there.

    Names are without folders. ReturnedFileError where a path can't be read, or two files have one name.
    """
    files: dict[str, bytes] = {}
    whole = False
    for path in paths:
        whole |= path.is_dir() or zipfile.is_zipfile(path)
        for name, data in _opened(path):
            if name in files and files[name] != data:
                raise ReturnedFileError(f"Two different files are named {name}.", mend="Give only one of the two.")
            files[name] = data
            if len(files) > MAX_FILES or sum(map(len, files.values())) > MAX_BYTES:
                raise _too_large(path)
    return files, whole


def _opened(path: Path) -> Iterator[tuple[str, bytes]]:
    try:
        if path.is_dir():
            yield from ((inside.name, inside.read_bytes()) for inside in sorted(path.iterdir()) if _counts(inside))
        elif zipfile.is_zipfile(path):
            yield from _unpacked(path)
        else:
            yield path.name, path.read_bytes()
    except ReturnedFileError:
        raise
    except OSError as error:
        raise ReturnedFileError(
            f"{path} can't be read: {error.strerror or error}.", mend="Check its name and rights."
        ) from error
    except Exception as error:  # a damaged archive brings a dozen kinds of error out of its unpackers
        raise ReturnedFileError(
            f"{path} can't be read: {str(error).rstrip('.') or 'it is damaged'}.",
            mend="It is damaged, protected or of a rare kind: get it again, or unpack it and give the folder.",
        ) from error


def _counts(path: Path) -> bool:
    """Whether a file of a folder may be a layer: no picture, no archive, nothing huge."""
    return path.is_file() and path.suffix.lower() not in (".zip", ".png", ".svg", ".dxf")


def _unpacked(path: Path) -> Iterator[tuple[str, bytes]]:
    with zipfile.ZipFile(path) as archive:
        members = [info for info in archive.infolist() if not info.is_dir()]
        if len(members) > MAX_FILES or sum(info.file_size for info in members) > MAX_BYTES:
            raise _too_large(path)
        for info in members:
            if info.file_size > max(1_000_000, MAX_RATIO * info.compress_size):
                raise ReturnedFileError(
                    f"{Path(info.filename).name} in {path} unpacks from {info.compress_size:,} to "
                    f"{info.file_size:,} bytes, which no fabrication file does.",
                    mend="Unpack it, look what it is, and give the files of the board alone.",
                )
            with archive.open(info) as content:
                data = content.read()
            if not accounts_agree(archive, info):
                raise zipfile.BadZipFile(f"its list and its files disagree on {Path(info.filename).name}")
            yield Path(info.filename).name, data


def _too_large(path: Path) -> ReturnedFileError:
    return ReturnedFileError(
        f"{path} holds more than {MAX_FILES:,} files or {MAX_BYTES:,} bytes.", mend="Give the files of one board alone."
    )


def told(changes: Changes, differing: Sequence[LayerChange], *, whole: bool, others: Sequence[str]) -> Iterator[str]:
    """What has changed, line by line."""
    if changes.moved_mm != (0.0, 0.0):
        x, y = changes.moved_mm
        yield f"All of it has moved by {x:g}, {y:g} mm, as its profile shows; that is left aside below."
    for change in changes.layers:
        yield _line(change, whole)
        for number, place in enumerate(change.places[:3], 1):
            yield (
                f"    {number}. {place.what}: {place.area_mm2:.3g} mm2 at {place.x_mm:.2f}, {place.y_mm:.2f} mm "
                f"({place.width_mm:.2f} x {place.height_mm:.2f} mm)"
            )
        if change.count > 3:
            yield f"    and {change.count - 3} more"
    yield from (f"the reader says of {remark}: look at that by eye" for remark in changes.remarks)
    if others:
        yield f"left aside, no layers: {', '.join(others)}"
    yield (
        f"{len(differing)} layer{'s differ' if len(differing) > 1 else ' differs'}."
        if differing
        else "Nothing has changed."
    ) + f" Changes narrower than {changes.narrowest_mm:g} mm are not counted."


def _line(change: LayerChange, whole: bool) -> str:
    if change.state == "same":
        return f"{change.layer}: the same"
    if change.state == "missing":
        return f"{change.layer}: did not come back" if whole else f"{change.layer}: not compared, no file was given"
    new = " (not in the package)" if change.state == "added" else ""
    return f"{change.layer}{new}: {change.added_mm2:.4g} mm2 added, {change.removed_mm2:.4g} mm2 removed"


def _files(changes: Changes) -> Iterator[tuple[str, bytes]]:
    from worker.engine.report.change_picture import change_picture
    from worker.engine.report.png import encode_png

    for change in changes.layers:
        if change.state not in ("changed", "added"):
            continue
        picture = change_picture(change, changes)
        if picture is not None:
            yield f"{change.layer}.png", encode_png(picture, palette=None, bits=8, pixels_per_metre=None)
    yield "changes.json", (json.dumps(changes_record(changes), indent=2) + "\n").encode()


def changes_record(changes: Changes) -> Mapping[str, Any]:
    """The content of changes.json."""
    return {
        "moved_mm": list(changes.moved_mm),
        "narrowest_mm": changes.narrowest_mm,
        "remarks": list(changes.remarks),
        "layers": [
            {
                "layer": change.layer,
                "state": change.state,
                "files": list(change.files),
                "added_mm2": change.added_mm2,
                "removed_mm2": change.removed_mm2,
                "count": change.count,
                "places": [
                    {
                        "what": place.what,
                        "x_mm": place.x_mm,
                        "y_mm": place.y_mm,
                        "width_mm": place.width_mm,
                        "height_mm": place.height_mm,
                        "area_mm2": place.area_mm2,
                    }
                    for place in change.places
                ],
            }
            for change in changes.layers
        ],
    }
