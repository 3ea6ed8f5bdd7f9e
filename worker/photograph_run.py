"""`maskwright fab photograph`: photographs of a coupon beside a chart in, a file of readings out."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.command_line import ALL_DONE, add_command
from worker.errors import PatchMapError, PhotographError

if TYPE_CHECKING:
    from worker.engine.references.photograph.flow import PhotographReadings
    from worker.engine.references.photograph.shot import Shot
    from worker.fab_profile import FabProfile
    from worker.patch_map import Quad
    from worker.reading_files import NamedReading

MAX_BYTES = 1 << 30

EXAMPLES = """\
examples:
  maskwright fab photograph my-fab.toml coupon.jpg --map patch_map.json --out readings.csv
  bare metal from a second photograph, in a diffuse tent; and a picture of what was read where:
    maskwright fab photograph my-fab.toml crossed.tif --second tent.tif --map patch_map.json --out readings.csv \\
        --proof proof.png
  corners marked by hand, in pixels, clockwise from the upper left corner of the coupon itself:
    maskwright fab photograph my-fab.toml coupon.jpg --map patch_map.json --out readings.csv \\
        --corners 210,195 1402,188 1419,1510 198,1522

The chart's corners are the outer corners of its four corner patches, clockwise from the brown one. The profile stays as
it is: look at the readings, then add them by 'maskwright fab import'. A photograph that can't be trusted is refused,
with the reason and what to change.
"""


def add_photograph(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `fab photograph`."""
    parser = add_command(actions, "photograph", "read a coupon's colours from a photograph with a chart", EXAMPLES)
    parser.add_argument(
        "profile", metavar="PROFILE", help="path to a fab profile (.toml), or the id of an installed one"
    )
    parser.add_argument("photo", type=Path, metavar="PHOTO", help="JPEG, PNG or TIFF of coupon and 24-patch chart")
    parser.add_argument(
        "--second", type=Path, metavar="PHOTO", help="one in a diffuse tent without polarisers, for bare metal"
    )
    parser.add_argument("--map", required=True, type=Path, metavar="MAP", help="patch_map.json of the coupon")
    parser.add_argument("--out", required=True, type=Path, metavar="READINGS", help="CSV file to write; must be new")
    parser.add_argument("--proof", type=Path, metavar="PNG", help="picture of what was read where; must be new")
    parser.add_argument("--batch", default="", help="the fab's batch or order, for the readings")
    parser.add_argument("--coupon", default="", help="which piece was photographed, for the readings")
    marks = parser.add_argument_group("marks", "four corners in pixels; what isn't given is looked for")
    for option, what in (
        ("--corners", "the coupon's"),
        ("--chart-corners", "the chart's"),
        ("--second-corners", "the coupon's in the second photograph"),
        ("--second-chart-corners", "the chart's in the second photograph"),
    ):
        marks.add_argument(option, nargs=4, type=_point, metavar="X,Y", help=what)
    parser.set_defaults(run=_photograph)


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is no corner: give X,Y in pixels, such as 210,195") from error
    return x, y


def _photograph(given: argparse.Namespace) -> int:
    from worker.installed_fabs import find_fab
    from worker.new_file import check_new, write_new
    from worker.reading_files import write_csv
    from worker.shell_environment import read_shell_environment

    fab = find_fab(given.profile, read_shell_environment())
    proofs = _proofs(given.proof)
    for path in (given.out, *proofs):
        check_new(path)
    from worker.engine.references.photograph.flow import read_photographs
    from worker.engine.references.photograph.proof import proof_png
    from worker.patch_map import read_patch_map

    patch_map = read_patch_map(_bytes(given.map, PatchMapError), file_name=given.map.name)
    first = _shot(given.photo, given.corners, given.chart_corners)
    second = None
    if given.second is not None:
        second = _shot(given.second, given.second_corners, given.second_chart_corners)
    elif given.second_corners or given.second_chart_corners:
        raise PhotographError("Corners of a second photograph are given, but none is.", mend="Give it by --second.")
    found = read_photographs(first, second, patch_map, fab.finishes)
    readings = named_readings(found, batch=given.batch, coupon=given.coupon)
    write_new(given.out, write_csv(readings))
    shots = [shot for shot in (first, second) if shot is not None][: len(found.quality)]
    for number, (path, shot) in enumerate(zip(proofs, shots, strict=False)):
        write_new(path, proof_png(shot, number, found))
    for line in summary(found):
        print(line)
    print(f"{given.out}: {len(readings)} readings; add them with: maskwright fab import {given.profile} {given.out}")
    return ALL_DONE


