"""A circuit's files and what the user says of them: which file is which layer, in the Gerber standard's own words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from worker.errors import CircuitError

MAX_FILES = 200
MAX_BYTES = 128 * 1024 * 1024
"""Of all files together, unpacked."""
MAX_FILE_BYTES = 64 * 1024 * 1024

FORMS = (
    "Copper,L1,Top",
    "Copper,L2,Bot",
    "Copper,L2,Inr",
    "Soldermask,Top",
    "Soldermask,Bot",
    "Legend,Top",
    "Legend,Bot",
    "Profile,NP",
    "Plated,1,2,PTH",
    "NonPlated,1,2,NPTH",
    "Other,...",
)
"""File functions that messages name. Others of the standard are taken, too, and carried along."""

_COPPER = re.compile(r"Copper,L([1-9][0-9]?),(Top|Inr|Bot)(,[A-Za-z]+)?")
_SIDED = re.compile(r"(?:Soldermask|Legend),(Top|Bot)(,[1-9][0-9]?)?")
_PROFILE = re.compile(r"Profile,(P|NP)")
_DRILL = re.compile(r"(Plated|NonPlated),[1-9][0-9]?,[1-9][0-9]?,(PTH|NPTH|Blind|Buried)(,[A-Za-z]+)?")
_WORD = re.compile(r"[A-Za-z][A-Za-z-]*")
_DECIDING = ("Copper", "Soldermask", "Legend", "Profile", "Plated", "NonPlated", "MixedPlating")

Side = Literal["top", "bottom", "inner", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What a file is for: the value of its .FileFunction, such as "Copper,L1,Top"."""

    function: str

    @property
    def kind(self) -> str:
        """The function's first word."""
        return self.function.split(",", 1)[0]

    @property
    def side(self) -> Side:
        """The side of the board that it belongs to, if to one."""
        words = self.function.split(",")
        return "top" if "Top" in words else "bottom" if "Bot" in words else "inner" if "Inr" in words else ""

    @property
    def drilled(self) -> bool:
        """Whether it tells of holes."""
        return self.kind in ("Plated", "NonPlated")


def read_role(text: str, *, whose: str) -> Role:
    """A role from its text. CircuitError, which names whose it is, where the standard knows no such function."""
    function = ",".join(word.strip() for word in text.split(","))
    kind = function.split(",", 1)[0]
    if kind == "MixedPlating":
        raise CircuitError(
            f"{whose} holds plated and unplated holes in one file ({function}).",
            mend="Write plated and unplated holes to a file each.",
        )
    forms = {"Copper": _COPPER, "Soldermask": _SIDED, "Legend": _SIDED, "Profile": _PROFILE}
    form = forms.get(kind, _DRILL if kind in ("Plated", "NonPlated") else None)
    if form is None and kind not in _DECIDING and _WORD.fullmatch(kind):
        return Role(function=function)
    if form is None or not form.fullmatch(function):
        raise CircuitError(
            f"{whose} is said to be {text!r}, which is no file function of the Gerber standard.",
            mend=f"Such a file is one of: {'; '.join(FORMS)}.",
        )
    return Role(function=function)


def read_roles(texts: Sequence[str]) -> dict[str, Role]:
    """What the user says of files: by name, from FILE=FUNCTION each. Raises CircuitError."""
    roles: dict[str, Role] = {}
    for text in texts:
        name, sign, function = text.rpartition("=")
        name = name.strip()
        if not sign or not name or not function.strip():
            raise CircuitError(
                f"A layer is given as {text!r}.",
                mend="Write FILE=FUNCTION, such as top.gbr=Copper,L1,Top.",
            )
        if name in roles:
            raise CircuitError(f"The layer of {name} is given twice.", mend="Say it once.")
        roles[name] = read_role(function, whose=name)
    return roles


def check_circuit_files(files: Mapping[str, bytes], *, name: str) -> None:
    """CircuitError where there are too many files, or too much of them, or none."""
    if not files:
        raise CircuitError(
            f"{name} holds no files.", mend="Give the folder or archive with the circuit's Gerber files."
        )
    if len(files) > MAX_FILES:
        raise too_many(name)
    if sum(map(len, files.values())) > MAX_BYTES:
        raise too_much(name)


def too_many(name: str) -> CircuitError:
    """The error of a circuit of too many files."""
    return CircuitError(f"{name} holds more than {MAX_FILES} files.", mend="Give the circuit's own files alone.")


def too_much(name: str) -> CircuitError:
    """The error of a circuit of too many bytes."""
    return CircuitError(
        f"{name} holds more than {MAX_BYTES // 1024**2} MB.", mend="Give the circuit's own files alone."
    )
