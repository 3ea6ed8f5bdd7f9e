"""What is said of each artwork of a collection, in one file: TOML, JSON or CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any, NoReturn

from worker.bounded_text import TextFault, parse_json, parse_toml, shown
from worker.errors import ManifestError
from worker.job_settings import REPEATABLE, SETTINGS

MAX_BYTES = 8 * 1024 * 1024
MAX_ARTWORKS = 20_000
MAX_CELL = 4096
KINDS = (".toml", ".json", ".csv")

BOTTOM, BOARD_FILE, SKIP = "bottom", "board_file", "skip"
FILE_KEYS = {
    BOTTOM: "another file of the collection: the artwork of this one's bottom",
    BOARD_FILE: "another file of the collection: outline, cut-outs, holes and slots of this board",
    SKIP: "on: leave this artwork out",
}
"""What an artwork's entry may say beside the settings."""

ARTWORKS, ARTWORK = "artworks", "artwork"
"""The table of entries in TOML and JSON; the column of paths in CSV."""

_ON = {True: "on", False: "off"}

Given = Mapping[str, tuple[str, ...]]
"""Settings as they are written, each with one value, or with several where it may be repeated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What is said of one artwork. `place` is where, such as `row 3`."""

    settings: Given
    bottom: str = ""
    board_file: str = ""
    skip: bool = False
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """`shared` holds for all artworks; `entries` by path, each before what is shared."""

    name: str = "manifest"
    shared: Given = field(default_factory=dict)
    entries: Mapping[str, Entry] = field(default_factory=dict)


