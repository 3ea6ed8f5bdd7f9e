"""One palette for many artworks: one art colour gets one finish on all, and a large artwork drowns no other."""

from __future__ import annotations

import io
from functools import partial

import numpy as np
import pytest
from sklearn.cluster import KMeans

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import photograph, png_of
from worker.engine.arrays import Srgb
from worker.engine.palette.shared import WEIGHT, Gathering, read_palette, write_palette
from worker.engine.pipeline import Conversion, convert
from worker.engine.shared_palette import PaletteArtwork, PaletteStep, shared_palette
from worker.errors import ArtworkError, OverrideError
from worker.job_settings import read_settings

FAB = "meadow-tin"
GIVEN = {"width": "20mm", "pitch": "100um", "edges": "threshold", "clean_up": "off", "palette": "shared"}
RAMP = np.linspace(0, 255, 200).astype(np.uint8)


def ramp(colour: tuple[float, float, float]) -> Srgb:
    return np.broadcast_to((RAMP[None, :, None] * np.array(colour)).astype(np.uint8), (40, 200, 3)).copy()


def palette_of(pictures: dict[str, bytes], tables: MemoryTables, **more: str) -> PaletteStep:
    settings = read_settings(GIVEN | more)
    artworks = [
        PaletteArtwork(name=name, open=partial(io.BytesIO, data), settings=settings) for name, data in pictures.items()
    ]
    return shared_palette(artworks, board(FAB), settings, tables=tables)


def finishes_of_colours(conversion: Conversion) -> dict[int, int]:
    srgb = conversion.picture.srgb.astype(np.int64)
    colours = (srgb[..., 0] << 16) | (srgb[..., 1] << 8) | srgb[..., 2]
    return dict(zip(colours.ravel().tolist(), conversion.separation.labels.ravel().tolist(), strict=True))


@pytest.mark.parametrize("clusters", ["4", "auto", "none"])
def test_the_same_colour_gets_the_same_finish_on_every_piece(clusters: str, tables: MemoryTables) -> None:
    """By definition; alone, these pictures disagree about some colours, so that the test can fail."""
    pictures = {
        "astronaut": photograph("astronaut")[::4, ::4],
        "green": ramp((0.3, 1.0, 0.4)),
        "both": np.concatenate([ramp((0.3, 1.0, 0.4)), ramp((1.0, 0.8, 0.2))]),
    }
    data = {name: png_of(np.ascontiguousarray(picture)) for name, picture in pictures.items()}
    palette = palette_of(data, tables, clusters=clusters).palette

    def disagreements(shared: bool) -> int:
        known: dict[int, int] = {}
        count = 0
        for one in data.values():
            made = convert(
                one,
                board(FAB),
                read_settings(GIVEN | {"clusters": clusters, "palette": "shared" if shared else "each"}),
                palette=palette if shared else None,
                tables=tables,
            )
            for colour, finish in finishes_of_colours(made).items():
                count += known.setdefault(colour, finish) != finish
        return count

    assert disagreements(shared=True) == 0
    if clusters == "4":
        assert disagreements(shared=False) > 0


def test_each_artwork_counts_the_same_whatever_its_size() -> None:
    """Against the weighted centres that scikit-learn finds where each artwork has the same weight."""
    small, large = ramp((1.0, 0.2, 0.2))[:4], np.concatenate([ramp((0.2, 0.4, 1.0))] * 12)
    gathering = Gathering()
    gathering.add(small, None)
    gathering.add(np.ascontiguousarray(large), None)
    histogram = gathering.histogram()
    assert histogram.pixels == pytest.approx(2 * WEIGHT, rel=1e-6)
    points = np.concatenate([small.reshape(-1, 3), large.reshape(-1, 3)]).astype(float)
    weights = np.concatenate([np.full(small.size // 3, 1 / small.size), np.full(large.size // 3, 1 / large.size)])
    wanted = KMeans(n_clusters=1, n_init=1).fit(points, sample_weight=weights).cluster_centers_[0]
    found = (histogram.mean_srgb * histogram.counts[:, None]).sum(axis=0) / histogram.counts.sum()
    assert found == pytest.approx(wanted, abs=1e-3)
    assert abs(points.mean(axis=0) - wanted).max() > 20  # by pixels it would be another colour


def test_a_bad_artwork_is_left_out(tables: MemoryTables) -> None:
    step = palette_of({"bad.png": b"\x89PNG\r\n\x1a\nno", "good.png": png_of(ramp((1.0, 1.0, 1.0)))}, tables)
    assert [name for name, _ in step.failed] == ["bad.png"]
    assert step.palette.artworks == 1
    nothing = palette_of({"bad.png": b"nothing"}, tables).palette
    with pytest.raises(ArtworkError, match="none of its artworks"):
        convert(png_of(ramp((1.0, 1.0, 1.0))), board(FAB), read_settings(GIVEN), palette=nothing, tables=tables)


def test_it_is_the_same_once_written_and_read(tables: MemoryTables) -> None:
    palette = palette_of({"a.png": png_of(ramp((0.9, 0.5, 0.1)))}, tables).palette
    again = read_palette(write_palette(palette))
    assert np.array_equal(again.histogram.lab, palette.histogram.lab)
    assert (again.count, again.clear, again.artworks) == (palette.count, palette.clear, palette.artworks)
    with pytest.raises(ArtworkError):
        read_palette(b"PK nothing")


def test_overrides_for_all_and_for_one(tables: MemoryTables) -> None:
    """A pin for all may hold a colour that only one artwork has; one that none has is an error."""
    red, blue = np.full((20, 20, 3), (200, 30, 30), np.uint8), np.full((20, 20, 3), (30, 30, 200), np.uint8)
    data = {"red": png_of(red), "blue": png_of(blue)}
    palette = palette_of(data, tables).palette
    fab = board(FAB)
    finish = fab.finishes[-1].id
    for_all = read_settings(GIVEN | {"pin": [f"#C81E1E={finish}"]})
    made = {name: convert(one, fab, for_all, palette=palette, tables=tables) for name, one in data.items()}
    assert set(np.unique(made["red"].separation.labels)) == {len(fab.finishes) - 1}
    plain = convert(data["blue"], fab, read_settings(GIVEN), palette=palette, tables=tables)
    assert np.array_equal(made["blue"].separation.labels, plain.separation.labels)
    with pytest.raises(OverrideError, match="applies to no pixel"):
        convert(data["red"], fab, read_settings(GIVEN | {"pin": [f"#00FF00={finish}"]}), palette=palette, tables=tables)
