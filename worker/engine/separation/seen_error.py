"""The error that a direct search lowers: squared CIEDE2000 between artwork and board, both as the eye passes them.

Colours are the eye's opponent channels (`vision.XYZ_TO_OPPONENT`), Y of white 1; `m` takes them to XYZ over the white.
Trials are many, so they are compared by a quadratic form that rises as squared CIEDE2000 does beside the colours of now
(`weigh`, `window_error`); the one that is to be kept is looked at by CIEDE2000 itself (`true_error`).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from worker.engine.difference import ciede2000_pair, exact_lab_f, fast_squared, lab_f

_STEP = np.float32(2e-3)
_STEP_LAB = 0.5
_MOST_MOVED = 1.0
"""An aim lies no farther from the artwork's colour, of what the board's does: beyond, the form can't be trusted."""


@njit(cache=True, nogil=True, error_model="numpy")
def weigh(seen, art, m, first, last, weights, aims):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What CIEDE2000 makes of small changes of each cell as it is seen now, rows first..last.

    art : float32 (3, h, w), CIELAB. weights : float32 (4, h, w): squared, it is weights[0] dL^2 + weights[1] da^2 +
    weights[2] da db + weights[3] db^2 of the differences, with the means of lightness, chroma and hue as they are now;
    Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula", Color Research and Application 30 (2005).
    aims : float32 (3, h, w), CIELAB: the artwork's colours, moved so far that the weighted form rises as CIEDE2000
    does, whose means move along with the colour.
    """
    for y in range(first, last):
        for x in range(weights.shape[2]):
            o_0, o_1, o_2 = seen[0, y, x], seen[1, y, x], seen[2, y, x]
            f_x = exact_lab_f(max(m[0, 0] * o_0 + m[0, 1] * o_1 + m[0, 2] * o_2, 0.0))
            f_y = exact_lab_f(max(m[1, 0] * o_0 + m[1, 1] * o_1 + m[1, 2] * o_2, 0.0))
            f_z = exact_lab_f(max(m[2, 0] * o_0 + m[2, 1] * o_1 + m[2, 2] * o_2, 0.0))
            l_1, a_1, b_1 = 116.0 * f_y - 16.0, 500.0 * (f_x - f_y), 200.0 * (f_y - f_z)
            l_2, a_2, b_2 = np.float64(art[0, y, x]), np.float64(art[1, y, x]), np.float64(art[2, y, x])
            chroma = 0.5 * (math.sqrt(a_1 * a_1 + b_1 * b_1) + math.sqrt(a_2 * a_2 + b_2 * b_2))
            g = 1.5 - 0.5 * math.sqrt(chroma**7 / (chroma**7 + 25.0**7))
            c_1, c_2 = math.sqrt(g * g * a_1 * a_1 + b_1 * b_1), math.sqrt(g * g * a_2 * a_2 + b_2 * b_2)
            u_a = g * (a_1 / (c_1 + 1e-9) + a_2 / (c_2 + 1e-9))
            u_b = b_1 / (c_1 + 1e-9) + b_2 / (c_2 + 1e-9)
            hue = math.atan2(u_b, u_a)
            mean = 0.5 * (c_1 + c_2)
            t = (
                1.0
                - 0.17 * math.cos(hue - math.pi / 6.0)
                + 0.24 * math.cos(2.0 * hue)
                + 0.32 * math.cos(3.0 * hue + math.pi / 30.0)
                - 0.20 * math.cos(4.0 * hue - 63.0 * math.pi / 180.0)
            )
            away = (math.degrees(hue) % 360.0 - 275.0) / 25.0
            turn = -2.0 * math.sqrt(mean**7 / (mean**7 + 25.0**7)) * math.sin(math.pi / 3.0 * math.exp(-away * away))
            middle = (0.5 * (l_1 + l_2) - 50.0) ** 2
            s_l = 1.0 + 0.015 * middle / math.sqrt(20.0 + middle)
            s_c, s_h = 1.0 + 0.045 * mean, 1.0 + 0.015 * mean * t
            cos, sin = math.cos(hue), math.sin(hue)
            cc, hh, ch = 1.0 / (s_c * s_c), 1.0 / (s_h * s_h), turn / (s_c * s_h)
            q_l = 1.0 / (s_l * s_l)
            q_aa = g * g * (cc * cos * cos + hh * sin * sin - ch * sin * cos)
            q_ab = g * (2.0 * (cc - hh) * sin * cos + ch * (cos * cos - sin * sin))
            q_bb = cc * sin * sin + hh * cos * cos + ch * sin * cos
            rise_l = _squared(l_1 + _STEP_LAB, a_1, b_1, l_2, a_2, b_2) - _squared(
                l_1 - _STEP_LAB, a_1, b_1, l_2, a_2, b_2
            )
            rise_a = _squared(l_1, a_1 + _STEP_LAB, b_1, l_2, a_2, b_2) - _squared(
                l_1, a_1 - _STEP_LAB, b_1, l_2, a_2, b_2
            )
            rise_b = _squared(l_1, a_1, b_1 + _STEP_LAB, l_2, a_2, b_2) - _squared(
                l_1, a_1, b_1 - _STEP_LAB, l_2, a_2, b_2
            )
            scale = 0.25 / _STEP_LAB
            area = q_aa * q_bb - 0.25 * q_ab * q_ab
            s_l = l_1 - scale * rise_l / q_l - l_2
            s_a = a_1 - scale * (q_bb * rise_a - 0.5 * q_ab * rise_b) / area - a_2
            s_b = b_1 - scale * (q_aa * rise_b - 0.5 * q_ab * rise_a) / area - b_2
            apart = math.sqrt((l_1 - l_2) ** 2 + (a_1 - a_2) ** 2 + (b_1 - b_2) ** 2)
            moved = math.sqrt(s_l * s_l + s_a * s_a + s_b * s_b)
            share = _MOST_MOVED * apart / moved if moved > _MOST_MOVED * apart else 1.0
            aims[0, y, x], aims[1, y, x], aims[2, y, x] = l_2 + share * s_l, a_2 + share * s_a, b_2 + share * s_b
            weights[0, y, x], weights[1, y, x], weights[2, y, x], weights[3, y, x] = q_l, q_aa, q_ab, q_bb


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _squared(l_1, a_1, b_1, l_2, a_2, b_2):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    difference = ciede2000_pair(l_1, a_1, b_1, l_2, a_2, b_2)
    return difference * difference


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz", "nnan", "ninf", "reassoc"})
def window_error(seen, art, weights, move, length, d_0, d_1, d_2, m, light, f):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The error of a window's first `length` places after a move that changes its cell by (d_0, d_1, d_2).

    light, f : float32 (3, n), room to work in. Loops over few arrays are run several places abreast; one loop for all
    would not be.
    """
    zero = np.float32(0.0)
    for channel in range(3):
        step = d_0 if channel == 0 else (d_1 if channel == 1 else d_2)
        here, by, out = seen[channel], move[channel], light[channel]
        for i in range(length):
            out[i] = here[i] + step * by[i]
    l_0, l_1, l_2 = light[0], light[1], light[2]
    for j in range(3):
        m_0, m_1, m_2, out = m[j, 0], m[j, 1], m[j, 2], f[j]
        for i in range(length):
            out[i] = lab_f(max(m_0 * l_0[i] + m_1 * l_1[i] + m_2 * l_2[i], zero))
    f_x, f_y, f_z = f[0], f[1], f[2]
    total = zero
    for i in range(length):
        d_l = np.float32(116.0) * f_y[i] - np.float32(16.0) - art[0, i]
        d_a = np.float32(500.0) * (f_x[i] - f_y[i]) - art[1, i]
        d_b = np.float32(200.0) * (f_y[i] - f_z[i]) - art[2, i]
        total += weights[0, i] * d_l * d_l + d_a * (weights[1, i] * d_a + weights[2, i] * d_b)
        total += weights[3, i] * d_b * d_b
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def true_error(seen, art, counted, move, length, d_0, d_1, d_2, m, lab, squared):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The same by CIEDE2000 itself, squared. counted : float32 (n,), 0 beyond the picture."""
    zero = np.float32(0.0)
    s_0, s_1, s_2, k_0, k_1, k_2 = seen[0], seen[1], seen[2], move[0], move[1], move[2]
    for j in range(3):
        m_0, m_1, m_2, out = m[j, 0], m[j, 1], m[j, 2], lab[j]
        for i in range(length):
            light = m_0 * (s_0[i] + d_0 * k_0[i]) + m_1 * (s_1[i] + d_1 * k_1[i]) + m_2 * (s_2[i] + d_2 * k_2[i])
            out[i] = max(light, zero)
        for i in range(length):
            out[i] = lab_f(out[i])
    f_x, f_y, f_z, chroma = lab[0], lab[1], lab[2], lab[3]
    for i in range(length):
        a = np.float32(500.0) * (f_x[i] - f_y[i])
        b = np.float32(200.0) * (f_y[i] - f_z[i])
        f_x[i] = np.float32(116.0) * f_y[i] - np.float32(16.0)
        f_y[i] = a
        f_z[i] = b
        chroma[i] = np.sqrt(a * a + b * b)
    for i in range(length):
        squared[i] = fast_squared(
            art[0, i], art[1, i], art[2, i], art[3, i], lab[0, i], lab[1, i], lab[2, i], lab[3, i]
        )
    total = zero
    for i in range(length):
        value = squared[i]
        if value < zero:
            value = ciede2000_pair(art[0, i], art[1, i], art[2, i], lab[0, i], lab[1, i], lab[2, i])
            value *= value
        total += counted[i] * value
    return total


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz", "nnan", "ninf", "reassoc"})
def slopes(seen, aims, weights, m, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """How each cell's weighted error grows with each of the eye's channels, rows first..last."""
    zero, width = np.float32(0.0), seen.shape[2]
    f = np.empty((3, width), dtype=np.float32)
    for y in range(first, last):
        o_0, o_1, o_2 = seen[0, y], seen[1, y], seen[2, y]
        for channel in range(3):
            slope = out[channel, y]
            for sign in range(2):
                step = _STEP if sign == 1 else -_STEP
                s_0 = step if channel == 0 else zero
                s_1 = step if channel == 1 else zero
                s_2 = step if channel == 2 else zero
                for j in range(3):
                    m_0, m_1, m_2, f_j = m[j, 0], m[j, 1], m[j, 2], f[j]
                    for x in range(width):
                        f_j[x] = lab_f(max(m_0 * (o_0[x] + s_0) + m_1 * (o_1[x] + s_1) + m_2 * (o_2[x] + s_2), zero))
                rise = np.float32(0.5) / step
                for x in range(width):
                    d_l = np.float32(116.0) * f[1, x] - np.float32(16.0) - aims[0, y, x]
                    d_a = np.float32(500.0) * (f[0, x] - f[1, x]) - aims[1, y, x]
                    d_b = np.float32(200.0) * (f[1, x] - f[2, x]) - aims[2, y, x]
                    error = weights[0, y, x] * d_l * d_l + d_a * (weights[1, y, x] * d_a + weights[2, y, x] * d_b)
                    error += weights[3, y, x] * d_b * d_b
                    slope[x] = (zero if sign == 0 else slope[x]) + rise * error
