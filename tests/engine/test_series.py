"""A series from its artworks to its pieces: what they share, and what a bad one costs."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.moving_pictures import animated, files_of, flat_scene
from worker.engine.report.animation import animation
from worker.engine.series import (
    Animation,
    FrameFile,
    convert_series,
    piece_frame,
    plan_series,
    read_plan,
    write_plan,
)
from worker.errors import ArtworkError
from worker.job_settings import read_settings

FAB = "meadow-tin"
GIVEN = {"width": "15mm", "pitch": "100um", "palette": "shared"}
SCENES = [flat_scene(x, 60) for x in (4, 12, 20, 28, 36, 44, 30, 16)]


def test_a_broken_seventh_frame_stops_no_other(tables: MemoryTables) -> None:
    files = files_of(SCENES)
    files[6] = FrameFile(name="frame-7.png", open=lambda: io.BytesIO(b"\x89PNG\r\n\x1a\n broken"))
    pieces = list(convert_series(files, board(FAB), read_settings(GIVEN), tables=tables))
    assert [piece.error is None for piece in pieces] == [True] * 6 + [False, True]
    assert isinstance(pieces[6].error, ArtworkError) and "frame-7.png" in pieces[6].error.what
    before, after = pieces[5].conversion, pieces[7].conversion
    assert before is not None and after is not None
    same = (before.picture.srgb == after.picture.srgb).all(axis=2)
    assert (before.separation.labels == after.separation.labels)[same].all()  # it follows on the last that was made


def test_a_piece_of_another_size_is_refused(tables: MemoryTables) -> None:
    files = [*files_of(SCENES[:2]), *files_of([np.zeros((40, 60, 3), np.uint8)])]
    pieces = list(convert_series(files, board(FAB), read_settings(GIVEN), tables=tables))
    assert pieces[2].error is not None and "one size" in pieces[2].error.mend


def test_all_share_an_outline_that_every_silhouette_fits_into(tables: MemoryTables) -> None:
    def shape(x: int) -> bytes:
        picture = np.zeros((60, 60, 4), np.uint8)
        picture[20:40, 10:50] = (200, 160, 60, 255)
        picture[5:40, x : x + 10] = (200, 30, 60, 255)
        out = io.BytesIO()
        Image.fromarray(picture).save(out, "PNG")
        return out.getvalue()

    files = [FrameFile(name=f"{x}", open=lambda x=x: io.BytesIO(shape(x))) for x in (10, 30)]
    settings = read_settings(GIVEN | {"board": "silhouette"})
    made = [piece.conversion for piece in convert_series(files, board(FAB), settings, tables=tables)]
    assert made[0] is not None and made[1] is not None
    assert np.array_equal(made[0].shape.board, made[1].shape.board)
    both = np.zeros((60, 60), bool)
    both[20:40, 10:50] = both[5:40, 10:20] = both[5:40, 30:40] = True
    covered = np.asarray(Image.fromarray(made[0].shape.board).resize((60, 60), Image.Resampling.NEAREST))
    assert (both & ~covered).sum() < 0.02 * both.sum()


def test_a_plan_is_the_same_once_written_and_read(tables: MemoryTables) -> None:
    plan = plan_series(files_of(SCENES[:2]), board(FAB), read_settings(GIVEN), tables=tables)
    again = read_plan(write_plan(plan))
    assert (again.flat, again.edges, again.reason, again.silhouette) == (plan.flat, plan.edges, plan.reason, None)
    assert np.array_equal(again.palette.histogram.counts, plan.palette.histogram.counts)
    with pytest.raises(ArtworkError):
        read_plan(b"nothing")
    with pytest.raises(ArtworkError, match="No artwork"):
        plan_series([FrameFile(name="a", open=lambda: io.BytesIO(b"no"))], board(FAB), read_settings(GIVEN))


def test_the_animations_hold_every_board_beside_its_artwork(tables: MemoryTables) -> None:
    """Decoded by Pillow: as many frames as pieces, their times, the artwork on the left, the board on the right."""
    times = [40, 120, 250]
    art = Animation(animated(SCENES[:3], "WEBP", times), name="scene.webp")
    pieces = [piece.conversion for piece in convert_series(art, board(FAB), read_settings(GIVEN), tables=tables)]
    made = [piece for piece in pieces if piece is not None]
    frames = [piece_frame(piece) for piece in made]
    for form in ("webp", "png", "gif"):
        with Image.open(io.BytesIO(animation(frames, art.file.milliseconds, form))) as seen:  # type: ignore[arg-type]
            assert seen.n_frames == 3 and seen.info["loop"] == 0
            for number, piece in enumerate(made):
                seen.seek(number)
                picture = np.asarray(seen.convert("RGB")).astype(int)
                assert round(seen.info["duration"]) == times[number]
                height = picture.shape[0]
                left = Image.fromarray(picture[:, :height].astype(np.uint8)).resize(
                    (150, 150), Image.Resampling.NEAREST
                )
                right = Image.fromarray(picture[:, -height:].astype(np.uint8)).resize(
                    (150, 150), Image.Resampling.NEAREST
                )
                assert np.abs(np.asarray(left).astype(int) - piece.picture.srgb).mean() < 8
                assert np.abs(np.asarray(right).astype(int) - piece.preview).mean() < 8
