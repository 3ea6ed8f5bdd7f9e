"""Pictures to look at closely: what is reduced, and where the worst places are."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.engine.conftest import MemoryTables
from worker.engine.pipeline import Conversion, convert
from worker.engine.report import look_pictures as room
from worker.engine.report.look_pictures import LookPictures, look_pictures, worst_places
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT


@pytest.fixture(scope="module")
def conversion(tables: MemoryTables) -> Conversion:
    samples: Path = PROJECT / "samples"
    return convert(
        (samples / "artworks" / "owl.png").read_bytes(),
        read_fab_profile((samples / "fabs" / "nocturne-gold.toml").read_bytes()),
        read_settings({"width": "8mm", "pitch": "40um", "board": "disc"}),
        tables=tables,
        threads=1,
    )


def drawn(conversion: Conversion) -> LookPictures:
    return look_pictures(
        picture=conversion.picture,
        labels=conversion.separation.labels,
        cluster_of=conversion.cluster_of,
        colours=conversion.colours,
        background=conversion.colours.ids.index(conversion.background),
        hull=conversion.hull,
        score=conversion.score,
    )


def read(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)))


def test_a_large_board_is_shown_in_part_of_its_pixels(conversion: Conversion, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each pixel of the smaller board is one of the board's own, not a mixture: Pillow reads its index."""
    whole = drawn(conversion)
    labels = conversion.separation.labels
    assert whole.step_px == 1 and np.array_equal(read(whole.files["board.png"]), labels)
    monkeypatch.setattr(room, "MOST_PX", labels.size // 5)
    part = drawn(conversion)
    assert part.step_px == 3
    board, art = read(part.files["board.png"]), read(part.files["artwork.png"])
    assert board.shape == art.shape[:2] == (part.height_px, part.width_px)
    assert np.array_equal(board, labels[1::3, 1::3])
    assert part.worst == whole.worst


def test_off_the_board_there_is_no_error(conversion: Conversion) -> None:
    error = read(drawn(conversion).files["error.png"])
    labels, step = conversion.separation.labels, conversion.score.error_map_step_px
    middles = labels[step // 2 :: step, step // 2 :: step]
    assert np.array_equal(error[: middles.shape[0], : middles.shape[1]] == 251, middles == 255)


def test_the_eye_sees_an_even_picture_as_it_is(tables: MemoryTables) -> None:
    """Each channel's Gaussians sum to 1 (Zhang and Wandell 1997), so what has no detail stays: here within 8 bits."""
    white = np.full((60, 60, 3), 255, dtype=np.uint8)
    grey = np.full((60, 60, 3), (120, 150, 90), dtype=np.uint8)
    for even in (white, grey):
        buffer = io.BytesIO()
        Image.fromarray(even).save(buffer, "PNG")
        fab = read_fab_profile((PROJECT / "samples" / "fabs" / "nocturne-gold.toml").read_bytes())
        made = convert(
            buffer.getvalue(), fab, read_settings({"width": "6mm", "pitch": "100um"}), tables=tables, threads=1
        )
        seen = read(drawn(made).files["eye-artwork.png"]).astype(int)
        assert np.abs(seen - even[0, 0]).max() <= 1


def test_worst_places_are_the_highest_and_lie_apart() -> None:
    error = np.zeros((50, 100), dtype=np.float32)
    for height, (y, x) in enumerate(((10, 20), (11, 22), (40, 90), (45, 5))):
        error[y, x] = 10.0 - height
    error[0, 0] = np.nan
    labels = np.zeros((200, 400), dtype=np.uint8)
    found = worst_places(error, 4, labels, labels)
    assert [(one["delta_e"], one["x_px"], one["y_px"]) for one in found] == [
        (10.0, 82, 42),
        (8.0, 362, 162),
        (7.0, 22, 182),
    ]
