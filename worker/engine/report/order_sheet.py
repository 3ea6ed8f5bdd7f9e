"""READ ME FIRST: what a fab must know to make the board as it is drawn, and what it must please leave alone.

Plain text of at most 78 signs a line, in the trade's words. Sizes in mm and inch.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.number_place import NumberPlace
from worker.engine.fabrication.proving import shape_from_the_top
from worker.engine.report.circuit_notes import CircuitNotes
from worker.engine.report.order_facts import (
    BROKEN_LIMITS,
    WIDE,
    both_units,
    caution_lines,
    check_sums,
    file_facts,
    numbered,
    order_facts,
    origin_text,
    section,
    wrapped,
)

PLEASE = (
    (
        "Do not clip, shift, thicken or thin the legend: it is part of a picture. It is already kept clear of "
        "every opening by the distance that you state."
    ),
    ("Do not delete narrow webs or slivers of solder mask, and do not merge openings: each was drawn to your limit."),
    (
        "Do not enlarge or shrink mask openings against the copper: openings without copper, and copper that the "
        "mask covers in part, are meant."
    ),
    ("Do not widen lines, fill gaps, remove loose copper, or add balancing copper on either side inside the outline."),
    "Do not mirror, scale, turn or move single layers: all files share one origin.",
    "Do not add a logo, a date code, a recycling mark or an order number except where this sheet says.",
    "Do not fill, round or smooth the outline beyond what your bit needs.",
)
"""What a fab's engineer is likely to do to such a board (common practice, no source), and is asked not to."""


_PICTURE = "This board is a picture: the artwork is made of copper, solder mask openings, legend and bare laminate. "
_CIRCUIT = (
    "This board is a working circuit with a picture beside it: copper, solder mask openings and legend belong to the "
    "one or to the other. "
)
_AS_DRAWN = "It is meant to be made exactly as drawn. Please ask before you change anything."


def order_sheet(
    fabrication: Fabrication,
    project: Project,
    files: Mapping[str, bytes],
    *,
    place: NumberPlace | None,
    cautions: Sequence[str] = (),
    circuit: CircuitNotes | None = None,
) -> str:
    """The text, its lines ended as every system shows them.

    Parameters
    ----------
    files : by name, all that lies beside this sheet in the package.
    place : where the fab may put its number; None where there is none.
    cautions : texts of those that apply to this job. circuit : what to say of it, where the board is one.
    """
    copper_layers = None if circuit is None else circuit.copper_layers
    facts = order_facts(fabrication.fab, shape_from_the_top(fabrication), fabrication.planes, copper_layers)
    lines = [
        f"READ ME FIRST - {project.name}",
        "=" * min(WIDE, 16 + len(project.name)),
        "",
        *wrapped((_CIRCUIT if circuit is not None else _PICTURE) + _AS_DRAWN),
        *section("What to order", facts),
        *section("The circuit and the art", [] if circuit is None else numbered(circuit.lines)),
        *section("Please leave as drawn", numbered(PLEASE)),
        *section("Your order number", _number(place, shape_from_the_top(fabrication), circuit)),
        *section("Known to you, left on purpose", list(_left(fabrication, circuit))),
        *section("Files", list(file_facts(files, circuit))),
        *section("Cautions", caution_lines(cautions)),
        *section("Check sums (SHA-256)", list(check_sums(files))),
        "",
        *wrapped(origin_text(fabrication.fab, project)),
    ]
    return "\r\n".join(lines) + "\r\n"


def _number(place: NumberPlace | None, shape: BoardShape, circuit: CircuitNotes | None) -> list[str]:
    if place is None:
        return wrapped(
            "There is no free place for it: please put no number on this board, or put it on the rail of the panel."
        )
    along = "along y" if place.upright else "along x"
    origin = _origin(shape) if circuit is None else "the circuit's own origin"
    return wrapped(
        f"If you must add one, please put it here and nowhere else: {place.side} side, in legend, centred at x "
        f"{both_units(place.x_mm)}, y {both_units(place.y_mm)} (from {origin}, seen from the top), "
        f"inside {place.width_mm:g} x {place.height_mm:g} mm, text {along}. Better still, on the rail."
    )


def _origin(shape: BoardShape) -> str:
    """Where the files' coordinates count from: an outline need not begin where its artwork does."""
    left, low = (min(float(ring[:, axis].min()) for ring in shape.outline) for axis in (0, 1))
    if max(abs(left), abs(low)) < 0.005:
        return "the files' origin, the lower left corner"
    return f"the files' origin: the board's own lower left corner lies at x {both_units(left)}, y {both_units(low)}"


def _left(fabrication: Fabrication, circuit: CircuitNotes | None) -> Iterator[str]:
    """What a checking program will find, and the fab should not be surprised by."""
    parts = fabrication.parts
    islands = {side: found.islands for side, found in parts.items() if found.islands and circuit is None}
    if islands:
        where = " and ".join(f"{count} on the {side}" for side, count in islands.items())
        yield from wrapped(f"Copper parts with no net ({where}): they are the picture.", "- ", "  ")
    yield from wrapped("Solder mask openings over bare laminate, and copper under mask, are the picture.", "- ", "  ")
    for side, made in fabrication.sides.items():
        left = made.made.left.total
        if left:
            broken = "1 place breaks" if left == 1 else f"{left} places break"
            yield from wrapped(
                f"{broken} a limit that we have from you, on the {side}: see {BROKEN_LIMITS[side]}. Make them as well "
                "as you can, or ask.",
                "- ",
                "  ",
            )
    balance = fabrication.balance
    if balance.caution:
        yield from wrapped(
            f"Copper is uneven: {100 * balance.top:.0f} % of the {fabrication.side} side, {100 * balance.bottom:.0f} % "
            "of the other. Tell us before you make the boards if you expect more bow or twist than IPC-6012 allows.",
            "- ",
            "  ",
        )
