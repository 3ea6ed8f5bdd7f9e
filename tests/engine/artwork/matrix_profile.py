"""A small ICC profile of matrix and gamma, built byte by byte after ICC.1:2001-04 (version 2)."""

from __future__ import annotations

import struct

import numpy as np
import numpy.typing as npt


def _tag(kind: bytes, body: bytes) -> bytes:
    return kind + b"\0\0\0\0" + body + b"\0" * (-len(body) % 4)


def _fixed(values: npt.ArrayLike) -> bytes:
    return b"".join(struct.pack(">i", round(float(value) * 65536)) for value in np.ravel(values))


def matrix_profile(*, to_pcs: npt.NDArray[np.float64] | None, gamma: float, space: bytes = b"RGB ") -> bytes:
    """A profile of RGB (`to_pcs`: 3 x 3, linear RGB to XYZ under D50) or of grey, with one gamma for all channels."""
    curve = _tag(b"curv", struct.pack(">IH", 1, round(gamma * 256)))
    description = _tag(b"desc", struct.pack(">I", 5) + b"test\0" + b"\0" * 78)
    white = _tag(b"XYZ ", _fixed([0.9642, 1.0, 0.8249]))
    tags = {b"desc": description, b"cprt": _tag(b"text", b"none\0"), b"wtpt": white}
    if to_pcs is None:
        tags[b"kTRC"] = curve
    else:
        for i, letter in enumerate((b"r", b"g", b"b")):
            tags[letter + b"XYZ"] = _tag(b"XYZ ", _fixed(to_pcs[:, i]))
            tags[letter + b"TRC"] = curve
    table, body, offset = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        table += name + struct.pack(">II", offset + len(body), len(content))
        body += content
    size = offset + len(body)
    header = struct.pack(">I4sI4s4s4s", size, b"test", 0x02400000, b"mntr", space, b"XYZ ") + b"\0" * 12
    header += b"acsp" + b"\0" * 28 + _fixed([0.9642, 1.0, 0.8249]) + b"\0" * 48
    return header + struct.pack(">I", len(tags)) + table + body
