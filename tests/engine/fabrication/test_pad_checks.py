"""Pads of plated holes that have no room: distances worked out by hand, the drawing measured by SciPy.

Of the demo profile: a ring of 0.25 mm, a registration of 0.08 mm, a web and a gap of 0.15 mm; 0.3 mm to routed edges
for copper and openings, 0.5 mm to scores. So two plated holes need 0.81 mm between their walls, and 0.63 mm to an edge.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from tests.boards import board, picture_of
from worker.board_file import read_board_file
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.board_checks import BoardFinding
from worker.engine.fabrication.board_shape import shape_board
from worker.engine.fabrication.edge_keep_out import edge_keep_out, near_scores
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import COPPER, OPENING, LayerPlanes, planes_of
from worker.fab_profile import FabProfile, Limit
from worker.job_settings import read_settings

PITCH_UM = 20.0


def lenient(**limits: float) -> FabProfile:
    """The demo profile of a fab that minds no thin walls."""
    fab = board()
    changed = {("holes", "wall_mm"): 0.1} | {
        (section, key): value for name, value in limits.items() for section, _, key in [name.partition("__")]
    }
    new = {key: Limit(value=value, date="", source="") for key, value in changed.items()}
    return replace(fab, limits={**fab.limits, **new})


def shaped(fab: FabProfile | None = None, **content: Any) -> BoardShape:
    picture = picture_of(np.zeros((600, 600, 3), dtype=np.uint8), pitch_um=PITCH_UM)
    file = read_board_file(json.dumps(content).encode(), file_name="mine.json")
    return shape_board(picture, read_settings({}), fab or lenient(), board_file=file)[1]


def hole(x: float, y: float, *, plated: bool = True, **more: Any) -> dict[str, Any]:
    return {"x": x, "y": y, "diameter": 1.0, "plated": plated, **more}


def drawn(shape: BoardShape, fab: FabProfile) -> LayerPlanes:
    """Mask alone, and the pads."""
    ids = [finish.id for finish in fab.finishes]
    labels = np.where(shape.board, ids.index("mask"), OUTSIDE).astype(np.uint8)
    return edge_keep_out(shape, planes_of(labels, fab, pitch_um=PITCH_UM), fab)


CASES = [
    # Walls 0.7 mm apart: 0.04 mm of mask, 0.2 mm without copper.
    ([hole(4, 6), hole(5.7, 6)], "close pads", 0.04, "solder_mask.web_mm", "leaves 0.04 mm of mask, and 0.2 mm", 0.11),
    # 0.6 mm: the openings meet.
    ([hole(4, 6), hole(5.6, 6)], "close pads", 0.0, "solder_mask.web_mm", "has no mask between its pad and", 0.21),
    # 0.3 mm: the rings meet.
    ([hole(4, 6), hole(5.3, 6)], "close pads", 0.0, "solder_mask.web_mm", "which connects the two holes", 0.51),
    # A slot's end 0.7 mm from a hole.
    ([hole(4, 6), hole(5.7, 6, to=[8, 6])], "close pads", 0.04, "solder_mask.web_mm", "leaves 0.04 mm of mask", 0.11),
    # 0.5 mm to the left edge: copper ends 0.25 mm from it, the opening 0.17 mm.
    ([hole(1, 6)], "pad at edge", 0.17, "edge.mask_mm", "0.25 mm from the board's edge, and its opening 0.17 mm", 0.13),
    # 0.2 mm: nothing is left of the ring there.
    ([hole(0.7, 6)], "pad at edge", 0.0, "edge.mask_mm", "ring of copper cut off by the board's edge", 0.43),
    # 0.5 mm to a bare hole.
    ([hole(4, 6), hole(5.5, 6, plated=False)], "pad at edge", 0.17, "edge.mask_mm", "0.25 mm from holes[1]", 0.13),
]


@pytest.mark.parametrize(("holes", "kind", "size", "limit", "said", "farther"), CASES)
def test_pads_without_room_are_named_with_place_and_mend(
    holes: list[dict[str, Any]], kind: str, size: float, limit: str, said: str, farther: float
) -> None:
    fab = lenient()
    shape = shaped(fab, holes=holes)
    (finding,) = shape.findings
    assert (finding.kind, finding.limit) == (kind, limit)
    assert finding.size_mm == pytest.approx(size, abs=2e-3) and finding.size_mm < finding.limit_mm
    named = holes[-1] if kind == "close pads" else holes[0]
    assert finding.text.startswith(f"holes[{holes.index(named)}], at ") and said in finding.text
    assert f"{farther:.2f} mm" in finding.text.split(". ")[1] and "plated = false" in finding.text
    assert finding.text in shape.warnings
    assert any(broken(shape, fab).values())


def broken(shape: BoardShape, fab: FabProfile) -> dict[tuple[str, str], int]:
    """Of one mask with pads, what is wrong."""
    found = measure_limits(drawn(shape, fab), fab)
    return {key: number for key, number in found.counts.items() if number}


@pytest.mark.parametrize(("holes", "kind", "size", "limit", "said", "farther"), CASES)
def test_what_is_said_to_mend_it_does(
    holes: list[dict[str, Any]], kind: str, size: float, limit: str, said: str, farther: float
) -> None:
    fab = lenient()
    (finding,) = shaped(fab, holes=holes).findings
    (told,) = re.findall(r"Move (?:them|it) (\d\.\d\d) mm", finding.text)
    assert float(told) == farther
    by = farther + 0.06  # a pixel's corners on either side, which the drawing keeps more
    moved = [dict(each) for each in holes]
    which = 0 if holes[0]["x"] <= 1 else len(holes) - 1
    moved[which]["x"] += by
    if "to" in moved[which]:
        moved[which]["to"] = [moved[which]["to"][0] + by, 6]
    shape = shaped(fab, holes=moved)
    assert shape.findings == () and broken(shape, fab) == {}
    unplated = [{**each, "plated": False} for each in holes]
    assert shaped(fab, holes=unplated).findings == ()


def test_rings_that_meet_connect_their_holes_as_it_is_said() -> None:
    fab = lenient()
    apart, together = ([hole(4, 6), hole(4 + by, 6)] for by in (1.6, 1.3))
    counts = [ndimage.label(drawn(shaped(fab, holes=holes), fab).plane(COPPER))[1] for holes in (apart, together)]
    assert counts == [2, 1]


def test_the_gap_of_copper_is_named_where_it_is_what_is_missing() -> None:
    fab = lenient(copper__gap_mm=0.4)
    (finding,) = shaped(fab, holes=[hole(4, 6), hole(5.85, 6)]).findings
    assert (finding.limit, finding.size_mm, finding.limit_mm) == ("copper.gap_mm", pytest.approx(0.35, abs=2e-3), 0.4)
    assert "Move them 0.05 mm farther apart" in finding.text


def test_pads_with_just_enough_room_are_not_named() -> None:
    holes = [hole(4, 6), hole(5.82, 6), hole(1.14, 3), hole(7, 3), hole(8.64, 3, plated=False)]
    assert shaped(holes=holes).findings == ()


def only(findings: tuple[BoardFinding, ...]) -> BoardFinding:
    (finding,) = findings
    return finding


def test_a_pad_on_a_score_is_named_and_not_taken_for_art() -> None:
    fab = lenient()
    shape = shaped(fab, holes=[hole(4, 6)], scores=[{"x": 5.0}])
    finding = only(shape.findings)
    assert (finding.kind, finding.limit, finding.limit_mm) == ("pad at edge", "edge.scored_mm", 0.5)
    # 0.5 mm from the hole's wall to the line, of which the pad takes 0.33 mm.
    assert finding.size_mm == pytest.approx(0.17, abs=2e-3) and "scores[0]" in finding.text
    assert "Move it 0.33 mm away" in finding.text
    planes = drawn(shape, fab)
    assert planes.plane(OPENING)[290:310, 235:245].any()  # so near to the line at column 250
    assert near_scores(shape, planes, fab) == 0.0
    assert shaped(fab, holes=[hole(3.66, 6)], scores=[{"x": 5.0}]).findings == ()


def test_demo_profiles_name_walls_as_well() -> None:
    """A wall of less than 1 mm is a finding of its own."""
    shape = shaped(board(), holes=[hole(4, 6), hole(5.7, 6)])
    assert [finding.kind for finding in shape.findings] == ["thin wall", "close pads"]
    assert len(shape.warnings) == 2
