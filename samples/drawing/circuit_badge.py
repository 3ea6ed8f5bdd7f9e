"""An invented circuit, a blinking badge: its nets, parts, tracks and ground areas, in mm from the board's lower left.

A gate with an uneven threshold charges and empties a capacitor through a resistor; its output lights one of two diodes
in turn. Nothing here was ever built: the circuit shows what a file looks like, not how a badge should be made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely

from samples.drawing.stroke_font import Point, lay_line, text_width

WIDTH, HEIGHT, CORNER = 50.0, 40.0, 4.0
TRACK, CLEARANCE, SPOKE = 0.25, 0.25, 0.3
EDGE = 0.5
"""Copper to the board's edge."""
CELL = (25.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """A pad. side : "top", "bottom" or "both", a plated hole then. hole : its diameter, 0 for none.

    use : what the Gerber standard calls its aperture. joined : copper areas reach it without thermal reliefs.
    """

    part: str
    pin: str
    net: str
    at: Point
    size: tuple[float, float]
    side: str = "top"
    hole: float = 0.0
    use: str = "SMDPad,CuDef"
    joined: bool = False

    @property
    def round(self) -> bool:
        """A disc; else a rectangle."""
        return self.use != "SMDPad,CuDef" or self.size[0] > 9.0

    def on(self, side: str) -> bool:
        """Whether this side has it."""
        return self.side in (side, "both")

    def area(self, grown: float = 0.0) -> shapely.Geometry:
        """Its copper, grown all round."""
        if self.round:
            return shapely.Point(self.at).buffer(self.size[0] / 2 + grown, quad_segs=12)
        (x, y), (w, h) = self.at, self.size
        return shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2).buffer(grown, quad_segs=6)


def _chip(part: str, at: Point, nets: tuple[str, str]) -> list[Pad]:
    """A part with a pad at each end, lying."""
    ends = ((at[0] - 0.95, at[1]), (at[0] + 0.95, at[1]))
    pads = zip(("1", "2"), nets, ends, strict=True)
    return [Pad(part=part, pin=pin, net=net, at=end, size=(1.0, 1.3)) for pin, net, end in pads]


def _via(net: str, at: Point) -> Pad:
    return Pad(part="", pin="", net=net, at=at, size=(0.7, 0.7), side="both", hole=0.3, use="ViaPad", joined=True)


def _tab(pin: str, at: Point) -> Pad:
    return Pad(part="BT1", pin=pin, net="VCC", at=at, size=(2.8, 2.8), side="both", hole=1.5, use="ComponentPad")


_GATE = [("1", "", (23.9, 6.95)), ("2", "OSC", (23.9, 6.0)), ("3", "GND", (23.9, 5.05)), ("4", "OUT", (26.1, 5.05)),
         ("5", "VCC", (26.1, 6.95))]  # fmt: skip

PADS = [
    *[Pad(part="U1", pin=pin, net=net, at=at, size=(1.0, 0.6)) for pin, net, at in _GATE],
    *_chip("C1", (19.55, 6.0), ("GND", "OSC")),
    *_chip("R1", (25.0, 10.0), ("OSC", "OUT")),
    *_chip("R2", (33.0, 5.05), ("OUT", "LED1")),
    *_chip("R3", (15.0, 6.95), ("LED2", "VCC")),
    *_chip("D1", (38.5, 27.0), ("LED1", "GND")),
    *_chip("D2", (11.5, 27.0), ("OUT", "LED2")),
    Pad(part="BT1", pin="2", net="GND", at=CELL, size=(10.0, 10.0), side="bottom", joined=True),
    _tab("1", (13.5, 20.0)),
    _tab("1", (36.5, 20.0)),
    Pad(part="TP1", pin="1", net="GND", at=(46.0, 4.2), size=(1.8, 1.8), side="both", hole=1.0, use="ComponentPad"),
    _via("VCC", (27.4, 6.95)),
    _via("VCC", (17.5, 6.95)),
    _via("OUT", (28.5, 3.4)),
    _via("OUT", (8.9, 27.0)),
    _via("LED1", (35.6, 5.05)),
    _via("LED1", (35.9, 27.0)),
    _via("LED2", (12.4, 6.95)),
    _via("LED2", (14.1, 27.0)),
    _via("GND", (41.2, 27.0)),
    _via("GND", (21.0, 1.8)),
    _via("GND", (43.5, 8.5)),
    _via("GND", (5.0, 8.0)),
]

TRACKS: list[tuple[str, str, list[Point]]] = [
    ("top", "OSC", [(23.9, 6.0), (20.5, 6.0), (20.5, 8.5), (22.0, 10.0), (24.05, 10.0)]),
    ("top", "OUT", [(26.1, 5.05), (28.5, 5.05), (28.5, 8.9), (27.4, 10.0), (25.95, 10.0)]),
    ("top", "OUT", [(28.5, 3.4), (28.5, 5.05), (32.05, 5.05)]),
    ("top", "VCC", [(26.1, 6.95), (27.4, 6.95)]),
    ("top", "VCC", [(15.95, 6.95), (17.5, 6.95)]),
    ("top", "LED1", [(33.95, 5.05), (35.6, 5.05)]),
    ("top", "LED1", [(35.9, 27.0), (37.55, 27.0)]),
    ("top", "LED2", [(12.4, 6.95), (14.05, 6.95)]),
    ("top", "LED2", [(12.45, 27.0), (14.1, 27.0)]),
    ("top", "OUT", [(8.9, 27.0), (10.55, 27.0)]),
    ("top", "GND", [(39.45, 27.0), (41.2, 27.0)]),
    ("bottom", "OUT", [(28.5, 3.4), (9.4, 3.4), (7.5, 5.3), (7.5, 25.6), (8.9, 27.0)]),
    ("bottom", "LED1", [(35.6, 5.05), (38.7, 8.15), (38.7, 24.2), (35.9, 27.0)]),
    ("bottom", "LED2", [(12.4, 6.95), (10.5, 8.85), (10.5, 23.4), (14.1, 27.0)]),
    ("bottom", "VCC", [(17.5, 6.95), (17.5, 12.0), (13.5, 16.0), (13.5, 20.0)]),
    ("bottom", "VCC", [(17.5, 6.95), (27.4, 6.95), (36.5, 16.05), (36.5, 20.0)]),
]

