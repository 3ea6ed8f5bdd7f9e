"""What a mixture of finishes can show: the convex hull of their colours in linear light.

A fine mixture of finishes shows, from afar, a weighted mean of their colours in linear light. The artwork's colour
that lies outside every such mean is projected onto the nearest one, in the linear opponent metric
(Y, X/Xn - Y, Y - Z/Zn), before it is dithered; else the error that can never be paid piles up and smears.

Targets are kept as packed integers: three signed fields of 21 bits in one int64, red lowest, so that one addition
or multiplication serves all three channels. ONE stands for linear light 1.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Srgb
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR, srgb_decoded
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.tables import TableStore
from worker.engine.threads import run_all, shared_strips

Packed = npt.NDArray[np.int64]
"""int64: linear sRGB of one colour, three signed fields of FIELD bits, scaled by ONE."""

FIELD = 21
ONE = 1 << 13
FIELD_HALF = 1 << (FIELD - 1)
FIELD_MASK = (1 << FIELD) - 1


def in_all_fields(value: int) -> int:
    """The same value in each field of a packed colour."""
    return value + (value << FIELD) + (value << (2 * FIELD))


PACKED_HALF = in_all_fields(FIELD_HALF)
"""Added to a packed colour, it makes every field positive, so that the fields can be taken apart."""
NODES = 33
FINE_NODES = 65
"""Nodes to a side of the table that dithering takes its targets from, and of the one that is scored with. The coarse
one stays in a core's own cache, and moves a target by 0.2 CIEDE2000 at most on the average; the fine one by 0.08."""

_XYZ_TO_OPPONENT = np.array([[0.0, 1.0, 0.0], [1.0, -1.0, 0.0], [0.0, 1.0, -1.0]])
LINEAR_RGB_TO_OPPONENT: Floats = _XYZ_TO_OPPONENT @ (LINEAR_RGB_TO_XYZ / D65_WHITE[:, None])
"""Linear sRGB to (Y, X/Xn - Y, Y - Z/Zn)."""


def pack(linear_rgb: npt.ArrayLike) -> Packed:
    """Packed colours, int64 (...), of linear sRGB (..., 3)."""
    fields = np.rint(np.asarray(linear_rgb, dtype=np.float64) * ONE).astype(np.int64)
    return np.asarray(fields[..., 0] + (fields[..., 1] << FIELD) + (fields[..., 2] << (2 * FIELD)), dtype=np.int64)


def unpack(packed: Packed, scale: int = ONE) -> Floats:
    """Linear sRGB (..., 3) of packed colours, int64 (...), of which `scale` stands for 1."""
    biased = packed + PACKED_HALF
    fields = np.stack([(biased >> (FIELD * i)) & FIELD_MASK for i in range(3)], axis=-1) - FIELD_HALF
    return fields / float(scale)


def project_onto_hull(points: npt.ArrayLike, vertices: npt.ArrayLike) -> Floats:
    """The nearest point of the convex hull of `vertices` to each of `points`.

    Parameters
    ----------
    points : (m, 3)
        In any space with a Euclidean metric.
    vertices : (n, 3)
        One or more; they may lie in a plane, on a line or in a point.

    Returns
    -------
    float64 (m, 3)
        Exact to rounding: the hull is searched tetrahedron by tetrahedron, triangle by triangle and edge by edge.
    """
    corners = np.ascontiguousarray(vertices, dtype=np.float64)
    n = len(corners)
    tetrahedra = np.array(list(itertools.combinations(range(n), 4)), dtype=np.int64).reshape(-1, 4)
    triangles = np.array(list(itertools.combinations(range(n), 3)), dtype=np.int64).reshape(-1, 3)
    edges = np.array(list(itertools.combinations(range(n), 2)), dtype=np.int64).reshape(-1, 2)
    inverses = np.zeros((len(tetrahedra), 3, 3))
    keep = np.zeros(len(tetrahedra), dtype=bool)
    for i, tetrahedron in enumerate(tetrahedra):
        sides = (corners[tetrahedron[1:]] - corners[tetrahedron[0]]).T
        if abs(np.linalg.det(sides)) > 1e-9:
            inverses[i] = np.linalg.inv(sides)
            keep[i] = True
    wanted = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    out = np.empty_like(wanted)
    _project(wanted, corners, tetrahedra[keep], inverses[keep], triangles, edges, out)
    return out.reshape(np.shape(points))


