"""Write the sample circuit `samples/circuits/blinking-badge/`: python -m samples.render_circuit [FOLDER]

gerbonara writes every object; attributes, which it leaves out, stand between them as the Gerber Layer Format
Specification has them (.AperFunction, .N, .P and .C). Without them, `circuit_files(attributes=False)`, the files are
those of a program that knows none.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import shapely
from gerbonara.apertures import CircleAperture, ExcellonTool, RectangleAperture
from gerbonara.cam import FileSettings
from gerbonara.excellon import ExcellonFile
from gerbonara.graphic_objects import Arc, Flash, Line, Region
from gerbonara.rs274x import GraphicsState
from gerbonara.utils import MM

from samples.drawing import circuit_badge as badge

FOLDER = Path(__file__).parent / "circuits" / "blinking-badge"
ORIGIN = (20.0, 30.0)
"""Where the board's lower left lies in the files: a board design program's sheet has its own origin."""

GUID = "5f0b3c52-6d1e-4b57-9f07-3a1f5d9e20c4"
SIDES = {"top": ("Top", "L1,Top"), "bottom": ("Bot", "L2,Bot")}
OPENING = 0.05
"""By how much a mask opening is wider than its pad, on every side."""


def circuit_files(*, attributes: bool = True) -> dict[str, bytes]:
    """Every file of the circuit by its name."""
    files: dict[str, bytes] = {}
    functions: dict[str, tuple[str, str]] = {}
    for side, (word, copper) in SIDES.items():
        functions[f"badge-copper-{side}.gbr"] = (f"Copper,{copper}", "Positive")
        functions[f"badge-solder-mask-{side}.gbr"] = (f"Soldermask,{word}", "Negative")
        functions[f"badge-legend-{side}.gbr"] = (f"Legend,{word}", "Positive")
        files[f"badge-copper-{side}.gbr"] = _gerber(_copper(side), functions[f"badge-copper-{side}.gbr"], attributes)
        files[f"badge-solder-mask-{side}.gbr"] = _gerber(
            _openings(side), functions[f"badge-solder-mask-{side}.gbr"], attributes
        )
        files[f"badge-legend-{side}.gbr"] = _gerber(_legend(side), functions[f"badge-legend-{side}.gbr"], attributes)
    functions["badge-profile.gbr"] = ("Profile,NP", "Positive")
    files["badge-profile.gbr"] = _gerber(_profile(), functions["badge-profile.gbr"], attributes)
    files["badge-holes-plated.xnc"] = _drill(True, attributes)
    files["badge-holes-unplated.xnc"] = _drill(False, attributes)
    if attributes:
        files["badge.gbrjob"] = _job(functions)
    return files


def _aperture(function: str, *size: float) -> object:
    """A disc of one size, a rectangle of two; what it is for is its attribute."""
    kind = CircleAperture if len(size) == 1 else RectangleAperture
    return kind(*size, unit=MM, attrs=((".AperFunction", tuple(function.split(","))),))


def _moved(point: tuple[float, float]) -> tuple[float, float]:
    return round(point[0] + ORIGIN[0], 6), round(point[1] + ORIGIN[1], 6)


def _strokes(points: list[tuple[float, float]], aperture: object, **attributes: tuple[str, ...]) -> Iterator[Line]:
    for start, end in pairwise(points):
        yield Line(*_moved(start), *_moved(end), aperture, unit=MM, attrs={f".{k}": v for k, v in attributes.items()})


def _regions(area: shapely.Geometry, **attributes: tuple[str, ...]) -> Iterator[Region]:
    """Each part of an area dark, then its holes clear."""
    for polygon in sorted(shapely.get_parts(area), key=lambda part: part.bounds):
        for dark, ring in [(True, polygon.exterior), *((False, ring) for ring in polygon.interiors)]:
            region = Region([_moved(point) for point in ring.coords], unit=MM, polarity_dark=dark)
            region.attrs = {f".{k}": v for k, v in attributes.items()} if dark else {}
            region.aperture_attrs = ((".AperFunction", ("Conductor",)),)
            yield region


def _copper(side: str) -> Iterator[object]:
    yield from _regions(badge.ground_area(side), N=("GND",))
    for on, net, points in badge.TRACKS:
        if on == side:
            yield from _strokes(points, _aperture("Conductor", badge.TRACK), N=(net,))
    for pad in badge.PADS:
        if not pad.on(side):
            continue
        attrs: dict[str, tuple[str, ...]] = {".N": (pad.net or "N/C",)}
        if pad.part:
            attrs |= {".P": (pad.part, pad.pin), ".C": (pad.part,)}
        size = pad.size[:1] if pad.round else pad.size
        yield Flash(*_moved(pad.at), _aperture(pad.use, *size), unit=MM, attrs=attrs)
    if side == "top":
        for at in badge.FIDUCIALS:
            yield Flash(*_moved(at), _aperture("FiducialPad,Local", badge.FIDUCIAL), unit=MM)


def _openings(side: str) -> Iterator[object]:
    """Vias stay covered."""
    for pad in badge.PADS:
        if pad.on(side) and pad.use != "ViaPad":
            size = [length + 2 * OPENING for length in (pad.size[:1] if pad.round else pad.size)]
            yield Flash(*_moved(pad.at), _aperture("Material", *size), unit=MM)
    if side == "top":
        for at in badge.FIDUCIALS:
            yield Flash(*_moved(at), _aperture("Material", badge.FIDUCIAL_OPENING), unit=MM)
    for at in badge.MOUNTING:
        yield Flash(*_moved(at), _aperture("Material", badge.MOUNTING_HOLE + 0.4), unit=MM)


def _legend(side: str) -> Iterator[Line]:
    for stroke in badge.texts(side):
        yield from _strokes(stroke, _aperture("Material", 0.15))
    for stroke in badge.marks(side):
        yield from _strokes(stroke, _aperture("Material", 0.2))


def _profile() -> Iterator[object]:
    pen = _aperture("Profile", 0.1)
    right, top, r = badge.WIDTH, badge.HEIGHT, badge.CORNER
    lines = [
        ((r, 0), (right - r, 0)),
        ((right, r), (right, top - r)),
        ((right - r, top), (r, top)),
        ((0, top - r), (0, r)),
    ]
    middles = [(0, r), (-r, 0), (0, -r), (r, 0)]
    for i, (start, end) in enumerate(lines):
        yield Line(*_moved(start), *_moved(end), pen, unit=MM)
        following = lines[(i + 1) % 4][0]
        yield Arc(*_moved(end), *_moved(following), *middles[i], clockwise=False, aperture=pen, unit=MM)


def _gerber(objects: Iterator[object], function: tuple[str, str], attributes: bool) -> bytes:
    """The file: gerbonara's text of every object, with the attributes that hold for it put before it."""
    things = list(objects)
    settings = FileSettings(unit=MM, number_format=(4, 6), zeros="leading")
    apertures = list(dict.fromkeys(thing.aperture for thing in things if hasattr(thing, "aperture")))
    if not attributes:
        for thing in things:
            if hasattr(thing, "aperture"):
                thing.aperture = type(thing.aperture)(*_sizes(thing.aperture), unit=MM)
        apertures = list(dict.fromkeys(thing.aperture for thing in things if hasattr(thing, "aperture")))
    numbers = {aperture: number for number, aperture in enumerate(apertures, start=10)}
    lines = ["G04 Blinking badge, an invented circuit*"]
    if attributes:
        lines += ["%TF.GenerationSoftware,Quillmere,Sample script,1*%", f"%TF.ProjectId,Blinking badge,{GUID},1*%"]
        lines += ["%TF.Part,Single*%", f"%TF.FileFunction,{function[0]}*%", f"%TF.FilePolarity,{function[1]}*%"]
        lines += [f"%TF.SameCoordinates,{GUID}*%"]
    lines += ["%FSLAX46Y46*%", "%MOMM*%", "G75*", "G01*", "%LPD*%"]
    for aperture, number in numbers.items():
        lines += [f"%TA{name},{','.join(value)}*%" for name, value in aperture.attrs or ()]
        lines.append(f"%ADD{number}{aperture.to_gerber(settings)}*%")
        lines += ["%TD*%"] * bool(aperture.attrs)
    state = GraphicsState(warn=warnings.warn, file_settings=settings, aperture_map=numbers)
    held: dict[str, tuple[str, ...]] = {}
    for thing in things:
        wanted = (dict(getattr(thing, "aperture_attrs", ())), getattr(thing, "attrs", None) or {})
        mine = {f"TA{k}": v for k, v in wanted[0].items()} | {f"TO{k}": v for k, v in wanted[1].items()}
        if attributes and mine != held:
            lines += ["%TD*%"] * bool(held)
            lines += [f"%{name},{','.join(value)}*%" for name, value in mine.items()]
            held = mine
        # Its text of a region has one star too many.
        lines += [line.replace("**", "*") for line in thing.to_statements(state)]
    return ("\n".join([*lines, "%TD*%"] if held else lines) + "\nM02*\n").encode("ascii")


