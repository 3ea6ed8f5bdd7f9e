"""CxF3 (ISO 17972-1): files that colour-cxf writes or ships, checked by another XML reader; hostile ones refused."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import colour_cxf
import pytest
from colour_cxf import cxf3

from worker.errors import ReadingFileError
from worker.reading_files import NamedReading, ReadingDefaults, read_readings

SHIPPED = Path(colour_cxf.__file__).parent / "tests" / "resources" / "sample.cxf"
SPACE = "{http://colorexchangeformat.com/CxF3-core}"
VALUES = [round(0.1 + index / 100, 3) for index in range(31)]


def written(geometry: Any = cxf3.EsphereType.SPECULAR_INCLUDED, illuminant: str = "D50", **spectrum: Any) -> bytes:
    """A CxF3 file of one spectrum and one Lab, written by colour-cxf."""
    measured = cxf3.ReflectanceSpectrum(**{"value": VALUES, "start_wl": 400, "color_specification": "S"} | spectrum)
    lab = cxf3.ColorCielab(l=71.5, a=4.25, b=28.0, color_specification="S")
    specification = cxf3.ColorSpecification(
        id="S",
        tristimulus_spec=cxf3.TristimulusSpec(
            illuminant_or_custom_illuminant=cxf3.Illuminant(value=cxf3.EilluminantType(illuminant)),
            observer=cxf3.Observer(value=cxf3.EobserverType.VALUE_10_DEGREE),
        ),
        measurement_spec=cxf3.MeasurementSpec(
            geometry_choice=cxf3.GeometryChoice(choice=geometry),
            wavelength_range=cxf3.WavelengthRange(start_wl=400, increment=10),
            device=cxf3.Device(manufacturer="Invented", model="Sphere 2", serial_number="0042"),
        ),
    )
    objects = [
        cxf3.Object(id="1", name="gold", color_values=cxf3.ColorValues(choice=[lab, measured])),
        cxf3.Object(id="2", name="mask", color_values=cxf3.ColorValues(choice=[lab])),
    ]
    return colour_cxf.write_cxf(
        cxf3.CxF(
            file_information=cxf3.FileInformation(creator="nobody"),
            resources=cxf3.Resources(
                object_collection=cxf3.ObjectCollection(object_value=objects),
                color_specification_collection=cxf3.ColorSpecificationCollection(color_specification=[specification]),
            ),
        )
    )


def read(data: bytes, **defaults: object) -> list[NamedReading]:
    return read_readings(data, file_name="f.cxf", defaults=ReadingDefaults(**defaults))  # type: ignore[arg-type]


def refusal(data: bytes) -> ReadingFileError:
    with pytest.raises(ReadingFileError) as caught:
        read(data)
    assert caught.value.what.startswith("f.cxf: ")
    return caught.value


def test_a_file_that_colour_cxf_wrote() -> None:
    gold, mask = read(written())
    assert (gold.finish, gold.place, mask.finish) == ("gold", "object 'gold'", "mask")
    spectrum = gold.reading.spectrum
    assert spectrum is not None  # which counts before the Lab beside it
    assert (spectrum.start_nm, spectrum.step_nm, list(spectrum.values)) == (400.0, 10.0, VALUES)
    assert mask.reading.lab == (71.5, 4.25, 28.0)
    assert (mask.reading.illuminant, mask.reading.observer) == ("D50", "10")
    for each in (gold.reading, mask.reading):
        assert (each.geometry, each.origin, each.source) == ("d:8 SCI", "measured", "nobody")
        assert each.instrument == "Invented Sphere 2 0042"


@pytest.mark.parametrize(
    ("geometry", "text"),
    [
        (cxf3.EsphereType.SPECULAR_EXCLUDED, "d:8 SCE"),
        (
            cxf3.SingleAngleType(
                single_angle_configuration=cxf3.SingleAngleConfiguration(
                    value=cxf3.EsingleAngleConfigurationType.ANNULAR
                ),
                illumination_angle=45.0,
                measurement_angle=0.0,
            ),
            "45:0",
        ),
    ],
)
def test_geometries(geometry: object, text: str) -> None:
    assert read(written(geometry))[0].reading.geometry == text


def test_the_file_that_colour_cxf_ships_reads_as_another_xml_reader_reads_it() -> None:
    tree = ElementTree.fromstring(SHIPPED.read_bytes())
    theirs = {
        entry.get("Name"): tuple(float(entry.findtext(f".//{SPACE}ColorCIELab/{SPACE}{axis}") or "") for axis in "LAB")
        for entry in tree.iter(f"{SPACE}Object")
    }
    for entry in tree.iter(f"{SPACE}ColorValues"):
        entry.remove(entry.find(f"{SPACE}ReflectanceSpectrum"))  # type: ignore[arg-type]
    ours = read(ElementTree.tostring(tree))
    assert len(ours) == 144
    assert {each.finish: each.reading.lab for each in ours} == theirs
    assert {(each.reading.illuminant, each.reading.observer, each.reading.geometry) for each in ours} == {
        ("D50", "2", "45:0")
    }


def test_spectra_that_end_too_early_are_refused() -> None:
    """Its spectra go from 380 to 680 nm."""
    assert "object '1': the spectrum goes from 380 to 680 nm" in refusal(SHIPPED.read_bytes()).what


def test_percent_is_never_guessed() -> None:
    data = written(value=[100 * value for value in VALUES])
    assert "--scale percent" in refusal(data).mend
    spectrum = read(data, scale="percent")[0].reading.spectrum
    assert spectrum is not None
    assert spectrum.values == pytest.approx(VALUES)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        (b"?>", b'?>\n<!DOCTYPE CxF [<!ENTITY a "b">]>', "line 2: declares a document type or an entity"),
        (b"?>", b'?>\n<!doctype CxF SYSTEM "file:///etc/passwd">', "line 2: declares a document type"),
        (b"</", b"", "is no readable CxF3"),
        (b'encoding="UTF-8"', b'encoding="UTF-16"', "line 1: declares the encoding 'UTF-16'"),
        (b"0.25", b"NaN", "object 'gold': has nan in its spectrum"),
        (b'Increment="10"', b"", "without its first wavelength or its step"),
        (b'Increment="10"', b'Increment="-10"', "without its first wavelength or its step"),
        (b'ColorSpecification="S"', b'ColorSpecification="T"', "refers to colour specification 'T'"),
        (b"D50", b"TL84", "object 'mask', illuminant: is 'TL84'"),
        (b"<ns0:L>71.5</ns0:L>", b"", "has None among L A B"),
        (b"<ns0:L>71.5", b"<ns0:L>171.5", "L*: is 171.5"),
    ],
)
def test_hostile_and_broken_files(old: bytes, new: bytes, what: str) -> None:
    data = written()
    assert old in data, data[:300]
    everywhere = old.startswith((b"<ns0:L>", b"ColorSpecification"))
    assert what in refusal(data.replace(old, new, -1 if everywhere else 1)).what


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"<html><body>not found</body></html>", "is XML or HTML, but no CxF3"),
        (b"<CxF>" * 100_000, "nests elements more than 40 deep"),
        (b"<CxF/>", "holds no objects"),
        (b"<CxF>\x00</CxF>", "is not UTF-8 XML"),
        (b"<CxF", "is no readable CxF3"),
    ],
)
def test_xml_that_is_no_cxf3(data: bytes, what: str) -> None:
    assert what in refusal(data).what


def test_a_file_cut_short_anywhere_is_refused() -> None:
    data = written()
    for end in range(1, len(data.rstrip()), 97):
        refusal(data[:end])


def test_without_the_extra_the_error_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    load = builtins.__import__

    def refuse(name: str, *rest: Any) -> Any:
        if name.startswith("colour_cxf"):
            raise ImportError(name)
        return load(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)
    error = refusal(written())
    assert "pip install 'maskwright[cxf]'" in error.mend
