"""What a circuit's files tell of its parts that calls for cautions: batteries, coin cells, diodes that light.

By the letters of reference designators ("BT" is a battery, ASME Y14.44 and IEEE 315, from memory), by the values that
component attributes give ("CR2032": IEC 60086 names round lithium cells so), and by names of nets. A caution too many
does no harm, so what may be one counts; the user's word counts before it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from worker.engine.circuit.circuit import Circuit

_PART = re.compile(rb"TO\.(?:C|P),([^,*%]{1,40})")
_VALUE = re.compile(rb"TO\.(?:CVal|CFtp|CMPN),([^*%]{1,80})")
_NET = re.compile(rb"TO\.N,([^,*%]{1,40})")
_BATTERY = re.compile(r"(?:BT|BAT)\d+")
_LIGHT = re.compile(r"(?:LED|DS)\d*")
_COIN = re.compile(r"(?<![A-Z0-9])[CBL]R[123]\d{3}(?![A-Z0-9])|COIN", re.IGNORECASE)
_LED = re.compile(r"(?<![A-Z])LED(?![A-Z])", re.IGNORECASE)


def told_parts(circuit: Circuit) -> dict[str, str]:
    """Parts, in the words of the setting `includes`, and what tells of each."""
    found: dict[str, str] = {}
    for kind, because in _signs(circuit):
        found.setdefault(kind, because)
    return found


def _signs(circuit: Circuit) -> Iterator[tuple[str, str]]:
    for layer in circuit.layers:
        for name in _named(_PART, layer.data):
            if _BATTERY.fullmatch(name):
                yield "battery", f"{layer.name} has a part {name}, as batteries are named"
            elif _LIGHT.fullmatch(name):
                yield "led", f"{layer.name} has a part {name}, as diodes that light are named"
        for value in _named(_VALUE, layer.data):
            if _COIN.search(value):
                yield "coin-cell", f"{layer.name} has a part of the value {value}"
            if _LED.search(value):
                yield "led", f"{layer.name} has a part of the value {value}"
        for net in _named(_NET, layer.data):
            if _LIGHT.fullmatch(net):
                yield "led", f"{layer.name} has a net {net}"


def _named(pattern: re.Pattern[bytes], data: bytes) -> list[str]:
    return sorted({name.decode("utf-8", "replace").strip() for name in pattern.findall(data)})
