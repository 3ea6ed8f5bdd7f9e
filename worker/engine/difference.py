"""CIEDE2000, twice: exactly, and fast enough for every pixel of a large artwork.

Source: ISO/CIE 11664-6:2014; Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula: implementation notes,
supplementary test data, and mathematical observations", Color Research and Application 30 (2005).

The fast form needs no angle but one: the chord between two hues and their bisector follow from scalar and cross
products, and cosines of multiples of the mean hue from its cosine and sine. It runs in float32, eight at a time
where the processor can, and differs from the exact form by less than FAST_ERROR wherever the two hues are not
opposite; there (`OPPOSITE`) the bisector can flip, and callers that need the exact value ask the exact form.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats

FAST_ERROR = 2e-3
"""Bound on |fast - exact| CIEDE2000 where hues are not opposite; the tests hold it over the whole sRGB cube."""

_K25_7 = 25.0**7


@njit(cache=True, nogil=True)
def ciede2000_pair(
    l_1: float, a_1: float, b_1: float, l_2: float, a_2: float, b_2: float
) -> float:  # pragma: no cover - compiled
    """CIEDE2000 of two CIELAB colours, float64, kL = kC = kH = 1."""
    c_1 = math.hypot(a_1, b_1)
    c_2 = math.hypot(a_2, b_2)
    c_mean7 = (0.5 * (c_1 + c_2)) ** 7
    g = 0.5 * (1.0 - math.sqrt(c_mean7 / (c_mean7 + _K25_7)))
    a_1p = (1.0 + g) * a_1
    a_2p = (1.0 + g) * a_2
    c_1p = math.hypot(a_1p, b_1)
    c_2p = math.hypot(a_2p, b_2)
    h_1 = math.degrees(math.atan2(b_1, a_1p)) % 360.0 if c_1p > 0.0 else 0.0
    h_2 = math.degrees(math.atan2(b_2, a_2p)) % 360.0 if c_2p > 0.0 else 0.0
    d_l = l_2 - l_1
    d_c = c_2p - c_1p
    product = c_1p * c_2p
    d_h = 0.0
    h_mean = h_1 + h_2
    if product != 0.0:
        d_h = h_2 - h_1
        if d_h > 180.0:
            d_h -= 360.0
        elif d_h < -180.0:
            d_h += 360.0
        if abs(h_1 - h_2) <= 180.0:
            h_mean = 0.5 * (h_1 + h_2)
        elif h_1 + h_2 < 360.0:
            h_mean = 0.5 * (h_1 + h_2 + 360.0)
        else:
            h_mean = 0.5 * (h_1 + h_2 - 360.0)
    d_hp = 2.0 * math.sqrt(product) * math.sin(math.radians(0.5 * d_h))
    l_mean = 0.5 * (l_1 + l_2)
    c_mean = 0.5 * (c_1p + c_2p)
    t = (
        1.0
        - 0.17 * math.cos(math.radians(h_mean - 30.0))
        + 0.24 * math.cos(math.radians(2.0 * h_mean))
        + 0.32 * math.cos(math.radians(3.0 * h_mean + 6.0))
        - 0.20 * math.cos(math.radians(4.0 * h_mean - 63.0))
    )
    turn = 30.0 * math.exp(-(((h_mean - 275.0) / 25.0) ** 2))
    c7 = c_mean**7
    r_c = 2.0 * math.sqrt(c7 / (c7 + _K25_7))
    l_off = (l_mean - 50.0) ** 2
    s_l = 1.0 + 0.015 * l_off / math.sqrt(20.0 + l_off)
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    r_t = -math.sin(math.radians(2.0 * turn)) * r_c
    x = d_l / s_l
    y = d_c / s_c
    z = d_hp / s_h
    return math.sqrt(max(0.0, x * x + y * y + z * z + r_t * y * z))


@njit(cache=True, nogil=True)
def _ciede2000_many(lab_1, lab_2, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for i in range(lab_1.shape[0]):
        # Neighbours in a picture are often alike.
        if (
            i > 0
            and lab_1[i, 0] == lab_1[i - 1, 0]
            and lab_1[i, 1] == lab_1[i - 1, 1]
            and lab_1[i, 2] == lab_1[i - 1, 2]
            and lab_2[i, 0] == lab_2[i - 1, 0]
            and lab_2[i, 1] == lab_2[i - 1, 1]
            and lab_2[i, 2] == lab_2[i - 1, 2]
        ):
            out[i] = out[i - 1]
        else:
            out[i] = ciede2000_pair(lab_1[i, 0], lab_1[i, 1], lab_1[i, 2], lab_2[i, 0], lab_2[i, 1], lab_2[i, 2])


def ciede2000(lab_1: npt.ArrayLike, lab_2: npt.ArrayLike) -> Floats:
    """CIEDE2000 of two arrays of CIELAB colours of shape (..., 3), which are broadcast; float64 (...)."""
    first, second = np.broadcast_arrays(np.asarray(lab_1, dtype=np.float64), np.asarray(lab_2, dtype=np.float64))
    out = np.empty(first.shape[:-1])
    _ciede2000_many(
        np.ascontiguousarray(first).reshape(-1, 3), np.ascontiguousarray(second).reshape(-1, 3), out.reshape(-1)
    )
    return out


def distances_to_each(lab: npt.ArrayLike, references: npt.ArrayLike) -> Floats:
    """CIEDE2000 of colours (m, 3) to each of some others (n, 3), both CIELAB: float64 (m, n)."""
    return np.stack([ciede2000(lab, reference) for reference in np.asarray(references)], axis=1)


_F = np.float32
_GREY = _F(5e-4)
"""Chroma below which the first colour counts as grey: rounding leaves greys up to 7e-5, other sRGB codes have 0.27."""


@njit(
    cache=True,
    nogil=True,
    error_model="numpy",
    inline="always",
    fastmath={"contract", "nsz", "nnan", "ninf", "arcp", "reassoc"},
)
def fast_squared(l_1, a_1, b_1, c_1, l_2, a_2, b_2, c_2):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Squared CIEDE2000, float32, or -1 where the hues are opposite; c_1 and c_2 are the CIELAB chromas."""
    half = _F(0.5)
    one = _F(1.0)
    tiny = _F(1e-12)
    k7 = _F(25.0**7)
    # float32 leaves a grey a hue of its own, which would count by the root of the two chromas: up to 0.08 beside blue.
    a_1 = _F(0.0) if c_1 < _GREY else a_1
    b_1 = _F(0.0) if c_1 < _GREY else b_1
    c_m = half * (c_1 + c_2)
    c_m2 = c_m * c_m
    c_m7 = c_m2 * c_m2 * c_m2 * c_m
    g1 = one + half * (one - np.sqrt(c_m7 / (c_m7 + k7)))
    ap_1 = g1 * a_1
    ap_2 = g1 * a_2
    cp_1 = np.sqrt(ap_1 * ap_1 + b_1 * b_1)
    cp_2 = np.sqrt(ap_2 * ap_2 + b_2 * b_2)
    product = cp_1 * cp_2
    dot = ap_1 * ap_2 + b_1 * b_2
    cross = ap_1 * b_2 - b_1 * ap_2
    # |chord|^2 = 2 (C1 C2 - dot); beside equal hues the other form loses no digits.
    near = _F(2.0) * cross * cross / (product + abs(dot) + tiny)
    far = _F(2.0) * (product + abs(dot))
    d_h2 = near if dot > _F(0.0) else far
    d_h = np.sqrt(d_h2)
    d_h = -d_h if cross < _F(0.0) else d_h
    inverse_1 = one / (cp_1 + tiny)
    inverse_2 = one / (cp_2 + tiny)
    u_x = ap_1 * inverse_1 + ap_2 * inverse_2
    u_y = b_1 * inverse_1 + b_2 * inverse_2
    u_2 = u_x * u_x + u_y * u_y
    scale = one / np.sqrt(u_2 + tiny)
    c = u_x * scale
    s = u_y * scale
    # A grey has no hue: the mean hue is then the other's; of two greys it is 0.
    c = c if u_2 > tiny else one
    c2 = c * c - s * s
    s2 = _F(2.0) * s * c
    c3 = c2 * c - s2 * s
    s3 = s2 * c + c2 * s
    c4 = c2 * c2 - s2 * s2
    s4 = _F(2.0) * s2 * c2
    t = (
        one
        - _F(0.17) * (c * _F(0.8660254037844387) + s * half)
        + _F(0.24) * c2
        + _F(0.32) * (c3 * _F(0.9945218953682733) - s3 * _F(0.10452846326765347))
        - _F(0.20) * (c4 * _F(0.45399049973954675) + s4 * _F(0.8910065241883678))
    )
    cp_m = half * (cp_1 + cp_2)
    # Angle from 275 degrees, in units of 25 degrees; beyond 90 degrees the turn is below 1e-4 degree: drop it.
    cos_v = c * _F(0.08715574274765824) - s * _F(0.9961946980917455)
    sin_v = s * _F(0.08715574274765824) + c * _F(0.9961946980917455)
    a_s = abs(sin_v)
    a_c = abs(cos_v)
    low = min(a_s, a_c)
    high = max(a_s, a_c) + tiny
    q = low / high
    q2 = q * q
    v = q * (
        _F(0.99997726)
        + q2
        * (
            _F(-0.33262347)
            + q2 * (_F(0.19354346) + q2 * (_F(-0.11643287) + q2 * (_F(0.05265332) + q2 * _F(-0.01172120))))
        )
    )
    v = _F(1.5707963267948966) - v if a_s > a_c else v
    x = v * _F(2.2918311805232928)
    e = x * x
    # exp(-e) for 0 <= e <= 13 as (1 + (-e/64) + ...)^64
    y = e * _F(1.0 / 64.0)
    p = one - y * (one - y * (half - y * (_F(1 / 6) - y * _F(1 / 24))))
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p if cos_v > _F(0.0) else _F(0.0)
    w = p * _F(1.0471975511965976)
    w2 = w * w
    sin_w = w * (one - w2 * (_F(1 / 6) - w2 * (_F(1 / 120) - w2 * (_F(1 / 5040) - w2 * _F(1 / 362880)))))
    m2 = cp_m * cp_m
    m7 = m2 * m2 * m2 * cp_m
    r_t = _F(-2.0) * sin_w * np.sqrt(m7 / (m7 + k7))
    l_o = half * (l_1 + l_2) - _F(50.0)
    l_o = l_o * l_o
    s_l = one + _F(0.015) * l_o / np.sqrt(_F(20.0) + l_o)
    dx = (l_2 - l_1) / s_l
    dy = (cp_2 - cp_1) / (one + _F(0.045) * cp_m)
    dz = d_h / (one + _F(0.015) * cp_m * t)
    total = dx * dx + dy * dy + dz * dz + r_t * dy * dz
    # Opposite hues: the bisector may flip, so the answer is not to be trusted. Say so in the sign.
    return _F(-1.0) if u_2 < _F(1e-4) and product > tiny else max(total, _F(0.0))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cube_root(x):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Cube root of a float32 in [1e-3, 2], good to 3e-7, without a call, so that loops over it run eight abreast."""
    y = _F(0.1) + x * (_F(2.4) + x * (_F(-2.9) + x * _F(1.42)))
    for _ in range(4):
        y2 = y * y
        y = y * (y2 * y + x + x) / (y2 * y + y2 * y + x)
    return y


@njit(cache=True, nogil=True, error_model="numpy")
def exact_lab_f(x: float) -> float:  # pragma: no cover - compiled
    """The function f of CIELAB (ISO/CIE 11664-4) of a ratio to the white, float64."""
    return np.cbrt(x) if x > 216 / 24389 else x * (841 / 108) + 4 / 29


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def lab_f(x):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The function f of CIELAB (ISO/CIE 11664-4) of a ratio to the white, float32."""
    return cube_root(max(x, _F(0.008))) if x > _F(216 / 24389) else x * _F(841 / 108) + _F(4 / 29)
