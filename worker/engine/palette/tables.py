"""Tables from colours to finishes: every one of the 2^24 encoded sRGB colours, by exact CIEDE2000.

A table depends on the finishes' colours alone, so it is made once per fab revision and kept (`TableStore`).
It is exact by construction: a fast form of CIEDE2000 with a known error bound finds the nearest finish, and every
colour whose two nearest finishes lie closer together than twice that bound, or that is opposite in hue to a finish,
is decided by the exact form in float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import white_ratios
from worker.engine.difference import FAST_ERROR, ciede2000_pair, exact_lab_f, fast_squared, lab_f
from worker.engine.palette.colour_places import BLUE, COLOURS, GREEN, RED
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.threads import row_strips, run_all, shared_strips

_UNSURE = np.float32(2.0 * FAST_ERROR)
_F = np.float32


class TableStore(Protocol):
    """Where tables are kept between jobs; the engine knows no path."""

    def get(self, key: str) -> bytes | None:
        """The table of this key, or None."""

    def put(self, key: str, table: bytes) -> None:
        """Keep a table under this key."""


@dataclass(frozen=True, slots=True)
class DraftTables:
    """A `TableStore` for a draft that somebody waits for: a large table is made for the artwork's colours alone."""

    kept: TableStore

    def get(self, key: str) -> bytes | None:
        """The table of this key, or None."""
        return self.kept.get(key)

    def put(self, key: str, table: bytes) -> None:
        """Keep a table under this key."""
        self.kept.put(key, table)


