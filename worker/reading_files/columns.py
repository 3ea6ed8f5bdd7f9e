"""Which column holds what, by its name: a wavelength, or a coordinate of XYZ or CIELAB."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from worker.reading import Spectrum
from worker.reading_files.named_reading import FileName, Scale
from worker.reading_files.plain_text import number
from worker.reading_files.sample import Triple

_WAVELENGTH = re.compile(
    r"(?:SPECTRAL_?)?(?P<kind>NM|PCT|DEC)?_?(?P<nm>\d{2,5}(?:\.\d+)?)(?:\s*NM)?", re.IGNORECASE | re.ASCII
)
_XYZ_NAMES = (("X", "XYZ_X"), ("Y", "XYZ_Y"), ("Z", "XYZ_Z"))
_LAB_NAMES = (("L*", "LAB_L"), ("a*", "LAB_A"), ("b*", "LAB_B"))


def wavelength_of(name: str) -> tuple[float, Scale] | None:
    """The wavelength that a column's name states, such as 400, 400 nm, nm400, SPECTRAL_NM400, SPECTRAL_PCT_400.

    With it the scale that the name states: PCT is percent, DEC a fraction (ISO 28178's keywords, from memory).
    """
    found = _WAVELENGTH.fullmatch(name.strip())
    if not found:
        return None
    scales: dict[str, Scale] = {"PCT": "percent", "DEC": "fraction"}
    return float(found["nm"]), scales.get((found["kind"] or "").upper(), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourColumns:
    """The columns of a table that hold colours: index by wavelength, by X, Y, Z and by L*, a*, b*."""

    spectrum: Mapping[int, float]
    scale: Scale
    xyz: tuple[int, ...]
    lab: tuple[int, ...]

    @property
    def all(self) -> set[int]:
        """Every column that holds a part of a colour."""
        return {*self.spectrum, *self.xyz, *self.lab}


def colour_columns(names: Sequence[str], place: str, file: FileName) -> ColourColumns:
    """The colour columns among a table's names; a doubled wavelength and half a triple are errors."""
    spectrum: dict[int, float] = {}
    seen: set[float] = set()
    scales: set[Scale] = set()
    for index, name in enumerate(names):
        found = wavelength_of(name)
        if found is None:
            continue
        if found[0] in seen:
            file.fail(f"{place}, column {name}", f"there are two columns for {found[0]:g} nm", "Keep one of them.")
        spectrum[index] = found[0]
        seen.add(found[0])
        scales.add(found[1])
    if len(scales) > 1:
        file.fail(
            place, "the wavelength columns declare different scales", "Give them all in percent, or as fractions."
        )
    return ColourColumns(
        spectrum=spectrum,
        scale=scales.pop() if scales else "",
        xyz=_triple_columns(names, _XYZ_NAMES, place, file),
        lab=_triple_columns(names, _LAB_NAMES, place, file),
    )


def _triple_columns(
    names: Sequence[str], wanted: Sequence[tuple[str, str]], place: str, file: FileName
) -> tuple[int, ...]:
    found = [[index for index, name in enumerate(names) if name.strip() in each] for each in wanted]
    if all(len(each) == 1 for each in found):
        return tuple(index for each in found for index in each)
    if any(found):
        here = ", ".join(names[index] for each in found for index in each)
        whole = " or ".join(", ".join(each) for each in zip(*wanted, strict=True))
        file.fail(
            place,
            f"has the columns {here}",
            f"A colour needs three, once each: {whole}. (Hunter's L, a, b are another space.)",
        )
    return ()


def values_of(
    cells: Sequence[str], names: Sequence[str], columns: Sequence[int], place: str, file: FileName, decimal_comma: bool
) -> list[float]:
    """The numbers of some cells of a row."""
    return [
        number(cells[index], file, f"{place}, column {names[index]}", decimal_comma=decimal_comma) for index in columns
    ]


def triple_of(values: Sequence[float]) -> Triple:
    """Three numbers."""
    first, second, third = values
    return first, second, third


def wavelengths_of(spectrum: Spectrum) -> list[float]:
    """The wavelengths of a spectrum's values, in nm, to a millionth."""
    return [round(spectrum.start_nm + index * spectrum.step_nm, 6) for index in range(len(spectrum.values))]


def nm_text(nm: float) -> str:
    """A wavelength as a column's name states it."""
    return f"{nm:.10g}"
