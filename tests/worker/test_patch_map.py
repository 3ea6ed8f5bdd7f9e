"""Patch maps: what is written is read, and a wrong one is refused by place and mend."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.errors import PatchMapError
from worker.finish import FAR_COPPER
from worker.patch_map import MAX_BYTES, Patch, PatchMap, Rectangle, read_patch_map, write_patch_map

BOARD = Rectangle(x=0, y=0, width=60, height=40)
MAP = PatchMap(
    width_mm=60,
    height_mm=40,
    coupon_corners=BOARD.corners,
    patches=(
        Patch(finish="mask", place=Rectangle(x=5, y=5, width=10, height=10)),
        Patch(finish="gold", place=Rectangle(x=15, y=5, width=10, height=12), repeat=2, far_copper="solid"),
    ),
    surround=(Rectangle(x=-12, y=-12, width=84, height=10),),
    note="made by hand",
)


def parsed() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(write_patch_map(MAP))
    return table


def test_the_json_is_the_agreed_one() -> None:
    assert parsed() == {
        "schema_version": 1,
        "units": "mm",
        "note": "made by hand",
        "board": {"width": 60, "height": 40},
        "corners": {"coupon": [[0, 0], [60, 0], [60, 40], [0, 40]], "chart": None},
        "odd_corner": "top_left",
        "patches": [
            {
                "finish": "mask",
                "x": 5,
                "y": 5,
                "width": 10,
                "height": 10,
                "repeat": 1,
                "far_copper": "unknown",
                "kind": "solid",
            },
            {
                "finish": "gold",
                "x": 15,
                "y": 5,
                "width": 10,
                "height": 12,
                "repeat": 2,
                "far_copper": "solid",
                "kind": "solid",
            },
        ],
        "surround": [[-12, -12, 84, 10]],
    }


lengths = st.floats(0.1, 9.0, allow_nan=False)


@given(
    sizes=st.lists(st.tuples(lengths, lengths), min_size=1, max_size=9),
    far=st.sampled_from(FAR_COPPER),
    chart=st.booleans(),
)
def test_what_is_written_is_read(sizes: list[tuple[float, float]], far: Any, chart: bool) -> None:
    patches = tuple(
        Patch(finish=f"f{i}", place=Rectangle(x=10.0 * i, y=0.5, width=w, height=h), repeat=i + 1, far_copper=far)
        for i, (w, h) in enumerate(sizes)
    )
    wanted = PatchMap(
        width_mm=100.0,
        height_mm=10.0,
        coupon_corners=Rectangle(x=0, y=0, width=100, height=10).corners,
        chart_corners=Rectangle(x=110, y=0, width=60, height=40).corners if chart else None,
        odd_corner="bottom_right",
        patches=patches,
    )
    assert read_patch_map(write_patch_map(wanted)) == wanted


def test_a_map_by_hand_needs_little() -> None:
    least = {
        "schema_version": 1,
        "board": {"width": 20, "height": 10},
        "corners": {"coupon": [[0, 0], [20, 0], [20, 10], [0, 10]]},
        "patches": [{"finish": "mask", "x": 0, "y": 0, "width": 20, "height": 10}],
    }
    read = read_patch_map(json.dumps(least).encode())
    assert read.patches == (Patch(finish="mask", place=Rectangle(x=0, y=0, width=20, height=10)),)
    assert (read.odd_corner, read.surround, read.chart_corners) == ("top_left", (), None)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema_version": 2}, "schema_version is 2"),
        ({"units": "inch"}, "units is 'inch'"),
        ({"odd_corner": "left"}, "odd_corner is 'left'"),
        ({"colour": 1}, "unknown key 'colour'"),
        ({"note": 5}, "note is 5"),
        ({"board": {"width": -3, "height": 40}}, "board width is -3 mm"),
        ({"board": {"width": "60", "height": 40}}, "board width is '60', not a number"),
        ({"board": {"width": 10**400, "height": 40}}, "board width is 1000"),
        ({"board": {"width": float("nan"), "height": 40}}, "board width is nan, not a number"),
        ({"board": {"width": 60}}, "board has no height"),
        ({"corners": {"coupon": [[0, 0], [60, 0], [60, 40]]}}, "corners.coupon has 3 entries"),
        ({"corners": {"coupon": [[0, 0], [0, 40], [60, 40], [60, 0]]}}, "clockwise"),
        ({"corners": {"coupon": [[0, 0], [60, 40], [60, 0], [0, 40]]}}, "clockwise"),
        ({"patches": []}, "patches has 0 entries"),
        ({"patches": [{"finish": "m", "x": 55, "y": 5, "width": 10, "height": 10}]}, "over the board's edge"),
        ({"patches": [{"finish": "", "x": 5, "y": 5, "width": 10, "height": 10}]}, r"patches\[0\] finish is ''"),
        ({"patches": [{"finish": "m", "x": 5, "y": 5, "width": 10}]}, r"patches\[0\] has no height"),
        (
            {"patches": [{"finish": "m", "x": 5, "y": 5, "width": 10, "height": 10, "repeat": 0}]},
            "repeat is 0",
        ),
        (
            {"patches": [{"finish": "m", "x": 5, "y": 5, "width": 10, "height": 10, "far_copper": "some"}]},
            "far_copper is 'some'",
        ),
        (
            {
                "patches": [
                    {"finish": "m", "x": 20, "y": 5, "width": 10, "height": 10},
                    {"finish": "g", "x": 5, "y": 14, "width": 16, "height": 10},
                ]
            },
            r"patches\[1\] overlaps patches\[0\]",
        ),
        ({"surround": [[1, 2, 3]]}, r"surround\[0\] has 3 entries"),
    ],
)
def test_a_wrong_map_is_refused_by_place(change: dict[str, Any], said: str) -> None:
    with pytest.raises(PatchMapError, match=said) as caught:
        read_patch_map(json.dumps({**parsed(), **change}).encode(), file_name="mine.json")
    assert caught.value.what.startswith("mine.json: ")
    assert caught.value.mend


@pytest.mark.parametrize("data", [b"", b"\xff\xfe", b"{", b"[" * 100_000, b"[]", b"5", b" " * (MAX_BYTES + 1)])
def test_what_is_no_map_is_refused(data: bytes) -> None:
    with pytest.raises(PatchMapError):
        read_patch_map(data)
