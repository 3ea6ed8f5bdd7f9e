"""A faster start for a single command.

numba imports scipy.linalg when it first runs, only to offer matrix products in compiled code, which nothing here uses.
That costs a third of a second. A command that lives for one or two seconds leaves it out; everything else, and whoever
asks for scipy.linalg later, gets it as ever.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

_UNUSED = "scipy.linalg"


def leave_out_matrix_products() -> None:
    """Load numba's array functions without scipy.linalg, unless that is loaded already."""
    if _UNUSED in sys.modules or "numba.np.arraymath" in sys.modules:
        return
    modules: dict[str, Any] = sys.modules
    modules[_UNUSED] = None  # Python's own way to make an import fail
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del modules[_UNUSED]
