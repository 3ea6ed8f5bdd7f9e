"""How sure it is that a colour went to the right finish, given how far the finishes' references may be off."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.colorimetry import lab_to_srgb
from worker.engine.difference import ciede2000
from worker.engine.palette.clusters import Cluster
from worker.job_settings import Pin

LEAST_SHARE = 0.01
"""Colours that cover less of the board are not worth a question."""
PIN_DELTA_E = (1.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Certainty:
    """How sure one cluster's finish is.

    uncertainty : CIEDE2000 by which the margin may be off in 95 of 100 cases; None where no second finish is in use.
    certain : whether the margin is larger than that, or nothing was left to choose: one finish, or a pin.
    """

    cluster: Cluster
    uncertainty: float | None
    certain: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NearTie:
    """A colour whose finish the references can't tell: `keep` and `change` are the pins that decide it."""

    cluster: Cluster
    uncertainty: float
    keep: Pin
    change: Pin


def judge_certainty(clusters: Sequence[Cluster], uncertainties: Mapping[str, float]) -> list[Certainty]:
    """The certainty of each cluster, in their order.

    `uncertainties` : of each finish's reference, 95 %, CIEDE2000, by finish id. What two references are off by is
    independent, so the margin between them may be off by the root of the sum of both squares. That is the worst case,
    where both err along the line to the cluster's colour.
    """
    return [_judge(cluster, uncertainties) for cluster in clusters]


def _judge(cluster: Cluster, uncertainties: Mapping[str, float]) -> Certainty:
    if cluster.second_finish is None or cluster.margin is None:
        return Certainty(cluster=cluster, uncertainty=None, certain=True)
    uncertainty = math.hypot(uncertainties[cluster.finish], uncertainties[cluster.second_finish])
    return Certainty(
        cluster=cluster, uncertainty=uncertainty, certain=cluster.pinned or abs(cluster.margin) > uncertainty
    )


def near_ties(certainties: Sequence[Certainty]) -> list[NearTie]:
    """The uncertain colours that cover at least 1 % of the board, the largest first."""
    open_questions = [
        one
        for one in certainties
        if not one.certain and one.cluster.share >= LEAST_SHARE and one.uncertainty is not None
    ]
    others = [one.cluster for one in certainties]
    ties = [_near_tie(one.cluster, float(one.uncertainty or 0.0), others) for one in open_questions]
    return sorted(ties, key=lambda tie: (-tie.cluster.share, tie.cluster.id))


def _near_tie(cluster: Cluster, uncertainty: float, clusters: Sequence[Cluster]) -> NearTie:
    red, green, blue = (int(value) for value in lab_to_srgb(cluster.lab))
    reach = _reach(cluster, clusters)
    keep = Pin(srgb=(red, green, blue), delta_e=reach, finish=cluster.finish)
    change = Pin(srgb=(red, green, blue), delta_e=reach, finish=cluster.second_finish or cluster.finish)
    return NearTie(cluster=cluster, uncertainty=uncertainty, keep=keep, change=change)


def _reach(cluster: Cluster, clusters: Sequence[Cluster]) -> float:
    """How far a pin may reach to take this colour and leave the others: half way to the nearest of them."""
    low, high = PIN_DELTA_E
    others = [other.lab for other in clusters if other.id != cluster.id]
    if not others:
        return high
    half = float(ciede2000(np.array(others), np.tile(np.array(cluster.lab), (len(others), 1))).min()) / 2.0
    return math.floor(min(max(half, low), high) * 10.0) / 10.0
