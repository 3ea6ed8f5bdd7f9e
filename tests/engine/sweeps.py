"""How large the sweeps are: small by default, whole where WHOLE_SWEEPS=1 is in the environment."""

from __future__ import annotations

import os

WHOLE = os.environ.get("WHOLE_SWEEPS") == "1"


def sweep_size(small: int, whole: int) -> int:
    return whole if WHOLE else small
