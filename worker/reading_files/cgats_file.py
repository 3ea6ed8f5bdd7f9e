"""Keyword text after CGATS.17 and ISO 28178: read and written by a parser of our own. (Keywords from memory.)

A file holds one or more tables. Each has keywords (`INSTRUMENTATION "..."`), a list of fields between
BEGIN_DATA_FORMAT and END_DATA_FORMAT, and rows between BEGIN_DATA and END_DATA. `#` begins a comment. A table's
keywords hold for that table alone. Where its fields hold several kinds of colour of one sample, the spectrum counts
before XYZ, and XYZ before Lab, since the later ones are calculated from the earlier.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from worker.reading import Reading
from worker.reading_files.columns import (
    ColourColumns,
    colour_columns,
    nm_text,
    triple_of,
    values_of,
    wavelengths_of,
)
from worker.reading_files.named_reading import CONDITIONS, FileName, NamedReading, ReadingDefaults, Scale
from worker.reading_files.plain_text import number, read_text
from worker.reading_files.sample import Sample, standard, to_readings

IDENTIFIER = re.compile(r"\s*(?:#[^\n]*\n\s*)*(?:CGATS(?:\.\d+)?|ISO[ _-]?28178)\b", re.IGNORECASE)
_TOKEN = re.compile(r'"(?P<quoted>(?:[^"]|"")*)"|(?P<plain>[^\s"#][^\s"]*)|(?P<comment>#.*)|(?P<space>\s+)')

_CONDITION_KEYWORDS = {
    "MEASUREMENT_GEOMETRY": "geometry",
    "ILLUMINANT": "illuminant",
    "ILLUMINATION_NAME": "illuminant",
    "OBSERVER": "observer",
    "OBSERVER_ANGLE": "observer",
    "INSTRUMENTATION": "instrument",
    "CREATED": "date",
    "BATCH": "batch",
    "COUPON": "coupon",
    "READING_ORIGIN": "origin",
    "READING_SOURCE": "source",
    "READING_UNCERTAINTY": "uncertainty",
    "ORIGINATOR": "source",
}
"""Which condition a keyword states. READING_SOURCE counts before ORIGINATOR; illuminants and observers must agree."""
_OWN_KEYWORDS = {
    "origin": "READING_ORIGIN",
    "batch": "BATCH",
    "coupon": "COUPON",
    "source": "READING_SOURCE",
    "uncertainty": "READING_UNCERTAINTY",
    "scale": "READING_SCALE",
}
"""Keywords that the standard lacks, which a file of ours declares before it uses them."""
_NAME_FIELDS = ("SAMPLE_NAME", "SAMPLENAME", "SAMPLE_ID", "SAMPLEID")

Line = tuple[int, list[str]]
"""A line's number and its tokens."""


@dataclass(slots=True, kw_only=True)
class _Table:
    """One table as it is read, line by line."""

    keywords: dict[str, tuple[str, int]] = field(default_factory=dict)
    pairs: list[tuple[str, str, int]] = field(default_factory=list)
    fields: list[str] = field(default_factory=list)
    fields_line: int = 0
    rows: list[Line] = field(default_factory=list)


def read_cgats(data: bytes, defaults: ReadingDefaults, file: FileName) -> list[NamedReading]:
    """The readings of a CGATS file. Raises ReadingFileError."""
    tables = _tables(list(_lines(read_text(data, file), file)), file)
    samples = [sample for table in tables for sample in _samples(table, defaults, file)]
    return to_readings(samples, defaults, file)


def _lines(text: str, file: FileName) -> Iterator[Line]:
    """The tokens of every line that has any; a quoted token is unquoted, comments are left out."""
    for line_number, line in enumerate(text.split("\n"), start=1):
        tokens, position = [], 0
        while position < len(line):
            found = _TOKEN.match(line, position)
            if not found:
                file.fail(f"line {line_number}", "has a quote that does not end", "Close it on the same line.")
            position = found.end()
            if found["quoted"] is not None:
                tokens.append(found["quoted"].replace('""', '"'))
            elif found["plain"] is not None:
                tokens.append(found["plain"])
        if tokens:
            yield line_number, tokens


