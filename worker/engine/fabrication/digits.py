"""Numbers written straight into bytes, in compiled loops: a board's contours have millions of coordinates."""

from __future__ import annotations

from numba import njit

from worker.engine.fabrication.contours import Bytes

MOST_BYTES = 24
"""Room for one number."""
_MINUS, _ZERO, _POINT = 45, 48, 46


@njit(cache=True, nogil=True, error_model="numpy")
def put_text(out: Bytes, n: int, text: Bytes) -> int:
    """Write bytes from place n on, and return the place behind them."""
    for byte in text:
        out[n] = byte
        n += 1
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def put_integer(out: Bytes, n: int, value: int) -> int:
    """Write a whole number with no leading zeros, and return the place behind it."""
    if value < 0:
        out[n] = _MINUS
        n += 1
        value = -value
    digits = 1
    power = 10
    while power <= value:
        digits += 1
        power *= 10
    for i in range(n + digits - 1, n - 1, -1):
        out[i] = _ZERO + value % 10
        value //= 10
    return n + digits


@njit(cache=True, nogil=True, error_model="numpy")
def put_mm(out: Bytes, n: int, nm: int) -> int:
    """Write a length of whole nanometres as mm, exactly, with no zeros behind; return the place behind it."""
    if nm < 0:
        out[n] = _MINUS
        n += 1
        nm = -nm
    n = put_integer(out, n, nm // 1000000)
    rest = nm % 1000000
    if rest == 0:
        return n
    out[n] = _POINT
    n += 1
    power = 100000
    while rest > 0:
        out[n] = _ZERO + rest // power
        rest %= power
        power //= 10
        n += 1
    return n


def mm_text(nm: int) -> str:
    """A length of whole nanometres as mm, exactly: 1500000 is 1.5."""
    sign = "-" if nm < 0 else ""
    whole, rest = divmod(abs(nm), 1_000_000)
    return f"{sign}{whole}" + (f".{rest:06d}".rstrip("0") if rest else "")
