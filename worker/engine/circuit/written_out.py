"""A Gerber file whose repeated parts are written out: step and repeat (SR) and aperture blocks (AB).

The library that reads Gerber files knows neither. So each copy is written with its own coordinates, and begins with the
state that the part began with: polarity, interpolation, aperture and attributes. (Gerber Layer Format Specification,
4.11 and 4.14, from memory.) Only what is read is written out: the files that come out keep their text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from worker.engine.circuit.gerber_format import FileFormat, file_format
from worker.errors import CircuitError

MOST = 2_000_000
"""Commands that a file may be written out to."""

REPEATS = re.compile(rb"%\s*(?:SRX(?!1Y1(?![0-9]))|AB)")
_TOKEN = re.compile(r"%([^%]*)%|([^*%]*)\*")
_OPERATION = re.compile(
    r"(?:G0?([123]))?(?:X([+-]?\d+))?(?:Y([+-]?\d+))?(?:I([+-]?\d+))?(?:J([+-]?\d+))?(?:D0?([123]))?"
)
_SELECT = re.compile(r"(?:G54)?D([1-9]\d+)")
_STEP = re.compile(r"SRX(\d+)Y(\d+)I(-?[\d.]+)J(-?[\d.]+)")
_ATTRIBUTE = re.compile(r"T([AO])(\.?[^,*]+)")


@dataclass(frozen=True, slots=True)
class _Operation:
    x: int
    y: int
    offsets: str
    code: str


_Item = str | _Operation


@dataclass(slots=True)
class _Part:
    """A part that is repeated: what it begins with, and its items. steps : of its copies; `number` of its aperture."""

    before: list[_Item]
    items: list[_Item] = field(default_factory=list)
    steps: tuple[tuple[int, int], ...] = ()
    number: int = 0


def written_out(data: bytes, *, name: str) -> bytes:
    """The file with every copy written out; as it is where nothing is repeated. CircuitError."""
    if not REPEATS.search(data):
        return data
    writer = _Writer(file_format(data, name=name))
    for found in _TOKEN.finditer(data.decode("latin-1")):
        extended, plain = found.groups()
        if extended is not None:
            writer.extended("".join(extended.split("\n")).replace("\r", "").strip())
        else:
            writer.plain("".join(plain.split()), plain.strip())
    return writer.text().encode("latin-1")


class _Writer:
    def __init__(self, how: FileFormat) -> None:
        self.how = how
        self.open: list[_Part] = [_Part(before=[])]
        self.blocks: dict[int, _Part] = {}
        self.x = self.y = 0
        self.code, self.mode, self.polarity = "2", "G01*", "LPD"
        self.aperture = 0
        self.attributes: dict[str, str] = {}
        self.count = 0

    def extended(self, text: str) -> None:
        """What stands between percent signs."""
        if text.startswith("SR"):
            self._end_step()
            self._begin_step(text)
        elif text.startswith("AB"):
            self._block(text)
        elif text.startswith(("AD", "AM")):
            self.open[0].items.append(f"%{text}%")  # defined once, whatever repeats it
        else:
            self._remember(text)
            self._add([f"%{text}%"])

    def plain(self, packed: str, text: str) -> None:
        """A command without percent signs."""
        selected, operation = _SELECT.fullmatch(packed), _OPERATION.fullmatch(packed)
        if selected is not None:
            self.aperture = int(selected[1])
            if self.aperture not in self.blocks:
                self._add([f"{packed}*"])
        elif operation is not None and packed:
            self._operation(*operation.groups())
        elif packed:
            self._add([f"{text}*"])

    def text(self) -> str:
        """All of it. CircuitError where a part has no end."""
        if len(self.open) > 1:
            raise CircuitError(
                f"{self.how.name} ends within a part that is repeated.", mend="It is damaged: get it again."
            )
        return "\n".join(self._lines(self.open[0].items)) + "\n"

    def _lines(self, items: Iterable[_Item]) -> Iterator[str]:
        for item in items:
            if isinstance(item, str):
                yield item
            else:
                yield f"X{self._number(item.x)}Y{self._number(item.y)}{item.offsets}D0{item.code}*"

    def _number(self, value: int) -> str:
        if self.how.pads_behind:
            return f"{'-' if value < 0 else ''}{abs(value):0{sum(self.how.digits)}d}"
        return str(value)

    def _value(self, text: str | None, now: int) -> int:
        if text is None:
            return now
        if not self.how.pads_behind:
            return int(text)
        return int(("-" if text.startswith("-") else "") + text.lstrip("+-").ljust(sum(self.how.digits), "0"))

    def _operation(
        self, mode: str | None, x: str | None, y: str | None, i: str | None, j: str | None, code: str | None
    ) -> None:
        if mode is not None:
            self.mode = f"G0{mode}*"
            self._add([self.mode])
        if (x, y, i, j, code) == (None,) * 5:
            return
        self.code = code or self.code
        self.x, self.y = self._value(x, self.x), self._value(y, self.y)
        if self.code == "3" and self.aperture in self.blocks:
            self._flash(self.blocks[self.aperture])
            return
        offsets = "".join(f"{letter}{value}" for letter, value in (("I", i), ("J", j)) if value is not None)
        self._add([_Operation(self.x, self.y, offsets, self.code)])

    def _flash(self, block: _Part) -> None:
        if self.polarity != "LPD":
            raise CircuitError(
                f"{self.how.name} flashes the aperture block D{block.number} to clear what is below it.",
                mend="Write its objects out.",
            )
        after = self._state()
        self._add([*block.before, *_moved(block.items, self.x, self.y), *after])

    def _block(self, text: str) -> None:
        found = re.fullmatch(r"ABD([1-9]\d+)\*", text)
        if found is not None:
            self.open.append(_Part(before=self._state(), number=int(found[1])))
            return
        part = self.open.pop() if self.open[-1].number else None
        if part is None or text != "AB*":
            raise CircuitError(
                f"{self.how.name} has the command %{text}%, which makes no sense there.",
                mend="Write it anew: %ABD12*% begins an aperture block, and %AB*% ends it.",
            )
        self.blocks[part.number] = part

    def _begin_step(self, text: str) -> None:
        if text == "SR*":
            return
        found = _STEP.fullmatch(text.rstrip("*"))
        if found is None:
            raise CircuitError(
                f"{self.how.name} repeats something with the command %{text}%.",
                mend="Write it anew, such as %SRX3Y2I5.0J4.0*%.",
            )
        columns, rows = int(found[1]), int(found[2])
        if columns * rows > MOST:
            raise self._too_much()
        across, up = (round(float(step) * 10 ** self.how.digits[1]) for step in (found[3], found[4]))
        steps = tuple((column * across, row * up) for column in range(columns) for row in range(rows))
        self.open.append(_Part(before=self._state(), steps=steps))

    def _end_step(self) -> None:
        if not self.open[-1].steps:
            return
        part = self.open.pop()
        after = self._state()
        if len(part.steps) * (len(part.items) + len(part.before)) > MOST:
            raise self._too_much()
        for x, y in part.steps:
            self._add([*part.before, *_moved(part.items, x, y)])
        self._add(after)

    def _add(self, items: list[_Item]) -> None:
        self.count += len(items)
        if self.count > MOST:
            raise self._too_much()
        self.open[-1].items += items

    def _state(self) -> list[_Item]:
        """Commands that bring the state of now back."""
        select = [f"D{self.aperture}*"] if self.aperture and self.aperture not in self.blocks else []
        attributes = ["%TD*%", *(f"%{text}%" for text in self.attributes.values())] if self.attributes else []
        return [f"%{self.polarity}*%", self.mode, *select, *attributes]

    def _remember(self, text: str) -> None:
        for command in text.split("*"):
            attribute = _ATTRIBUTE.match(command)
            if command in ("LPD", "LPC"):
                self.polarity = command
            elif attribute is not None:
                self.attributes[attribute[2]] = f"{command}*"
            elif command == "TD":
                self.attributes.clear()
            elif command.startswith("TD"):
                self.attributes.pop(command[2:], None)

    def _too_much(self) -> CircuitError:
        return CircuitError(
            f"{self.how.name} repeats its parts to more than {MOST} commands.", mend="Give the single circuit."
        )


def _moved(items: Iterable[_Item], x: int, y: int) -> Iterator[_Item]:
    for item in items:
        yield item if isinstance(item, str) else replace(item, x=item.x + x, y=item.y + y)
