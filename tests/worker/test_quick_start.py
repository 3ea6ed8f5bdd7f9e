"""The faster start leaves nothing behind: what it leaves out comes when it is asked for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from worker.shell_environment import PROJECT

_COMPILED_ANEW = """
import sys
from worker.quick_start import load_compiled_loops_alone
load_compiled_loops_alone()
sys.path.insert(0, {folder!r})
import loops
import numpy as np
assert loops.total(np.arange(10.0)) == 90.0
assert "yaml" not in sys.modules, "yaml was loaded"
assert "scipy.linalg" not in sys.modules, "scipy.linalg was loaded"
import scipy.linalg, yaml
print(scipy.linalg.det(np.eye(3) * 2.0))
"""

_KEPT = """
import sys
from worker.quick_start import load_compiled_loops_alone
load_compiled_loops_alone()
sys.path.insert(0, {folder!r})
import loops
import numpy as np
print(loops.total(np.arange(10.0)), "numba.np.arraymath" in sys.modules, "numba.np.arrayobj" in sys.modules)
"""

_LOOP = """
import numba
import numpy as np

@numba.njit(cache=True)
def total(values):
    kept = np.empty(len(values))
    result = 0.0
    for i in range(len(values)):
        kept[i] = values[i] * 2.0
        result += kept[i]
    return result
"""

_CALLER = """
import numba
from loops import total

@numba.njit(cache=True)
def doubled(values):
    return total(values) + total(values)
"""

_CALLS_A_KEPT_LOOP = """
import sys
from worker.quick_start import load_compiled_loops_alone
load_compiled_loops_alone()
sys.path.insert(0, {folder!r})
import callers, loops
import numpy as np
values = np.arange(10.0)
values.flags.writeable = False
print(loops.total(values), len(loops.total.stats.cache_hits), callers.doubled(values), "numpy.ma" in sys.modules)
"""


def _printed(script: str) -> str:
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=PROJECT, env=environment)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_what_is_left_out_comes_when_asked_for(tmp_path: Path) -> None:
    (tmp_path / "loops.py").write_text(_LOOP)
    assert float(_printed(_COMPILED_ANEW.format(folder=str(tmp_path)))) == 8.0


def test_a_loop_compiled_earlier_needs_no_compiler(tmp_path: Path) -> None:
    (tmp_path / "loops.py").write_text(_LOOP)
    script = _KEPT.format(folder=str(tmp_path))
    assert _printed(script) == "90.0 True True\n"
    assert _printed(script) == "90.0 False False\n"


def test_a_new_loop_may_call_one_compiled_earlier(tmp_path: Path) -> None:
    (tmp_path / "loops.py").write_text(_LOOP)
    (tmp_path / "callers.py").write_text(_CALLER)
    script = _CALLS_A_KEPT_LOOP.format(folder=str(tmp_path))
    assert _printed(script).splitlines()[0].startswith("90.0 0 180.0")
    for kept in (tmp_path / "__pycache__").glob("callers.*.nb?"):
        kept.unlink()
    # The kept loop is loaded without the code that a caller takes in, which is read when the caller is compiled.
    assert _printed(script).splitlines() == ["90.0 1 180.0 False"]
