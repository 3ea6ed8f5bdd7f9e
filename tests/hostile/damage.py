"""How files get broken: cut short, bytes flipped, stretches lost or doubled. The same seed breaks them the same way."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One broken file, or one that looks like it. `of` names the sound file that it was made from, "" for none.

    `way` : how it was made: cut, flipped, lost, doubled, or crafted by hand.
    """

    name: str
    data: bytes
    way: str = "crafted"
    of: str = ""


def cuts(name: str, data: bytes, count: int, seed: int) -> Iterator[Case]:
    """The file cut short: at every byte of its beginning, just before its end, and at `count` places between."""
    chance = random.Random(f"cut {name} {seed}")
    ends = {0, 1, 2, 3, 4, 7, 8, 11, 12, 16, 24, 33, len(data) // 2, *(len(data) - back for back in (1, 2, 4, 8, 12))}
    ends |= {chance.randrange(len(data)) for _ in range(count)}
    for end in sorted(end for end in ends if 0 <= end < len(data)):
        yield Case(name=f"{name} cut at {end}", data=data[:end], way="cut", of=name)


def flips(name: str, data: bytes, count: int, seed: int) -> Iterator[Case]:
    """Bytes set to others: half of the files in their first 64 bytes, where sizes and kinds stand."""
    chance = random.Random(f"flip {name} {seed}")
    for number in range(count):
        broken = bytearray(data)
        reach = min(len(data), 64) if number % 2 else len(data)
        for _ in range(chance.choice((1, 1, 2, 4, 16))):
            broken[chance.randrange(reach)] = chance.choice((0, 255, 127, 128, chance.randrange(256)))
        if bytes(broken) != data:
            yield Case(name=f"{name} flipped {number}", data=bytes(broken), way="flipped", of=name)


def losses(name: str, data: bytes, count: int, seed: int) -> Iterator[Case]:
    """A stretch left out, doubled, or overwritten with zeros or with a stretch from elsewhere in the file."""
    chance = random.Random(f"loss {name} {seed}")
    for number in range(count):
        start = chance.randrange(len(data))
        end = min(len(data), start + chance.choice((1, 4, 16, 256)))
        elsewhere = chance.randrange(len(data))
        put = (b"", data[start:end] * 2, bytes(end - start), data[elsewhere : elsewhere + end - start])[number % 4]
        broken = data[:start] + put + data[end:]
        if broken != data:
            yield Case(name=f"{name} lost {number}", data=broken, way="lost", of=name)


def broken(name: str, data: bytes, *, cut: int, flip: int, lose: int, seed: int = 5) -> Iterator[Case]:
    """All of these of one file."""
    yield from cuts(name, data, cut, seed)
    yield from flips(name, data, flip, seed)
    yield from losses(name, data, lose, seed)
