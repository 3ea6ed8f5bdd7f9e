"""Which layer each fabrication file is: by what it says itself, or the user says of it. Its name counts for nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from worker.errors import ReturnedFileError

LAYER_NAMES = (
    "copper-top",
    "solder-mask-top",
    "legend-top",
    "copper-bottom",
    "solder-mask-bottom",
    "legend-bottom",
    "profile",
    "score-lines",
    "holes-plated",
    "holes-unplated",
)
LINES = ("profile", "score-lines")
"""Drawn with lines whose width means nothing."""
HOLES = ("holes-plated", "holes-unplated")

_FUNCTION = re.compile(rb"TF\.FileFunction,([^*\r\n]+)")
_HEAD_BYTES = 20_000
_LAYER_OF = {"Copper": "copper", "Soldermask": "solder-mask", "Legend": "legend"}
_LINES_OF = {"Profile": "profile", "Vcut": "score-lines"}
_HOLES_OF = {"Plated": "holes-plated", "NonPlated": "holes-unplated"}


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedFiles:
    """Files by layer, and the names of those that are no layer."""

    layers: Mapping[str, tuple[str, bytes]]
    others: tuple[str, ...]


def match_files(files: Mapping[str, bytes], said: Mapping[str, str], *, whose: str) -> MatchedFiles:
    """Find out which layer each file is.

    Parameters
    ----------
    files : bytes by name.
    said : file name by layer, as the user says; each must be among `files`.
    whose : how messages call these files, such as "the package".

    Raises
    ------
    ReturnedFileError
        A file is a layer and doesn't say which, two say the same, or what the user says can't be.
    """
    layers: dict[str, tuple[str, bytes]] = {}
    others: list[str] = []
    unknown: list[str] = []
    told = _told(files, said, whose)
    for name, data in files.items():
        if name in told:
            layer: str | None = told[name]
        elif not (is_gerber(data) or is_drill(data)):
            others.append(name)
            continue
        else:
            layer = layer_of(data)
        if layer is None:
            unknown.append(name)
        elif layer in said and name not in told:
            others.append(name)
        elif layer in layers:
            raise ReturnedFileError(
                f"Both {layers[layer][0]} and {name} of {whose} are {layer}.",
                mend=f"Say which one counts: --layer {layer}={name}.",
            )
        else:
            layers[layer] = (name, data)
    if unknown:
        raise ReturnedFileError(
            f"{_listed(unknown)} of {whose} {'does' if len(unknown) == 1 else 'do'} not say which layer it is.",
            mend=f"Look at it and say so: --layer NAME={unknown[0]}, with a name of: {', '.join(LAYER_NAMES)}; "
            "or leave the file out.",
        )
    return MatchedFiles(layers=layers, others=tuple(others))


def _listed(names: list[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _told(files: Mapping[str, bytes], said: Mapping[str, str], whose: str) -> dict[str, str]:
    """Layer by file name."""
    told: dict[str, str] = {}
    for layer, name in said.items():
        if layer not in LAYER_NAMES:
            raise ReturnedFileError(f"There is no layer {layer!r}.", mend=f"Layers: {', '.join(LAYER_NAMES)}.")
        if name not in files:
            raise ReturnedFileError(
                f"{name!r} is not among {whose}.", mend=f"Files there: {_listed(sorted(files)) or 'none'}."
            )
        if name in told:
            raise ReturnedFileError(
                f"{name} is said to be {told[name]} and {layer}.", mend="One file is one layer: drop one of the two."
            )
        if is_drill(files[name]) != (layer in HOLES):
            kind = "a drill file" if is_drill(files[name]) else "no drill file"
            raise ReturnedFileError(f"{name} is {kind}, so it can't be {layer}.", mend="Say another layer or file.")
        told[name] = layer
    return told


def is_gerber(data: bytes) -> bool:
    """Whether it looks like a Gerber file: it states a format or a unit."""
    head = data[:_HEAD_BYTES]
    return b"%FS" in head or b"%MO" in head


def is_drill(data: bytes) -> bool:
    """Whether it looks like an Excellon (XNC) file."""
    return b"M48" in data[:_HEAD_BYTES] and not is_gerber(data)


def layer_of(data: bytes) -> str | None:
    """The layer that a file says it is, in its attribute or in a comment that stands for it; None where it doesn't."""
    found = _FUNCTION.search(data[:_HEAD_BYTES])
    if found is None:
        return None
    words = [word.strip() for word in found[1].decode("ascii", "replace").split(",")]
    if words[0] in _LINES_OF:
        return _LINES_OF[words[0]]
    if words[0] in _HOLES_OF:
        return _HOLES_OF[words[0]]
    side = "top" if "Top" in words else "bottom" if "Bot" in words else None
    kind = _LAYER_OF.get(words[0])
    return None if side is None or kind is None else f"{kind}-{side}"