def _proofs(proof: Path | None) -> tuple[Path, ...]:
    """Where the proofs of the first and the second photograph go; none where none is asked for."""
    return () if proof is None else (proof, proof.with_stem(f"{proof.stem}-second"))


def named_readings(found: PhotographReadings, *, batch: str = "", coupon: str = "") -> list[NamedReading]:
    """The readings with their finishes, as a file of readings holds them."""
    from worker.reading_files import NamedReading

    return [
        NamedReading(finish=read.patch.finish, reading=replace(read.reading, batch=batch, coupon=coupon))
        for read in found.readings
    ]


def summary(found: PhotographReadings) -> list[str]:
    """What a person should know of the photographs before the readings are used."""
    lines = []
    for quality in found.quality:
        veil = f"; {100 * quality.veil:.1f} % of veiling glare taken off" if quality.veil else ""
        lines.append(
            f"{quality.name}: chart patches left out of the fit are off by CIEDE2000 {quality.mean:.1f} in the mean, "
            f"{quality.p95:.1f} in 95 of 100, {quality.worst:.1f} at worst (root polynomial of degree "
            f"{quality.degree}); light evened out by a factor of {quality.fall:.2f}{veil}"
        )
    return [*lines, *(f"warning: {warning}" for warning in found.warnings)]


def photograph_answer(
    fab: FabProfile, files: Mapping[str, BinaryIO], names: Mapping[str, str], settings: Mapping[str, Any]
) -> dict[str, Any]:
    """The readings of photographs as JSON has them, for a request.

    `files` holds "photo", "map" and perhaps "second", which `names` gives names to. `settings` may hold the corners
    "corners", "chart_corners", "second_corners" and "second_chart_corners", and the texts "batch" and "coupon".
    """
    from worker.engine.references.photograph.flow import read_photographs
    from worker.patch_map import read_patch_map

    patch_map = read_patch_map(files["map"].read(), file_name=names["map"])
    first = _sent("photo", "", files, names, settings)
    second = _sent("second", "second_", files, names, settings) if "second" in files else None
    found = read_photographs(first, second, patch_map, fab.finishes)
    readings = named_readings(found, batch=settings.get("batch", ""), coupon=settings.get("coupon", ""))
    return {
        "readings": [
            {
                "finish": named.finish,
                "repeat": read.patch.repeat,
                "far_copper": read.patch.far_copper,
                "photograph": found.quality[read.photograph].name,
                "seen_at": [list(corner) for corner in read.corners],
                "reading": asdict(named.reading),
            }
            for named, read in zip(readings, found.readings, strict=True)
        ],
        "photographs": [asdict(quality) for quality in found.quality],
        "warnings": list(found.warnings),
    }


def _sent(
    part: str, prefix: str, files: Mapping[str, BinaryIO], names: Mapping[str, str], settings: Mapping[str, Any]
) -> Shot:
    from worker.engine.references.photograph.shot import Shot

    return Shot(
        data=files[part].read(),
        name=names[part],
        coupon_corners=_quad(settings.get(f"{prefix}corners")),
        chart_corners=_quad(settings.get(f"{prefix}chart_corners")),
    )


def _shot(
    path: Path, corners: Sequence[tuple[float, float]] | None, chart: Sequence[tuple[float, float]] | None
) -> Shot:
    from worker.engine.references.photograph.shot import Shot

    return Shot(
        data=_bytes(path, PhotographError), name=path.name, coupon_corners=_quad(corners), chart_corners=_quad(chart)
    )


def _quad(points: Sequence[Sequence[float]] | None) -> Quad | None:
    if points is None:
        return None
    first, second, third, fourth = ((x, y) for x, y in points)
    return (first, second, third, fourth)


def _bytes(path: Path, kind: type[PatchMapError] | type[PhotographError]) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise kind(f"{path} has more than {MAX_BYTES:,} bytes.", mend="Give a smaller file.")
        return path.read_bytes()
    except OSError as error:
        raise kind(f"{path} can't be read: {error.strerror or error}.", mend="Check the path.") from error