# --- tables


def _tables(lines: Sequence[Line], file: FileName) -> list[_Table]:
    """The tables of a file, each checked against the counts that it states."""
    tables, table = [], _Table()
    position = 0
    while position < len(lines):
        line_number, tokens = lines[position]
        keyword = tokens[0].upper()
        if keyword == "BEGIN_DATA_FORMAT":
            position = _read_fields(table, lines, position, file)
        elif keyword == "BEGIN_DATA":
            position = _read_rows(table, lines, position, file)
            tables.append(_counted(table, line_number, file))
            table = _Table()
        else:
            _read_keyword(table, line_number, tokens)
            position += 1
    if table.fields:
        file.fail(f"line {table.fields_line}", "names fields, but no BEGIN_DATA follows", "Get the file whole.")
    if not tables:
        file.fail("", "has no BEGIN_DATA", "The file is cut short, or no CGATS file.")
    return tables


def _read_keyword(table: _Table, line_number: int, tokens: Sequence[str]) -> None:
    keyword, value = tokens[0].upper(), " ".join(tokens[1:])
    if keyword in ("WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER"):
        # name and value are parted by a comma, and pairs by a semicolon
        for pair in value.split(";"):
            name, _, said = pair.partition(",")
            table.pairs.append((name.strip().upper(), said.strip(), line_number))
    elif len(tokens) > 1 and keyword != "KEYWORD":
        table.keywords[keyword] = (value, line_number)


def _read_fields(table: _Table, lines: Sequence[Line], position: int, file: FileName) -> int:
    """Read the names between BEGIN_DATA_FORMAT and END_DATA_FORMAT; the place after them."""
    table.fields_line = lines[position][0]
    if table.fields:
        file.fail(f"line {table.fields_line}", "begins a second BEGIN_DATA_FORMAT in one table", "Remove one of them.")
    for index in range(position, len(lines)):
        tokens = lines[index][1][1:] if index == position else lines[index][1]
        for token_index, token in enumerate(tokens):
            if token.upper() == "END_DATA_FORMAT":
                if tokens[token_index + 1 :]:
                    file.fail(f"line {lines[index][0]}", "goes on after END_DATA_FORMAT", "Begin a new line there.")
                if not table.fields:
                    file.fail(f"line {lines[index][0]}", "ends a list of no fields", "Name the fields of the table.")
                return index + 1
            table.fields.append(token)
    file.fail(f"line {table.fields_line}", "BEGIN_DATA_FORMAT has no END_DATA_FORMAT", "Get the file whole.")


def _read_rows(table: _Table, lines: Sequence[Line], position: int, file: FileName) -> int:
    """Read the rows between BEGIN_DATA and END_DATA; the place after them."""
    begin = lines[position][0]
    if not table.fields:
        file.fail(f"line {begin}", "BEGIN_DATA stands before any BEGIN_DATA_FORMAT", "Name the table's fields first.")
    for index in range(position + 1, len(lines)):
        line_number, tokens = lines[index]
        if tokens[0].upper() == "END_DATA":
            return index + 1
        if len(tokens) != len(table.fields):
            file.fail(
                f"line {line_number}",
                f"has {len(tokens)} values, the format names {len(table.fields)} fields",
                "Write each set on one line and in full, and names with blanks in quotes.",
            )
        table.rows.append((line_number, tokens))
    file.fail(f"line {begin}", "BEGIN_DATA has no END_DATA", "The file is cut short: get it whole.")


def _counted(table: _Table, begin: int, file: FileName) -> _Table:
    for keyword, what, count in (
        ("NUMBER_OF_FIELDS", "fields", len(table.fields)),
        ("NUMBER_OF_SETS", "sets", len(table.rows)),
    ):
        said, line_number = table.keywords.get(keyword, (str(count), begin))
        if not said.isdecimal() or int(said) != count:
            file.fail(
                f"line {line_number}",
                f"{keyword} is {said}, but there are {count} {what}",
                "The file is cut short or was edited: get it whole, or correct the number.",
            )
    return table


# --- samples


