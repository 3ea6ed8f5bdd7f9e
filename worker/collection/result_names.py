"""The folder of each artwork's result in a collection, and the names of what stands beside these folders."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePosixPath

REPORT_PAGE, REPORT_TABLE = "report.html", "report.json"
_RESERVED = re.compile(r"report\.(html|json)|contact-sheet-[0-9]+\.png")


def sheet_name(number: int) -> str:
    """The file of a page of the contact sheet, from 1."""
    return f"contact-sheet-{number}.png"


def result_folders(paths: Sequence[str]) -> dict[str, str]:
    """The folder of each artwork's result, by its path in the collection; no two are one, nor lies one in another.

    It is the path without its suffix. Where something else would have that name, another artwork or a folder that
    results lie in, it is the whole path, and where that is taken too, with a number. Names that differ in case alone
    are one name on some file systems. What becomes of an artwork changes no name.
    """
    names = {path: path_without_suffix(path) for path in paths}
    while True:
        taken = _taken(names)
        doubled = [path for path, name in names.items() if name != path and not _free(name, taken)]
        if not doubled:
            return _numbered(names, taken)
        names |= {path: path for path in doubled}


def path_without_suffix(path: str) -> str:
    """The path of a file without its suffix; whole, where only dots would be left of its name."""
    whole = PurePosixPath(path)
    return str(whole.with_name(whole.stem)) if whole.stem.strip(".") else path


def _taken(names: Mapping[str, str]) -> Counter[str]:
    """How many results have each name, and one more where it is a folder that holds results."""
    return Counter(map(str.casefold, names.values())) + Counter(set(_parents(names.values())))


def _parents(names: Iterable[str]) -> Iterable[str]:
    for name in names:
        key = name.casefold()
        while "/" in key:
            key = key.rpartition("/")[0]
            yield key


def _free(name: str, taken: Counter[str]) -> bool:
    key = name.casefold()
    return taken[key] <= 1 and not _RESERVED.fullmatch(key)


def _numbered(names: dict[str, str], taken: Counter[str]) -> dict[str, str]:
    given = {name.casefold() for name in names.values() if _free(name, taken)} | set(_parents(names.values()))
    for path, name in names.items():
        if _free(name, taken):
            continue
        number = 1
        while (key := f"{name}-{number}".casefold()) in given:
            number += 1
        given.add(key)
        names[path] = f"{name}-{number}"
    return names