@njit(cache=True, nogil=True, error_model="numpy")
def _project(points, corners, tetrahedra, inverses, triangles, edges, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for m in range(points.shape[0]):
        p = points[m]
        inside = False
        for i in range(tetrahedra.shape[0]):
            d = p - corners[tetrahedra[i, 0]]
            u = inverses[i, 0, 0] * d[0] + inverses[i, 0, 1] * d[1] + inverses[i, 0, 2] * d[2]
            v = inverses[i, 1, 0] * d[0] + inverses[i, 1, 1] * d[1] + inverses[i, 1, 2] * d[2]
            w = inverses[i, 2, 0] * d[0] + inverses[i, 2, 1] * d[1] + inverses[i, 2, 2] * d[2]
            if u >= 0.0 and v >= 0.0 and w >= 0.0 and u + v + w <= 1.0:
                inside = True
                break
        if inside:
            out[m] = p
            continue
        best = 1e300
        for i in range(corners.shape[0]):
            d = p - corners[i]
            distance = d[0] * d[0] + d[1] * d[1] + d[2] * d[2]
            if distance < best:
                best = distance
                out[m] = corners[i]
        for i in range(edges.shape[0]):
            a = corners[edges[i, 0]]
            e = corners[edges[i, 1]] - a
            d = p - a
            length = e[0] * e[0] + e[1] * e[1] + e[2] * e[2]
            if length < 1e-18:
                continue
            t = (d[0] * e[0] + d[1] * e[1] + d[2] * e[2]) / length
            if 0.0 < t < 1.0:
                r = d - t * e
                distance = r[0] * r[0] + r[1] * r[1] + r[2] * r[2]
                if distance < best:
                    best = distance
                    out[m] = a + t * e
        for i in range(triangles.shape[0]):
            a = corners[triangles[i, 0]]
            e = corners[triangles[i, 1]] - a
            f = corners[triangles[i, 2]] - a
            d = p - a
            ee = e[0] * e[0] + e[1] * e[1] + e[2] * e[2]
            ff = f[0] * f[0] + f[1] * f[1] + f[2] * f[2]
            ef = e[0] * f[0] + e[1] * f[1] + e[2] * f[2]
            de = d[0] * e[0] + d[1] * e[1] + d[2] * e[2]
            df = d[0] * f[0] + d[1] * f[1] + d[2] * f[2]
            area = ee * ff - ef * ef
            if area < 1e-16:
                continue
            s = (de * ff - df * ef) / area
            t = (df * ee - de * ef) / area
            if s > 0.0 and t > 0.0 and s + t < 1.0:
                q = s * e + t * f
                r = d - q
                distance = r[0] * r[0] + r[1] * r[1] + r[2] * r[2]
                if distance < best:
                    best = distance
                    out[m] = a + q


def hull_table(colours: FinishColours, *, nodes: int = NODES, tables: TableStore | None = None) -> Packed:
    """Nodes of the projection, to interpolate between.

    Parameters
    ----------
    nodes : int
        NODES, for `hull_targets` and `interpolate`, or FINE_NODES, for `interpolate_finely`.

    Returns
    -------
    int64 (nodes^3,), packed linear sRGB, read-only
        Node (i, j, k) is the projection of the encoded sRGB colour (i, j, k) * 256 / (nodes - 1).
    """
    key = colours.key(f"hull-{nodes}")
    kept = tables.get(key) if tables is not None else None
    if kept is not None and len(kept) == 8 * nodes**3:
        return np.frombuffer(kept, dtype=np.int64)
    value = srgb_decoded(np.arange(nodes) * (256 // (nodes - 1)) / 255.0)
    points = np.stack(np.meshgrid(value, value, value, indexing="ij"), axis=-1).reshape(-1, 3)
    opponent = project_onto_hull(points @ LINEAR_RGB_TO_OPPONENT.T, colours.linear_rgb @ LINEAR_RGB_TO_OPPONENT.T)
    table = pack(opponent @ np.linalg.inv(LINEAR_RGB_TO_OPPONENT).T)
    if tables is not None:
        tables.put(key, table.tobytes())
    # Read-only, as a kept one is: the loops that use it are compiled once for both.
    table.setflags(write=False)
    return table


def _tetrahedra(nodes: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int16]]:
    """Weights (n, 4) and node offsets (n, 2) of tetrahedral interpolation, by the low bits of red, green and blue.

    From node (i, j, k) to (i+1, j+1, k+1) the path first takes the axis of the largest fraction, then the next. The
    weights sum to the number of encoded values from node to node.
    """
    step = 256 // (nodes - 1)
    codes = list(itertools.product(range(step), repeat=3))
    weights = np.zeros((len(codes), 4), dtype=np.uint8)
    offsets = np.zeros((len(codes), 2), dtype=np.int16)
    stride = (nodes * nodes, nodes, 1)
    for code, fractions in enumerate(codes):
        first, second, third = sorted(range(3), key=lambda axis: -fractions[axis])
        weights[code] = (
            step - fractions[first],
            fractions[first] - fractions[second],
            fractions[second] - fractions[third],
            fractions[third],
        )
        offsets[code] = (stride[first], stride[first] + stride[second])
    return weights, offsets


WEIGHTS, OFFSETS = _tetrahedra(NODES)
FINE_WEIGHTS, FINE_OFFSETS = _tetrahedra(FINE_NODES)
PLAIN: Packed = np.rint(SRGB_TO_LINEAR.astype(np.float64) * (16 * ONE)).astype(np.int64)
"""int64 (256,): linear light of an encoded value, times 16, as one field of a packed colour holds it."""
_FAR = NODES * NODES + NODES + 1
_FINE_FAR = FINE_NODES * FINE_NODES + FINE_NODES + 1


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def interpolate(red, green, blue, table, weights, offsets):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A packed target, times 16, of one encoded sRGB colour (int64 each), between the NODES of `hull_table`."""
    node = (red >> 3) * (NODES * NODES) + (green >> 3) * NODES + (blue >> 3)
    code = ((red & 7) << 6) | ((green & 7) << 3) | (blue & 7)
    return 2 * (
        np.int64(weights[code, 0]) * table[node]
        + np.int64(weights[code, 1]) * table[node + offsets[code, 0]]
        + np.int64(weights[code, 2]) * table[node + offsets[code, 1]]
        + np.int64(weights[code, 3]) * table[node + _FAR]
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def interpolate_finely(red, green, blue, table, weights, offsets):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The same between the FINE_NODES, with FINE_WEIGHTS and FINE_OFFSETS."""
    node = (red >> 2) * (FINE_NODES * FINE_NODES) + (green >> 2) * FINE_NODES + (blue >> 2)
    code = ((red & 3) << 4) | ((green & 3) << 2) | (blue & 3)
    return 4 * (
        np.int64(weights[code, 0]) * table[node]
        + np.int64(weights[code, 1]) * table[node + offsets[code, 0]]
        + np.int64(weights[code, 2]) * table[node + offsets[code, 1]]
        + np.int64(weights[code, 3]) * table[node + _FINE_FAR]
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _interpolate_all(srgb, table, weights, offsets, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            out[y, x] = interpolate(
                np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2]), table, weights, offsets
            )


def hull_targets(srgb: Srgb, table: Packed, *, threads: int = 1) -> Packed:
    """Each pixel's colour projected onto the hull, times 16.

    Parameters
    ----------
    srgb : uint8 (H, W, 3)
        Encoded sRGB.
    table : int64 (33^3,)
        From `hull_table`; between its nodes by tetrahedral interpolation.

    Returns
    -------
    int64 (H, W), packed linear sRGB
        16 * ONE stands for 1.
    """
    out = np.empty(srgb.shape[:2], dtype=np.int64)
    run_all(
        lambda first, last: _interpolate_all(srgb[first:last], table, WEIGHTS, OFFSETS, out[first:last]),
        shared_strips(srgb.shape[0], threads),
        threads,
    )
    return out
