"""CSV: one row for each reading, or one column for each sample beside a column of wavelengths.

Rows: a column `finish`, then any of the conditions, `scale`, and `L*, a*, b*` or `X, Y, Z` or wavelengths (`400`,
`410` ...). A cell may stay empty where it does not apply. Columns are separated by commas, semicolons or tabs; lines
that begin with # are comments.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from typing import cast

from worker.reading import MAX_NM, MIN_NM, Reading, Spectrum
from worker.reading_files.columns import (
    ColourColumns,
    colour_columns,
    nm_text,
    triple_of,
    values_of,
    wavelength_of,
    wavelengths_of,
)
from worker.reading_files.named_reading import CONDITIONS, FileName, NamedReading, ReadingDefaults, Scale
from worker.reading_files.plain_text import number, read_text
from worker.reading_files.sample import Sample, Triple, to_readings

_WAVELENGTH_NAMES = ("wavelength", "wavelengths", "wavelength_nm", "wavelength (nm)", "wavelength [nm]", "nm")
_NAME_COLUMNS = ("finish", "sample")
_LAYOUT = (
    "Name the columns: finish, then conditions ("
    + ", ".join(CONDITIONS)
    + ", scale), then L*, a*, b* or X, Y, Z or wavelengths such as 400, 410; or name the first column wavelength and "
    "the others after their samples."
)

Row = tuple[str, list[str]]
"""Where a row stands, such as `row 12`, and its cells."""


def read_csv(data: bytes, defaults: ReadingDefaults, file: FileName) -> list[NamedReading]:
    """The readings of a CSV file. Raises ReadingFileError."""
    rows = list(_rows(read_text(data, file), file))
    if not rows:
        file.fail("", "is empty", "Check that it is the right file, and whole.")
    place, header = rows[0]
    while header and not header[-1]:
        header.pop()
    whole = [_fitted(row, len(header), file) for row in rows[1:]]
    if header and header[0].lower() in _WAVELENGTH_NAMES and all(map(_is_wavelength, header[1:])):
        header[0] = "finish"  # the name of the other columns stands above the samples' names
    if header and header[0].lower() in _WAVELENGTH_NAMES:
        samples = _samples_by_column(place, header, whole, defaults, file)
    else:
        samples = _samples_by_row(place, header, whole, defaults, file)
    return to_readings(samples, defaults, file)


def _rows(text: str, file: FileName) -> Iterator[Row]:
    """Every row that is neither blank nor a comment."""
    lines = text.split("\n")
    first = next((line for line in lines if line.strip(" ,;\t") and not line.startswith("#")), "")
    separator = "\t" if "\t" in first else ";" if ";" in first else ","
    reader = csv.reader(_uncommented(lines), delimiter=separator, strict=True)
    while True:
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            file.fail(f"row {reader.line_num}", f"is no CSV: {error}", "Check its quotes, and that the file is whole.")
        if any(cells):
            yield f"row {reader.line_num}", cells


def _uncommented(lines: Iterable[str]) -> Iterator[str]:
    """The lines, comments emptied so that the rows keep their numbers."""
    return ("\n" if line.startswith("#") else line + "\n" for line in lines)


def _fitted(row: Row, wanted: int, file: FileName) -> Row:
    place, cells = row
    while len(cells) > wanted and not cells[-1]:
        cells.pop()
    if len(cells) != wanted:
        file.fail(
            place,
            f"has {len(cells)} cells, the header {wanted}",
            "Check that the row is whole; where decimals are commas, separate cells by semicolons.",
        )
    return place, cells


def _is_wavelength(name: str) -> bool:
    named = wavelength_of(name)
    return named is not None and MIN_NM <= named[0] <= MAX_NM


# --- one row for each reading


def _samples_by_row(
    place: str, header: Sequence[str], rows: Sequence[Row], defaults: ReadingDefaults, file: FileName
) -> list[Sample]:
    colours = colour_columns(header, place, file)
    texts = _text_columns(place, header, colours, file)
    if not colours.all:
        file.fail(place, f"names no column of a colour: {', '.join(header)}", _LAYOUT)
    return [_row_sample(row, header, colours, texts, defaults, file) for row in rows]


def _text_columns(place: str, header: Sequence[str], colours: ColourColumns, file: FileName) -> dict[str, int]:
    """Where the name, the scale and each condition stands."""
    found: dict[str, int] = {}
    coloured = colours.all
    for index, name in enumerate(header):
        if index in coloured:
            continue
        key = "finish" if name.lower() in _NAME_COLUMNS else name.lower()
        if key not in ("finish", "scale", *CONDITIONS):
            file.fail(f"{place}, column {index + 1}", f"{name!r} is not a known column", _unknown_mend(name))
        if key in found:
            file.fail(f"{place}, column {name}", "is there twice", "Keep one of them.")
        found[key] = index
    return found


def _unknown_mend(name: str) -> str:
    if name in ("L", "a", "b"):
        return f"If it is CIELAB's, name it {name}*: Hunter's L, a, b are another space."
    return "Remove it, or correct its name. " + _LAYOUT


def _row_sample(
    row: Row,
    header: Sequence[str],
    colours: ColourColumns,
    texts: dict[str, int],
    defaults: ReadingDefaults,
    file: FileName,
) -> Sample:
    place, cells = row

    def values(columns: Sequence[int]) -> list[float]:
        return values_of(cells, header, columns, place, file, defaults.decimal_comma)

    filled = {index for index in colours.all if cells[index]}
    wavelengths = [index for index in colours.spectrum if index in filled]
    kinds = [kind for kind in (colours.spectrum, colours.xyz, colours.lab) if filled.intersection(kind)]
    if len(kinds) != 1:
        what = "has no colour" if not kinds else "has more than one kind of colour"
        file.fail(place, what, "Fill in exactly one of L*, a*, b*; X, Y, Z; and the wavelengths.")
    is_xyz, is_lab = bool(filled.intersection(colours.xyz)), bool(filled.intersection(colours.lab))
    return Sample(
        name=cells[texts["finish"]] if "finish" in texts else "",
        place=place,
        conditions={key: cells[texts[key]] for key in CONDITIONS if key in texts},
        spectrum=tuple(zip((colours.spectrum[index] for index in wavelengths), values(wavelengths), strict=True)),
        xyz=triple_of(values(colours.xyz)) if is_xyz else None,
        lab=triple_of(values(colours.lab)) if is_lab else None,
        scale=_scale(cells[texts["scale"]] if "scale" in texts else "", place, file),
    )


def _scale(text: str, place: str, file: FileName) -> Scale:
    if text not in ("", "fraction", "percent"):
        file.fail(f"{place}, scale", f"is {text!r}", "Write fraction where white is 1, percent where white is 100.")
    return cast(Scale, text)


# --- one column for each sample


def _samples_by_column(
    place: str, header: Sequence[str], rows: Sequence[Row], defaults: ReadingDefaults, file: FileName
) -> list[Sample]:
    comma = defaults.decimal_comma
    if len(header) < 2:
        file.fail(place, "names no sample beside the wavelengths", _LAYOUT)
    wavelengths = [_wavelength(cells[0], f"{row}, {header[0]}", comma, file) for row, cells in rows]
    _refuse_doubles(wavelengths, [row for row, _ in rows], file)
    samples = []
    for index, name in enumerate(header[1:], start=1):
        if not name:
            file.fail(f"{place}, column {index + 1}", "names no sample", "Name every column after its sample.")
        points = tuple(
            (nm, number(cells[index], file, f"{row}, column {name}", decimal_comma=comma))
            for nm, (row, cells) in zip(wavelengths, rows, strict=True)
            if cells[index]
        )
        if not points:
            file.fail(f"column {name}", "holds no values", "Fill it, or remove it.")
        samples.append(Sample(name=name, place=f"column {name}", spectrum=points))
    return samples


def _wavelength(text: str, place: str, decimal_comma: bool, file: FileName) -> float:
    named = wavelength_of(text)
    return named[0] if named else number(text, file, place, decimal_comma=decimal_comma)


def _refuse_doubles(wavelengths: Sequence[float], places: Sequence[str], file: FileName) -> None:
    seen: dict[float, str] = {}
    for nm, place in zip(wavelengths, places, strict=True):
        if nm in seen:
            file.fail(place, f"has {nm:g} nm again, after {seen[nm]}", "Keep one row for each wavelength.")
        seen[nm] = place


# --- writing


def write_csv(readings: Sequence[NamedReading]) -> bytes:
    """The canonical CSV, which `read_readings` reads back as the same readings: UTF-8, commas, decimal points."""
    wavelengths = sorted({nm for each in readings for nm in _wavelengths(each.reading)})
    lab = ["L*", "a*", "b*"] if any(each.reading.lab is not None for each in readings) else []
    xyz = ["X", "Y", "Z"] if any(each.reading.xyz is not None for each in readings) else []
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["finish", *CONDITIONS, "scale", *lab, *xyz, *(nm_text(nm) for nm in wavelengths)])
    for each in readings:
        writer.writerow(
            [
                each.finish,
                *(_condition(each.reading, key) for key in CONDITIONS),
                "fraction" if each.reading.spectrum is not None else "percent",
                *(_cells(each.reading.lab) if lab else ()),
                *(_cells(each.reading.xyz) if xyz else ()),
                *_spectrum_cells(each.reading.spectrum, wavelengths),
            ]
        )
    return out.getvalue().encode("utf-8")


def _wavelengths(reading: Reading) -> list[float]:
    return [] if reading.spectrum is None else wavelengths_of(reading.spectrum)


def _condition(reading: Reading, key: str) -> str:
    value = getattr(reading, key)
    return "" if value is None else str(value)


def _cells(triple: Triple | None) -> list[str]:
    return ["", "", ""] if triple is None else [repr(value) for value in triple]


def _spectrum_cells(spectrum: Spectrum | None, wavelengths: Sequence[float]) -> list[str]:
    here = dict(zip(wavelengths_of(spectrum), spectrum.values, strict=True)) if spectrum is not None else {}
    return [repr(here[nm]) if nm in here else "" for nm in wavelengths]
