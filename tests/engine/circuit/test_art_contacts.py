"""What art copper touches and how near it comes, against the sample's layout (shapely, by hand)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from tests.engine.circuit.badge import badge, copper_of
from worker.engine.circuit.art_contacts import ArtContacts, check_contacts, find_contacts
from worker.engine.circuit.nets import find_net, read_nets
from worker.errors import ProofError

NETS = read_nets(badge())
GROUND = find_net(NETS, "GND")
FLOATING = shapely.box(40.0, 55.0, 50.0, 65.0)
TIED = shapely.box(40.0, 41.0, 42.0, 50.0)
SHORT = shapely.box(30.0, 56.0, 35.0, 58.0)
"""From the pad of OUT to that of LED2."""


def contacts(*art: shapely.Geometry, side: str = "top", net: str | None = "GND") -> ArtContacts:
    allowed = find_net(NETS, net) if net else None
    return find_contacts(NETS, {side: np.array(art, object)}, allowed)


def test_floating_art_is_listed_with_area_and_place() -> None:
    small = shapely.box(60.0, 62.0, 61.0, 63.5)
    found = contacts(small, FLOATING, net=None)
    assert [part.area_mm2 for part in found.floating] == [pytest.approx(100.0), pytest.approx(1.5)]
    assert FLOATING.contains(shapely.Point(found.floating[0].place))
    assert not found.tied and not found.wrong
    check_contacts(found, 0.15)


def test_art_may_touch_the_named_net_and_no_other() -> None:
    found = contacts(TIED, FLOATING)
    assert [part.nets for part in found.tied] == [(GROUND,)] and len(found.floating) == 1
    check_contacts(found, 0.15)
    for net in (None, "VCC"):
        with pytest.raises(ProofError, match="touches GND, and it may touch"):
            check_contacts(contacts(TIED, net=net), 0.15)
    with pytest.raises(ProofError, match="touches OUT and LED2, and it may touch GND alone"):
        check_contacts(contacts(SHORT, FLOATING), 0.15)


def test_pieces_that_touch_at_a_corner_are_one_part() -> None:
    """And so one of them brings all to its net."""
    corner = shapely.box(42.0, 50.0, 43.0, 51.0)
    found = contacts(TIED, corner)
    assert len(found.parts) == 1 and found.members["top"].tolist() == [0, 0]
    assert found.parts[0].nets == (GROUND,)
    apart = contacts(TIED, shapely.box(42.01, 50.01, 43.0, 51.0))
    assert len(apart.parts) == 2


def test_the_wall_of_a_plated_hole_is_copper() -> None:
    """Art within the cell's tab, on the side whose pad is not drawn: the wall brings it to the net."""
    inside = shapely.Point(33.5, 50.0).buffer(0.2)
    assert [net.text for net in contacts(inside).parts[0].nets] == ["VCC"]


def test_near_is_not_touching() -> None:
    """A box 0.1 mm beside the cell's tab, a disc of 2.8 mm."""
    (part,) = contacts(shapely.box(35.0, 49.5, 36.0, 50.5), net=None).parts
    assert part.nets == () and part.gap_to is not None and part.gap_to.text == "VCC"
    assert part.gap_mm == pytest.approx(0.1, abs=0.002)


def test_the_gap_is_measured_to_the_nearest_other_net() -> None:
    """By the layout, so many mm from each net's copper on that side."""
    clear = shapely.box(35.0, 58.0, 36.0, 59.0)
    (part,) = contacts(clear, net=None).parts
    wanted = {name: copper_of("top", name).distance(clear) for name in ("OUT", "LED2", "VCC", "GND")}
    assert part.gap_to is not None and part.gap_to.text == min(wanted, key=lambda name: wanted[name]) == "LED2"
    assert part.gap_mm == pytest.approx(wanted["LED2"], abs=0.002)
    check_contacts(contacts(clear, net=None), wanted["LED2"] - 0.001)
    with pytest.raises(ProofError, match=r"comes within \d\.\d+ mm of LED2"):
        check_contacts(contacts(clear, net=None), wanted["LED2"] + 0.01)


def test_the_bottom_has_its_own_copper() -> None:
    """Where the top is free, the bottom's ground area lies."""
    assert [part.nets for part in contacts(FLOATING, side="bottom").parts] == [(GROUND,)]
