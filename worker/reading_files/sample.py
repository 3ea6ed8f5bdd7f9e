"""What every kind of file is first read into, and the one place where that is judged and becomes readings.

Nothing is guessed here: a missing condition, a scale that could be either, a gap in a spectrum are errors that say what
to write or which option to give.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import cast

from worker.reading import (
    ILLUMINANTS,
    MAX_FACTOR,
    MAX_NM,
    MAX_STEP_NM,
    MIN_NM,
    NEEDED_NM,
    OBSERVERS,
    ORIGINS,
    Origin,
    Reading,
    Spectrum,
)
from worker.reading_files.named_reading import (
    CONDITIONS,
    MAX_SAMPLES,
    MAX_TEXT,
    FileName,
    NamedReading,
    ReadingDefaults,
    Scale,
)
from worker.reading_files.plain_text import number

Triple = tuple[float, float, float]

LIKELY_FRACTION = 1.2
"""A reflectance above this and up to `MAX_FACTOR` is a rare glossy metal's, or a percentage of something dark."""
MIN_STEP_NM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One sample as its file has it: conditions as text, exactly one of `spectrum`, `xyz`, `lab`.

    `spectrum` is (wavelength in nm, value) in the file's order and scale; `scale` is what the file says of it.
    """

    name: str
    place: str
    conditions: Mapping[str, str] = field(default_factory=dict)
    spectrum: tuple[tuple[float, float], ...] = ()
    xyz: Triple | None = None
    lab: Triple | None = None
    scale: Scale = ""


def to_readings(samples: Sequence[Sample], defaults: ReadingDefaults, file: FileName) -> list[NamedReading]:
    """The readings of a file's samples, or the first error in it."""
    if not samples:
        file.fail("", "holds no readings", "Check that it is the right file, and whole.")
    if len(samples) > MAX_SAMPLES:
        file.fail(samples[MAX_SAMPLES].place, f"there are more than {MAX_SAMPLES} readings", "Split the file.")
    scaled = _scaled(samples, defaults, file)
    return [_named_reading(sample, defaults, file) for sample in scaled]


def _named_reading(sample: Sample, defaults: ReadingDefaults, file: FileName) -> NamedReading:
    conditions = _conditions(sample, defaults, file)
    spectral = bool(sample.spectrum)
    needed = ("geometry", "origin") if spectral else ("illuminant", "observer", "geometry", "origin")
    missing = [key for key in needed if not conditions[key]]
    if missing:
        kind = "a spectrum" if spectral else "an XYZ" if sample.xyz is not None else "a Lab"
        options = " and ".join(f"--{key}" for key in missing)
        file.fail(
            sample.place,
            f"has {kind} without {', '.join(missing)}",
            f"A colour holds only under its conditions: add them to the file, or give {options}.",
        )
    uncertainty = conditions["uncertainty"]
    reading = Reading(
        geometry=conditions["geometry"],
        origin=cast(Origin, conditions["origin"]),
        spectrum=_spectrum(sample, file) if spectral else None,
        xyz=sample.xyz if sample.xyz is None else _checked(sample.xyz, "XYZ", _XYZ, sample.place, file),
        lab=sample.lab if sample.lab is None else _checked(sample.lab, ("L*", "a*", "b*"), _LAB, sample.place, file),
        illuminant=conditions.get("illuminant", ""),
        observer=conditions.get("observer", ""),
        uncertainty=float(uncertainty) if uncertainty else None,
        **{key: conditions[key] for key in ("instrument", "date", "batch", "coupon", "source")},
    )
    return NamedReading(finish=_text(sample.name, "name", sample.place, file), reading=reading, place=sample.place)


_XYZ = ((0.0, 250.0),) * 3
_LAB = ((0.0, 110.0), (-160.0, 160.0), (-160.0, 160.0))


