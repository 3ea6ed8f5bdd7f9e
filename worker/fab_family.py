"""A family of fab profiles: what one fab offers, written once; each combination that can be ordered is a profile.

A family's file is a profile with one more table, `family`: a list of choices, such as the solder mask and the plating,
each with its options. An option sets keys of the profile and adds finishes, or replaces those of the same id.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NoReturn

from worker.bounded_text import TextFault, parse_toml, shown
from worker.errors import FabProfileError
from worker.fab_profile import ID_PATTERN, MAX_BYTES, MAX_LINES, FabProfile, read_fab_profile

MOST_COMBINATIONS = 200
MOST_CHOICES = 8
MOST_OPTIONS = 24
FAMILY_KEYS = {"id": "what the ids of all combinations begin with", "choices": "list of choices, [[family.choices]]"}
CHOICE_KEYS = {"what": "what is chosen, in words", "options": "list of options, [[family.choices.options]]"}
OPTION_KEYS = {
    "id": "lower case letters, digits, hyphens: a part of the combination's id",
    "name": "the option in words",
    "set": "table: keys of the profile that it sets; tables are joined, all else is replaced",
    "finishes": "list of finishes that it adds, or puts in place of those of the same id",
}


def is_family(toml: bytes) -> bool:
    """Whether this file is a family and not a single profile. What can't be read is none."""
    try:
        return b"family" in toml and "family" in parse_toml(toml.decode("utf-8"))
    except (UnicodeDecodeError, TextFault):
        return False


def read_family(toml: bytes, *, file_name: str = "family") -> tuple[FabProfile, ...]:
    """Every combination of a family as a profile of its own, in the order of the options, the last choice fastest.

    Raises
    ------
    FabProfileError
        Names the file, the key or the combination, and the mend.
    """
    import tomlkit

    content = _parsed(toml, file_name)
    family = _table(content.pop("family"), "family", FAMILY_KEYS, file_name)
    prefix = _identifier(family, "family", file_name)
    choices = [
        _options(choice, f"family.choices[{i}]", file_name)
        for i, choice in enumerate(_list(family, "family", "choices", MOST_CHOICES, file_name))
    ]
    count = 1
    for options in choices:
        count *= len(options)
    if count > MOST_COMBINATIONS:
        _fail(file_name, "family.choices", f"make {count} combinations", f"Keep them to {MOST_COMBINATIONS} in all.")
    out = []
    for chosen in itertools.product(*choices):
        profile = _joined(content, chosen)
        profile["id"] = "-".join([prefix, *(option["id"] for option in chosen)])
        name = ", ".join(option["name"] for option in chosen)
        profile["name"] = f"{content['name']}: {name}" if content.get("name") else name
        text = tomlkit.dumps(profile).encode()
        out.append(read_fab_profile(text, file_name=f"{file_name}, combination {profile['id']}"))
    return tuple(out)


def _parsed(toml: bytes, file_name: str) -> dict[str, Any]:
    if len(toml) > MAX_BYTES or toml.count(b"\n") + 1 > MAX_LINES:
        _fail(file_name, "file", "is too long", f"Keep it under {MAX_BYTES} bytes and {MAX_LINES} lines.")
    try:
        content = parse_toml(toml.decode("utf-8"))
    except UnicodeDecodeError as error:
        _fail(file_name, f"byte {error.start}", "is not UTF-8", "Save the file as UTF-8 text.")
    except TextFault as fault:
        _fail(file_name, "TOML", fault.what, fault.mend)
    if "family" not in content:
        _fail(file_name, "family", "is missing", "Add the table [family], or use the file as a single profile.")
    for key in ("id",):
        if key in content:
            _fail(file_name, key, "stands beside the family", "Leave it out: each combination gets family.id and more.")
    return content


def _options(value: object, where: str, file_name: str) -> list[dict[str, Any]]:
    choice = _table(value, where, CHOICE_KEYS, file_name)
    out = []
    for i, entry in enumerate(_list(choice, where, "options", MOST_OPTIONS, file_name)):
        place = f"{where}.options[{i}]"
        option = _table(entry, place, OPTION_KEYS, file_name)
        sets, finishes = option.get("set", {}), option.get("finishes", [])
        if not isinstance(sets, dict) or "id" in sets or "finishes" in sets:
            _fail(file_name, f"{place}.set", "is no table of keys other than id and finishes", OPTION_KEYS["set"])
        if not isinstance(finishes, list) or not all(isinstance(finish, dict) for finish in finishes):
            _fail(file_name, f"{place}.finishes", "is no list of finishes", "Write them as [[...options.finishes]].")
        name = option.get("name")
        if not isinstance(name, str) or not name:
            _fail(file_name, f"{place}.name", f"is {shown(name)}", "Name the option in words.")
        out.append({"id": _identifier(option, place, file_name), "name": name, "set": sets, "finishes": finishes})
    ids = [option["id"] for option in out]
    if len(set(ids)) < len(ids):
        _fail(file_name, f"{where}.options", "have one id twice", "Give each option an id of its own.")
    return out


def _joined(base: Mapping[str, Any], chosen: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    profile = copy.deepcopy(dict(base))
    for option in chosen:
        _merge(profile, option["set"])
        finishes = list(profile.get("finishes", []))
        for finish in option["finishes"]:
            same = [i for i, known in enumerate(finishes) if known.get("id") == finish.get("id")]
            if same:
                finishes[same[0]] = finish
            else:
                finishes.append(finish)
        profile["finishes"] = finishes
    return profile


def _merge(table: dict[str, Any], more: Mapping[str, Any]) -> None:
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(table.get(key), dict):
            _merge(table[key], value)
        else:
            table[key] = copy.deepcopy(value)


def _table(value: object, where: str, known: Mapping[str, str], file_name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        _fail(file_name, where, f"is {shown(value)}, not a table", f"Write it as a table with: {', '.join(known)}.")
    for key in value:
        if key not in known:
            _fail(file_name, f"{where}.{key}", "is not a known key", f"Known here: {', '.join(known)}.")
    return value


def _list(table: Mapping[str, Any], where: str, key: str, most: int, file_name: str) -> list[Any]:
    value = table.get(key)
    if not isinstance(value, list) or not 1 <= len(value) <= most:
        _fail(file_name, f"{where}.{key}", "has too few or too many entries", f"List 1 to {most}.")
    return value


def _identifier(table: Mapping[str, Any], where: str, file_name: str) -> str:
    value = table.get("id")
    if not isinstance(value, str) or not ID_PATTERN.fullmatch(value):
        _fail(file_name, f"{where}.id", f"is {shown(value)}", "Use lower case letters, digits and inner hyphens.")
    return value


def _fail(file_name: str, key: str, what: str, mend: str) -> NoReturn:
    raise FabProfileError(f"{file_name}: {key}: {what}.", mend=mend)


def combinations_of(profiles: Sequence[FabProfile]) -> Iterator[tuple[str, bytes]]:
    """File name and bytes of every profile, to be used by itself."""
    for profile in profiles:
        yield f"{profile.id}.toml", profile.toml