def _sizes(aperture: object) -> tuple[float, ...]:
    return (aperture.diameter,) if isinstance(aperture, CircleAperture) else (aperture.w, aperture.h)


def _drill(plated: bool, attributes: bool) -> bytes:
    objects: list[object] = []
    if plated:
        holes = [(pad.at, pad.hole, pad.use) for pad in badge.PADS if pad.hole]
    else:
        holes = [(at, badge.MOUNTING_HOLE, "") for at in badge.MOUNTING]
    for at, diameter, _ in sorted(holes, key=lambda hole: hole[1]):
        objects.append(Flash(*_moved(at), ExcellonTool(diameter, plated=plated, unit=MM), unit=MM))
    if not plated:
        start, end = (_moved(point) for point in badge.SLOT)
        objects.append(Line(*start, *end, ExcellonTool(badge.SLOT_WIDTH, plated=False, unit=MM), unit=MM))
    text = ExcellonFile(objects=objects).write_to_bytes(FileSettings(unit=MM, number_format=(3, 6))).decode("ascii")
    lines = text.splitlines()[1:]  # its comment, which the specification does not want before M48
    if attributes:
        function = "Plated,1,2,PTH" if plated else "NonPlated,1,2,NPTH"
        facts = [f"ProjectId,Blinking badge,{GUID},1", f"FileFunction,{function}", f"SameCoordinates,{GUID}"]
        lines[1:1] = [f"; #@! TF.{fact}" for fact in facts]
    return ("\n".join(lines) + "\n").encode("ascii")


def _job(functions: dict[str, tuple[str, str]]) -> bytes:
    job = {
        "Header": {"GenerationSoftware": {"Vendor": "Quillmere", "Application": "Sample script", "Version": "1"}},
        "GeneralSpecs": {
            "ProjectId": {"Name": "Blinking badge", "GUID": GUID, "Revision": "1"},
            "Size": {"X": badge.WIDTH, "Y": badge.HEIGHT},
            "LayerNumber": 2,
            "BoardThickness": 1.6,
        },
        "FilesAttributes": [
            {"Path": path, "FileFunction": function, "FilePolarity": polarity}
            for path, (function, polarity) in functions.items()
        ],
    }
    return (json.dumps(job, indent=2) + "\n").encode("utf-8")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    target.mkdir(parents=True, exist_ok=True)
    for name, data in circuit_files().items():
        (target / name).write_bytes(data)
