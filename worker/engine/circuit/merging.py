"""Art put into a circuit's own Gerber file: its text stays as it is, byte for byte, and the art stands before its end.

The art is written in the file's own unit and format. It begins with commands that bring every state back that the file
may have left behind, and it consists of areas (G36) without holes: so it needs no aperture, and clears nothing. A file
that carries attributes gets them for the art as well; a plain file stays plain.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.circuit.art_polygons import plain_areas
from worker.engine.circuit.drawn_shapes import Polygons
from worker.engine.circuit.gerber_format import FileFormat, file_format
from worker.engine.fabrication.file_attributes import field_text
from worker.engine.fabrication.grid import Points
from worker.errors import CircuitError

_END = re.compile(rb"(?:(?<![^\s*%])|(?<=D02))M0?[02]\s*\*")
_ATTRIBUTES = re.compile(rb"%T[FAOD]")
_IN_COMMENTS = re.compile(rb"G04\s*#@!\s*T[FAOD]")
_COMMENTS = re.compile(rb"G0?4[^*]*\*")
_ENCLOSING = (
    (rb"G36\*", rb"G37\*", "region"),
    (rb"%ABD\d+\*%", rb"%AB\*%", "aperture block"),
    (rb"%SRX(?!1Y1)[^%]*%", rb"%SR(?:X1Y1[^%]*)?\*%", "step and repeat"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtAreas:
    """Art of one layer that shares its attributes.

    polygons : object (n,), shapely polygons in whole nm of the circuit's coordinates. function : value of
    .AperFunction, or "". net : the net that all of it belongs to, or "".
    """

    polygons: Polygons
    function: str = ""
    net: str = ""


def merged_gerber(data: bytes, art: Sequence[ArtAreas], *, name: str, pixel_nm: int) -> bytes:
    """The circuit's file with the art in it.

    Parameters
    ----------
    art : what is put in; without any, the file stays as it is.
    pixel_nm : of the art. The file's coordinates must be finer than a quarter of it.

    Raises
    ------
    CircuitError
        The file can't be written on in: it doesn't end, its format is too coarse, or it has left something open.
    """
    art = [group for group in art if len(group.polygons)]
    if not art:
        return data
    how = file_format(data, name=name)
    if how.step_nm > pixel_nm / 4:
        raise CircuitError(
            f"{name} writes coordinates in steps of {how.step_nm / 1000:.3g} um, too coarse for art of "
            f"{pixel_nm / 1000:g} um.",
            mend="Write the circuit's files anew with more decimals (%FSLAX46Y46*% in mm), or take a larger pitch.",
        )
    commands = _COMMENTS.sub(b"", data)
    end = next((found.start() for found in _END.finditer(data) if _is_command(data, found.start())), None)
    if end is None:
        raise CircuitError(f"{name} has no end (M02).", mend="It is cut short: get it again.")
    for opened, closed, what in _ENCLOSING:
        if len(re.findall(opened, commands)) > len(re.findall(closed, commands)):
            raise CircuitError(f"{name} ends within a {what}.", mend="It is damaged: get it again.")
    text = "".join(_art(art, how, commands, commented=bool(_IN_COMMENTS.search(data))))
    return data[:end] + text.encode("ascii") + data[end:]


def _is_command(data: bytes, place: int) -> bool:
    """Whether a place lies neither in a comment nor between percent signs."""
    comment = max(data.rfind(b"G04", 0, place), data.rfind(b"G4", 0, place))
    if comment >= 0 and b"*" not in data[comment:place]:
        return False
    return _COMMENTS.sub(b"", data[:place]).count(b"%") % 2 == 0


def _art(art: Sequence[ArtAreas], how: FileFormat, commands: bytes, *, commented: bool) -> Iterator[str]:
    has_attributes = bool(_ATTRIBUTES.search(commands))

    def attribute(text: str) -> str:
        if has_attributes:
            return f"%{text}*%\n"
        return f"G04 #@! {text}*\n" if commented else ""

    yield "\nG04 Art begins*\n"
    yield from _at_rest(commands)
    yield attribute("TD")
    for group in art:
        if group.function:
            yield attribute(f"TA.AperFunction,{group.function}")
        if group.net:
            yield attribute(f"TO.N,{field_text(group.net)}")
        for outline in plain_areas(group.polygons, scale=1.0 / how.step_nm):
            yield f"G36*\n{_outline(outline, how)}G37*\n"
        yield attribute("TD")
    yield "G04 Art ends*\n"


def _at_rest(commands: bytes) -> Iterator[str]:
    """What ends every state that a file may be in. Commands that not every reader knows only where the file has them.

    An open SRX1Y1 repeats once, as nothing does.
    """
    for command, rest in ((b"%LM", "%LMN*%\n"), (b"%LR", "%LR0*%\n"), (b"%LS", "%LS1*%\n")):
        if command in commands:
            yield rest
    yield "%LPD*%\nG75*\nG01*\n"


def _outline(points: Points, how: FileFormat) -> str:
    whole = sum(how.digits)
    if int(np.abs(points).max()) >= 10**whole:
        x, y = points[int(np.abs(points).max(axis=1).argmax())] * how.step_nm / 1e6
        raise CircuitError(
            f"{how.name} has no digits for a point at {x:.3f}, {y:.3f} mm.",
            mend="Write the circuit's files anew with more digits before the point (%FSLAX46Y46*% in mm).",
        )
    if how.pads_behind:  # where zeros behind may be left out, those before may not
        numbers = [f"{'-' if value < 0 else ''}{abs(value):0{whole}d}" for value in points.ravel().tolist()]
        body = "X%sY%sD01*\n" * len(points) % tuple(numbers)
    else:
        body = "X%dY%dD01*\n" * len(points) % tuple(points.ravel().tolist())
    first, rest = body.split("\n", 1)
    return f"{first.removesuffix('D01*')}D02*\n{rest}"
