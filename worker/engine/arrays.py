"""Array aliases and the check at the engine's doors.

Shapes are (H, W) or (H, W, 3): row 0 on top, channels last.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from worker.errors import ArrayError

Srgb = npt.NDArray[np.uint8]
"""uint8 (H, W, 3), encoded sRGB, 0 to 255."""
Alpha = npt.NDArray[np.uint8]
"""uint8 (H, W), 0 transparent to 255 opaque."""
Labels = npt.NDArray[np.uint8]
"""uint8 (H, W), index of the finish in the fab profile; OUTSIDE where there is no board."""
FinishMask = npt.NDArray[np.bool_]
"""bool (H, W), true where a finish is."""
Lab = npt.NDArray[np.float64]
"""float (..., 3), CIELAB D65/2 degree, L* 0 to 100."""
DeltaE = npt.NDArray[np.float32]
"""float32 (H, W), a colour difference."""
Floats = npt.NDArray[np.float64]
Float32s = npt.NDArray[np.float32]

OUTSIDE = 255
"""Label of a pixel outside the board: in no mask."""


_Array = TypeVar("_Array", bound=npt.NDArray[Any])


def read_only(array: _Array) -> _Array:
    """A view that can't be written to.

    Compiled loops take pictures through it: a loop is compiled anew for each kind of array, and an artwork is
    read-only when it comes from a file, writable when it was scaled.
    """
    view = array.view()
    view.flags.writeable = False
    return view


def check_array(name: str, array: Any, *, dtype: Any, shape: tuple[int | None, ...]) -> None:
    """Raise ArrayError unless `array` has this dtype and shape; None stands for any length."""
    if not isinstance(array, np.ndarray) or array.dtype != np.dtype(dtype) or not _fits(array.shape, shape):
        wanted = "(" + ", ".join("any" if side is None else str(side) for side in shape) + ")"
        got = f"{array.dtype} {array.shape}" if isinstance(array, np.ndarray) else type(array).__name__
        raise ArrayError(f"{name} is {got}.", mend=f"Hand over a {np.dtype(dtype).name} array of shape {wanted}.")


def _fits(got: tuple[int, ...], wanted: tuple[int | None, ...]) -> bool:
    return len(got) == len(wanted) and all(w is None or w == g for g, w in zip(got, wanted, strict=True))
