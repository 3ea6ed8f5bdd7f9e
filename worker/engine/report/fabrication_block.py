"""The `fabrication` block of a report: what will be made, and how it differs from what was asked for."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from worker.engine.arrays import Labels
from worker.engine.fabrication.expected_error import ExpectedError, ShiftError
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.far_copper import Settlement
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SCORE_FILE,
    VCUT,
    SideName,
)
from worker.engine.fabrication.limits import LimitReport
from worker.engine.palette.values import count_values
from worker.engine.report.circuit_notes import CircuitNotes
from worker.engine.report.order_facts import BROKEN_LIMITS, WORST_SHIFT
from worker.engine.report.score import Score, Statistics
from worker.fab_profile import FabProfile, limit_unit

_SIDES: tuple[SideName, ...] = ("top", "bottom")
FUNCTIONS: dict[str, str] = {
    **{f"{kind.name}-{side}.gbr": kind.function(side) for kind in LAYER_KINDS for side in _SIDES},
    PROFILE_FILE: "Profile,NP",
    SCORE_FILE: VCUT,
    PLATED_FILE: "Plated,1,2,PTH",
    BARE_FILE: "NonPlated,1,2,NPTH",
}
"""The Gerber file function of each fabrication file that has one."""


def fabrication_block(
    fabrication: Fabrication,
    score: Score,
    files: Mapping[str, bytes],
    *,
    side: SideName,
    folder: str = "seen",
    circuit: CircuitNotes | None = None,
    threads: int = 1,
) -> dict[str, Any]:
    """What report.json says of a side with artwork and of the fabrication files.

    Parameters
    ----------
    score : of what that side will show.
    files : every file in fabrication/, by its name there.
    folder : of the masks of what will be seen on that side, in fabrication/.
    circuit : what to say of it, where the board is one.
    """
    made, fab = fabrication.sides[side], fabrication.fab
    art = made.made
    return {
        "side": side,
        "files": [_file(name, data, circuit) for name, data in files.items()],
        "limits": _limits(fab),
        "violations": {
            "found": _counts(art.found),
            "left": _counts(art.left),
            "listed": _listed(art.left),
            "picture": _picture(BROKEN_LIMITS[side], files),
        },
        "repaired_mm2": art.repaired_px * _pixel_mm2(fabrication),
        "borders": [
            {
                "finishes": list(border.finishes),
                "layers": list(border.layers),
                "crisp": border.crisp,
                "length_mm": border.length_mm,
                "rims": [{"finish": finish, "length_mm": length} for finish, length in border.rims],
                "met_mm": border.met_mm,
                "rim_width_mm": border.rim_width_mm,
            }
            for border in art.borders
        ],
        "unsettled_borders_mm": art.unsettled_mm,
        "uncovered_by_shifts_mm2": art.overlap.exposed_mm2,
        "seen": _seen(fabrication, made.seen, folder, threads),
        "score": {
            "viewing_distance_mm": score.viewing_distance_mm,
            "ciede2000": _statistics(score.ciede2000),
            "s_cielab": _statistics(score.s_cielab),
        },
        "expected": {**_expected(made.expected), "worst_picture": _picture(WORST_SHIFT[side], files)},
        "copper": _copper(fabrication, side, circuit),
        "warnings": list(fabrication.warnings),
        **({} if circuit is None else {"circuit": dict(circuit.block)}),
    }


def _file(name: str, data: bytes, circuit: CircuitNotes | None) -> dict[str, Any]:
    functions = FUNCTIONS if circuit is None else circuit.functions
    return {
        "path": f"fabrication/{name}",
        "function": functions.get(name),
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
    }


def _picture(name: str, files: Mapping[str, bytes]) -> str | None:
    return f"fabrication/{name}" if name in files else None


def _limits(fab: FabProfile) -> list[dict[str, Any]]:
    return [
        {"limit": f"{section}.{key}", "value": limit.value, "unit": limit_unit(key), "stated": limit.stated}
        for (section, key), limit in fab.limits.items()
    ]


def _counts(found: LimitReport) -> dict[str, int]:
    """Places by what is wrong, such as "copper line" or "legend corner touch"; only what there is."""
    counts = {_named(layer, kind): n for (layer, kind), n in found.counts.items() if n}
    return counts | {_named(layer, "corner touch"): n for layer, n in found.corner_touches.items() if n}


def _named(layer: str, kind: str) -> str:
    return re.sub("_", " ", f"{layer} {kind}")


def _listed(found: LimitReport) -> list[dict[str, Any]]:
    return [
        {
            "layer": violation.layer,
            "kind": violation.kind,
            "limit": violation.limit,
            "x_mm": violation.x_mm,
            "y_mm": violation.y_mm,
            "size": violation.size_mm,
            "wanted": violation.limit_mm,
        }
        for violation in found.violations
    ]


def _pixel_mm2(fabrication: Fabrication) -> float:
    return (fabrication.shape.pitch_um / 1000.0) ** 2


def _seen(fabrication: Fabrication, seen: Labels, folder: str, threads: int) -> list[dict[str, Any]]:
    counts = count_values(seen, threads=threads)
    total = max(1, int(counts[:-1].sum()))
    return [
        {
            "finish": finish.id,
            "share": int(counts[i]) / total,
            "area_mm2": int(counts[i]) * _pixel_mm2(fabrication),
            "mask": f"fabrication/{folder}/{finish.id}.png",
        }
        for i, finish in enumerate(fabrication.fab.finishes)
    ]


def _statistics(of: Statistics) -> dict[str, float]:
    return {"mean": float(of.mean), "median": float(of.median), "p95": float(of.p95), "max": float(of.max)}


def _expected(found: ExpectedError) -> dict[str, Any]:
    ciede2000, s_cielab = found.mean
    return {
        "nominal": _shift(found.nominal),
        "mean": {"ciede2000": ciede2000, "s_cielab": s_cielab},
        "worst": _shift(found.worst),
        "shifts": len(found.drawn),
        "stand_ins": list(found.stand_ins),
    }


def _shift(error: ShiftError) -> dict[str, float]:
    return {"ciede2000": error.ciede2000, "s_cielab": error.s_cielab}


def _copper(fabrication: Fabrication, of: SideName, circuit: CircuitNotes | None) -> dict[str, Any]:
    balance, joined = fabrication.balance, fabrication.sides[of].joined
    shares = (balance.top, balance.bottom) if of == fabrication.side else (balance.bottom, balance.top)
    return {
        "sides": [
            {"side": side, "parts": parts.count, "islands_mm2": parts.islands_mm2, "area_mm2": parts.area_mm2}
            for side, parts in fabrication.parts.items()
        ]
        if circuit is None
        else [dict(side) for side in circuit.copper],
        "share_with_artwork": shares[0],
        "share_on_the_other_side": shares[1],
        "apart_points": balance.apart_points,
        "caution": balance.caution,
        "joined": None
        if joined is None
        else {"before": joined.before, "after": joined.after, "added_mm2": joined.added_mm2},
        "far": [
            {"finish": far.finish, "wants": far.wants, "area_mm2": far.area_mm2, "met_mm2": far.met_mm2}
            for far in fabrication.far_copper
            if far.side == of
        ],
        "settled": settled_report(fabrication.settlements),
    }


def settled_report(settlements: Sequence[Settlement]) -> list[dict[str, Any]]:
    """What became of places where two finishes asked each other for what they could not give."""
    return [
        {
            "before": {"top": one.before[0], "bottom": one.before[1]},
            "after": {"top": one.after[0], "bottom": one.after[1]},
            "parts": one.parts,
            "area_mm2": one.area_mm2,
        }
        for one in settlements
    ]
