"""Makes tables.npz, the 1 nm tables that `spectrum` reads, from colour-science's data sets:

    python -m worker.engine.references.make_tables > worker/engine/references/tables.npz

Never loaded by the engine itself. A test holds that the file is what this makes.
"""

from __future__ import annotations

import io
import sys

import numpy as np

from worker.reading import ILLUMINANTS, OBSERVERS

RANGE_NM = (360, 780)
"""The range that ASTM E308 sums over."""


def tables_file() -> bytes:
    """The bytes of tables.npz: float64 (421,) for each illuminant, float64 (421, 3) for each observer.

    Illuminants of CIE 15 and colour matching functions of ISO/CIE 11664-1, from 360 to 780 nm. An illuminant that is
    tabled at 5 nm is interpolated linearly, as CIE 15 says; below 380 nm the fluorescent lamps keep their first value.
    """
    import colour

    shape = colour.SpectralShape(*RANGE_NM, 1)
    names = {"F2": "FL2", "F7": "FL7", "F11": "FL11"}
    observers = {"2": "CIE 1931 2 Degree Standard Observer", "10": "CIE 1964 10 Degree Standard Observer"}
    tables = {name: colour.SDS_ILLUMINANTS[names.get(name, name)].copy().align(shape).values for name in ILLUMINANTS}
    tables |= {name: colour.MSDS_CMFS[observers[name]].copy().trim(shape).values for name in OBSERVERS}
    file = io.BytesIO()
    np.savez_compressed(file, allow_pickle=False, **tables)
    return file.getvalue()


if __name__ == "__main__":
    sys.stdout.buffer.write(tables_file())
