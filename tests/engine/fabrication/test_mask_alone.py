"""Profiles with no finish for mask over bare laminate: what their boards show at the edge is kept, counted and told.

Judged on the written Gerber files, as gerbonara and resvg draw them, by OpenCV (`layer_check.py`) and by
colour-science's CIEDE2000.
"""

from __future__ import annotations

import io
import json
import re

import colour
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image
from skimage.color import rgb2lab

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.layer_check import away_from, broken_limits
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.engine.fabrication.mask_alone import stands_in
from worker.engine.pipeline import convert
from worker.errors import FabProfileError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings

PITCH_UM, SIDE_PX = 20.0, 500
COPPER_LEGEND = (r'(id = "legend"[^}]*copper = )"\w+"', r'\1"solid"')
CASES: dict[str, tuple[tuple[str, ...], tuple[tuple[str, str], ...]]] = {
    "copper and legend alone": (("copper", "legend"), ()),
    "legend over copper only": (("copper", "gold", "legend"), (COPPER_LEGEND,)),
    "bare laminate and metals": (("copper", "gold", "substrate"), ()),
    "wide distances": (("copper", "gold", "legend"), ((r"routed_mm = \{ value = 0.30", "routed_mm = { value = 1.20"),)),
}


def _profile(ids: tuple[str, ...], changes: tuple[tuple[str, str], ...]) -> FabProfile:
    """nocturne-gold with these finishes only, copper under mask in the background."""
    head, *finishes = board("nocturne-gold").toml.decode().split("[[finishes]]")
    kept = [finish for finish in finishes if re.search(r'^id = "(.*)"', finish, re.MULTILINE)[1] in ids]  # type: ignore[index]
    toml = "[[finishes]]".join([head, *kept])
    for pattern, new in (('background = "mask"', f'background = "{ids[0]}"'), *changes):
        toml, count = re.subn(pattern, new, toml)
        assert count == 1, pattern
    return read_fab_profile(toml.encode())


def _art() -> bytes:
    """A dark to golden ramp with a white ring, up to the board's edge."""
    y, x = np.mgrid[:SIDE_PX, :SIDE_PX] / SIDE_PX
    srgb = np.stack([60 + 180 * x, 50 + 130 * x * y + 40 * y, 30 + 60 * y], axis=-1)
    distance = np.hypot(x - 0.5, y - 0.5)
    srgb[(distance > 0.45) & (distance < 0.6)] = 240
    out = io.BytesIO()
    Image.fromarray(np.clip(srgb, 0, 255).astype(np.uint8)).save(out, "PNG")
    return out.getvalue()


def _open(data: bytes) -> npt.NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(data)))


def _layers(files: dict[str, bytes], side: str) -> list[npt.NDArray[np.bool_]]:
    """Copper, openings and legend as a second reader draws them; nothing where there is no such file."""
    names = [f"fabrication/{layer}-{side}.gbr" for layer in ("copper", "solder-mask", "legend")]
    nothing = np.zeros((SIDE_PX, SIDE_PX), dtype=np.bool_)
    return [drawn_by_gerbonara(files[n], SIDE_PX, SIDE_PX, PITCH_UM) if n in files else nothing for n in names]


@pytest.mark.parametrize("edges", ["threshold", "dither"])
@pytest.mark.parametrize("case", CASES)
def test_the_band_at_the_edge_is_kept_shown_scored_and_told(case: str, edges: str, tables: MemoryTables) -> None:
    fab = _profile(*CASES[case])
    written = {"width": f"{SIDE_PX * PITCH_UM / 1000:g}mm", "pitch": "20um", "edges": edges, "fabrication": "on"}
    art = _art()
    files = dict(convert(art, fab, read_settings(written), tables=tables, threads=2).files())

    copper, opening, legend = _layers(files, "top")
    inside = np.ones(copper.shape, np.bool_)
    assert broken_limits(copper, opening, legend, inside, fab, PITCH_UM) == {}

    alone = ~copper & ~opening & ~legend
    to_edge = away_from(np.pad(~inside, 1, constant_values=True))[1:-1, 1:-1] * PITCH_UM / 1000.0
    edge = {key: fab.limits["edge", key].value for key in ("routed_mm", "mask_mm", "legend_mm")}
    assert alone[to_edge <= min(edge.values())].all()
    assert (~copper)[to_edge <= edge["routed_mm"]].all()

    seen = [_open(files[f"fabrication/seen/{finish.id}.png"]) != 0 for finish in fab.finishes]
    shown = _open(files["fabrication/seen/mask-alone.png"]) != 0
    assert (shown == alone).all()
    assert (np.sum([*seen, shown], axis=0) == 1).all()

    block = json.loads(files["report.json"])["fabrication"]
    assert block["violations"]["left"] == {}
    areas = {entry["finish"]: entry["area_mm2"] for entry in block["seen"]}
    assert areas["mask-alone"] == pytest.approx(alone.sum() * (PITCH_UM / 1000.0) ** 2)
    told = [text for text in block["warnings"] if "mask-alone" in text]
    below = _layers(files, "bottom")
    alone_below = ~below[0] & ~below[1] & ~below[2]
    assert [text.split(" will ")[0] for text in told] == [
        f"{area:.1f} mm² of the {side} side"
        for side, area in (
            ("top", areas["mask-alone"]),
            ("bottom", alone_below.sum() * (PITCH_UM / 1000.0) ** 2),
        )
        if area
    ]
    assert "limits.edge.routed_mm" in told[0] and 'copper = "none"' in told[0]
    assert "colour of copper" in told[0]

    picture = np.asarray(Image.open(io.BytesIO(files["fabrication/seen.png"])).convert("RGB"))
    errors = colour.delta_E(rgb2lab(_open(art)), rgb2lab(picture), method="CIE 2000")
    assert block["score"]["ciede2000"]["mean"] == pytest.approx(errors.mean(), abs=0.3)  # pictures are 8 bits


def test_a_profile_that_shows_no_mask_at_all_is_an_error_that_says_what_to_add(tables: MemoryTables) -> None:
    fab = _profile(("gold", "substrate", "legend"), ())
    written = {"width": "10mm", "pitch": "40um", "fabrication": "on"}
    with pytest.raises(FabProfileError) as caught:
        convert(_art(), fab, read_settings(written), tables=tables)
    assert "none shows the solder mask by itself" in caught.value.what and "0.3 mm" in caught.value.what
    assert 'recipe = { copper = "none"' in caught.value.mend
    convert(_art(), fab, read_settings({**written, "fabrication": "off"}), tables=tables)


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_a_profile_with_its_own_finish_for_it_is_left_alone(name: str) -> None:
    assert stands_in(board(name)) is None