def _samples(table: _Table, defaults: ReadingDefaults, file: FileName) -> Iterator[Sample]:
    conditions = _table_conditions(table, defaults, file)
    conditions.setdefault("origin", "" if defaults.origin else "measured")  # the format is one for measurements
    place = f"line {table.fields_line}"
    upper = [name.upper() for name in table.fields]
    name_index = next((upper.index(name) for name in _NAME_FIELDS if name in upper), None)
    paired = [index for index, name in enumerate(upper) if name == "SPECTRAL_NM"]
    columns = colour_columns(table.fields, place, file)
    if not columns.all and not paired:
        file.fail(place, f"names no field of a colour: {', '.join(table.fields)}", _NO_COLOUR)
    kind = "spectrum" if columns.spectrum or paired else "xyz" if columns.xyz else "lab"
    declared = _table_scale(table, kind, defaults, file)
    for line_number, cells in table.rows:
        where = f"line {line_number}"
        spectrum, scale = _row_spectrum(cells, table.fields, columns, paired, where, file, defaults)
        triple_columns = {"spectrum": (), "xyz": columns.xyz, "lab": columns.lab}[kind]
        values = values_of(cells, table.fields, triple_columns, where, file, defaults.decimal_comma)
        yield Sample(
            name=cells[name_index] if name_index is not None else "",
            place=where,
            conditions=conditions,
            spectrum=spectrum,
            xyz=triple_of(values) if kind == "xyz" else None,
            lab=triple_of(values) if kind == "lab" else None,
            scale=_one_scale(scale, declared, where, file),
        )


_NO_COLOUR = "Name LAB_L LAB_A LAB_B, XYZ_X XYZ_Y XYZ_Z, or wavelengths such as SPECTRAL_NM400."


def _row_spectrum(
    cells: Sequence[str],
    fields: Sequence[str],
    columns: ColourColumns,
    paired: Sequence[int],
    where: str,
    file: FileName,
    defaults: ReadingDefaults,
) -> tuple[tuple[tuple[float, float], ...], Scale]:
    """A row's spectrum, empty where it has none, and the scale that its fields declare."""
    comma = defaults.decimal_comma
    if not paired:
        values = values_of(cells, fields, list(columns.spectrum), where, file, comma)
        return tuple(zip(columns.spectrum.values(), values, strict=True)), columns.scale
    values_at = [index + 1 for index in paired]
    names = {fields[index].upper() if index < len(fields) else "" for index in values_at}
    scales: dict[str, Scale] = {"SPECTRAL_PCT": "percent", "SPECTRAL_DEC": "fraction"}
    if len(names) != 1 or not names <= set(scales):
        file.fail(where, "has SPECTRAL_NM without its value", "Follow each by SPECTRAL_PCT, or each by SPECTRAL_DEC.")
    wavelengths = values_of(cells, fields, paired, where, file, comma)
    return tuple(zip(wavelengths, values_of(cells, fields, values_at, where, file, comma), strict=True)), scales[
        names.pop()
    ]


def _one_scale(by_fields: Scale, by_keyword: Scale, where: str, file: FileName) -> Scale:
    if by_fields and by_keyword and by_fields != by_keyword:
        file.fail(where, f"the fields say {by_fields}, the keywords {by_keyword}", "Correct one of the two.")
    return by_fields or by_keyword


def _table_scale(table: _Table, kind: str, defaults: ReadingDefaults, file: FileName) -> Scale:
    """What the keywords declare a white to be, 1 or 100; SPECTRAL_NORM speaks of spectra alone."""
    keywords = ("READING_SCALE", "SPECTRAL_NORM") if kind == "spectrum" else ("READING_SCALE",)
    said, line_number = next((table.keywords[key] for key in keywords if key in table.keywords), ("", 0))
    scales: dict[str, Scale] = {"": "", "percent": "percent", "fraction": "fraction"}
    if said.lower() in scales:
        return scales[said.lower()]
    white = number(said, file, f"line {line_number}", decimal_comma=defaults.decimal_comma)
    if white not in (1.0, 100.0):
        file.fail(f"line {line_number}", f"declares a white of {said}", "Scale the spectra to a white of 1 or of 100.")
    return "fraction" if white == 1.0 else "percent"


