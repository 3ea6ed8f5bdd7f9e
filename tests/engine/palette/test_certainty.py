"""How sure an assignment is: margins against the uncertainty of both references."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.boards import board, cluster, lab_of
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.palette.assignment import assign_colours
from worker.engine.palette.certainty import Certainty, judge_certainty, near_ties
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.references.reference import finish_reference
from worker.job_settings import read_pin, read_settings


def tied(number: int, *, margin: float, share: float = 0.5, pinned: bool = False, grey: float = 50.0) -> Cluster:
    plain = cluster(number, (grey, 0.0, 0.0), "mask", "tin")
    return dataclasses.replace(plain, margin=margin, share=share, pinned=pinned)


def judged(one: Cluster, mask: float = 3.0, tin: float = 4.0) -> Certainty:
    (certainty,) = judge_certainty([one], {"mask": mask, "tin": tin})
    return certainty


def test_uncertainties_add_as_the_sides_of_a_right_angle() -> None:
    assert judged(tied(0, margin=5.1)).uncertainty == pytest.approx(5.0)
    assert judged(tied(0, margin=5.1)).certain
    assert not judged(tied(0, margin=4.9)).certain


def test_a_pin_decides_and_one_finish_leaves_nothing_to_decide() -> None:
    assert judged(tied(0, margin=-2.0, pinned=True)).certain
    alone = judged(cluster(0, (50.0, 0.0, 0.0), "mask", None))
    assert (alone.certain, alone.uncertainty) == (True, None)


@given(st.floats(0, 30), st.floats(0.01, 10), st.floats(0.01, 10), st.floats(1.0, 3.0))
def test_less_certain_references_never_make_a_colour_more_certain(
    margin: float, mask: float, tin: float, worse: float
) -> None:
    one = tied(0, margin=margin)
    assert judged(one, mask, tin).certain or not judged(one, worse * mask, tin).certain


def test_near_ties_are_the_uncertain_colours_that_matter_the_largest_first() -> None:
    clusters = [
        tied(0, margin=1.0, share=0.2, grey=20.0),
        tied(1, margin=9.0, share=0.3, grey=40.0),
        tied(2, margin=2.0, share=0.4, grey=60.0),
        tied(3, margin=1.0, share=0.001, grey=80.0),
    ]
    ties = near_ties(judge_certainty(clusters, {"mask": 3.0, "tin": 4.0}))
    assert [tie.cluster.id for tie in ties] == [2, 0]
    assert [(tie.keep.finish, tie.change.finish) for tie in ties] == [("mask", "tin")] * 2


@pytest.mark.parametrize("which", ["keep", "change"])
def test_the_pin_of_a_near_tie_decides_it_and_leaves_other_colours_alone(which: str) -> None:
    """A picture of three flat colours: one half way between two finishes, two that are clear."""
    fab = board()
    colours = finish_colours(fab)
    ids, lab = colours.ids, lab_of(fab)
    between = (lab[ids.index("tin")] + lab[ids.index("legend")]) / 2.0
    srgb = np.array([[[0, 60, 30]] * 40, [[255, 255, 255]] * 40, [[0, 0, 0]] * 40], dtype=np.uint8)
    srgb[2] = lab_to_srgb(between)
    uncertainties = {finish.id: finish_reference(finish).uncertainty for finish in fab.finishes}

    def run(pins: list[str]) -> list[Certainty]:
        settings = read_settings({"width": "20mm", "clusters": "3", "pin": pins})
        assignment = assign_colours(srgb, None, colours, settings, background=0, pitch_um=100.0)
        return judge_certainty(assignment.clusters, uncertainties)

    before = run([])
    (tie,) = [tie for tie in near_ties(before) if {tie.cluster.finish, tie.cluster.second_finish} == {"tin", "legend"}]
    pin = tie.keep if which == "keep" else tie.change
    assert read_pin(pin.text()) == pin
    after = run([pin.text()])
    pinned = [one for one in after if one.cluster.pinned]
    assert [(one.cluster.finish, one.certain) for one in pinned] == [(pin.finish, True)]
    assert pinned[0].cluster.share == pytest.approx(1 / 3)
    # The two clear colours go where they went.
    clear = {one.cluster.finish for one in before if one.cluster.id != tie.cluster.id}
    assert {one.cluster.finish for one in after if not one.cluster.pinned} == clear
    assert near_ties(after) == []
