"""Physical size, grid and warnings."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data
from PIL import Image

from tests.engine.artwork.picture_files import noise, saved, smooth
from worker.engine.arrays import Alpha, Srgb
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import place_on_grid
from worker.engine.artwork.grid_size import MAX_GRID_PIXELS, find_grid_size
from worker.engine.artwork.picture import Artwork, GridPicture, WantedSize
from worker.errors import SettingsError


def artwork_of(srgb: Srgb, *, alpha: Alpha | None = None, pixels_per_mm: tuple[float, float] | None = None) -> Artwork:
    return Artwork(
        name="art", format="PNG", sha256="", srgb=srgb, alpha=alpha, pixels_per_mm=pixels_per_mm, warnings=()
    )


def placed(
    artwork: Artwork,
    *,
    width: float | None = None,
    height: float | None = None,
    pitch: float = 20.0,
    feature: float = 150,
) -> GridPicture:
    size = WantedSize(width_mm=width, height_mm=height, pitch_um=pitch)
    return place_on_grid(artwork, size, smallest_feature_um=feature)


def test_one_side_gives_the_other() -> None:
    art = artwork_of(smooth(300, 400))
    for options in ({"width": 8.0}, {"height": 6.0}):
        picture = placed(art, **options)
        assert (picture.width_px, picture.height_px) == (400, 300)
        assert (picture.width_mm, picture.height_mm) == pytest.approx((8.0, 6.0))
        assert picture.warnings == ()


def test_an_inch_at_ten_micrometres_has_2540_pixels() -> None:
    """An inch is 25.4 mm by definition."""
    assert placed(artwork_of(smooth(40, 40)), width=25.4, pitch=10.0).width_px == 2540


def test_the_resolution_of_the_file_counts_where_no_size_is_given() -> None:
    """600 pixels per inch: 300 px are half an inch, 635 grid pixels of 20 micrometres."""
    data = saved(Image.fromarray(smooth(300, 300)), "PNG", dpi=(600, 600))
    size = WantedSize(width_mm=None, height_mm=None, pitch_um=20.0)
    picture = place_on_grid(read_artwork(data, name="art", size=size), size, smallest_feature_um=150)
    assert (picture.width_px, picture.height_px) == (635, 635)


def test_pixels_that_are_not_square_keep_their_shape() -> None:
    art = artwork_of(smooth(100, 200), pixels_per_mm=(20.0, 10.0))
    assert placed(art).width_mm == placed(art).height_mm == pytest.approx(10.0)
    assert placed(art, width=5.0).height_mm == pytest.approx(5.0)


def test_no_size_at_all_is_an_error_that_asks_for_a_width() -> None:
    with pytest.raises(SettingsError) as caught:
        placed(artwork_of(noise(4, 4)))
    assert "no size is given" in caught.value.what and "width" in caught.value.mend


@pytest.mark.parametrize(("width", "height", "said"), [(60, 40, "upwards by 33.3 %"), (60, 20, "sideways by 50 %")])
def test_both_sides_stretch_with_a_warning(width: float, height: float, said: str) -> None:
    picture = placed(artwork_of(smooth(1000, 2000)), width=width, height=height)
    assert (picture.width_px, picture.height_px) == (width * 50, height * 50)
    assert said in picture.warnings[0]


def test_a_rounded_side_is_no_stretch() -> None:
    assert placed(artwork_of(smooth(683, 1024)), width=60, height=40).warnings == ()


def test_a_speck_has_one_pixel() -> None:
    assert placed(artwork_of(noise(1, 900)), width=5.0).height_px == 1


@pytest.mark.parametrize("side", [1200.0, 1900.0, 401.0])
def test_a_grid_too_large_names_a_pitch_that_fits(side: float) -> None:
    size = WantedSize(width_mm=side, height_mm=side, pitch_um=20.0)
    with pytest.raises(SettingsError) as caught:
        find_grid_size(size, aspect=1.0, natural_mm=None, name="art")
    assert "the limit is 400 million" in caught.value.what
    named = float(caught.value.mend.split("um")[0].split()[-1])
    fits = find_grid_size(
        WantedSize(width_mm=side, height_mm=side, pitch_um=named), aspect=1.0, natural_mm=None, name="art"
    )
    assert 0.98 * MAX_GRID_PIXELS <= fits.width_px * fits.height_px <= MAX_GRID_PIXELS


def test_a_board_that_no_pitch_makes_fit() -> None:
    size = WantedSize(width_mm=3000.0, height_mm=3000.0, pitch_um=20.0)
    with pytest.raises(SettingsError, match="smaller"):
        find_grid_size(size, aspect=1.0, natural_mm=None, name="art")


def test_equal_size_hands_the_same_arrays_on() -> None:
    art = artwork_of(noise(50, 60), alpha=noise(50, 60, channels=1))
    picture = placed(art, width=1.2)
    assert picture.srgb is art.srgb and picture.alpha is art.alpha
    assert picture.source_px_per_px == 1.0


def test_flat_art_makes_no_new_colours_when_enlarged_and_photographs_do() -> None:
    flat = np.zeros((40, 40, 3), np.uint8)
    flat[10:30, 10:30] = (200, 60, 50)
    picture = placed(artwork_of(flat), width=2.4)
    assert picture.flat
    assert {tuple(colour) for colour in picture.srgb.reshape(-1, 3)} == {(0, 0, 0), (200, 60, 50)}
    photograph = np.ascontiguousarray(skimage.data.astronaut()[:100, :100])
    larger = placed(artwork_of(photograph), width=3.0)
    assert not larger.flat
    assert len(np.unique(larger.srgb.reshape(-1, 3), axis=0)) > len(np.unique(photograph.reshape(-1, 3), axis=0))


def test_too_few_pixels_are_a_warning_with_what_would_do() -> None:
    """500 px over 50 mm are 10 per mm, 1.5 for 0.15 mm; two need 667 px, or 37.5 mm."""
    art = artwork_of(smooth(500, 500))
    warning = placed(art, width=50.0).warnings[0]
    for part in ("1.5 pixels", "0.15 mm", "667 x 667 px", "37.5 x 37.5 mm"):
        assert part in warning
    assert placed(art, width=37.5).warnings == ()
    assert placed(artwork_of(smooth(667, 667)), width=50.0).warnings == ()


def test_the_result_is_read_only() -> None:
    picture = placed(artwork_of(noise(50, 60, seed=3), alpha=noise(50, 60, channels=1)), width=1.0)
    assert picture.alpha is not None
    assert not picture.srgb.flags.writeable and not picture.alpha.flags.writeable
    assert picture.srgb.flags.c_contiguous and picture.alpha.flags.c_contiguous
