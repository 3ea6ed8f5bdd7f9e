"""The proof: packages that are right pass, and every kind of fault in a file is found.

The readers are outside the project: gerbonara and resvg do the reading in the product; gerbv checks the cutting.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from tests.engine.fabrication.packages import HOLES, MadePackage, blobs, package_of
from tests.engine.fabrication.rasters import SEEDS, random_stack
from tests.engine.fabrication.readers import drawn_by_gerbv, needs_gerbv
from worker.engine.fabrication import read_back as room
from worker.engine.fabrication.board_shape import Hole
from worker.engine.fabrication.gerber_reader import read_gerber, shifted
from worker.engine.fabrication.gerber_sampling import cut_to_window, scan_gerber
from worker.engine.fabrication.grid import Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers, in_pixels
from worker.engine.fabrication.planes import BOARD, COPPER
from worker.engine.fabrication.scanned_drawing import draw_scanned
from worker.engine.fabrication.simplify import COARSE_PX, FINE_PX
from worker.engine.fabrication.undecided import undecided_pixels
from worker.errors import ProofError

ALL = 500_000
FEW = 1


@pytest.fixture(scope="module")
def board() -> MadePackage:
    return package_of(blobs(1, 200), blobs(2, 200), holes=HOLES)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_what_was_written_reads_back(seed: int) -> None:
    stack = random_stack(seed, largest=40)
    for tolerance in (FINE_PX, COARSE_PX):
        proof = package_of(stack, tolerance_px=tolerance).read_back()
        assert proof.whole and proof.share == 1.0
        assert proof.compared_px == 3 * stack.size


def test_two_sides_holes_and_profile(board: MadePackage) -> None:
    proof = board.read_back()
    assert proof.compared_px == 6 * 200 * 200
    assert {file.path: file.objects for file in proof.files}["drill-non-plated.xnc"] == 2
    assert {file.path: file.objects for file in proof.files}["profile.gbr"] == 1
    assert "on the whole board" in proof.text() and "gerbonara" in proof.text()
    # The bottom is pictured as seen from below; holes are white.
    drawn = board.sides["bottom"].written[:, ::-1]
    grey = proof.pictures["bottom"][..., 0]
    holes = grey == 255
    assert (grey[~holes] == drawn[~holes]).mean() > 0.97  # but for pixels whose centre lies on a contour
    assert holes[200 - 6, 200 - 5 - 1] and not holes[100, 100]


@pytest.mark.parametrize("seed", range(3))
def test_windows_are_read_where_a_package_is_large(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "WINDOW_PX", 64)
    made = package_of(blobs(seed, 300))
    proof = made.read_back(most_corners=2_000)
    assert not proof.whole and 2 <= proof.windows < 25
    assert 0.05 < proof.share < 0.6
    assert f"{proof.windows} areas" in proof.text()
    # All of the picture is drawn: as resvg draws it, but for pixels whose centre lies on a contour.
    wanted = made.read_back().pictures["top"]
    assert (proof.pictures["top"] == wanted).all(axis=-1).mean() > 0.97
    assert (proof.pictures["top"][..., 0] == made.sides["top"].written).all()
    assert made.read_back(most_corners=2_000).pictures["top"].tobytes() == proof.pictures["top"].tobytes()


@pytest.mark.parametrize("tolerance", [FINE_PX, COARSE_PX])
@pytest.mark.parametrize("seed", range(4))
def test_our_own_drawing_of_a_file_is_what_gerbonara_and_resvg_draw(seed: int, tolerance: float) -> None:
    stack = random_stack(seed, largest=60)
    made = package_of(stack, tolerance_px=tolerance)
    height, width = stack.shape
    for file in made.files[:3]:
        assert file.layer is not None
        out = np.zeros((height, width), np.uint8)
        scanned = scan_gerber(file.data, name="x")
        for first in range(0, height, 7):  # in strips
            draw_scanned(scanned, made.grid, out[first : first + 7], first, 4)
        read = read_gerber(file.data, name="x")
        window = Window(left=0, top=0, right=width, bottom=height)
        (drawn,) = draw_layers([read], made.grid, window)
        decided = ~undecided_pixels(in_pixels(read, made.grid, window), read.starts, drawn.shape)
        assert ((out == 4) == drawn)[decided].all()
        assert ((out == 4) == ((made.sides["top"].written & file.layer[1]) != 0)).all()


def moved_somewhere(data: bytes, rng: np.random.Generator) -> tuple[bytes, bytes, bytes]:
    """An outer region of a file, the same with one corner moved by three pixels of 10 um, and in clear for dark."""
    regions = list(re.finditer(rb"G36\*\n((?:X.*\n)+)G37\*\n", data.partition(b"%LPC*%")[0]))
    found = regions[int(rng.integers(len(regions)))]
    lines = found[1].split(b"\n")[:-1]
    k = int(rng.integers(1, len(lines) - 1))
    x, y = (int(v) for v in re.findall(rb"-?\d+", lines[k].partition(b"D")[0]))
    inward = -30_000 if x > 1_500_000 else 30_000
    moved = lines.copy()
    moved[k] = b"X%dY%dD01*" % (x + inward, y)
    return found[0], found[0].replace(b"\n".join(lines), b"\n".join(moved)), b"%LPC*%\n" + found[0] + b"%LPD*%\n"


@pytest.mark.parametrize("seed", range(6))
def test_a_large_package_is_looked_at_everywhere(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows are a sample; whatever is wrong elsewhere is found all the same."""
    monkeypatch.setattr(room, "WINDOW_PX", 64)
    made, rng = package_of(blobs(7, 300)), np.random.default_rng(seed)
    path = ("copper-top.gbr", "solder-mask-top.gbr", "legend-top.gbr")[seed % 3]
    data = next(file.data for file in made.files if file.path == path)
    region, moved, clear = moved_somewhere(data, rng)
    for changed in (moved, clear, b""):
        with pytest.raises(ProofError, match=rf"{path}, read back, differs.*the first at [\d.]+, [\d.]+ mm"):
            made.changed(path, region, changed).read_back(most_corners=FEW)