def _checked(
    triple: Triple, names: Sequence[str], ranges: Sequence[tuple[float, float]], place: str, file: FileName
) -> Triple:
    for value, name, (low, high) in zip(triple, names, ranges, strict=True):
        if not low <= value <= high:
            file.fail(f"{place}, {name}", f"is {value:g}", f"It goes from {low:g} to {high:g}: check unit and column.")
    return triple


# --- conditions


def _conditions(sample: Sample, defaults: ReadingDefaults, file: FileName) -> dict[str, str]:
    """What the file says, and where it says nothing what was given; a contradiction is an error."""
    found = {}
    for key in CONDITIONS:
        if sample.spectrum and key in ("illuminant", "observer"):
            continue  # they tell how a Lab beside the spectrum was calculated; a spectrum holds under any light
        given = standard(key, getattr(defaults, key), f"option --{key}", file, defaults)
        said = standard(key, sample.conditions.get(key, ""), f"{sample.place}, {key}", file, defaults)
        if given and said and given != said:
            file.fail(
                f"{sample.place}, {key}",
                f"is {said!r} in the file, but {given!r} was given",
                f"Leave --{key} out, or correct the file.",
            )
        found[key] = said or given
    return found


def standard(key: str, text: str, place: str, file: FileName, defaults: ReadingDefaults) -> str:
    """One condition in the words of a fab profile: `45/0` is 45:0, `10 degree` is 10, `d65` is D65."""
    text = _text(text, key, place, file)
    if not text:
        return ""
    if key == "illuminant":
        return _illuminant(text, place, file)
    if key == "observer":
        return _observer(text, place, file)
    if key == "geometry":
        return standard_geometry(text)
    if key == "origin" and text not in ORIGINS:
        file.fail(place, f"is {text!r}", f"Choose one of: {', '.join(ORIGINS)}.")
    if key == "uncertainty":
        value = number(text, file, place, decimal_comma=defaults.decimal_comma)
        if not 0.0 <= value <= 50.0:
            file.fail(place, f"is {value:g}", "Give a CIEDE2000 from 0 to 50.")
        return repr(value)
    return text


def _text(text: str, key: str, place: str, file: FileName) -> str:
    text = text.strip()
    if len(text) > MAX_TEXT or any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
        where = place if place.endswith(key) else f"{place}, {key}"
        file.fail(where, f"is longer than {MAX_TEXT} letters or holds control letters", "Shorten it to one line.")
    return text


def _illuminant(text: str, place: str, file: FileName) -> str:
    name = re.sub(r"^(?:CIE|ILLUMINANT|STANDARD)+|[\s_-]", "", re.sub(r"[\s_-]", "", text.upper()))
    name = re.sub(r"^FL?0?(\d)", r"F\1", name)
    if name not in ILLUMINANTS:
        file.fail(place, f"is {text!r}", f"Known illuminants: {', '.join(ILLUMINANTS)}.")
    return name


_OBSERVER = re.compile(
    r"(?:CIE\s*)?(?:(2|10)\s*-?\s*(?:°|º|DEG(?:REES?)?\.?)?|(1931|1964))(?:\s*OBSERVER)?", re.IGNORECASE
)


def _observer(text: str, place: str, file: FileName) -> str:
    found = _OBSERVER.fullmatch(text)
    if not found:
        file.fail(place, f"is {text!r}", f"Known observers: {' and '.join(OBSERVERS)} degree.")
    return found[1] or {"1931": "2", "1964": "10"}[found[2]]


_ANGLES = re.compile(r"(45a|45c|45|d|di|de|0|8)\s*°?\s*[:/]\s*(45a|45c|45|d|di|de|0|8)\s*°?(.*)", re.IGNORECASE)


