"""The board that the benchmarks are made for: the first demo profile."""

from __future__ import annotations

from pathlib import Path

from worker.engine.palette.finish_colours import FinishColours, finish_colours
from worker.fab_profile import FabProfile, read_fab_profile

FABS = Path(__file__).resolve().parent.parent / "samples" / "fabs"


def demo_board(fab_id: str = "nocturne-gold") -> tuple[FabProfile, FinishColours]:
    """A demo profile and its colours."""
    fab = read_fab_profile((FABS / f"{fab_id}.toml").read_bytes(), file_name=fab_id)
    return fab, finish_colours(fab)
