"""Finishes' reference colours come to D65/2 degree, against colour-science."""

from __future__ import annotations

import colour
import numpy as np

from tests.boards import FABS, board, lab_of
from worker.engine.palette.finish_colours import colours_from_lab, finish_colours
from worker.fab_profile import read_fab_profile
from worker.reading import read_viewing_conditions

D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]


def test_a_reference_under_d65_is_taken_as_it_is() -> None:
    fab = board()
    colours = finish_colours(fab)
    assert (colours.lab == lab_of(fab)).all()
    assert colours.ids == tuple(finish.id for finish in fab.finishes)


def test_a_reference_under_d50_is_adapted() -> None:
    toml = (FABS / "meadow-tin.toml").read_text()
    changed = toml.replace('illuminant = "D65"', 'illuminant = "D50"', 1)
    assert changed != toml
    fab = read_fab_profile(changed.encode())
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    adapted = colour.chromatic_adaptation(
        colour.Lab_to_XYZ(lab_of(board())[0], d50), colour.xy_to_XYZ(d50), colour.xy_to_XYZ(D65), transform="Bradford"
    )
    np.testing.assert_allclose(finish_colours(fab).lab[0], colour.XYZ_to_Lab(adapted, D65), atol=0.01)
    np.testing.assert_allclose(finish_colours(fab).lab[1:], lab_of(board())[1:])


def test_viewing_conditions_do_not_move_a_colour_that_was_read_under_d65() -> None:
    fab = board("nocturne-gold")
    assert (finish_colours(fab, read_viewing_conditions("A/10")).lab == lab_of(fab)).all()


def test_linear_light_and_encoded_colours() -> None:
    lab = lab_of(board("nocturne-gold"))
    colours = colours_from_lab(tuple("abcde"), lab)
    linear = colour.XYZ_to_RGB(colour.Lab_to_XYZ(lab, D65), "sRGB", illuminant=D65)
    np.testing.assert_allclose(colours.linear_rgb, linear, atol=2e-4)
    encoded = np.clip(colour.models.eotf_inverse_sRGB(linear), 0, 1) * 255
    assert np.abs(colours.srgb - encoded).max() < 0.6
    assert len(colours) == 5
