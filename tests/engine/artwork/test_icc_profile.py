"""Embedded ICC profiles, against colour-science's RGB spaces and Debian's free profiles."""

from __future__ import annotations

import zlib
from pathlib import Path

import colour
import numpy as np
import numpy.typing as npt
import pytest
import skimage.data
from PIL import Image, ImageCms

from tests.engine.artwork.matrix_profile import matrix_profile
from tests.engine.artwork.picture_files import ANY_SIZE, noise, png_by_opencv, png_with_chunk, saved
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.icc_profile import build_transform, is_srgb
from worker.engine.artwork.picture import Artwork

DEBIAN = Path("/usr/share/color/icc")
D50 = np.array([0.34567, 0.35850])


def read(data: bytes) -> Artwork:
    return read_artwork(data, name="art", size=ANY_SIZE)


def profile_of(space: str, gamma: float) -> bytes:
    """The matrix of a colour-science RGB space, adapted to D50 by Bradford, as ICC.1 has it."""
    of = colour.RGB_COLOURSPACES[space]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(of.whitepoint), colour.xy_to_XYZ(D50), transform="Bradford"
    )
    return matrix_profile(to_pcs=adapt @ of.matrix_RGB_to_XYZ, gamma=gamma)


def expected_srgb(encoded: npt.NDArray[np.float64], space: str, gamma: float) -> npt.NDArray[np.float64]:
    """colour-science's conversion of encoded values 0 to 1 into encoded sRGB 0 to 255, not clipped."""
    linear = colour.RGB_to_RGB(
        encoded**gamma,
        colour.RGB_COLOURSPACES[space],
        colour.RGB_COLOURSPACES["sRGB"],
        chromatic_adaptation_transform="Bradford",
    )
    return np.asarray(np.sign(linear) * colour.models.eotf_inverse_sRGB(np.abs(linear)) * 255.0)


