"""The default number of clusters costs at most 0.3 S-CIELAB over giving each colour to its nearest finish."""

from __future__ import annotations

import tomllib

import pytest

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import PHOTOGRAPHS, photograph, png_of
from tests.engine.sweeps import sweep_size
from worker.engine.pipeline import convert
from worker.job_settings import read_settings

ARTWORKS = FABS.parent / "artworks"
ORDERS = tomllib.loads((ARTWORKS / "settings.toml").read_text())
RASTERS = sorted(name for name in ORDERS if not name.endswith(".svg"))


def mean_seen(data: bytes, fab: str, written: dict[str, str], tables: MemoryTables, clusters: str) -> float:
    settings = read_settings({**written, "clusters": clusters, "edges": "threshold", "clean_up": "off"})
    return convert(data, board(fab), settings, tables=tables, threads=2).score.s_cielab.mean


def cost(data: bytes, fab: str, written: dict[str, str], tables: MemoryTables) -> float:
    auto, none = (mean_seen(data, fab, written, tables, clusters) for clusters in ("auto", "none"))
    return auto - none


@pytest.mark.slow
@pytest.mark.parametrize("name", RASTERS)
def test_on_the_samples(name: str, tables: MemoryTables) -> None:
    """Each as the demo orders it, at 40 um."""
    written = {key: value for key, value in ORDERS[name].items() if key in ("width", "height", "background")}
    data = (ARTWORKS / name).read_bytes()
    assert cost(data, ORDERS[name]["fab"], written | {"pitch": "40um"}, tables) <= 0.3


@pytest.mark.slow
@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("fab", ["nocturne-gold", "meadow-tin"][: sweep_size(1, 2)])
def test_on_photographs(name: str, fab: str, tables: MemoryTables) -> None:
    assert cost(png_of(photograph(name)), fab, {"width": "50mm", "pitch": "50um"}, tables) <= 0.3


@pytest.mark.parametrize("distance", ["100mm", "1500mm"])
def test_at_other_distances(distance: str, tables: MemoryTables) -> None:
    written = {"width": "40mm", "pitch": "80um", "viewing_distance": distance}
    assert cost(png_of(photograph("astronaut")), "meadow-tin", written, tables) <= 0.3