def read_manifest(data: bytes, *, file_name: str) -> Manifest:
    """A manifest; its name's suffix says of which kind it is.

    TOML and JSON: settings for all at the top, and a table `artworks` of tables by path. CSV: a column `artwork` of
    paths and a column for each setting; an empty cell says nothing, and words are kept apart by spaces where a setting
    may be repeated.

    Raises
    ------
    ManifestError
        Names file, place and mend.
    """
    reader = _Reader(file_name)
    if len(data) > MAX_BYTES:
        reader.fail("", f"has {len(data):,} bytes", f"A manifest has {MAX_BYTES:,} at most: split the collection.")
    suffix = PurePosixPath(file_name).suffix.lower()
    if suffix not in KINDS:
        reader.fail(
            "", "has a name that does not say what it is", f"Name it with one of {', '.join(KINDS)} at its end."
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        reader.fail(f"byte {error.start}", "is not UTF-8", "Save the file as UTF-8 text.")
    if suffix == ".csv":
        return reader.csv(text)
    try:
        table = parse_toml(text) if suffix == ".toml" else parse_json(text)
    except TextFault as fault:
        reader.fail(suffix[1:].upper(), fault.what, fault.mend)
    return reader.table(table)


def cleaned_path(path: str) -> str:
    """A path as archives and manifests write it, with forward slashes and without `./`."""
    return "/".join(part for part in path.replace("\\", "/").split("/") if part not in ("", "."))


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = name

    def fail(self, place: str, what: str, mend: str) -> NoReturn:
        raise ManifestError(f"{self.name}: {place}{': ' if place else ''}{what}.", mend=mend)

    def table(self, table: Any) -> Manifest:
        if not isinstance(table, dict):
            self.fail("", f"is {shown(table)}", f"Write a table: settings for all, and {ARTWORKS} by path.")
        listed = table.pop(ARTWORKS, {})
        shared = self._settings(table, "for all", ())
        if not isinstance(listed, dict):
            self.fail(ARTWORKS, f"is {shown(listed)}", f'Write a table by path, such as [{ARTWORKS}."birds/owl.png"].')
        if len(listed) > MAX_ARTWORKS:
            self.fail(ARTWORKS, f"has {len(listed):,} entries", f"List at most {MAX_ARTWORKS:,}: split the collection.")
        entries: dict[str, Entry] = {}
        for path, told in listed.items():
            place = f"{ARTWORKS}.{shown(path)}"
            if not isinstance(told, dict):
                self.fail(place, f"is {shown(told)}", 'Write a table, such as { width = "30mm" }.')
            self._add(entries, path, self._entry(told, place), place)
        return Manifest(name=self.name, shared=shared, entries=entries)

    def csv(self, text: str) -> Manifest:
        first = text.split("\n", 1)[0]
        separator = max(",;\t", key=first.count)
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        entries: dict[str, Entry] = {}
        header: list[str] | None = None
        try:
            for cells in rows:
                place = f"row {rows.line_num}"
                if not any(cell.strip() for cell in cells):
                    continue
                if header is None:
                    header = self._header(cells)
                    continue
                if len(cells) > len(header):
                    self.fail(place, f"has {len(cells)} cells under {len(header)} names", "Quote a cell with a comma.")
                self._add(entries, *self._row(header, cells, place), place)
                if len(entries) > MAX_ARTWORKS:
                    self.fail(place, f"is entry {len(entries):,}", f"List at most {MAX_ARTWORKS:,}.")
        except csv.Error as error:
            self.fail(f"row {rows.line_num}", str(error), "Close its quotes, and double those within.")
        if header is None:
            self.fail("", "is empty", f"Begin with a row of names: {ARTWORK}, and settings.")
        return Manifest(name=self.name, entries=entries)

    def _header(self, cells: Sequence[str]) -> list[str]:
        header = [cell.strip() for cell in cells]
        if ARTWORK not in header:
            self.fail("row 1", f"has no column {ARTWORK}", f"Name the column of paths {ARTWORK}.")
        for name in header:
            if header.count(name) > 1:
                self.fail("row 1", f"has two columns {shown(name)}", "Keep one.")
            self._known(name, "row 1", (ARTWORK, *FILE_KEYS))
        return header

    def _row(self, header: Sequence[str], cells: Sequence[str], place: str) -> tuple[str, Entry]:
        told: dict[str, Any] = {}
        for name, cell in zip(header, cells, strict=False):
            if cell.strip():
                told[name] = cell.split() if name in REPEATABLE else cell.strip()
        path = told.pop(ARTWORK, "")
        if not path:
            self.fail(place, f"names no {ARTWORK}", "Write its path, or take the row out.")
        return path, self._entry(told, place)

    def _add(self, entries: dict[str, Entry], path: str, entry: Entry, place: str) -> None:
        path = cleaned_path(path)
        if path in entries:
            self.fail(place, f"{shown(path)} is there twice", f"Keep one; {entries[path].place} has the other.")
        entries[path] = entry

    def _entry(self, told: dict[str, Any], place: str) -> Entry:
        settings = {name: value for name, value in told.items() if name not in FILE_KEYS}
        files = {name: self._values(name, told.get(name, ""), place)[:1] for name in (BOTTOM, BOARD_FILE)}
        skip = self._values(SKIP, told.get(SKIP, "off"), place)
        if skip not in (("on",), ("off",)):
            self.fail(place, f"{SKIP} is {shown(told[SKIP])}", "Write on or off.")
        return Entry(
            settings=self._settings(settings, place, tuple(FILE_KEYS)),
            bottom=cleaned_path("".join(files[BOTTOM])),
            board_file=cleaned_path("".join(files[BOARD_FILE])),
            skip=skip == ("on",),
            place=place,
        )

    def _settings(self, told: Mapping[str, Any], place: str, more: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
        found = {}
        for name, value in told.items():
            self._known(name, place, more)
            found[name] = self._values(name, value, place)
        return found

    def _known(self, name: str, place: str, more: tuple[str, ...]) -> None:
        if name not in SETTINGS and name not in more:
            self.fail(place, f"there is no setting {shown(name)}", f"Known: {', '.join((*more, *SETTINGS))}.")

    def _values(self, name: str, value: Any, place: str) -> tuple[str, ...]:
        values = value if isinstance(value, list) else [value]
        if len(values) > 1 and name not in REPEATABLE:
            self.fail(place, f"{name} has {len(values)} values", "Give one.")
        texts = []
        for one in values:
            if isinstance(one, bool):
                texts.append(_ON[one])
            elif isinstance(one, str | int | float):
                texts.append(str(one))
            else:
                self.fail(place, f"{name} is {shown(one)}", "Write it as on the command line, in quotes.")
            if len(texts[-1]) > MAX_CELL:
                self.fail(place, f"{name} has {len(texts[-1]):,} letters", f"Write at most {MAX_CELL:,}.")
        return tuple(texts)
