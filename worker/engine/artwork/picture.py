"""What the artwork room hands on: the decoded artwork, and the picture on the board's grid."""

from __future__ import annotations

from dataclasses import dataclass

from worker.engine.arrays import Alpha, Srgb


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedSize:
    """What the job says of size: sides in mm (None: follow from the other, or from the file), pitch in micrometres."""

    width_mm: float | None
    height_mm: float | None
    pitch_um: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Artwork:
    """A decoded artwork: upright, in encoded sRGB.

    srgb : uint8 (H, W, 3), C-contiguous, read-only. alpha : uint8 (H, W), or None where every pixel is opaque.
    pixels_per_mm : horizontal and vertical resolution from the file, or None. sha256 : of the file's bytes.
    """

    name: str
    format: str
    sha256: str
    srgb: Srgb
    alpha: Alpha | None
    pixels_per_mm: tuple[float, float] | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridPicture:
    """The artwork on the board's grid: one pixel is `pitch_um` wide and high.

    srgb : uint8 (H, W, 3), C-contiguous, read-only. alpha : uint8 (H, W), or None where every pixel is opaque.
    source_px_per_px : how many artwork pixels one grid pixel is wide; below 1 the artwork was enlarged.
    flat : whether the artwork was taken for flat art (few colours, hard edges) when it was scaled.
    """

    srgb: Srgb
    alpha: Alpha | None
    pitch_um: float
    source_px_per_px: float
    flat: bool
    warnings: tuple[str, ...]

    @property
    def height_px(self) -> int:
        return int(self.srgb.shape[0])

    @property
    def width_px(self) -> int:
        return int(self.srgb.shape[1])

    @property
    def height_mm(self) -> float:
        return self.height_px * self.pitch_um / 1000.0

    @property
    def width_mm(self) -> float:
        return self.width_px * self.pitch_um / 1000.0
