"""The folder of each artwork's result in a collection: its path without the suffix, unless that is taken."""

from __future__ import annotations


class ResultNames:
    """Gives out names; asked in one order, it gives the same ones."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def name(self, path: str) -> str:
        """A folder for the artwork of this path, which no other has, nor one of another's parents."""
        folder, _, file = path.rpartition("/")
        stem = file.rpartition(".")[0] or file
        base = f"{folder}/{stem}" if folder else stem
        number = 1
        for name in (base, path):
            if self._free(name):
                return self._take(name)
        while not self._free(f"{path}-{number}"):
            number += 1
        return self._take(f"{path}-{number}")

    def _free(self, name: str) -> bool:
        return name.casefold() not in self._taken

    def _take(self, name: str) -> str:
        self._taken.add(name.casefold())
        parts = name.casefold().split("/")
        self._taken.update("/".join(parts[:i]) for i in range(1, len(parts)))
        return name