def standard_geometry(text: str) -> str:
    """The geometry in CIE 15's form: `45/0` is 45:0, `di:8` is d:8 SCI, `de:8` is d:8 SCE; other words stay."""
    found = _ANGLES.fullmatch(text)
    if not found:
        return text
    light, view, rest = found[1].lower(), found[2].lower(), found[3].strip()
    for whole, plain, gloss in (("di", "d", "SCI"), ("de", "d", "SCE")):
        if whole in (light, view):
            light, view = light.replace(whole, plain), view.replace(whole, plain)
            rest = rest or gloss
    return f"{light}:{view} {rest}".strip()


# --- scale


def _scaled(samples: Sequence[Sample], defaults: ReadingDefaults, file: FileName) -> list[Sample]:
    """The samples with reflectance factors, white at 1, and XYZ and Lab, white at 100."""
    declared = [_declared(sample, defaults, file) for sample in samples]
    spectra = [(sample, scale) for sample, scale in zip(samples, declared, strict=True) if sample.spectrum]
    for scale in dict.fromkeys(said for _, said in spectra):
        _judge_spectra([sample for sample, said in spectra if said == scale], scale, file)
    undeclared = [sample for sample, scale in zip(samples, declared, strict=True) if not scale]
    _judge_colours(undeclared, file)
    return [_to_standard(sample, scale, file) for sample, scale in zip(samples, declared, strict=True)]


def _declared(sample: Sample, defaults: ReadingDefaults, file: FileName) -> Scale:
    # a scale that was given for a file's spectra says nothing of its Lab
    given: Scale = "" if sample.lab is not None else defaults.scale
    if given and sample.scale and given != sample.scale:
        file.fail(
            f"{sample.place}, scale",
            f"is {sample.scale} in the file, but {given} was given",
            "Leave --scale out, or correct the file.",
        )
    return sample.scale or given


def _judge_spectra(samples: Iterable[Sample], scale: Scale, file: FileName) -> None:
    """Is what the file says of its scale, or does not say, what its values say?"""
    points = [(value, nm, sample) for sample in samples for nm, value in sample.spectrum]
    if not points:
        return
    highest, nm, sample = max(points, key=lambda point: point[0])
    where = f"{sample.place}, {nm:g} nm"
    if scale == "percent":
        if highest <= 1.0:
            file.fail(
                where,
                f"is {highest:g}, the highest value of spectra declared as percent, where white is 100",
                "If white is 1 in this file, say --scale fraction, or correct its declaration.",
            )
        if highest > 100.0 * MAX_FACTOR:
            file.fail(where, f"is {highest:g} percent", "No surface reflects so much: check the unit.")
    elif highest > MAX_FACTOR:
        said = " of spectra declared as fractions" if scale else ""
        file.fail(
            where,
            f"is {highest:g}{said}, and white is 1",
            "If these are percent, say --scale percent" + (", and correct the file's declaration." if scale else "."),
        )
    elif not scale and highest > LIKELY_FRACTION:
        file.fail(
            where,
            f"is {highest:g}, the highest value, which may be a fraction above white or a small percentage",
            "Say --scale fraction if white is 1, --scale percent if white is 100.",
        )


def _judge_colours(samples: Sequence[Sample], file: FileName) -> None:
    """XYZ and Lab that only make sense with a white of 1, where nobody declared that, are refused."""
    for kind, triples in (
        ("Y", [(sample.xyz[1], sample) for sample in samples if sample.xyz is not None]),
        ("L*", [(sample.lab[0], sample) for sample in samples if sample.lab is not None]),
    ):
        if not triples:
            continue
        highest, sample = max(triples, key=lambda entry: entry[0])
        if highest <= LIKELY_FRACTION:
            file.fail(
                f"{sample.place}, {kind}",
                f"is {highest:g}, the highest of the file, and white is 100",
                "If white is 1 in this file, say --scale fraction; if all is so dark, --scale percent."
                if kind == "Y"
                else "CIELAB has L* from 0 to 100: check what the numbers are.",
            )


