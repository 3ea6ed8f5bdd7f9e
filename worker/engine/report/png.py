"""PNG files, written fast: isal's deflate at its first level, rows packed to 1 bit where that is enough.

Source: ISO/IEC 15948, Portable Network Graphics. The bytes depend on the pixels alone.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt
from isal import isal_zlib
from numba import njit

from worker.engine.arrays import OUTSIDE, Labels, read_only
from worker.engine.threads import row_strips, run_all
from worker.errors import ArrayError

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def chunk(kind: bytes, data: bytes) -> bytes:
    """One chunk: length, kind, data, checksum of kind and data."""
    return b"".join((struct.pack(">I", len(data)), kind, data, struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))))


def header(width: int, height: int, *, bits: int, colour_type: int, pixels_per_metre: int | None) -> bytes:
    """Signature, header and physical resolution, as every file here begins."""
    begin = _SIGNATURE + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour_type, 0, 0, 0))
    if pixels_per_metre is not None:
        begin += chunk(b"pHYs", struct.pack(">IIB", pixels_per_metre, pixels_per_metre, 1))
    return begin


def filtered_rows(pixels: Labels, bits: int) -> npt.NDArray[np.uint8]:
    """Rows as the deflate stream holds them: filter type 0, then the pixels, packed from the high bit down."""
    height = pixels.shape[0]
    row = pixels.reshape(height, -1)
    if bits == 1:
        row = np.packbits(row, axis=1)
    elif bits in (2, 4):
        per_byte = 8 // bits
        padded = np.zeros((height, -(-row.shape[1] // per_byte) * per_byte), dtype=np.uint8)
        padded[:, : row.shape[1]] = row
        row = np.zeros((height, padded.shape[1] // per_byte), dtype=np.uint8)
        for place in range(per_byte):
            row |= padded[:, place::per_byte] << (8 - bits * (place + 1))
    out = np.empty((height, row.shape[1] + 1), dtype=np.uint8)
    out[:, 0] = 0
    out[:, 1:] = row
    return out


_STRIP_ROWS = 128
_EACH = np.uint64(0x0101010101010101)
_TOPS = np.uint64(0x8080808080808080)
_GATHER = np.uint64(0x8040201008040201)


@njit(cache=True, nogil=True, error_model="numpy")
def _masks(labels, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The rows of a mask for each label below the first length of `out`, which comes zeroed."""
    width, count = labels.shape[1], out.shape[0]
    row = np.full((width + 7) // 8 * 8, OUTSIDE, dtype=np.uint8)
    eights = row.view(np.uint64)
    for y in range(first, last):
        row[:width] = labels[y]
        for j in range(eights.shape[0]):
            eight = eights[j]
            label = np.int64(eight & np.uint64(0xFF))
            if eight == np.uint64(label) * _EACH:
                if label < count:
                    out[label, y, 1 + j] = 0xFF
                continue
            for i in range(count):
                # Bytes that are the label are 0 after this, and alone don't carry into their highest bit.
                other = eight ^ (np.uint64(i) * _EACH)
                alike = ~(((other & ~_TOPS) + ~_TOPS) | other) & _TOPS
                # Their lowest bits, gathered into the highest byte, the first pixel's highest.
                out[i, y, 1 + j] = ((alike >> np.uint64(7)) * _GATHER) >> np.uint64(56)


def mask_rows(labels: Labels, count: int, *, threads: int = 1) -> npt.NDArray[np.uint8]:
    """For each label below `count` the rows of a 1-bit picture of where it is, as `encode_mask` takes them.

    uint8 (count, H, 1 + bytes of a row).
    """
    height, width = labels.shape
    out = np.zeros((count, height, 1 + -(-width // 8)), dtype=np.uint8)
    labels = read_only(labels)
    run_all(lambda a, b: _masks(labels, a, b, out), row_strips(height, _STRIP_ROWS), threads)
    return out


def encode_mask(rows: npt.NDArray[np.uint8], width: int, pixels_per_metre: int | None) -> bytes:
    """A 1-bit PNG of rows of `mask_rows`, white where they are set."""
    return b"".join(
        [
            header(width, len(rows), bits=1, colour_type=0, pixels_per_metre=pixels_per_metre),
            chunk(b"IDAT", isal_zlib.compress(rows, 1)),
            chunk(b"IEND", b""),
        ]
    )


def encode_png(
    pixels: npt.NDArray[np.uint8],
    *,
    palette: bytes | None,
    bits: int,
    pixels_per_metre: int | None,
) -> bytes:
    """Encode a picture.

    Parameters
    ----------
    pixels : uint8 (H, W), grey or indexed, or (H, W, 3), encoded sRGB
        Values below 2^bits. A bool array counts as uint8 of 1 bit.
    palette : bytes or None
        3 bytes an entry: makes the file indexed.
    bits : 1, 2, 4 or 8
        Depth of a grey or indexed pixel; 8 for sRGB.
    pixels_per_metre : int or None
        Physical resolution, written where it is known.

    Raises
    ------
    ArrayError
        The shape is none of these, or the picture is empty.
    """
    if pixels.ndim not in (2, 3) or 0 in pixels.shape or (pixels.ndim == 3 and (pixels.shape[2] != 3 or bits != 8)):
        raise ArrayError(
            f"pixels is {pixels.dtype} {pixels.shape} at {bits} bits.",
            mend="Hand over (H, W), or (H, W, 3) at 8 bits, with at least one pixel.",
        )
    colour_type = 2 if pixels.ndim == 3 else 3 if palette is not None else 0
    height, width = pixels.shape[:2]
    parts = [header(width, height, bits=bits, colour_type=colour_type, pixels_per_metre=pixels_per_metre)]
    if colour_type == 2:
        parts.append(chunk(b"sRGB", b"\x00"))
    if palette is not None:
        parts.append(chunk(b"PLTE", palette))
    parts.append(chunk(b"IDAT", isal_zlib.compress(filtered_rows(pixels, bits), 1)))
    parts.append(chunk(b"IEND", b""))
    return b"".join(parts)
