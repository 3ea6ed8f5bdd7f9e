"""CxF3 (ISO 17972-1), read through colour-cxf, which is an extra and is loaded only when such a file comes.

Of several kinds of colour in one object the spectrum counts before XYZ, and XYZ before Lab, since the later ones are
calculated from the earlier.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from typing import Any, TypeGuard

from worker.reading_files.named_reading import FileName, NamedReading, ReadingDefaults
from worker.reading_files.sample import Sample, Triple, to_readings

_DECLARATION = re.compile(rb"\s*<\?xml[^>]*encoding\s*=\s*[\"']([^\"']*)[\"']", re.IGNORECASE)
_ENCODINGS = (b"utf-8", b"us-ascii", b"ascii", b"iso-8859-1")
MAX_DEPTH = 40
"""Elements within elements; a CxF3 file has ten at most."""
MAX_ELEMENTS = 150_000
"""Of one file; ten thousand readings have about a hundred thousand, and take the parser some seconds."""

_SPHERE = {"Specular_Included": "d:8 SCI", "Specular_Excluded": "d:8 SCE", "Diffuse": "d:8"}


def read_cxf(data: bytes, defaults: ReadingDefaults, file: FileName) -> list[NamedReading]:
    """The readings of a CxF3 file. Raises ReadingFileError."""
    if b"CxF" not in data[:4096]:
        file.fail("", "is XML or HTML, but no CxF3", "Export it as CxF3, as CSV or as CGATS text.")
    _refuse_hostile(data, file)
    document = _parsed(data, file)
    resources = document.resources
    objects = resources.object_collection.object_value if resources and resources.object_collection else []
    if not objects:
        file.fail("", "holds no objects", "It needs Resources/ObjectCollection/Object with ColorValues.")
    collection = resources.color_specification_collection
    specifications = {each.id: each for each in collection.color_specification} if collection else {}
    creator = (document.file_information.creator or "") if document.file_information else ""
    samples = [_sample(entry, specifications, creator, file) for entry in objects]
    return to_readings(samples, defaults, file)


def _refuse_hostile(data: bytes, file: FileName) -> None:
    """Refuse what a parser could be attacked with, before any parser sees it."""
    lowered = data.lower()
    for mark in (b"<!doctype", b"<!entity"):
        if mark in lowered:
            line = data.count(10, 0, lowered.index(mark)) + 1
            file.fail(f"line {line}", "declares a document type or an entity", "Remove it: CxF3 needs none.")
    if b"\0" in data:
        file.fail("", "is not UTF-8 XML", "Save it as UTF-8.")
    declared = _DECLARATION.match(data.removeprefix(b"\xef\xbb\xbf"))
    if declared and declared[1].lower() not in _ENCODINGS:
        file.fail("line 1", f"declares the encoding {declared[1].decode('ascii', 'replace')!r}", "Save it as UTF-8.")
    elements = data.count(b"<") - data.count(b"</")
    if elements > MAX_ELEMENTS:
        file.fail("", f"has {elements:,} elements", f"A file of readings has {MAX_ELEMENTS:,} at most: split it.")
    depth = 0
    for tag in re.finditer(rb"<(/?)[A-Za-z_][^<>]*?(/?)>", data):
        depth += -1 if tag[1] else 0 if tag[2] else 1
        if depth > MAX_DEPTH:
            file.fail("", f"nests elements more than {MAX_DEPTH} deep", "That is no CxF3 file.")


def _parsed(data: bytes, file: FileName) -> Any:
    try:
        import colour_cxf
    except ImportError:
        file.fail(
            "",
            "is CxF3, and the reader for it is not installed",
            "Install it: pip install 'maskwright[cxf]'; or export the readings as CSV or CGATS text.",
        )
    logging.getLogger("xsdata").setLevel(logging.ERROR)
    try:
        document = colour_cxf.read_cxf(data)
    except Exception as error:  # the parser raises many kinds, and none of them may end the program
        message = " ".join(str(error).split())[:200]
        file.fail("", f"is no readable CxF3: {message}", "Check that it is whole, or export it again.")
    if document is None:
        file.fail("", "is empty", "Export it again.")
    return document


def _sample(entry: Any, specifications: Mapping[str, Any], creator: str, file: FileName) -> Sample:
    name = entry.name or entry.id or ""
    place = f"object {name!r}"
    values = entry.color_values.choice if entry.color_values else []
    for kind in ("ReflectanceSpectrum", "ColorCiexyz", "ColorCielab"):
        found = [value for value in values if type(value).__name__ == kind]
        if len(found) > 1:
            file.fail(place, f"has {len(found)} entries of {kind}", "Keep one for each object.")
        if found:
            return _coloured(found[0], entry, name, place, specifications, creator, file)
    file.fail(
        place,
        "has neither a reflectance spectrum, nor XYZ nor Lab",
        "Remove it, or export its colour too.",
    )


def _coloured(
    colour: Any,
    entry: Any,
    name: str,
    place: str,
    specifications: Mapping[str, Any],
    creator: str,
    file: FileName,
) -> Sample:
    wanted = colour.color_specification
    if wanted and wanted not in specifications:
        file.fail(place, f"refers to colour specification {wanted!r}, which is not there", "Get the file whole.")
    specification = specifications.get(wanted)
    conditions = _conditions(specification)
    date = getattr(colour, "measure_date", None) or (entry.creation_date and entry.creation_date.value)
    conditions["date"] = str(date)[:10] if date else ""
    told = (creator, conditions.pop("illumination"))
    conditions["source"] = "; ".join(part for part in told if part)
    kind = type(colour).__name__
    return Sample(
        name=name,
        place=place,
        conditions=conditions,
        spectrum=_points(colour, specification, place, file) if kind == "ReflectanceSpectrum" else (),
        xyz=_triple(colour, "x y z", place, file) if kind == "ColorCiexyz" else None,
        lab=_triple(colour, "l a b", place, file) if kind == "ColorCielab" else None,
    )


def _triple(colour: Any, names: str, place: str, file: FileName) -> Triple:
    first, second, third = (getattr(colour, name) for name in names.split())
    for value in (first, second, third):
        if not _is_number(value):
            file.fail(place, f"has {value!r} among {names.upper()}", "Write three numbers.")
    return float(first), float(second), float(third)


def _is_number(value: Any) -> TypeGuard[float]:
    """Whether it is one that a measurement may have; what can't be read as a number stays text, or is none."""
    return not isinstance(value, str) and value is not None and abs(value) < 1e12


