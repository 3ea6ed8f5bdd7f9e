"""Proof of a panel: its files read by a reader that we did not write, and held against the pieces' files, read alike.

Every flash and area that gerbonara finds in a layer's file must be one that it finds in a piece's file, turned and
moved, number for number and in order, or belong to the panel's own marks; and nothing may be missing. Then resvg draws
what was read, at every piece of a sample, and the outcome XORed with the piece's own file, drawn alike, must leave no
pixel but those whose centre lies on a contour. Profile, scores and drills are compared as numbers.

Of very large panels gerbonara reads the sample alone, cut out of the files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Srgb
from worker.engine.fabrication.drill import NON_PLATED, PLATED
from worker.engine.fabrication.gerber_reader import ReadHole, ReadLayer, read_gerber
from worker.engine.fabrication.gerber_sampling import ScannedGerber, cut_to_window, scan_gerber
from worker.engine.fabrication.grid import NM_PER_MM, Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers, in_pixels
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SCORE_FILE,
    VCUT,
    LayerKind,
    SideName,
)
from worker.engine.fabrication.planes import BOARD
from worker.engine.fabrication.proof_picture import LONGEST_PX, ProofPicture
from worker.engine.fabrication.raster import rasterise
from worker.engine.fabrication.read_back import REPORT_IT, reader_version
from worker.engine.fabrication.read_outline import board_rings, check_drill, check_profile, check_scores
from worker.engine.fabrication.scanned_drawing import draw_scanned
from worker.engine.fabrication.undecided import undecided_pixels
from worker.engine.panel.panel_files import Panel, flashed
from worker.engine.panel.placed import PlacedPiece
from worker.engine.panel.read_areas import Areas, Bools, runs_of
from worker.errors import ProofError

MOST_CORNERS = 1_500_000
"""Of all layers of a panel: above that the sample is read. (Some 15 seconds.)"""
FINEST_NM = 25_000
"""Pixels of the pictures are no smaller."""
MOST_SAMPLED = 8
"""Pieces that are drawn and XORed, at least one of each kind and turn."""
_ROUNDING_MM = 2e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelFileRead:
    """What was found in one file of the panel."""

    path: str
    function: str
    objects: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PanelProof:
    """What was looked at; what does not hold raises.

    whole : every object of every layer was compared. sampled : numbers of the pieces that were drawn and XORed.
    compared_px, undecided_px : of all their layers. pictures : uint8 (h, w, 3) of each side, from outside, encoded
    sRGB, drawn from the files.
    """

    reader: str
    renderer: str
    whole: bool
    objects: int
    sampled: tuple[int, ...]
    compared_px: int
    undecided_px: int
    files: tuple[PanelFileRead, ...]
    pictures: Mapping[SideName, Srgb]

    def text(self, pieces: int) -> str:
        """What was proved, in one or two sentences. `pieces` : on the panel."""
        numbers = (
            f"all {self.objects:,} objects of the layers are the pieces' own, moved, or the panel's marks"
            if self.whole
            else "the panel is large, so its layers were read at the sampled pieces alone"
        )
        return (
            f"{len(self.files)} files read back by {self.reader}: {numbers}. {len(self.sampled)} of {pieces} pieces "
            f"drawn by {self.renderer}: no pixel differs from the piece's own files."
        )


def prove_panel(
    panel: Panel,
    files: Mapping[str, bytes],
    stack_srgb: npt.NDArray[np.uint8],
    *,
    most_corners: int = MOST_CORNERS,
    threads: int = 1,
) -> PanelProof:
    """Read a panel's files back and compare them with its pieces' files. ProofError where anything differs.

    Parameters
    ----------
    files : by name, as `panel_files` gives them.
    stack_srgb : uint8 (256, 3), encoded sRGB of each stack of layers, for the pictures.
    """
    proof = _Proof(panel, files, whole=panel.corners <= most_corners, threads=threads)
    others = proof.check_others()
    layers = [(kind, side) for side in panel.sides for kind in LAYER_KINDS]
    for kind, side in layers:
        proof.check_layer(kind, side)
    for piece in proof.sample:
        proof.check_pixels(piece, [f"{kind.name}-{side}.gbr" for kind, side in layers])
    pictures = proof.draw_pictures(stack_srgb)
    return PanelProof(
        reader=reader_version("gerbonara"),
        renderer=reader_version("resvg_py"),
        whole=proof.whole,
        objects=sum(found.objects for found in proof.found),
        sampled=tuple(piece.number for piece in proof.sample),
        compared_px=proof.compared_px,
        undecided_px=proof.undecided_px,
        files=(*proof.found, *others),
        pictures=pictures,
    )


class _Proof:
    """The comparison of one panel."""

    def __init__(self, panel: Panel, files: Mapping[str, bytes], *, whole: bool, threads: int) -> None:
        self.panel = panel
        self.files = files
        self.whole = whole
        self.threads = threads
        self.sample = _sample(panel.laid.placed, files)
        self.found: list[PanelFileRead] = []
        self.compared_px = self.undecided_px = 0
        self.lines: list[list[tuple[int, int]]] = []
        self.drilled: list[ReadHole] = []
        self.read: dict[str, ReadLayer] = {}
        self.own: dict[tuple[int, str], ReadLayer] = {}
        self.drawn: dict[int, list[tuple[ReadLayer, Bools]]] = {}
        self.scanned: dict[str, ScannedGerber] = {}

    def check_others(self) -> list[PanelFileRead]:
        """Profile, scores and drills, as numbers."""
        panel, found = self.panel, []
        profile = read_gerber(self._data(PROFILE_FILE), name=PROFILE_FILE)
        self._check_head(profile, "Profile,NP", "Positive")
        self.lines = check_profile(profile, panel.cut.rings)
        found.append(PanelFileRead(path=PROFILE_FILE, function="Profile,NP", objects=len(self.lines)))
        if panel.cut.scores:
            scores = read_gerber(self._data(SCORE_FILE), name=SCORE_FILE)
            self._check_head(scores, VCUT, "Positive")
            count = check_scores(scores, [panel.across(score) for score in panel.cut.scores])
            found.append(PanelFileRead(path=SCORE_FILE, function=VCUT, objects=count))
        for path, function in ((PLATED_FILE, PLATED), (BARE_FILE, NON_PLATED)):
            if any(hole.plated == (path == PLATED_FILE) for hole in panel.holes):
                holes = check_drill(self._data(path), path, function, panel.holes)
                found.append(PanelFileRead(path=path, function=function, objects=len(holes)))
                self.drilled += holes
        return found

    def check_layer(self, kind: LayerKind, side: SideName) -> None:
        """One layer's numbers; where the panel is too large for the reader, what it needs for the sample alone."""
        name = f"{kind.name}-{side}.gbr"
        data = self._data(name)
        if self.whole:
            read = self.read[name] = read_gerber(data, name=name)
            self._check_head(read, kind.function(side), kind.polarity)
            self._check_numbers(name, read, kind, side)
            self.found.append(PanelFileRead(path=name, function=kind.function(side), objects=len(read.areas)))
            return
        scanned = self.scanned[name] = scan_gerber(data, name=name)
        count = int((scanned.kinds != 0).sum())
        self.found.append(PanelFileRead(path=name, function=kind.function(side), objects=count))
        for piece in self.sample:
            left, low, right, high = (round(edge * NM_PER_MM) for edge in piece.outline.bounds)
            read = read_gerber(cut_to_window(scanned, (left, low, right, high)), name=name)
            self._check_head(read, kind.function(side), kind.polarity)
            self.read[f"{name} {piece.number}"] = read

    def _data(self, name: str) -> bytes:
        if name not in self.files:
            raise ProofError(f"The panel's package has no {name}.", mend=REPORT_IT)
        return self.files[name]

    def _check_head(self, read: ReadLayer, function: str, polarity: str) -> None:
        faults = [
            f"it says {read.attribute(key)!r} for {key}, not {value!r}"
            for key, value in ((".FileFunction", function), (".FilePolarity", polarity), (".Part", "Array"))
            if read.attribute(key) != value
        ]
        faults += [f"the reader says: {remark}" for remark in read.remarks[:3]]
        if read.unit != "mm":
            faults.append(f"its unit is {read.unit!r}, not mm")
        if read.open_regions:
            faults.append(f"{read.open_regions} areas are not closed")
        if faults:
            raise ProofError(f"{read.name}: {'; '.join(faults)}.", mend=REPORT_IT)

    def _own_layer(self, piece: PlacedPiece, name: str) -> ReadLayer:
        """A piece's own file, read once."""
        key = (id(piece.piece), name)
        if key not in self.own:
            self.own[key] = read_gerber(piece.piece.layers[name], name=f"{piece.piece.source}: {name}")
        return self.own[key]

    def _check_numbers(self, name: str, read: ReadLayer, kind: LayerKind, side: SideName) -> None:
        """The panel's objects are the pieces', run by run, then its own."""
        wanted = Areas()
        own = [(one, self._own_layer(one, name)) for one in self.panel.laid.placed if name in one.piece.layers]
        runs = {id(layer): runs_of(layer.dark) for _, layer in own}
        for run in range(max((int(r.max()) + 1 for r in runs.values() if len(r)), default=0)):
            for piece, layer in own:
                chosen = np.flatnonzero(runs[id(layer)] == run)
                wanted.add(layer, chosen, piece)
        texts = [area for text in self.panel.marks.texts if text.side == side for area in text.areas]
        if kind.name == "legend":
            wanted.add_rings([area[0] for area in texts], dark=True)
            wanted.add_rings([ring for area in texts for ring in area[1:]], dark=False)
        found = Areas()
        found.add(read, np.flatnonzero(read.areas >= 0), None)
        if not wanted.same(found):
            raise ProofError(
                f"{name}, read back, has {found.count:,} areas, which are not the {wanted.count:,} of the pieces' own "
                f"files, moved, and of the panel's marks{wanted.first_difference(found)}.",
                mend=REPORT_IT,
            )
        discs = flashed(self.panel, kind)
        boxes = read.boxes[read.areas < 0]
        place = [
            (mark.x_mm - d / 2e6, mark.y_mm - d / 2e6, mark.x_mm + d / 2e6, mark.y_mm + d / 2e6) for mark, d in discs
        ]
        if len(boxes) != len(place) or (len(place) and np.abs(boxes - np.array(place)).max() > _ROUNDING_MM):
            raise ProofError(f"{name}, read back, has {len(boxes)} of {len(place)} fiducial marks.", mend=REPORT_IT)

    def check_pixels(self, piece: PlacedPiece, names: Sequence[str]) -> None:
        """XOR of a placed piece, drawn from the panel's files, with the piece's own files, drawn and turned back."""
        grid = _grid(piece)
        window = Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)
        there = [name for name in names if name in piece.piece.layers]
        key = id(piece.piece)
        if key not in self.drawn:
            layers = [self._own_layer(piece, name) for name in there]
            self.drawn[key] = [
                (layer, dark) for layer, dark in zip(layers, draw_layers(layers, grid, window), strict=True)
            ]
        seen = [_moved_back(self.read.get(name) or self.read[f"{name} {piece.number}"], piece) for name in there]
        on_piece = _on_piece(piece, grid)
        for name, layer, dark, (own, wanted) in zip(
            there, seen, draw_layers(seen, grid, window), self.drawn[key], strict=True
        ):
            left_out = undecided_pixels(in_pixels(own, grid, window), own.starts, wanted.shape)
            left_out |= undecided_pixels(in_pixels(layer, grid, window), layer.starts, wanted.shape)
            self.undecided_px += int(np.count_nonzero(left_out & on_piece))
            left_out |= ~on_piece | self._on_texts(name, piece, grid)
            self.compared_px += wanted.size - int(np.count_nonzero(left_out))
            wrong = (dark != wanted) & ~left_out
            if wrong.any():
                row, column = (int(v[0]) for v in np.nonzero(wrong))
                raise ProofError(
                    f"{name}, read back, differs at piece {piece.number} from {piece.piece.source} at "
                    f"{int(wrong.sum()):,} pixels, the first in its column {column}, row {row}.",
                    mend=REPORT_IT,
                )

    def _on_texts(self, name: str, piece: PlacedPiece, grid: Grid) -> Bools:
        """Where the panel writes on a piece."""
        out = np.zeros((grid.height_px, grid.width_px), np.bool_)
        pitch = grid.pitch_nm / NM_PER_MM
        for text in self.panel.marks.texts:
            if name != f"legend-{text.side}.gbr" or text.number != piece.number:
                continue
            corners = np.array([text.box[:2], text.box[2:]]) * NM_PER_MM
            (x0, y0), (x1, y1) = piece.move.back(corners) / NM_PER_MM / pitch
            left, right = sorted((x0, x1))
            low, high = sorted((y0, y1))
            top = grid.height_px - int(np.ceil(high)) - 1
            out[max(0, top) : grid.height_px - int(low) + 1, max(0, int(left) - 1) : int(np.ceil(right)) + 1] = True
        return out

    def draw_pictures(self, stack_srgb: npt.NDArray[np.uint8]) -> dict[SideName, Srgb]:
        """Each side as its files show it."""
        panel = self.panel
        _, _, right, high = panel.laid.board.bounds
        pitch_nm = max(FINEST_NM, -(-round(max(right, high) * NM_PER_MM) // (2 * LONGEST_PX)))
        grid = Grid(
            width_px=-(-round(right * NM_PER_MM) // pitch_nm),
            height_px=-(-round(high * NM_PER_MM) // pitch_nm),
            pitch_nm=pitch_nm,
        )
        window = Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)
        there = rasterise(
            [board_rings(self.lines, self.drilled)],
            height_px=grid.height_px,
            width_px=grid.width_px,
            pitch_mm=pitch_nm / NM_PER_MM,
            threads=self.threads,
        )
        pictures: dict[SideName, Srgb] = {}
        for side in panel.sides:
            stack = there * np.uint8(BOARD)
            names = [(f"{kind.name}-{side}.gbr", kind.bit) for kind in LAYER_KINDS]
            if self.whole:
                drawn = draw_layers([self.read[name] for name, _ in names], grid, window)
                for dark, (_, bit) in zip(drawn, names, strict=True):
                    stack |= dark * np.uint8(bit)
            else:
                for name, bit in names:
                    draw_scanned(self.scanned[name], grid, stack, 0, bit)
            picture = ProofPicture(grid, stack_srgb)
            picture.put(np.where(there, stack, np.uint8(0)).astype(np.uint8), window)
            pictures[side] = picture.srgb(mirrored=side == "bottom")
        return pictures


def _sample(placed: Sequence[PlacedPiece], files: Mapping[str, bytes]) -> tuple[PlacedPiece, ...]:
    """One of each piece and turn, then others drawn at random by the files' own hashes."""
    kinds: dict[tuple[int, int], PlacedPiece] = {}
    for piece in placed:
        kinds.setdefault((id(piece.piece), piece.move.turn), piece)
    chosen = list(kinds.values())
    digest = hashlib.sha256(b"".join(hashlib.sha256(data).digest() for data in files.values())).digest()
    rng = np.random.default_rng(int.from_bytes(digest[:8], "big"))
    rest = [piece for piece in placed if piece not in chosen]
    more = max(0, MOST_SAMPLED - len(chosen))
    chosen += [rest[i] for i in rng.permutation(len(rest))[:more]]
    return tuple(sorted(chosen, key=lambda piece: piece.number))


def _grid(piece: PlacedPiece) -> Grid:
    """The piece's own grid, as large as its outline needs."""
    pitch_nm = round(piece.piece.pitch_um * 1000)
    right, high = piece.piece.rings[0].max(axis=0)
    return Grid(width_px=int(-(-right // pitch_nm)), height_px=int(-(-high // pitch_nm)), pitch_nm=pitch_nm)


def _moved_back(read: ReadLayer, piece: PlacedPiece) -> ReadLayer:
    """What was read near a piece, in the piece's own frame."""
    left, low, right, high = piece.outline.bounds
    boxes = read.boxes
    near = (boxes[:, 0] <= right) & (boxes[:, 2] >= left) & (boxes[:, 1] <= high) & (boxes[:, 3] >= low)
    chosen = np.flatnonzero(near & (read.areas >= 0))
    areas = Areas()
    areas.add(read, chosen, None)
    if not len(chosen):
        points, starts = np.zeros((0, 2)), np.zeros(1, np.int64)
    else:
        points = piece.move.back(np.concatenate(areas.points).astype(np.float64)) / NM_PER_MM
        starts = np.concatenate([[0], np.cumsum(np.concatenate(areas.sizes))]).astype(np.int64)
    lows = np.minimum.reduceat(points, starts[:-1], axis=0) if len(chosen) else np.zeros((0, 2))
    highs = np.maximum.reduceat(points, starts[:-1], axis=0) if len(chosen) else np.zeros((0, 2))
    return replace(
        read,
        points=points,
        starts=starts,
        dark=read.dark[chosen],
        boxes=np.concatenate([lows, highs], axis=1),
        areas=np.arange(len(chosen)),
        drawings={},
    )


def _on_piece(piece: PlacedPiece, grid: Grid) -> Bools:
    zones = rasterise(
        [[ring / NM_PER_MM for ring in piece.piece.rings[:1]]],
        height_px=grid.height_px,
        width_px=grid.width_px,
        pitch_mm=grid.pitch_nm / NM_PER_MM,
    )
    return zones.view(np.bool_)