def _to_standard(sample: Sample, scale: Scale, file: FileName) -> Sample:
    spectrum, xyz = sample.spectrum, sample.xyz
    if spectrum and scale == "percent":
        spectrum = tuple((nm, value / 100.0) for nm, value in spectrum)
    if xyz is not None and scale == "fraction":
        xyz = (100.0 * xyz[0], 100.0 * xyz[1], 100.0 * xyz[2])
    if sample.lab is not None and scale == "fraction":
        file.fail(f"{sample.place}, scale", "is fraction, but CIELAB has its white at 100", "Leave the scale out.")
    return Sample(
        name=sample.name,
        place=sample.place,
        conditions=sample.conditions,
        spectrum=spectrum,
        xyz=xyz,
        lab=sample.lab,
        scale=scale,
    )


# --- spectra


def _spectrum(sample: Sample, file: FileName) -> Spectrum:
    points = sorted(sample.spectrum)
    for nm, value in points:
        if not 0.0 <= value <= MAX_FACTOR:
            file.fail(
                f"{sample.place}, {nm:g} nm",
                f"is a reflectance factor of {value:g}",
                f"It goes from 0 to {MAX_FACTOR:g}: write 0 for a little noise below it, else check the unit.",
            )
    step = _even_step([nm for nm, _ in points], sample.place, file)
    start, end = points[0][0], points[-1][0]
    if start < MIN_NM or end > MAX_NM:
        file.fail(
            sample.place,
            f"the spectrum goes from {start:g} to {end:g} nm",
            f"Keep what lies between {MIN_NM:g} and {MAX_NM:g} nm, and check that these are nanometres.",
        )
    if start > NEEDED_NM[0] or end < NEEDED_NM[1]:
        file.fail(
            sample.place,
            f"the spectrum goes from {start:g} to {end:g} nm",
            f"It must cover {NEEDED_NM[0]:g} to {NEEDED_NM[1]:g} nm; if it can't, give XYZ or Lab instead.",
        )
    return Spectrum(start_nm=start, step_nm=step, values=tuple(value for _, value in points))


def _even_step(wavelengths: Sequence[float], place: str, file: FileName) -> float:
    """The step of sorted wavelengths, in nm; a doubled one, a gap and an uneven step are errors."""
    pairs = list(itertools.pairwise(wavelengths))
    if not pairs:
        file.fail(place, f"the spectrum has one value only, at {wavelengths[0]:g} nm", "Give it from 400 to 700 nm.")
    if wavelengths[-1] < 30.0:
        file.fail(
            place,
            f"the wavelengths go from {wavelengths[0]:g} to {wavelengths[-1]:g}",
            "These are no nanometres: if they are micrometres, multiply them by 1000.",
        )
    for first, second in pairs:
        if second - first < 1e-6:
            file.fail(f"{place}, {first:g} nm", "is there twice", "Keep one value for each wavelength.")
    ((step, _),) = Counter(round(second - first, 6) for first, second in pairs).most_common(1)
    for first, second in pairs:
        if abs(second - first - step) > 1e-3 * step:
            _fail_unevenly(first, second, step, place, file)
    step = round((wavelengths[-1] - wavelengths[0]) / len(pairs), 9)
    if not MIN_STEP_NM <= step <= MAX_STEP_NM:
        file.fail(
            place,
            f"the spectrum has a value every {step:g} nm",
            f"It needs one every {MIN_STEP_NM:g} to {MAX_STEP_NM:g} nm; if it has too few, give XYZ or Lab instead.",
        )
    return step


def _fail_unevenly(first: float, second: float, step: float, place: str, file: FileName) -> None:
    missing = round((second - first) / step) - 1
    if missing >= 1 and abs((missing + 1) * step - (second - first)) < 1e-3 * step:
        file.fail(f"{place}, {first + step:g} nm", "has no value", "Fill the gap, or leave this reading out.")
    file.fail(
        f"{place}, {first:g} to {second:g} nm",
        f"is a step of {second - first:g} nm among steps of {step:g} nm",
        "Give the spectrum at even steps.",
    )