def inside(values: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Pixels inside sRGB: those outside are clipped, each engine in its way."""
    return np.asarray(((values > 0.5) & (values < 254.5)).all(axis=-1))


SPACES = [("Adobe RGB (1998)", 2.2), ("ProPhoto RGB", 1.8), ("Display P3", 2.2), ("ITU-R BT.2020", 2.4)]


@pytest.mark.parametrize(("space", "gamma"), SPACES)
def test_eight_bits_as_colour_science_has_them(space: str, gamma: float) -> None:
    pixels = np.clip(noise(64, 64).astype(int) // 2 + 64, 0, 255).astype(np.uint8)
    artwork = read(saved(Image.fromarray(pixels), "PNG", icc_profile=profile_of(space, gamma)))
    expected = expected_srgb(pixels / 255.0, space, round(gamma * 256) / 256)
    apart = np.abs(artwork.srgb - expected)[inside(expected)]
    assert apart.size > 3000
    assert apart.max() <= 1.2
    assert artwork.warnings == ()


@pytest.mark.parametrize(("space", "gamma"), [*SPACES, ("sRGB", 1.0)])
def test_sixteen_bits_keep_their_precision_until_converted(space: str, gamma: float) -> None:
    """Gamma 1 is the hard case: in 8 bits its dark tones would be 13 levels apart."""
    pixels = np.random.default_rng(1).integers(300, 40000, (64, 64, 3), dtype=np.uint16)
    plain = png_by_opencv(pixels)
    compressed = zlib.compress(profile_of(space, gamma))
    artwork = read(png_with_chunk(plain, b"iCCP", b"test\0\0" + compressed))
    expected = expected_srgb(pixels / 65535.0, space, round(gamma * 256) / 256)
    apart = np.abs(artwork.srgb - expected)[inside(expected)]
    assert apart.size > 1500
    assert np.percentile(apart, 99) <= 1.0
    assert apart.max() <= 2.0


def test_a_photograph_in_adobe_rgb() -> None:
    """scikit-image's rocket carries that profile."""
    path = Path(skimage.data.__file__).parent / "rocket.jpg"
    artwork = read(path.read_bytes())
    with Image.open(path) as picture:
        stored = np.asarray(picture)[::4, ::4] / 255.0
    expected = expected_srgb(stored, "Adobe RGB (1998)", 563 / 256)
    apart = np.abs(artwork.srgb[::4, ::4] - expected)[inside(expected)]
    # Decoders of JPEG differ by a level or two, and the curve is steep near black.
    assert np.percentile(apart, 99) <= 2.0
    assert artwork.warnings == ()


def test_grey_with_a_gamma() -> None:
    """Linear grey: half the light is sRGB 188 (IEC 61966-2-1: 187.5)."""
    picture = Image.fromarray(np.array([[0, 128, 255]], np.uint8))
    profile = matrix_profile(to_pcs=None, gamma=1.0, space=b"GRAY")
    srgb = read(saved(picture, "PNG", icc_profile=profile)).srgb
    expected = colour.models.eotf_inverse_sRGB(np.array([0, 128, 255]) / 255) * 255
    assert np.abs(srgb[0, :, 1] - expected).max() <= 1.0
    assert srgb[0, 0].tolist() == [0, 0, 0] and srgb[0, 2].tolist() == [255, 255, 255]


def test_an_srgb_profile_changes_nothing() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert is_srgb(build_transform(srgb, "rgb"))
    assert not is_srgb(build_transform(profile_of("Display P3", 2.2), "rgb"))
    pixels = noise(20, 20)
    assert np.array_equal(read(saved(Image.fromarray(pixels), "PNG", icc_profile=srgb)).srgb, pixels)


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF", "WebP"])
@pytest.mark.parametrize("broken", [b"no profile at all, only text", profile_of("Display P3", 2.2)[:200]])
def test_a_broken_profile_is_a_warning_and_srgb(form: str, broken: bytes) -> None:
    picture = Image.fromarray(noise(20, 20))
    plain = read(saved(picture, form))
    artwork = read(saved(picture, form, icc_profile=broken))
    assert np.array_equal(artwork.srgb, plain.srgb)
    assert len(artwork.warnings) == 1 and "taken as sRGB" in artwork.warnings[0]


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_a_profile_of_another_space_is_a_warning(mode: str) -> None:
    picture = Image.fromarray(noise(8, 8)).convert(mode)
    other = matrix_profile(to_pcs=None, gamma=1.0, space=b"GRAY") if mode == "RGB" else profile_of("sRGB", 1.0)
    artwork = read(saved(picture, "TIFF", icc_profile=other))
    assert np.array_equal(artwork.srgb, read(saved(picture, "TIFF")).srgb)
    assert any("ICC profile" in warning and "taken as" in warning for warning in artwork.warnings)


def test_alpha_survives_a_profile() -> None:
    pixels = noise(9, 9, channels=4)
    artwork = read(saved(Image.fromarray(pixels), "PNG", icc_profile=profile_of("Display P3", 2.2)))
    assert artwork.alpha is not None and np.array_equal(artwork.alpha, pixels[..., 3])


@pytest.mark.skipif(not DEBIAN.is_dir(), reason="apt-get install icc-profiles-free")
def test_debian_srgb_profile_changes_no_colour_by_more_than_a_level() -> None:
    pixels = noise(64, 64)
    icc = (DEBIAN / "sRGB.icc").read_bytes()
    assert np.abs(read(saved(Image.fromarray(pixels), "PNG", icc_profile=icc)).srgb.astype(int) - pixels).max() <= 1


@pytest.mark.skipif(not DEBIAN.is_dir(), reason="apt-get install icc-profiles-free")
def test_debian_profile_like_adobe_rgb_as_colour_science_has_it() -> None:
    pixels = np.clip(noise(64, 64).astype(int) // 2 + 64, 0, 255).astype(np.uint8)
    icc = (DEBIAN / "compatibleWithAdobeRGB1998.icc").read_bytes()
    artwork = read(saved(Image.fromarray(pixels), "PNG", icc_profile=icc))
    expected = expected_srgb(pixels / 255.0, "Adobe RGB (1998)", 563 / 256)
    assert np.abs(artwork.srgb - expected)[inside(expected)].max() <= 1.2
