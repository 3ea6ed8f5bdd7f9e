"""What a worker's parent process may load before it forks."""

from __future__ import annotations

import subprocess
import sys

from worker.settings import PROJECT


def told(code: str) -> list[str]:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PROJECT)
    return done.stdout.split()


def test_preloading_loads_the_engine_but_nothing_that_a_fork_would_break() -> None:
    modules = told("import sys\nfrom worker.tasks import preload\npreload(drafts=True)\nprint(*sys.modules)")
    assert {"worker.engine.pipeline", "numba", "sklearn.cluster"} <= set(modules)
    assert not {"pyvips", "_libvips"} & set(modules)


def test_a_forked_child_of_a_preloaded_parent_can_use_the_numerical_libraries() -> None:
    """Both thread pools that NumPy and scikit-learn bring (OpenBLAS, OpenMP) work after a fork, and libvips's."""
    code = """
import os, sys
from worker.tasks import preload, ready_for_drafts
preload(drafts=True)
child = os.fork()
if child == 0:
    ready_for_drafts()
    import numpy as np
    from sklearn.cluster import KMeans
    points = np.random.default_rng(1).random((20_000, 3))
    centres = KMeans(n_clusters=5, n_init=1, random_state=1).fit(points).cluster_centers_
    product = (np.ones((600, 600)) @ np.ones((600, 600)))[0, 0]
    print(len(centres), product, flush=True)
    os._exit(0)
assert os.waitpid(child, 0)[1] == 0
"""
    assert told(code) == ["5", "600.0"]
