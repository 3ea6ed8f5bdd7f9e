"""Assembly drawings: the SVG as resvg draws it, the DXF as ezdxf reads and audits it. Both share the contours."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree

import ezdxf
import numpy as np
import pytest
import resvg_py
import shapely
from ezdxf import recover
from ezdxf.path import make_path
from hypothesis import given, settings
from PIL import Image

from tests.engine.fabrication.rasters import SEEDS, planes_from, random_stack
from tests.engine.fabrication.test_contours import twice_area
from tests.engine.fabrication.test_drill import HOLES
from tests.engine.fabrication.test_gerber import SQUARE
from worker.engine.fabrication.contours import trace
from worker.engine.fabrication.drawing_dxf import assembly_dxf
from worker.engine.fabrication.drawing_svg import DrawnLayer, assembly_svg
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.rings import layer_rings

NAMES = {"copper-top": COPPER, "solder-mask-openings-top": OPENING, "legend-top": LEGEND}
SVG = "{http://www.w3.org/2000/svg}"


def layers(planes: LayerPlanes) -> list[DrawnLayer]:
    contours = trace(planes)
    return [DrawnLayer(name=name, rings=layer_rings(contours, bit)) for name, bit in NAMES.items()]


def svg_of(planes: LayerPlanes) -> str:
    drawn = layers(planes)
    grid = drawn[0].rings.contours.grid
    return b"".join(assembly_svg(drawn, [SQUARE], HOLES, grid=grid, title="Owl & moon")).decode("utf-8")


def dxf_of(planes: LayerPlanes) -> bytes:
    drawn = layers(planes)
    return b"".join(assembly_dxf(drawn, [SQUARE], HOLES, grid=drawn[0].rings.contours.grid))


@settings(max_examples=30, deadline=None)
@given(SEEDS)
def test_each_group_of_the_svg_draws_its_layer(seed: int) -> None:
    """By resvg, one pixel a pixel of the grid."""
    planes = planes_from(random_stack(seed))
    root = ElementTree.fromstring(svg_of(planes))
    for name, bit in NAMES.items():
        (path,) = root.findall(f"./{SVG}g[@id='{name}']/{SVG}path") or [None]
        if path is None:
            assert not planes.plane(bit).any()
            continue
        box = f'width="{planes.width_px}" height="{planes.height_px}" viewBox="{root.get("viewBox")}"'
        alone = (
            f'<svg xmlns="http://www.w3.org/2000/svg" {box} shape-rendering="crispEdges">'
            f'<path fill="#fff" fill-rule="evenodd" d="{path.get("d")}"/></svg>'
        )
        picture = np.asarray(Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=alone)))).convert("L"))
        assert ((picture > 127) == planes.plane(bit)).all()


def test_the_svg_is_in_mm_and_has_every_group() -> None:
    root = ElementTree.fromstring(svg_of(planes_from(np.full((3000, 4000), BOARD | COPPER, np.uint8))))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("40mm", "30mm", "0 0 40 30")
    groups = [group.get("id") for group in root.findall(f"{SVG}g")]
    assert groups == [*NAMES, "profile", "holes-plated", "holes-unplated"]
    assert root.find(f"{SVG}g[@id='profile']").get("fill") == "none"  # type: ignore[union-attr]
    assert root.find(f"{SVG}g[@id='profile']/{SVG}path").get("d") == "M0 30 40 30 40 0 0 0Z"  # type: ignore[union-attr]
    assert len(root.findall(f".//{SVG}circle")) == 4 and len(root.findall(f".//{SVG}line")) == 1


@settings(max_examples=30, deadline=None)
@given(SEEDS)
def test_the_dxf_holds_the_contours_of_every_layer(seed: int) -> None:
    """As closed polylines, read by ezdxf: the same rings, y upward, in mm."""
    planes = planes_from(random_stack(seed))
    document = ezdxf.read(io.StringIO(dxf_of(planes).decode("ascii")))
    for layer in layers(planes):
        read = document.modelspace().query(f'POLYLINE[layer=="{layer.name.upper()}"]')
        assert len(read) == len(layer.rings)
        for polyline, ring in zip(read, layer.rings, strict=True):
            assert polyline.is_closed
            points = np.array([vertex.dxf.location.vec2 for vertex in polyline.vertices])
            wanted = ring * [0.01, -0.01] + [0.0, planes.height_px * 0.01]
            assert np.abs(points - wanted).max() < 1e-9
            assert shapely.Polygon(points).area == pytest.approx(abs(twice_area(ring)) / 2 * 1e-4)


def test_the_dxf_passes_an_audit_and_is_in_mm() -> None:
    document, auditor = recover.read(io.BytesIO(dxf_of(planes_from(random_stack(402)))))
    assert not auditor.has_errors and not auditor.has_fixes
    assert document.dxfversion == "AC1009" and document.header["$INSUNITS"] == 4
    names = {layer.dxf.name for layer in document.layers}
    assert {name.upper() for name in (*NAMES, "profile", "holes-plated", "holes-unplated")} <= names


def test_the_dxf_has_profile_holes_and_slots() -> None:
    document = ezdxf.read(io.StringIO(dxf_of(planes_from(np.full((4, 4), BOARD, np.uint8))).decode("ascii")))
    circles = document.modelspace().query("CIRCLE")
    assert sorted((c.dxf.layer, c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius) for c in circles) == [
        ("HOLES-PLATED", 25.4, 12.7, 0.9),
        ("HOLES-UNPLATED", 5.0, 5.5, 3.2),
        ("HOLES-UNPLATED", 20.000001, 10.0, 0.5),
        ("HOLES-UNPLATED", 35.0, 25.0, 3.2),
    ]
    (profile,) = document.modelspace().query('POLYLINE[layer=="PROFILE"]')
    assert [tuple(v.dxf.location.vec2) for v in profile.vertices] == [(0, 0), (40, 0), (40, 30), (0, 30)]
    (slot,) = document.modelspace().query('POLYLINE[layer=="HOLES-UNPLATED"]')
    outline = shapely.Polygon(_flattened(slot))
    wanted = shapely.LineString([(10, 20), (14, 23)]).buffer(0.5, quad_segs=64)
    assert outline.is_valid and outline.symmetric_difference(wanted).area < 1e-3


def _flattened(polyline: object) -> list[tuple[float, float]]:
    """The points of a closed polyline, bulges as arcs (ezdxf)."""
    return [tuple(point.vec2) for point in make_path(polyline).flattening(0.0005)]  # type: ignore[arg-type]


def test_drawings_and_gerber_share_their_points() -> None:
    """Every coordinate of the SVG is one of the DXF's, turned over."""
    planes = planes_from(random_stack(406))
    height = planes.height_px * 10_000
    path = "".join(re.findall(r' d="(M[^"]*L[^"]*)"', svg_of(planes)))
    nm = {
        (round(float(x) * 1e6), height - round(float(y) * 1e6)) for x, y in re.findall(r"[ML]([\d.]+) ([\d.]+)", path)
    }
    document = ezdxf.read(io.StringIO(dxf_of(planes).decode("ascii")))
    read = {
        (round(v.dxf.location.x * 1e6), round(v.dxf.location.y * 1e6))
        for name in NAMES
        for polyline in document.modelspace().query(f'POLYLINE[layer=="{name.upper()}"]')
        for v in polyline.vertices
    }
    assert nm == read and nm
