"""How far every layer keeps from what is no board: routed edges, and the pads of plated holes while art is repaired."""

from __future__ import annotations

from dataclasses import dataclass

from worker.engine.fabrication.bit_morphology import Bits, Region, dilate, disc_within
from worker.engine.fabrication.width_rules import Layer, edge_px, limit_px
from worker.fab_profile import FabProfile

_EDGE_KEYS: dict[Layer, str] = {"copper": "routed_mm", "solder_mask": "mask_mm", "legend": "legend_mm"}
_PAD_KEYS: dict[Layer, tuple[tuple[str, str], ...]] = {
    "copper": (("copper", "gap_mm"), ("solder_mask", "registration_mm")),
    "solder_mask": (("solder_mask", "web_mm"),),
    "legend": (("legend", "clearance_mm"),),
}
"""Copper keeps its gap from a pad, and as far from the pad's opening as the mask may shift; openings leave a web."""
_ROUND_PX = 1
"""A web around a pad is round: where discs of the limit's diameter must cover it, its pixels' corners count."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """What is no board. outside : all of it. plated : in plated holes, None where there is none.

    pads : in the openings of their pads, which count as no board while art is repaired; None at other times.
    """

    outside: Bits
    plated: Bits | None = None
    pads: Bits | None = None

    def of(self, layer: Layer) -> Bits:
        """What a layer keeps the edge's distance from. A plated hole's ring reaches the hole's edge."""
        out = self.outside
        for drilled in (self.pads, None if layer == "legend" else self.plated):
            if drilled is not None:
                out = out & ~drilled
        return out


def edge_reach_px(fab: FabProfile, layer: Layer, pitch_um: float) -> int:
    """How far the layer keeps from routed edges, in pixels; 0 where the profile says nothing of it."""
    limit = fab.limits.get(("edge", _EDGE_KEYS[layer]))
    return edge_px(limit.value_mm, pitch_um) if limit is not None and limit.value_mm > 0.0 else 0


def pad_reach_px(fab: FabProfile, layer: Layer, pitch_um: float) -> int:
    """How far the layer keeps from the opening of a plated hole's pad, in pixels."""
    wanted_mm = max(fab.limits[key].value_mm for key in _PAD_KEYS[layer])
    edge = fab.limits.get(("edge", "legend_mm"))
    if layer == "legend" and edge is not None:  # which legend keeps from plated holes, too
        pad_mm = fab.limits["copper", "ring_mm"].value_mm + fab.limits["solder_mask", "registration_mm"].value_mm
        wanted_mm = max(wanted_mm, edge.value_mm - pad_mm)
    return limit_px(wanted_mm, pitch_um) + _ROUND_PX


def edge_band(
    edges: Edges,
    fab: FabProfile,
    layer: Layer,
    pitch_um: float,
    *,
    region: Region | None = None,
    threads: int = 1,
) -> Bits | None:
    """Pixels of the board that are too near to its edge, or to a pad, for the layer; None where nothing is."""
    found: Bits | None = None
    sources = (edges.of(layer), edge_reach_px(fab, layer, pitch_um)), (edges.pads, pad_reach_px(fab, layer, pitch_um))
    for source, reach in sources:
        if source is not None and reach > 0:
            near = dilate(source, disc_within(reach), region=region, threads=threads) & ~edges.outside
            found = near if found is None else found | near
    return found
