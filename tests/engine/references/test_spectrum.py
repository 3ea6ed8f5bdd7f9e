"""Tristimulus values against colour-science's ASTM E308, published white points and the metals' optical constants."""

from __future__ import annotations

import io

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.engine.references.metals import column, metal
from worker.engine.colorimetry import xyz_to_lab
from worker.engine.references.make_tables import tables_file
from worker.engine.references.spectrum import _tables, interpolated, tristimulus, white_point
from worker.reading import ILLUMINANTS, OBSERVERS, Spectrum

# colour-science tells of each spectrum that it cuts and each table that it interpolates.
pytestmark = pytest.mark.filterwarnings("ignore:Trimming", "ignore:Aligning", "ignore:.*shape could not be honoured")

CMFS = {
    "2": colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"],
    "10": colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"],
}
LAMPS = {"F2": "FL2", "F7": "FL7", "F11": "FL11"}
CHART = colour.SDS_COLOURCHECKERS["BabelColor Average"]
"""Measured spectra of the 24 patches of a colour chart, 380 to 730 nm at 10 nm, which colour-science publishes."""


def spectrum_of(sd: colour.SpectralDistribution) -> Spectrum:
    return Spectrum(start_nm=sd.shape.start, step_nm=sd.shape.interval, values=tuple(sd.values.tolist()))


def by_colour_science(sd: colour.SpectralDistribution, illuminant: str, observer: str) -> np.ndarray:
    """E308 with the weights of E2022 for 5 nm as well, where colour-science would by default leave wavelengths out."""
    light = colour.SDS_ILLUMINANTS[LAMPS.get(illuminant, illuminant)]
    return np.asarray(colour.sd_to_XYZ(sd, CMFS[observer], light, method="ASTM E308", mi_5nm_omission_method=False))


@pytest.mark.parametrize("illuminant", ILLUMINANTS)
@pytest.mark.parametrize("observer", OBSERVERS)
def test_every_illuminant_and_observer(illuminant: str, observer: str) -> None:
    for name in ("dark skin", "blue", "yellow", "white 9.5 (.05 D)"):
        sd = CHART[name]
        wanted = by_colour_science(sd, illuminant, observer)
        np.testing.assert_allclose(tristimulus(spectrum_of(sd), illuminant, observer), wanted, atol=1e-9)


@pytest.mark.parametrize("name", CHART)
def test_every_patch_of_a_chart(name: str) -> None:
    got = tristimulus(spectrum_of(CHART[name]), "D65", "2")
    np.testing.assert_allclose(got, by_colour_science(CHART[name], "D65", "2"), atol=1e-9)


@pytest.mark.parametrize(("start", "end", "step"), [(400, 700, 10), (380, 730, 5), (360, 780, 10), (400, 700, 1)])
def test_every_range_and_step(start: int, end: int, step: int) -> None:
    """A short spectrum's ends stand for what it lacks, and a step wider than 1 nm is weighted, as E308 says."""
    for name in ("foliage", "red"):
        sd = CHART[name].copy().align(colour.SpectralShape(start, end, step))
        for illuminant, observer in (("A", "2"), ("D50", "10"), ("F11", "2")):
            wanted = by_colour_science(sd, illuminant, observer)
            np.testing.assert_allclose(tristimulus(spectrum_of(sd), illuminant, observer), wanted, atol=1e-9)


@pytest.mark.parametrize(("start", "step", "count"), [(355.0, 10.0, 45), (395.0, 10.0, 32), (398.0, 7.0, 46)])
def test_a_grid_that_e308_does_not_table_comes_near_to_1_nm(start: float, step: float, count: int) -> None:
    """Against colour-science's sum at 1 nm of a smooth spectrum: a logistic edge, as pigments have."""

    def edge(nm: np.ndarray) -> np.ndarray:
        return 0.1 + 0.7 / (1.0 + np.exp(-(nm - 560.0) / 20.0))

    fine = np.arange(360.0, 781.0)
    sd = colour.SpectralDistribution(edge(fine), fine)
    coarse = Spectrum(start_nm=start, step_nm=step, values=tuple(edge(start + step * np.arange(count)).tolist()))
    got = xyz_to_lab(tristimulus(coarse, "D65", "2"), white_point("D65", "2"))
    wanted = xyz_to_lab(by_colour_science(sd, "D65", "2"), white_point("D65", "2"))
    assert colour.delta_E(got, wanted, method="CIE 2000") < 0.03


@pytest.mark.parametrize(
    ("illuminant", "observer", "published"),
    [
        ("A", "2", (109.850, 100.0, 35.585)),
        ("C", "2", (98.074, 100.0, 118.232)),
        ("D50", "2", (96.422, 100.0, 82.521)),
        ("D65", "2", (95.047, 100.0, 108.883)),
        ("A", "10", (111.144, 100.0, 35.200)),
        ("D50", "10", (96.720, 100.0, 81.427)),
        ("D65", "10", (94.811, 100.0, 107.304)),
        ("E", "2", (100.0, 100.0, 100.0)),
    ],
)
def test_white_points(illuminant: str, observer: str, published: tuple[float, float, float]) -> None:
    """White points as ASTM E308 prints them, from memory; they were summed at another step, hence the tolerance."""
    np.testing.assert_allclose(white_point(illuminant, observer), published, atol=0.06)