def nearest_finish_table(
    colours: FinishColours,
    *,
    art: Srgb | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
) -> Labels:
    """The nearest finish of every encoded sRGB colour.

    Parameters
    ----------
    art : uint8 (H, W, 3) or None
        All that will be looked up. With `DraftTables` a table that is not kept yet is made for its colours alone, and
        is not kept either.

    Returns
    -------
    uint8 (2^24,)
        Index of the finish nearest by CIEDE2000 at each colour's place (`colour_places`); of equals, the first.
    """
    key = colours.key("nearest-2")
    kept = tables.get(key) if tables is not None else None
    if kept is not None and len(kept) == COLOURS:
        return np.frombuffer(kept, dtype=np.uint8)
    table = np.zeros(COLOURS, dtype=np.uint8)
    ratios = white_ratios()
    # Of finishes with the very same colour only the first counts; else every colour would be a tie for the exact form.
    _, firsts = np.unique(colours.lab, axis=0, return_index=True)
    distinct = np.sort(firsts).astype(np.uint8)
    lab = np.ascontiguousarray(colours.lab[distinct])
    if isinstance(tables, DraftTables) and art is not None:
        found = _colours_in(read_only(art).reshape(-1), table)
        run_all(
            lambda first, last: _fill_listed(found[first:last], ratios, lab, distinct, table),
            shared_strips(len(found), threads),
            threads,
        )
        return table
    run_all(lambda first, last: _fill_nearest(first, last, ratios, lab, distinct, table), row_strips(256, 8), threads)
    if tables is not None:
        tables.put(key, table.tobytes())
    return table


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def lab_row(x, y, z, x_blue, y_blue, z_blue, lightness, a_star, b_star, chroma):  # type: ignore[no-untyped-def]  # pragma: no cover
    """CIELAB and chroma, float32 (256,), of one red and green with every blue, each given as XYZ over the white."""
    for i in range(256):
        f_y = lab_f(y + y_blue[i])
        lightness[i] = _F(116.0) * f_y - _F(16.0)
        a_star[i] = _F(500.0) * (lab_f(x + x_blue[i]) - f_y)
        b_star[i] = _F(200.0) * (f_y - lab_f(z + z_blue[i]))
    for i in range(256):
        chroma[i] = np.sqrt(a_star[i] * a_star[i] + b_star[i] * b_star[i])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _nearest_of_row(lightness, a_star, b_star, chromas, short, chroma, index, unsure):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Of 256 colours each: the nearest finish, and whether only the exact form can tell."""
    difference, best, second = np.empty((3, 256), dtype=np.float32)
    opposite = np.empty(256, dtype=np.int32)
    for i in range(256):
        best[i] = _F(1e12)
        second[i] = _F(1e12)
        index[i] = 0
        opposite[i] = 0
    for j in range(short.shape[0]):
        l_j, a_j, b_j, c_j = short[j, 0], short[j, 1], short[j, 2], chroma[j]
        for i in range(256):
            difference[i] = fast_squared(lightness[i], a_star[i], b_star[i], chromas[i], l_j, a_j, b_j, c_j)
        for i in range(256):
            d = difference[i]
            opposite[i] = 1 if d < _F(0.0) else opposite[i]
            second[i] = min(second[i], max(d, best[i]))
            index[i] = j if d < best[i] else index[i]
            best[i] = min(best[i], d)
    for i in range(256):
        unsure[i] = 1 if opposite[i] != 0 or np.sqrt(second[i]) - np.sqrt(best[i]) < _UNSURE else 0


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_nearest(
    first: int, last: int, ratios: Floats, lab: Floats, firsts: Labels, table: Labels
) -> None:  # pragma: no cover
    short = lab.astype(np.float32)
    chroma = np.sqrt(short[:, 1] * short[:, 1] + short[:, 2] * short[:, 2])
    blue = ratios[:, 2].astype(np.float32)
    x_blue, y_blue, z_blue = blue[:, 0].copy(), blue[:, 1].copy(), blue[:, 2].copy()
    lightness, a_star, b_star, chromas = np.empty((4, 256), dtype=np.float32)
    index, unsure = np.empty((2, 256), dtype=np.int32)
    for red in range(first, last):
        for green in range(256):
            x = _F(ratios[red, 0, 0] + ratios[green, 1, 0])
            y = _F(ratios[red, 0, 1] + ratios[green, 1, 1])
            z = _F(ratios[red, 0, 2] + ratios[green, 1, 2])
            lab_row(x, y, z, x_blue, y_blue, z_blue, lightness, a_star, b_star, chromas)
            _nearest_of_row(lightness, a_star, b_star, chromas, short, chroma, index, unsure)
            base = RED[red] | GREEN[green]
            for i in range(256):
                nearest = _nearest_exact(red, green, i, ratios, lab) if unsure[i] else index[i]
                table[base | BLUE[i]] = firsts[nearest]


@njit(cache=True, nogil=True)
def _colours_in(srgb: Labels, seen: Labels) -> npt.NDArray[np.uint32]:  # pragma: no cover
    """Each colour of uint8 (3 n,) once, uint32 (m,); `seen`, uint8 (2^24,) of 0, is 1 at its place afterwards."""
    found = np.empty(min(srgb.size // 3, COLOURS), dtype=np.uint32)
    n = 0
    for i in range(0, srgb.size, 3):
        place = RED[srgb[i]] | GREEN[srgb[i + 1]] | BLUE[srgb[i + 2]]
        if seen[place] == 0:
            seen[place] = 1
            found[n] = (np.uint32(srgb[i]) << 16) | (np.uint32(srgb[i + 1]) << 8) | srgb[i + 2]
            n += 1
    return found[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_listed(
    colours: npt.NDArray[np.uint32], ratios: Floats, lab: Floats, firsts: Labels, table: Labels
) -> None:  # pragma: no cover
    """`_fill_nearest` for these colours alone, 256 at a time."""
    short = lab.astype(np.float32)
    chroma = np.sqrt(short[:, 1] * short[:, 1] + short[:, 2] * short[:, 2])
    x, y, z = np.zeros((3, 256), dtype=np.float32)
    lightness, a_star, b_star, chromas = np.empty((4, 256), dtype=np.float32)
    index, unsure = np.empty((2, 256), dtype=np.int32)
    for base in range(0, colours.size, 256):
        here = min(256, colours.size - base)
        for i in range(here):
            red, green, blue = colours[base + i] >> 16, (colours[base + i] >> 8) & 255, colours[base + i] & 255
            x[i] = _F(ratios[red, 0, 0] + ratios[green, 1, 0] + ratios[blue, 2, 0])
            y[i] = _F(ratios[red, 0, 1] + ratios[green, 1, 1] + ratios[blue, 2, 1])
            z[i] = _F(ratios[red, 0, 2] + ratios[green, 1, 2] + ratios[blue, 2, 2])
        lab_row(_F(0.0), _F(0.0), _F(0.0), x, y, z, lightness, a_star, b_star, chromas)
        _nearest_of_row(lightness, a_star, b_star, chromas, short, chroma, index, unsure)
        for i in range(here):
            red, green, blue = (
                int(colours[base + i] >> 16),
                int((colours[base + i] >> 8) & 255),
                int(colours[base + i] & 255),
            )
            nearest = _nearest_exact(red, green, blue, ratios, lab) if unsure[i] else index[i]
            table[RED[red] | GREEN[green] | BLUE[blue]] = firsts[nearest]


@njit(cache=True, nogil=True, error_model="numpy")
def exact_lab(red: int, green: int, blue: int, ratios: Floats) -> tuple[float, float, float]:  # pragma: no cover
    """CIELAB (D65/2 degree) of one encoded sRGB colour in float64."""
    f_x = exact_lab_f(ratios[red, 0, 0] + ratios[green, 1, 0] + ratios[blue, 2, 0])
    f_y = exact_lab_f(ratios[red, 0, 1] + ratios[green, 1, 1] + ratios[blue, 2, 1])
    f_z = exact_lab_f(ratios[red, 0, 2] + ratios[green, 1, 2] + ratios[blue, 2, 2])
    return 116.0 * f_y - 16.0, 500.0 * (f_x - f_y), 200.0 * (f_y - f_z)


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest_exact(red: int, green: int, blue: int, ratios: Floats, lab: Floats) -> int:  # pragma: no cover
    colour = exact_lab(red, green, blue, ratios)
    best = 1e12
    index = 0
    for j in range(lab.shape[0]):
        d = ciede2000_pair(colour[0], colour[1], colour[2], lab[j, 0], lab[j, 1], lab[j, 2])
        if d < best:
            best = d
            index = j
    return index


@njit(cache=True, nogil=True, inline="always")
def _at(srgb, i, table):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    return table[RED[srgb[i]] | GREEN[srgb[i + 1]] | BLUE[srgb[i + 2]]]


@njit(cache=True, nogil=True)
def _look_up(srgb: Srgb, table: Labels, out: Labels) -> None:  # pragma: no cover - compiled
    # Four at a time: the loads then wait for memory together, not one after the other.
    whole = out.size // 4 * 4
    for i in range(0, whole, 4):
        one, two = _at(srgb, 3 * i, table), _at(srgb, 3 * i + 3, table)
        three, four = _at(srgb, 3 * i + 6, table), _at(srgb, 3 * i + 9, table)
        out[i] = one
        out[i + 1] = two
        out[i + 2] = three
        out[i + 3] = four
    for i in range(whole, out.size):
        out[i] = _at(srgb, 3 * i, table)


def look_up(srgb: Srgb, table: Labels, *, threads: int = 1) -> Labels:
    """`table` at every pixel.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), C-contiguous
        Encoded sRGB.
    table : uint8 (2^24,)
        By place.

    Returns
    -------
    uint8 (H, W)
    """
    height, width = srgb.shape[:2]
    out = np.empty((height, width), dtype=np.uint8)
    flat, flat_out = read_only(srgb).reshape(-1), out.reshape(-1)
    table = read_only(table)
    run_all(
        lambda first, last: _look_up(
            flat[3 * first * width : 3 * last * width], table, flat_out[first * width : last * width]
        ),
        shared_strips(height, threads),
        threads,
    )
    return out
