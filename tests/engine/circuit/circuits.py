"""Small invented circuits as Gerber text, written by hand here so that no writer of ours is in between."""

from __future__ import annotations

from collections.abc import Sequence

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n"


def number(mm: float) -> str:
    """A coordinate of format 4.6 in mm."""
    return str(round(mm * 1e6))


def at(x: float, y: float, code: int) -> str:
    """One operation."""
    return f"X{number(x)}Y{number(y)}D0{code}*\n"


def area(points: Sequence[tuple[float, float]]) -> str:
    """A region."""
    corners = [*points, points[0]]
    return "G36*\nG01*\n" + at(*corners[0], 2) + "".join(at(*corner, 1) for corner in corners[1:]) + "G37*\n"


def box(left: float, low: float, right: float, high: float) -> list[tuple[float, float]]:
    """Corners of a rectangle, counter-clockwise."""
    return [(left, low), (right, low), (right, high), (left, high)]


def gerber(function: str, body: str, *, polarity: str = "Positive", attribute: str = "%TF") -> bytes:
    """A file with its attributes, as X2 commands or in comments."""
    end = "*%\n" if attribute.startswith("%") else "*\n"
    head = f"{attribute}.FileFunction,{function}{end}{attribute}.FilePolarity,{polarity}{end}" if function else ""
    return f"{head}{HEAD}{body}M02*\n".encode()


def profile(left: float = 10.0, low: float = 20.0, width: float = 12.0, height: float = 8.0) -> str:
    """A board's edge as four lines."""
    corners = box(left, low, left + width, low + height)
    lines = "".join(at(*corner, 1) for corner in [*corners[1:], corners[0]])
    return "%ADD10C,0.05*%\nD10*\nG01*\n" + at(*corners[0], 2) + lines


COPPER = (
    "%TA.AperFunction,SMDPad,CuDef*%\n%ADD10R,1.000X0.800*%\n%TD*%\n"
    "%TA.AperFunction,FiducialPad,Local*%\n%ADD11C,1.000*%\n%TD*%\n"
    "%TA.AperFunction,Conductor*%\n%ADD12C,0.250*%\n%TD*%\n"
    "%TO.N,LED*%\nD10*\n" + at(12.0, 22.0, 3) + "D12*\nG01*\n" + at(12.0, 22.0, 2) + at(15.0, 22.0, 1) + "%TD*%\n"
    "%TO.N,GND*%\n%TA.AperFunction,Conductor*%\n" + area(box(17.0, 21.0, 21.0, 25.0)) + "%TD*%\n"
    "D11*\n" + at(13.0, 26.0, 3)
)
"""A pad and a track of the net LED, an area of the net GND, and a fiducial mark."""
OPENINGS = "%ADD10R,1.100X0.900*%\n%ADD11C,2.000*%\nD10*\n" + at(12.0, 22.0, 3) + "D11*\n" + at(13.0, 26.0, 3)
LEGEND = "%ADD10C,0.150*%\nD10*\nG01*\n" + at(11.5, 23.0, 2) + at(13.0, 23.0, 1)
DRILL = "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nFMAT,2\nMETRIC\nT1C0.500\n%\nG90\nG05\nT1\nX20.0Y24.0\nM30\n"


def small_circuit() -> dict[str, bytes]:
    """A board of 12 x 8 mm whose lower left corner lies at 10, 20 mm: top side, and the bottom's copper and mask."""
    return {
        "one.gbr": gerber("Copper,L1,Top", COPPER),
        "two.gbr": gerber("Soldermask,Top", OPENINGS, polarity="Negative"),
        "three.gbr": gerber("Legend,Top", LEGEND),
        "four.gbr": gerber("Copper,L2,Bot", area(box(10.5, 20.5, 21.5, 27.5))),
        "five.gbr": gerber("Soldermask,Bot", "%ADD10C,0.1*%\n", polarity="Negative"),
        "edge.gbr": gerber("Profile,NP", profile()),
        "holes.xnc": DRILL.encode(),
    }