FIDUCIALS: list[Point] = [(5.0, 15.0), (45.0, 15.0), (5.0, 31.0)]
FIDUCIAL, FIDUCIAL_OPENING = 1.0, 2.0
MOUNTING: list[Point] = [(5.0, 36.0), (45.0, 36.0)]
MOUNTING_HOLE = 3.2
SLOT: tuple[Point, Point] = ((22.5, 37.0), (27.5, 37.0))
SLOT_WIDTH = 2.4


def outline() -> shapely.Geometry:
    """The board."""
    return shapely.box(CORNER, CORNER, WIDTH - CORNER, HEIGHT - CORNER).buffer(CORNER, quad_segs=16)


def ground_area(side: str) -> shapely.Geometry:
    """The ground area of a side: clear of other nets, of holes and fiducials, its pads on spokes."""
    top = shapely.box(0.0, 0.0, WIDTH, 12.0)
    area = outline().buffer(-EDGE)
    if side == "top":
        area = area.intersection(top)
    away = [pad.area(CLEARANCE) for pad in PADS if pad.on(side) and pad.net != "GND"]
    away += [shapely.LineString(points).buffer(TRACK / 2 + CLEARANCE, quad_segs=6)
             for on, net, points in TRACKS if on == side and net != "GND"]  # fmt: skip
    away += [shapely.Point(at).buffer(MOUNTING_HOLE / 2 + 0.5) for at in MOUNTING]
    away.append(shapely.LineString(SLOT).buffer(SLOT_WIDTH / 2 + 0.5))
    away += [shapely.Point(at).buffer(FIDUCIAL_OPENING / 2 + 0.2) for at in FIDUCIALS if side == "top"]
    reliefs, spokes = [], []
    for pad in PADS:
        if pad.on(side) and pad.net == "GND" and not pad.joined and pad.area(CLEARANCE).intersects(area):
            reliefs.append(pad.area(CLEARANCE))
            spokes.append(_spokes(pad))
    area = area.difference(shapely.union_all(away + reliefs))
    area = area.union(shapely.union_all(spokes).intersection(outline().buffer(-EDGE))).difference(
        shapely.union_all(away)
    )
    return area.buffer(-0.1, quad_segs=4).buffer(0.1, quad_segs=4).simplify(0.004)  # nothing thinner than 0.2 mm


def _spokes(pad: Pad) -> shapely.Geometry:
    (x, y), (w, h) = pad.at, pad.size
    reach = CLEARANCE + 0.15
    bars = [((x - w / 2 - reach, y), (x + w / 2 + reach, y)), ((x, y - h / 2 - reach), (x, y + h / 2 + reach))]
    return shapely.union_all([shapely.LineString(bar).buffer(SPOKE / 2, cap_style="flat") for bar in bars])


def texts(side: str) -> list[list[Point]]:
    """The legend's strokes, in board coordinates; the bottom's are mirrored, as a reader behind the board needs it."""
    if side == "top":
        lines = [("U1", 25.0, 2.9), ("C1", 19.5, 8.0), ("R1", 25.0, 11.6), ("R2", 33.0, 6.9), ("R3", 15.0, 8.8),
                 ("D1", 38.5, 28.6), ("D2", 11.5, 28.6), ("TP1 GND", 44.2, 6.4)]  # fmt: skip
        return [stroke for text, x, y in lines for stroke in _text(text, x, y, 1.0)]
    lines = [("BT1", 25.0, 33.6), ("INVENTED CIRCUIT, A SAMPLE", 25.0, 31.6),
             ("CELL: KEEP AWAY FROM CHILDREN", 25.0, 1.5)]  # fmt: skip
    strokes = [stroke for text, x, y in lines for stroke in _text(text, WIDTH - x, y, 1.0)]
    return [[(WIDTH - x, y) for x, y in stroke] for stroke in strokes]


def _text(text: str, x: float, y: float, height: float) -> list[list[Point]]:
    left = x - height * text_width(text, 0.3) / 2
    return [[(left + height * px, y + height * (0.5 - py)) for px, py in stroke] for stroke in lay_line(text, 0.3)]


def marks(side: str) -> list[list[Point]]:
    """The legend's marks: which way round diodes and the cell lie."""
    if side == "top":
        return [[(39.9, 26.0), (40.3, 26.0), (40.3, 26.3)], [(10.1, 26.0), (9.7, 26.0), (9.7, 26.3)],
                [(22.8, 7.7), (22.8, 8.0), (23.2, 8.0)]]  # fmt: skip
    x, y = CELL
    turns = [math.radians(7.5 * i) for i in range(49)]
    circle = [(x + 9.8 * math.cos(turn), y + 9.8 * math.sin(turn)) for turn in turns]
    return [circle, [(14.4, 22.2), (14.4, 23.4)], [(13.8, 22.8), (15.0, 22.8)]]