@pytest.mark.parametrize("illuminant", ILLUMINANTS)
@pytest.mark.parametrize("observer", OBSERVERS)
def test_white_points_have_the_chromaticity_that_cie_15_names(illuminant: str, observer: str) -> None:
    """CIE 15 sums the fluorescent lamps at 5 nm, where their lines stand; at 1 nm they move by up to 5e-4."""
    name = "CIE 1931 2 Degree Standard Observer" if observer == "2" else "CIE 1964 10 Degree Standard Observer"
    xy = colour.CCS_ILLUMINANTS[name][LAMPS.get(illuminant, illuminant)]
    atol = 5e-4 if illuminant.startswith("F") else 1e-4
    np.testing.assert_allclose(colour.XYZ_to_xy(white_point(illuminant, observer)), xy, atol=atol)


@given(
    st.sampled_from(ILLUMINANTS),
    st.sampled_from(OBSERVERS),
    st.floats(340.0, 400.0),
    st.floats(0.5, 10.0),
)
def test_a_perfect_diffuser_is_white_and_half_of_it_half_as_bright(
    illuminant: str, observer: str, start: float, step: float
) -> None:
    count = int((720.0 - start) / step) + 1
    for factor in (1.0, 0.5):
        diffuser = Spectrum(start_nm=start, step_nm=step, values=(factor,) * count)
        got = tristimulus(diffuser, illuminant, observer)
        np.testing.assert_allclose(got, factor * white_point(illuminant, observer), rtol=1e-9)


@given(st.integers(380, 400), st.sampled_from([1.0, 2.5, 5.0, 10.0]))
def test_a_parabola_is_interpolated_exactly(start: int, step: float) -> None:
    """Lagrange interpolation of degree 2 at the ends and 3 within is exact for a polynomial of degree 2."""

    def parabola(nm: np.ndarray) -> np.ndarray:
        return 0.2 + 0.3 * (nm - 550.0) / 150.0 + 0.2 * ((nm - 550.0) / 150.0) ** 2

    values = parabola(start + step * np.arange(int((720 - start) / step) + 1))
    spectrum = Spectrum(start_nm=float(start), step_nm=step, values=tuple(values.tolist()))
    wanted = np.linspace(spectrum.start_nm, spectrum.end_nm, 333)
    np.testing.assert_allclose(interpolated(spectrum, wanted), parabola(wanted), atol=1e-12)
    assert interpolated(spectrum, [300.0, 900.0]).tolist() == pytest.approx([values[0], values[-1]], rel=1e-12)


METALS = {
    "Au": ((75.42, 76.78, 45.34), (90.22, 5.03, 33.80), (79.19, 78.02, 34.51), (90.79, 7.94, 34.55)),
    "Cu": ((70.12, 68.12, 58.87), (86.06, 11.86, 13.05), (72.98, 69.00, 44.77), (86.50, 13.84, 13.61)),
    "Ag": ((93.63, 98.47, 106.58), (99.40, 0.08, 0.40), (95.04, 98.49, 80.78), (99.41, 0.14, 0.40)),
    "Ni": ((61.82, 64.69, 62.51), (84.33, 0.76, 6.76), (63.33, 64.92, 47.52), (84.44, 1.68, 6.79)),
    "Au50_on_Ni": ((75.09, 77.39, 46.75), (90.50, 3.17, 32.75), (78.75, 78.50, 35.65), (91.01, 6.14, 33.31)),
    "Au100_on_Ni": ((75.41, 76.89, 45.24), (90.27, 4.82, 33.99), (79.18, 78.11, 34.44), (90.83, 7.74, 34.73)),
}
"""XYZ and CIELAB under D65/2, then D50/2, of the same optical constants from 380 to 780 nm at 5 nm, by E308 with
colour-science and Fresnel's formula."""


@pytest.mark.parametrize("name", METALS)
def test_polished_metals(name: str) -> None:
    """400 to 700 nm at 10 nm is what instruments give. Beside the wider, finer sum gold is off by 0.023 CIEDE2000."""
    xyz_d65, lab_d65, xyz_d50, lab_d50 = METALS[name]
    for illuminant, xyz, lab in (("D65", xyz_d65, lab_d65), ("D50", xyz_d50, lab_d50)):
        got = tristimulus(metal(name), illuminant, "2")
        np.testing.assert_allclose(got, xyz, atol=0.06)
        np.testing.assert_allclose(xyz_to_lab(got, white_point(illuminant, "2")), lab, atol=0.08)


@pytest.mark.parametrize("name", ["Au", "Cu", "Ag", "Ni"])
def test_the_reflectances_follow_from_the_optical_constants(name: str) -> None:
    """Fresnel at normal incidence: R = ((n - 1)^2 + k^2) / ((n + 1)^2 + k^2)."""
    n, k = column(f"{name}_n"), column(f"{name}_k")
    np.testing.assert_allclose(column(f"{name}_R"), ((n - 1) ** 2 + k**2) / ((n + 1) ** 2 + k**2), atol=2e-5)


def test_the_tables_that_are_shipped_are_what_the_script_makes() -> None:
    with np.load(io.BytesIO(tables_file())) as made:
        shipped = _tables()
        assert set(made.files) == set(shipped) == {*ILLUMINANTS, *OBSERVERS}
        for name in made.files:
            np.testing.assert_array_equal(made[name], shipped[name])
