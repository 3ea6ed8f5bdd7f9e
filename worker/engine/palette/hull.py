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
from worker.engine.palette.tables import DraftTables, TableStore
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

_FLAT = 1e-12
"""How far beyond a face's plane a corner may lie, by rounding, and still count as in it."""

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
        Exact to rounding: a point outside every face's half-space is searched for face by face and edge by edge.
    """
    corners = np.ascontiguousarray(vertices, dtype=np.float64)
    n = len(corners)
    triangles = np.array(list(itertools.combinations(range(n), 3)), dtype=np.int64).reshape(-1, 3)
    edges = np.array(list(itertools.combinations(range(n), 2)), dtype=np.int64).reshape(-1, 2)
    planes = np.zeros((0, 4))
    if _has_volume(corners):
        triangles, planes = _faces(corners, triangles)
    wanted = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    out = np.empty_like(wanted)
    _project(wanted, corners, planes, triangles, edges, out)
    return out.reshape(np.shape(points))


def _has_volume(corners: Floats) -> bool:
    fours = np.array(list(itertools.combinations(range(len(corners)), 4)), dtype=np.int64).reshape(-1, 4)
    sides = corners[fours[:, 1:]] - corners[fours[:, :1]]
    return bool((np.abs(np.linalg.det(sides)) > 1e-9).any())


def _faces(corners: Floats, triangles: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], Floats]:
    """The triangles that lie on the hull's surface, int64 (f, 3), and their planes, float64 (f, 4).

    A plane is (normal, offset), inside where normal . p <= offset. Nothing within the hull is nearer to a point outside
    than its surface, so that the other triangles need not be looked at.
    """
    a, b, c = (corners[triangles[:, i]] for i in range(3))
    normals = np.cross(b - a, c - a)
    lengths = np.linalg.norm(normals, axis=1)
    wide = lengths > 1e-8
    triangles, normals, a = triangles[wide], normals[wide] / lengths[wide, None], a[wide]
    heights = normals @ corners.T - (normals * a).sum(axis=1)[:, None]
    below, above = (heights <= _FLAT).all(axis=1), (heights >= -_FLAT).all(axis=1)
    normals = np.where(below[:, None], normals, -normals)
    planes = np.column_stack([normals, (normals * a).sum(axis=1)])
    outer = below | above
    return triangles[outer], planes[outer]


@njit(cache=True, nogil=True, error_model="numpy")
def _project(points, corners, planes, triangles, edges, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    # Coordinate by coordinate: a row of an array would be an array of its own each time.
    for m in range(points.shape[0]):
        x, y, z = points[m, 0], points[m, 1], points[m, 2]
        inside = planes.shape[0] > 0
        for i in range(planes.shape[0]):
            if planes[i, 0] * x + planes[i, 1] * y + planes[i, 2] * z > planes[i, 3]:
                inside = False
                break
        if inside:
            out[m, 0], out[m, 1], out[m, 2] = x, y, z
            continue
        best = 1e300
        for i in range(corners.shape[0]):
            d_x, d_y, d_z = x - corners[i, 0], y - corners[i, 1], z - corners[i, 2]
            distance = d_x * d_x + d_y * d_y + d_z * d_z
            if distance < best:
                best = distance
                out[m, 0], out[m, 1], out[m, 2] = corners[i, 0], corners[i, 1], corners[i, 2]
        for i in range(edges.shape[0]):
            a, b = edges[i, 0], edges[i, 1]
            e_x, e_y, e_z = corners[b, 0] - corners[a, 0], corners[b, 1] - corners[a, 1], corners[b, 2] - corners[a, 2]
            d_x, d_y, d_z = x - corners[a, 0], y - corners[a, 1], z - corners[a, 2]
            length = e_x * e_x + e_y * e_y + e_z * e_z
            if length < 1e-18:
                continue
            t = (d_x * e_x + d_y * e_y + d_z * e_z) / length
            if 0.0 < t < 1.0:
                r_x, r_y, r_z = d_x - t * e_x, d_y - t * e_y, d_z - t * e_z
                distance = r_x * r_x + r_y * r_y + r_z * r_z
                if distance < best:
                    best = distance
                    out[m, 0] = corners[a, 0] + t * e_x
                    out[m, 1] = corners[a, 1] + t * e_y
                    out[m, 2] = corners[a, 2] + t * e_z
        for i in range(triangles.shape[0]):
            a, b, c = triangles[i, 0], triangles[i, 1], triangles[i, 2]
            e_x, e_y, e_z = corners[b, 0] - corners[a, 0], corners[b, 1] - corners[a, 1], corners[b, 2] - corners[a, 2]
            f_x, f_y, f_z = corners[c, 0] - corners[a, 0], corners[c, 1] - corners[a, 1], corners[c, 2] - corners[a, 2]
            d_x, d_y, d_z = x - corners[a, 0], y - corners[a, 1], z - corners[a, 2]
            ee = e_x * e_x + e_y * e_y + e_z * e_z
            ff = f_x * f_x + f_y * f_y + f_z * f_z
            ef = e_x * f_x + e_y * f_y + e_z * f_z
            de = d_x * e_x + d_y * e_y + d_z * e_z
            df = d_x * f_x + d_y * f_y + d_z * f_z
            area = ee * ff - ef * ef
            if area < 1e-16:
                continue
            s = (de * ff - df * ef) / area
            t = (df * ee - de * ef) / area
            if s > 0.0 and t > 0.0 and s + t < 1.0:
                q_x, q_y, q_z = s * e_x + t * f_x, s * e_y + t * f_y, s * e_z + t * f_z
                r_x, r_y, r_z = d_x - q_x, d_y - q_y, d_z - q_z
                distance = r_x * r_x + r_y * r_y + r_z * r_z
                if distance < best:
                    best = distance
                    out[m, 0], out[m, 1], out[m, 2] = corners[a, 0] + q_x, corners[a, 1] + q_y, corners[a, 2] + q_z


def hull_table(colours: FinishColours, *, nodes: int = NODES, tables: TableStore | None = None) -> Packed:
    """Nodes of the projection, to interpolate between.

    Parameters
    ----------
    nodes : int
        NODES, for `hull_targets` and `interpolate`, or FINE_NODES, for `interpolate_finely`.

    Returns
    -------
    int64 (nodes^3,), packed linear sRGB, read-only
        Node (i, j, k) is the projection of the encoded sRGB colour (i, j, k) * 256 / (nodes - 1). With `DraftTables`,
        where no table is kept, every second of FINE_NODES; between them the mean of their neighbours.
    """
    key = colours.key(f"hull-{nodes}")
    kept = tables.get(key) if tables is not None else None
    if kept is not None and len(kept) == 8 * nodes**3:
        return np.frombuffer(kept, dtype=np.int64)
    draft = isinstance(tables, DraftTables)
    projected = _filled_in(_projected(colours, NODES)) if draft and nodes == FINE_NODES else _projected(colours, nodes)
    table = pack(projected).reshape(-1)
    if tables is not None and not draft:
        tables.put(key, table.tobytes())
    # Read-only, as a kept one is: the loops that use it are compiled once for both.
    table.setflags(write=False)
    return table


def _projected(colours: FinishColours, nodes: int) -> Floats:
    """Linear sRGB, float64 (nodes, nodes, nodes, 3), of each node's projection."""
    value = srgb_decoded(np.arange(nodes) * (256 // (nodes - 1)) / 255.0)
    points = np.stack(np.meshgrid(value, value, value, indexing="ij"), axis=-1).reshape(-1, 3)
    opponent = project_onto_hull(points @ LINEAR_RGB_TO_OPPONENT.T, colours.linear_rgb @ LINEAR_RGB_TO_OPPONENT.T)
    return (opponent @ np.linalg.inv(LINEAR_RGB_TO_OPPONENT).T).reshape(nodes, nodes, nodes, 3)


def _filled_in(table: Floats) -> Floats:
    """A table of twice as many steps to a side, each new node the mean of those that it lies between."""
    for axis in range(3):
        fine = np.repeat(table, 2, axis=axis)[(slice(None),) * axis + (slice(-1),)]
        table = np.moveaxis(table, axis, 0)
        np.moveaxis(fine, axis, 0)[1::2] = 0.5 * (table[:-1] + table[1:])
        table = fine
    return table


def _tetrahedra(nodes: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint16]]:
    """Weights (n, 4) and node offsets (n, 2) of tetrahedral interpolation, by the low bits of red, green and blue.

    From node (i, j, k) to (i+1, j+1, k+1) the path first takes the axis of the largest fraction, then the next. The
    weights sum to the number of encoded values from node to node.
    """
    step = 256 // (nodes - 1)
    codes = list(itertools.product(range(step), repeat=3))
    weights = np.zeros((len(codes), 4), dtype=np.uint8)
    offsets = np.zeros((len(codes), 2), dtype=np.uint16)
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
