"""Of two designs the better at each place, still within the limits: by a second S-CIELAB and the second checker."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.s_cielab import s_cielab, xyz_of_srgb
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.better_places import make_better_side
from worker.engine.fabrication.making import MadeSide, make_side
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes, planes_of
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.pipeline import convert
from worker.job_settings import read_settings

FAB = board("nocturne-gold")
IDS = {finish.id: i for i, finish in enumerate(FAB.finishes)}
SRGB = np.vstack([finish_colours(FAB).srgb, np.zeros((256 - len(IDS), 3), np.uint8)])
PITCH_UM = 20.0
DISTANCE_MM = 300.0
Labels = npt.NDArray[np.uint8]


def seen_error(art: npt.NDArray[np.uint8], shown: npt.NDArray[np.uint8], pitch_um: float) -> float:
    """The mean of tests/engine/s_cielab.py."""
    ppd = np.pi * DISTANCE_MM / (180.0 * pitch_um / 1000.0)
    return float(s_cielab(xyz_of_srgb(art), xyz_of_srgb(shown), ppd).mean())


def faults(planes: LayerPlanes) -> dict[str, int]:
    layers = [planes.plane(bit) for bit in (COPPER, OPENING, LEGEND, BOARD)]
    return broken_limits(layers[0], layers[1], layers[2], layers[3], FAB, planes.pitch_um)


def squares(*lefts: int) -> Labels:
    labels = np.full((200, 400), IDS["mask"], np.uint8)
    for left in lefts:
        labels[80:120, left : left + 40] = IDS["gold"]
    return labels


def shown(side: MadeSide) -> Labels:
    return np.asarray(nearest_finish(FAB)[side.planes.stack])


def better(one: Labels, other: Labels, art: Labels, *, threads: int = 1) -> MadeSide:
    first, second = (planes_of(labels, FAB, pitch_um=PITCH_UM) for labels in (one, other))
    return make_better_side(first, second, FAB, lab(FAB), SRGB[art], viewing_distance_mm=DISTANCE_MM, threads=threads)


def test_each_place_is_taken_from_the_better_design() -> None:
    art = squares(60, 300)
    for one, other in ((squares(60), squares(300)), (squares(), art), (art, squares())):
        side = better(one, other, art, threads=3)
        gold = shown(side) == IDS["gold"]
        assert gold[90:110, 70:90].all()
        assert gold[90:110, 310:330].all()
        assert faults(side.planes) == {}


def test_where_two_places_meet_no_limit_is_broken() -> None:
    """Two squares of metal 0.1 mm apart, where copper needs 0.15: each design has one of them, and both can't stay."""
    art = squares(20, 65, 180, 340)
    one, other = squares(20, 180), squares(65, 340)
    assert "copper gap" in faults(planes_of(art, FAB, pitch_um=PITCH_UM))
    side = better(one, other, art)
    assert np.array_equal(side.planes.stack, better(one, other, art, threads=3).planes.stack)
    assert side.left.total == 0
    assert faults(side.planes) == {}
    gold = shown(side) == IDS["gold"]  # what is far from there is taken from both all the same
    assert gold[90:110, 190:210].all()
    assert gold[90:110, 350:370].all()
    alone = [make_side(planes_of(x, FAB, pitch_um=PITCH_UM), FAB, lab(FAB), SRGB[art]) for x in (one, other)]
    found, *others = (seen_error(SRGB[art], SRGB[shown(x)], PITCH_UM) for x in (side, *alone))
    assert found < min(others) + 1e-3


def flower() -> bytes:
    """Petals with thin dark edges, anti-aliased: their rims are other finishes' colours."""
    image = Image.new("RGB", (960, 960), (236, 226, 200))
    draw = ImageDraw.Draw(image)
    for turn in np.arange(10) * np.pi / 5:
        x, y = 480 + 260 * np.cos(turn), 480 + 260 * np.sin(turn)
        draw.ellipse((x - 110, y - 110, x + 110, y + 110), fill=(196, 120, 60), outline=(30, 40, 36), width=16)
    draw.ellipse((340, 340, 620, 620), fill=(220, 190, 90), outline=(90, 60, 40), width=10)
    stream = io.BytesIO()
    image.resize((240, 240), Image.Resampling.BOX).save(stream, "PNG")
    return stream.getvalue()


def test_a_board_of_flat_art_is_no_worse_than_every_pixels_nearest_finish(tables: MemoryTables) -> None:
    """Made of quality best: within the limits, and less error than of both single designs."""
    base = {"width": "9mm", "pitch": "50um", "edges": "threshold", "clusters": "none", "fabrication": "on"}
    near, clean, best = (
        convert(flower(), FAB, read_settings({**base, **more}), tables=tables)
        for more in ({"clean_up": "off"}, {}, {"quality": "best"})
    )
    errors = []
    for found in (near, clean, best):
        assert found.made is not None
        errors.append(seen_error(found.art.srgb, SRGB[found.made.fabrication.seen], 50.0))
    assert best.made is not None
    assert errors[2] < min(errors[:2])
    assert best.made.fabrication.art.left.total == 0
    assert np.array_equal(best.separation.labels, clean.separation.labels)
    assert "quality best" in best.report["edges"]["reason"]
    assert (best.made.fabrication.seen != OUTSIDE).all()
