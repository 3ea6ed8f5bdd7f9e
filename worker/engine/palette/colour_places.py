"""Where each encoded sRGB colour has its place in a table of all 2^24.

Colours that are alike lie together: 4 x 4 x 4 of them are 64 entries, a processor's cache line, and 8 x 8 x 8, a bin of
the histogram, are 512. Neighbouring pixels of a photograph then ask for few lines, where a table in the order of red,
green and blue has a line for each red and each green.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Labels

COLOURS = 1 << 24
BIN_COLOURS = 1 << 9
"""So many colours of one bin of the histogram lie together, the bins in their order."""


def _places() -> npt.NDArray[np.uint32]:
    """From the top: 5 bits each of red, green and blue, then one each, then two each."""
    value = np.arange(256)
    channels = [
        (value >> 3) << (9 + 5 * after) | ((value >> 2) & 1) << (6 + after) | (value & 3) << (2 * after)
        for after in (2, 1, 0)
    ]
    return np.array(channels, dtype=np.uint32)


PLACES = _places()
"""uint32 (3, 256): a colour's place is PLACES[0, red] | PLACES[1, green] | PLACES[2, blue]."""
RED, GREEN, BLUE = (np.ascontiguousarray(channel) for channel in PLACES)


def places_of(srgb: npt.NDArray[np.integer]) -> npt.NDArray[np.uint32]:
    """uint32 (...,): the places of colours, integers (..., 3) from 0 to 255."""
    places: npt.NDArray[np.uint32] = RED[srgb[..., 0]] | GREEN[srgb[..., 1]] | BLUE[srgb[..., 2]]
    return places


def table_of_bins(by_bin: npt.NDArray[np.uint8]) -> Labels:
    """uint8 (2^24,), by place: what each colour's bin has. `by_bin` : uint8 (2^15,), by number of bin."""
    return np.repeat(by_bin, BIN_COLOURS)