def _table_conditions(table: _Table, defaults: ReadingDefaults, file: FileName) -> dict[str, str]:
    """The conditions that a table's keywords state."""
    found: dict[str, str] = {}
    stated = [
        (key, *table.keywords[keyword]) for keyword, key in _CONDITION_KEYWORDS.items() if keyword in table.keywords
    ]
    stated += [(name.lower(), said, line) for name, said, line in table.pairs if name in ("ILLUMINANT", "OBSERVER")]
    for key, said, line_number in stated:
        if key in ("illuminant", "observer"):
            _agree(found, key, said, line_number, defaults, file)
        else:
            found.setdefault(key, said)
    return found


def _agree(
    found: dict[str, str], key: str, said: str, line_number: int, defaults: ReadingDefaults, file: FileName
) -> None:
    place = f"line {line_number}, {key}"
    value = standard(key, said, place, file, defaults)
    if found.setdefault(key, value) != value:
        file.fail(place, f"is {value}, and {found[key]} elsewhere in the table", "Correct one of the two.")


# --- writing


def write_cgats(readings: Sequence[NamedReading], *, originator: str = "maskwright") -> bytes:
    """A CGATS file, one table for each run of readings under the same conditions, which reads back as the same."""
    tables = [
        _table_lines(conditions, list(run), originator)
        for conditions, run in itertools.groupby(readings, key=_written_conditions)
    ]
    return "\n".join(["CGATS.17", *itertools.chain.from_iterable(tables)]).encode("utf-8") + b"\n"


def _written_conditions(each: NamedReading) -> tuple[tuple[str, str], ...]:
    """What one table's readings have in common: their conditions, and which fields they have."""
    reading = each.reading
    conditions = [(key, getattr(reading, key)) for key in CONDITIONS]
    fields = ("fields", " ".join(_fields(reading)))
    return (*((key, "" if value is None else str(value)) for key, value in conditions), fields)


def _fields(reading: Reading) -> list[str]:
    if reading.spectrum is not None:
        return [f"SPECTRAL_NM{nm_text(nm)}" for nm in wavelengths_of(reading.spectrum)]
    return ["XYZ_X", "XYZ_Y", "XYZ_Z"] if reading.xyz is not None else ["LAB_L", "LAB_A", "LAB_B"]


def _table_lines(conditions: tuple[tuple[str, str], ...], run: Sequence[NamedReading], originator: str) -> list[str]:
    said = dict(conditions)
    names = said.pop("fields").split()
    lines = [f"ORIGINATOR {_quoted(originator)}"]
    for key, keyword in (
        ("geometry", "MEASUREMENT_GEOMETRY"),
        ("instrument", "INSTRUMENTATION"),
        ("date", "CREATED"),
    ):
        if said[key]:
            lines.append(f"{keyword} {_quoted(said[key])}")
    if said["illuminant"]:
        lines.append(f'WEIGHTING_FUNCTION "ILLUMINANT, {said["illuminant"]}"')
        lines.append(f'WEIGHTING_FUNCTION "OBSERVER, {said["observer"]} degree"')
    said["scale"] = "fraction" if run[0].reading.spectrum is not None else "percent"
    for key, keyword in _OWN_KEYWORDS.items():
        if said[key] or key == "source":  # an empty source, else the originator would be taken for it
            lines += [f'KEYWORD "{keyword}"', f"{keyword} {_quoted(said[key])}"]
    rows = [_row(number_, each) for number_, each in enumerate(run, start=1)]
    return [
        *lines,
        f"NUMBER_OF_FIELDS {len(names) + 2}",
        "BEGIN_DATA_FORMAT",
        " ".join(["SAMPLE_ID", "SAMPLE_NAME", *names]),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}",
        "BEGIN_DATA",
        *rows,
        "END_DATA",
    ]


def _row(number_: int, each: NamedReading) -> str:
    reading = each.reading
    values = reading.spectrum.values if reading.spectrum is not None else reading.xyz or reading.lab or ()
    return " ".join([str(number_), _quoted(each.finish), *(repr(value) for value in values)])


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
