"""Edits of a fab profile: bytes in, bytes out, with its comments and layout kept.

Every edit reads what it made and compares it with what was asked for, so that an edit either does exactly that or
raises and changes nothing.
"""

from __future__ import annotations

import datetime
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, Item, Key, Table, Whitespace

from worker.errors import FabProfileError, NotFoundError
from worker.fab_profile import FabProfile, Limit, limit_unit, read_fab_profile
from worker.finish import Finish
from worker.reading import Override, Reading, Spectrum

Body = list[tuple[Key | None, Item]]
DifferenceKind = Literal[
    "finish added",
    "finish dropped",
    "reading added",
    "reading dropped",
    "override set",
    "override changed",
    "override cleared",
    "finish changed",
    "limit changed",
    "profile changed",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileDifference:
    """One difference between two profiles. `finish` is empty where it is about the whole profile."""

    kind: DifferenceKind
    finish: str
    key: str
    old: str
    new: str


def add_readings(toml: bytes, additions: Sequence[tuple[str, Reading]], *, file_name: str = "fab profile") -> bytes:
    """The profile with each reading added at the end of its finish's list: (finish id, reading).

    Raises
    ------
    NotFoundError
        There is no such finish.
    FabProfileError
        The result is no valid profile: too many readings, too many bytes.
    """
    edit = _Edit(toml, file_name)
    for finish_id, reading in additions:
        finish = edit.finish(finish_id)
        edit.expect(replace(finish, readings=(*finish.readings, reading)))
        _append(edit.readings(finish_id), reading_toml(reading), edit.newline)
    return edit.result()


def new_readings(fab: FabProfile, additions: Sequence[tuple[str, Reading]]) -> list[tuple[str, Reading]]:
    """Those of the additions that the profile does not hold already, so that a file imported twice counts once."""
    held = {finish.id: set(finish.readings) for finish in fab.finishes}
    return [(finish_id, reading) for finish_id, reading in additions if reading not in held.get(finish_id, ())]


def drop_reading(toml: bytes, finish_id: str, index: int, *, file_name: str = "fab profile") -> bytes:
    """The profile without the reading at `index` (from 0) of one finish.

    Raises
    ------
    NotFoundError
        There is no such finish, or no such reading.
    FabProfileError
        It is the finish's last reading.
    """
    edit = _Edit(toml, file_name)
    finish = edit.finish(finish_id)
    count = len(finish.readings)
    if not 0 <= index < count:
        raise NotFoundError(
            f"{file_name}: {finish_id} has no reading {index}.", mend=f"It has {count}, from 0 to {count - 1}."
        )
    if count == 1:
        raise FabProfileError(
            f"{file_name}: {finish_id} has one reading only, and a finish needs one.",
            mend="Add the one that shall take its place first, then drop this one.",
        )
    edit.expect(replace(finish, readings=finish.readings[:index] + finish.readings[index + 1 :]))
    _remove(edit.readings(finish_id), index)
    return edit.result()


def set_override(toml: bytes, finish_id: str, override: Override, *, file_name: str = "fab profile") -> bytes:
    """The profile with a reference set by hand for one finish, in place of an earlier one. Raises as `add_readings`."""
    edit = _Edit(toml, file_name)
    edit.expect(replace(edit.finish(finish_id), override=override))
    text = f"override = {{ {', '.join(_override_pairs(override))} }}"
    table = edit.table(finish_id)
    if isinstance(table.get("override"), Table):
        _remove_key(table, "override")
    _set_key(table, "override", _parsed(text, edit.newline)["override"])
    return edit.result()


def clear_override(toml: bytes, finish_id: str, *, file_name: str = "fab profile") -> bytes:
    """The profile without the reference set by hand; NotFoundError where there is none."""
    edit = _Edit(toml, file_name)
    finish = edit.finish(finish_id)
    if finish.override is None:
        raise NotFoundError(
            f"{file_name}: {finish_id} has no reference set by hand.", mend="There is nothing to take back."
        )
    edit.expect(replace(finish, override=None))
    _remove_key(edit.table(finish_id), "override")
    return edit.result()


def set_geometry(toml: bytes, finish_id: str, geometry: str, *, file_name: str = "fab profile") -> bytes:
    """The profile in which one finish's readings of this geometry count; empty: no choice. Raises as `add_readings`."""
    edit = _Edit(toml, file_name)
    finish, table = edit.finish(finish_id), edit.table(finish_id)
    held = list(dict.fromkeys(reading.geometry for reading in finish.readings))
    if geometry and geometry not in held:
        raise FabProfileError(
            f"{file_name}: {finish_id} has no reading of geometry {geometry!r}.", mend=f"It has: {', '.join(held)}."
        )
    edit.expect(replace(finish, geometry=geometry))
    if geometry:
        _set_key(table, "geometry", _parsed(f"geometry = {_text(geometry)}", edit.newline)["geometry"])
    elif "geometry" in table:
        _remove_key(table, "geometry")
    return edit.result()


def profile_differences(old: FabProfile, new: FabProfile) -> list[ProfileDifference]:
    """What has changed from one profile to the other: its own keys, its limits, then finish by finish."""
    found = _key_differences(old, new) + _limit_differences(old, new)
    old_finishes = {finish.id: finish for finish in old.finishes}
    new_finishes = {finish.id: finish for finish in new.finishes}
    for finish_id, finish in old_finishes.items():
        if finish_id not in new_finishes:
            found.append(_difference("finish dropped", finish_id, "id", finish.name, ""))
        else:
            found += _finish_differences(finish, new_finishes[finish_id])
    for finish_id, finish in new_finishes.items():
        if finish_id not in old_finishes:
            found.append(_difference("finish added", finish_id, "id", "", finish.name))
    return found


def reading_text(reading: Reading) -> str:
    """One line for people: the colour, then the conditions that are known."""
    if reading.spectrum is not None:
        spectrum = reading.spectrum
        colour = f"spectrum {spectrum.start_nm:g}-{spectrum.end_nm:g} nm every {spectrum.step_nm:g} nm"
    elif reading.xyz is not None:
        colour = "XYZ " + ", ".join(f"{value:.5g}" for value in reading.xyz)
    else:
        colour = "Lab " + ", ".join(f"{value:.5g}" for value in reading.lab or ())
    light = f"{reading.illuminant}/{reading.observer}" if reading.illuminant else ""
    uncertainty = f"±{reading.uncertainty:g}" if reading.uncertainty is not None else ""
    told = (colour, uncertainty, light, reading.geometry, reading.origin, reading.date, reading.instrument)
    rest = (reading.batch and f"batch {reading.batch}", reading.coupon and f"coupon {reading.coupon}", reading.source)
    return "; ".join(part for part in (*told, *rest) if part)


def override_text(override: Override | None) -> str:
    """One line for people, empty for none."""
    if override is None:
        return ""
    lab = "Lab " + ", ".join(f"{value:.5g}" for value in override.lab)
    by = override.by and f"by {override.by}"
    told = (lab, f"{override.illuminant}/{override.observer}", by, override.date, override.note)
    return "; ".join(part for part in told if part)


def reading_toml(reading: Reading) -> list[str]:
    """The lines `key = value` of a reading, in the order in which the profile's keys are documented."""
    lines = []
    if reading.spectrum is not None:
        lines.append(f"spectrum = {_spectrum_value(reading.spectrum)}")
    for key, triple in (("xyz", reading.xyz), ("lab", reading.lab)):
        if triple is not None:
            lines.append(f"{key} = {_numbers(triple)}")
    if reading.spectrum is None:
        lines += [f'illuminant = "{reading.illuminant}"', f'observer = "{reading.observer}"']
    lines += [f"geometry = {_text(reading.geometry)}", f'origin = "{reading.origin}"']
    if reading.uncertainty is not None:
        lines.append(f"uncertainty = {reading.uncertainty!r}")
    if reading.date:
        lines.append(f"date = {_date(reading.date)}")
    for key in ("instrument", "batch", "coupon", "source"):
        if getattr(reading, key):
            lines.append(f"{key} = {_text(getattr(reading, key))}")
    return lines


class _Edit:
    """A profile under edit: its document, and the finishes that the result must have."""

    def __init__(self, toml: bytes, file_name: str) -> None:
        self._file_name = file_name
        self.newline = "\r\n" if b"\r\n" in toml else "\n"
        self._before = read_fab_profile(toml, file_name=file_name)
        self._wanted = {finish.id: finish for finish in self._before.finishes}
        try:
            self._document = tomlkit.parse(toml.decode("utf-8"))
        except (TOMLKitError, RecursionError) as error:
            raise self._too_odd(str(error)) from error

    def finish(self, finish_id: str) -> Finish:
        """The finish as it stands so far."""
        if finish_id not in self._wanted:
            raise NotFoundError(
                f"{self._file_name}: has no finish {finish_id!r}.", mend=f"Choose one of: {', '.join(self._wanted)}."
            )
        return self._wanted[finish_id]

    def table(self, finish_id: str) -> Any:
        """The finish's table in the document."""
        entries: Any = self._document["finishes"]
        return entries[list(self._wanted).index(finish_id)]

    def readings(self, finish_id: str) -> Any:
        """The finish's list of readings in the document, by its present name or its earlier one."""
        table = self.table(finish_id)
        return table["readings" if "readings" in table else "references"]

    def expect(self, finish: Finish) -> None:
        """What the finish must be once the edit is done."""
        self._wanted[finish.id] = finish

    def result(self) -> bytes:
        """The edited bytes, which are a valid profile and differ in nothing but what was asked for."""
        edited = tomlkit.dumps(self._document).encode("utf-8")
        after = read_fab_profile(edited, file_name=self._file_name)
        wanted = replace(self._before, finishes=tuple(self._wanted.values()), revision=after.revision, toml=after.toml)
        if after != wanted:
            raise self._too_odd("its parts stand in an order that can't be edited safely")
        return edited

    def _too_odd(self, why: str) -> FabProfileError:
        return FabProfileError(
            f"{self._file_name}: can't be edited by a command: {why}.",
            mend="Make this edit by hand, or bring the file into the layout of samples/fabs/.",
        )


def _parsed(text: str, newline: str) -> Any:
    return tomlkit.parse(text + newline)


def _append(readings: Any, lines: Sequence[str], newline: str) -> None:
    """Add a reading to its list, which is either `[[...]]` tables or an array of inline tables."""
    if not isinstance(readings, AoT):
        (reading,) = _parsed(f"list = [{{ {', '.join(lines)} }}]", newline)["list"]
        readings.append(reading)
        return
    table = tomlkit.table()
    table.trivia.trail = newline
    for line in lines:
        ((key, value),) = _parsed(line, newline).items()
        table.append(key, value)
    last = _last_body(readings[-1])
    below = _take_trailing(last)  # a comment above the next part of the file stays above it
    last.append((None, Whitespace(newline)))
    readings.append(table)
    readings[-1].value.body.extend(below)


def _remove(readings: Any, index: int) -> None:
    """Take a reading out of its list; what stood below it, such as the next part's comment, stays in the file."""
    if isinstance(readings, AoT) and index == len(readings) - 1:
        below = _take_trailing(_last_body(readings[index]))
        above = _last_body(readings[index - 1])
        _take_trailing(above)
        above.extend(below)
    del readings[index]


def _set_key(table: Any, key: str, value: Item) -> None:
    """Set a key of a finish above its sub-tables, and above the comment of whatever follows it in the file."""
    below = _take_trailing(table.value.body)
    table[key] = value
    table.value.body.extend(below)


def _remove_key(table: Any, key: str) -> None:
    """Take a key out; where it was a table of its own, what stood below it stays in the file."""
    below = _take_trailing(_last_body(table[key])) if isinstance(table[key], Table) else []
    del table[key]
    table.value.body.extend(below)


def _last_body(table: Table) -> Body:
    """The parts of a table, or of the last of its sub-tables, where what follows it in the file is held."""
    body = table.value.body
    return _last_body(body[-1][1]) if body and isinstance(body[-1][1], Table) else body


def _take_trailing(body: Body) -> Body:
    """Cut off what follows the last key: blank lines, and the comments above whatever comes next."""
    start = len(body)
    while start and body[start - 1][0] is None and isinstance(body[start - 1][1], (Whitespace, Comment)):
        start -= 1
    taken = body[start:]
    del body[start:]
    return taken


def _spectrum_value(spectrum: Spectrum) -> str:
    return (
        f"{{ start_nm = {_number(spectrum.start_nm)}, step_nm = {_number(spectrum.step_nm)}, "
        f"values = {_numbers(spectrum.values)} }}"
    )


def _numbers(values: Iterable[float]) -> str:
    return f"[{', '.join(repr(float(value)) for value in values)}]"


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(float(value))


def _text(text: str) -> str:
    # a JSON string is a TOML basic string, but for the one sign that TOML bans unescaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _date(text: str) -> str:
    """A TOML date where the text is exactly one, else the text."""
    try:
        return text if datetime.date.fromisoformat(text).isoformat() == text else _text(text)
    except ValueError:
        return _text(text)


def _override_pairs(override: Override) -> list[str]:
    pairs = [f"lab = {_numbers(override.lab)}", f'illuminant = "{override.illuminant}"']
    pairs.append(f'observer = "{override.observer}"')
    if override.date:
        pairs.append(f"date = {_date(override.date)}")
    for key, text in (("by", override.by), ("note", override.note)):
        if text:
            pairs.append(f"{key} = {_text(text)}")
    return pairs


def _difference(kind: DifferenceKind, finish: str, key: str, old: object, new: object) -> ProfileDifference:
    return ProfileDifference(kind=kind, finish=finish, key=key, old=str(old), new=str(new))


def _key_differences(old: FabProfile, new: FabProfile) -> list[ProfileDifference]:
    found = []
    for key in ("id", "fab", "name", "note", "plating", "lead_free", "background", "back"):
        if getattr(old, key) != getattr(new, key):
            found.append(_difference("profile changed", "", key, getattr(old, key), getattr(new, key)))
    for key in old.stack_up:
        if old.stack_up[key] != new.stack_up[key]:
            found.append(_difference("profile changed", "", f"stack_up.{key}", old.stack_up[key], new.stack_up[key]))
    return found


def _limit_differences(old: FabProfile, new: FabProfile) -> list[ProfileDifference]:
    found = []
    for section, key in dict.fromkeys([*old.limits, *new.limits]):
        before, now = old.limits.get((section, key)), new.limits.get((section, key))
        if before != now:
            texts = [_limit_text(each, limit_unit(key)) for each in (before, now)]
            found.append(_difference("limit changed", "", f"{section}.{key}", *texts))
    return found


def _limit_text(limit: Limit | None, unit: str) -> str:
    if limit is None:
        return "no limit"
    known = f"{limit.date}; {limit.source}" if limit.stated else "not stated by the profile"
    return f"{limit.value:g} {unit} ({known})"


def _finish_differences(old: Finish, new: Finish) -> list[ProfileDifference]:
    found = []
    for key in ("name", "texture", "recipe", "geometry", "smallest_feature_mm"):
        if getattr(old, key) != getattr(new, key):
            found.append(_difference("finish changed", old.id, key, getattr(old, key), getattr(new, key)))
    dropped, added = Counter(old.readings) - Counter(new.readings), Counter(new.readings) - Counter(old.readings)
    found += [_difference("reading dropped", old.id, "readings", reading_text(each), "") for each in dropped.elements()]
    found += [_difference("reading added", old.id, "readings", "", reading_text(each)) for each in added.elements()]
    if old.override != new.override:
        kind: DifferenceKind = "override changed" if old.override and new.override else "override set"
        kind = kind if new.override else "override cleared"
        found.append(_difference(kind, old.id, "override", override_text(old.override), override_text(new.override)))
    return found