def _points(colour: Any, specification: Any, place: str, file: FileName) -> tuple[tuple[float, float], ...]:
    measurement = specification.measurement_spec if specification else None
    wavelengths = measurement.wavelength_range if measurement else None
    start = colour.start_wl if colour.start_wl is not None else wavelengths and wavelengths.start_wl
    step = wavelengths and wavelengths.increment
    if not _is_number(start) or not _is_number(step) or step <= 0:
        file.fail(
            place,
            "has a spectrum without its first wavelength or its step",
            "It needs StartWL, and a colour specification with WavelengthRange/Increment.",
        )
    for value in colour.value:
        if not _is_number(value):
            file.fail(place, f"has {value!r} in its spectrum", "Write numbers.")
    return tuple((float(start + index * step), float(value)) for index, value in enumerate(colour.value))


def _conditions(specification: Any) -> dict[str, str]:
    """What a colour specification states, in the words of the conditions."""
    found = dict.fromkeys(("illuminant", "observer", "geometry", "instrument", "illumination"), "")
    found["origin"] = "measured"
    tristimulus = specification.tristimulus_spec if specification else None
    if tristimulus:
        illuminant, observer = tristimulus.illuminant_or_custom_illuminant, tristimulus.observer
        found["illuminant"] = _value(illuminant) or (illuminant and illuminant.name) or ""
        found["observer"] = _value(observer).removesuffix("_Degree")
    measurement = specification.measurement_spec if specification else None
    if measurement:
        found["geometry"] = _geometry(measurement.geometry_choice and measurement.geometry_choice.choice)
        device = measurement.device
        named = (device.manufacturer, device.model, device.serial_number) if device else ()
        found["instrument"] = " ".join(str(getattr(part, "value", part)) for part in named if part)
        found["illumination"] = _value(device and device.device_illumination)
    return found


def _value(element: Any) -> str:
    """The text of an element that holds a value of a fixed list; empty where there is none."""
    value = getattr(element, "value", element)
    return str(getattr(value, "value", value) or "") if value is not None else ""


def _geometry(choice: Any) -> str:
    """The geometry in CIE 15's form. Annular and uniplanar 45:0 are both 45:0, as ISO 13655 allows either."""
    if choice is None:
        return ""
    if type(choice).__name__ == "SingleAngleType":
        return f"{choice.illumination_angle or 0:g}:{choice.measurement_angle or 0:g}"
    if type(choice).__name__ == "MultiAngleType":
        return ""
    return _SPHERE.get(_value(choice), "")
