"""The faster start leaves nothing behind: whoever asks for scipy.linalg later gets it."""

from __future__ import annotations

import subprocess
import sys

_SCRIPT = """
import sys
from worker.quick_start import leave_out_matrix_products
leave_out_matrix_products()
import numba
import numpy as np
assert numba.njit(lambda x: x + 1)(1) == 2
assert "scipy.linalg" not in sys.modules, "scipy.linalg was loaded"
import scipy.linalg
print(scipy.linalg.det(np.eye(3) * 2.0))
"""


def test_scipy_is_left_out_and_comes_when_asked_for() -> None:
    done = subprocess.run([sys.executable, "-c", _SCRIPT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) == 8.0