def first_flash_or_corner(data: bytes) -> tuple[bytes, bytes]:
    """A region's second corner, and the same moved by 5 pixels of 10 um."""
    found = re.search(rb"G36\*\n.*\nX(\d+)Y(\d+)D01\*\n", data)
    assert found
    return found[0], found[0].replace(b"X" + found[1] + b"Y", b"X%dY" % (int(found[1]) + 50_000))


FAULTS: dict[str, tuple[str, bytes, bytes, str]] = {
    "function": ("copper-top.gbr", b"FileFunction,Copper,L1,Top", b"FileFunction,Copper,L2,Bot", "FileFunction"),
    "polarity": ("solder-mask-top.gbr", b"FilePolarity,Negative", b"FilePolarity,Positive", "FilePolarity"),
    "unit": ("legend-top.gbr", b"%MOMM*%", b"%MOIN*%", "unit|outside"),
    "format": ("legend-top.gbr", b"%FSLAX46Y46*%", b"%FSLAX45Y45*%", "outside|differs"),
    "truncated": ("copper-bottom.gbr", b"M02*", b"", "M02"),
    "unknown": ("copper-bottom.gbr", b"M02*", b"Q12*\nM02*", "Q12|Unknown"),
    "inside out": ("copper-top.gbr", b"%LPC*%", b"%LPD*%", "differs"),
    "clear first": ("legend-top.gbr", b"%LPD*%", b"%LPC*%", "differs"),
    "mirrored": ("copper-top.gbr", b"G01*", b"G01*\n%MIA1B0*%", "mirror"),
    "profile": ("profile.gbr", b"X2000000Y0D01*", b"X2000001Y0D01*", "outlines"),
    "profile open": ("profile.gbr", b"X0Y0D01*\nM02*", b"M02*", "closed"),
    "profile filled": ("profile.gbr", b"M02*", b"G36*\nX0Y0D02*\nX9Y0D01*\nX9Y9D01*\nX0Y0D01*\nG37*\nM02*", "filled"),
    "hole": ("drill-non-plated.xnc", b"X0.05Y0.06", b"X0.05Y0.0601", "missing"),
    "tool": ("drill-plated.xnc", b"T01C0.02", b"T01C0.03", "missing"),
    "slot": ("drill-non-plated.xnc", b"G01X0.12Y0.07", b"G01X0.12Y0.08", "missing"),
    "plating": ("drill-plated.xnc", b"FileFunction,Plated", b"FileFunction,NonPlated", "function"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_found(board: MadePackage, fault: str) -> None:
    path, old, new, said = FAULTS[fault]
    with pytest.raises(ProofError, match=said) as caught:
        board.changed(path, old, new).read_back()
    assert path in caught.value.what
    assert "Nothing was published" in caught.value.mend


@pytest.mark.parametrize("path", ["copper-top.gbr", "solder-mask-bottom.gbr", "legend-top.gbr"])
def test_a_moved_corner_and_a_lost_region_are_found(board: MadePackage, path: str) -> None:
    data = next(file.data for file in board.files if file.path == path)
    with pytest.raises(ProofError, match=rf"{path}, read back, differs|closed"):
        board.changed(path, *first_flash_or_corner(data)).read_back()
    lost = re.search(rb"G36\*\n(?:X.*\n){12,}?G37\*\n", data)
    assert lost
    with pytest.raises(ProofError, match=rf"{path}, read back, differs.*(not drawn|should not be)"):
        board.changed(path, lost[0], b"").read_back()


def test_a_file_too_few_is_found(board: MadePackage) -> None:
    for path, said in (("profile.gbr", "no profile"), ("drill-plated.xnc", "2 of 3 holes")):
        files = [file for file in board.files if file.path != path]
        with pytest.raises(ProofError, match=said):
            MadePackage(**{**vars(board), "files": files}).read_back()


@pytest.mark.parametrize("fault", ["G36*\nX1Y1D02*\nX9Y1D01*\nX9Y9D01*\nX1Y2D01*\nG37*\n", "X1Y1D04*\n", "T01*\n"])
def test_in_windows_too_every_command_is_checked(board: MadePackage, fault: str) -> None:
    with pytest.raises(ProofError, match="not a command"):
        board.changed("legend-top.gbr", b"M02*", fault.encode() + b"M02*").read_back(most_corners=FEW)


def test_in_windows_too_nothing_may_lie_outside(board: MadePackage) -> None:
    far = b"G36*\nX1Y1D02*\nX9Y1D01*\nX9Y9000000D01*\nX1Y1D01*\nG37*\nM02*"
    with pytest.raises(ProofError, match=r"legend-top.gbr draws 7.000000 mm outside"):
        board.changed("legend-top.gbr", b"M02*", far).read_back(most_corners=FEW)


def test_contours_far_from_the_planes_are_found(board: MadePackage) -> None:
    planes = board.sides["top"].planes.copy()
    row, column = (int(v) for v in np.argwhere((planes & COPPER) == 0)[0])
    planes[row : row + 3, column : column + 3] ^= COPPER
    sides = {**board.sides, "top": room.SideAsMade(planes=planes, written=board.sides["top"].written)}
    with pytest.raises(ProofError, match="contours of the top copper differ"):
        MadePackage(**{**vars(board), "sides": sides}).read_back()


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_a_file_cut_to_a_window_shows_the_same_there(seed: int) -> None:
    stack = random_stack(seed, largest=50)
    height, width = stack.shape
    made = package_of(stack)
    rng = np.random.default_rng(seed)
    left, right = sorted(int(v) for v in rng.choice(width + 1, 2, replace=False))
    top, bottom = sorted(int(v) for v in rng.choice(height + 1, 2, replace=False))
    window = Window(left=left, top=top, right=right, bottom=bottom)
    box = tuple(round(v * 1e6) for v in window.box_mm(made.grid))
    for file in made.files[:3]:
        scanned = scan_gerber(file.data, name=file.path)
        cut = cut_to_window(scanned, box)  # type: ignore[arg-type]
        assert len(cut) <= len(file.data)
        whole, part = (read_gerber(data, name="x") for data in (file.data, cut))
        (wanted,), (got,) = (draw_layers([layer], made.grid, window) for layer in (whole, part))
        assert (wanted == got).all()
        assert part.open_regions == 0


def test_edges_on_pixels_middles_fall_to_one_side_in_all_layers() -> None:
    """Strokes of 0.15 mm at many places whose edges lie on middles of pixels, alone and with more elsewhere."""
    grid = Grid(height_px=1000, width_px=800, pitch_nm=50_000)
    rng = np.random.default_rng(3)
    head, strokes = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.15*%\nD10*\nG01*\n", ""
    for x, y in rng.integers(30, 380, (60, 2)).tolist():
        at, low = x * 100_000 - 45_000_000, y * 100_000 + 40_000
        strokes += f"X{at}Y{low}D02*\nX{at}Y{low + 1_000_000}D01*\n"
    corners = [
        "X-44900000Y20000000D02*",
        "X-44100000Y20000000D01*",
        "X-44100000Y20800000D01*",
        "X-44900000Y20000000D01*",
    ]
    more = "\n".join(["G36*", *corners, "G37*\n"])
    texts = [f"{head}{text}M02*\n".encode() for text in (strokes, strokes + more, more)]
    layers = [shifted(read_gerber(text, name="x"), 45.0, 7.0) for text in texts]
    one, both, added = draw_layers(layers, grid, Window(left=0, top=0, right=800, bottom=1000))
    assert (one | added == both).all() and one.any() and added.any()


@needs_gerbv
def test_gerbv_sees_the_same_in_a_cut_file(tmp_path: Path) -> None:
    made = package_of(blobs(5, 120), tolerance_px=FINE_PX)
    window = Window(left=30, top=20, right=90, bottom=101)
    file = made.files[0]
    box = tuple(round(v * 1e6) for v in window.box_mm(made.grid))
    cut = cut_to_window(scan_gerber(file.data, name="x"), box)  # type: ignore[arg-type]
    assert len(cut) < 0.8 * len(file.data)
    drawn = drawn_by_gerbv(cut, 120, 120, 10.0, tmp_path)
    wanted = (made.sides["top"].planes & COPPER) != 0
    assert (drawn == wanted)[window.place].mean() > 0.995
    assert (drawn == wanted).mean() < 0.995  # outside the window something was left out indeed


ANY_FILE = b"""%FSLAX35Y35*%
%MOIN*%
%ADD10C,0.02*%
%ADD11O,0.08X0.03*%
%ADD12P,0.09X5*%
%AMSPOT*1,1,0.08,0,0*1,0,0.03,0,0*%
%ADD13SPOT*%
G75*
G01*
%LPD*%
D10*
X10000Y10000D02*
X35000Y12000D01*
G03*
X35000Y30000I0J9000D01*
G01*
D11*
X15000Y30000D03*
D12*
X20000Y22000D03*
D13*
X30000Y22000D03*
G36*
X5000Y34000D02*
X12000Y34000D01*
X12000Y38000D01*
X5000Y38000D01*
X5000Y34000D01*
G37*
%LPC*%
D10*
X5000Y36000D02*
X12000Y36000D01*
M02*
"""
"""What a fab's program may write: inches, strokes, an arc, an obround, a polygon, a macro, a clear stroke."""


@needs_gerbv
def test_files_of_other_programs_are_drawn_as_gerbv_draws_them(tmp_path: Path) -> None:
    grid = Grid(height_px=460, width_px=560, pitch_nm=25_000)
    layer = read_gerber(ANY_FILE, name="any")
    assert layer.unit == "in" and layer.remarks == ()
    (drawn,) = draw_layers([layer], grid, Window(left=0, top=0, right=560, bottom=460))
    wanted = drawn_by_gerbv(ANY_FILE, 460, 560, 25.0, tmp_path)
    assert wanted.sum() > 10_000
    assert (drawn != wanted).sum() < 0.02 * wanted.sum()  # curves are drawn by two programs


def test_board_off_the_outline_is_white() -> None:
    hole = Hole(x_mm=0.31, y_mm=0.2, diameter_mm=0.3, plated=False)
    proof = package_of(np.full((40, 60), BOARD, np.uint8), holes=[hole]).read_back()
    assert (proof.pictures["top"][..., 0] == 255).sum() == pytest.approx(np.pi * 15**2, rel=0.02)
