"""Circuits from their files: roles by what the files, the job file or the user say; and what can't be used."""

from __future__ import annotations

import io
import json
import zipfile

import pytest

from tests.engine.circuit.circuits import COPPER, at, gerber, profile, small_circuit
from worker.circuit_archive import unpacked_circuit
from worker.circuit_file import read_circuit_file, read_role, read_roles
from worker.engine.circuit.layer_pictures import layer_pictures
from worker.engine.circuit.reading import read_circuit
from worker.errors import CircuitError


def without_attributes(files: dict[str, bytes]) -> dict[str, bytes]:
    return {name: b"\n".join(line for line in data.split(b"\n") if b"TF." not in line) for name, data in files.items()}


def test_layers_holes_nets_and_the_outline_are_read() -> None:
    circuit = read_circuit({**small_circuit(), "read me.txt": b"hello"}, {})
    assert {layer.name: layer.role.function for layer in circuit.layers} == {
        "one.gbr": "Copper,L1,Top",
        "two.gbr": "Soldermask,Top",
        "three.gbr": "Legend,Top",
        "four.gbr": "Copper,L2,Bot",
        "five.gbr": "Soldermask,Bot",
        "edge.gbr": "Profile,NP",
    }
    assert circuit.box_mm == pytest.approx((10.0, 20.0, 22.0, 28.0))
    assert [(hole.x_mm, hole.y_mm, hole.diameter_mm) for hole in circuit.drills[0].drill.holes] == [(20.0, 24.0, 0.5)]
    assert circuit.drills[0].plated
    assert [name for name, _ in circuit.others] == ["read me.txt"]
    copper = circuit.layer("Copper", "top")
    assert copper is not None and copper.drawing is not None
    assert copper.drawing.nets == ("LED", "LED", "GND", "")
    assert copper.drawing.functions == ("SMDPad,CuDef", "Conductor", "Conductor", "FiducialPad,Local")
    assert circuit.files()["one.gbr"] == small_circuit()["one.gbr"]


def test_attributes_in_comments_count_as_attributes() -> None:
    """As X1 files carry those of X2 (Gerber Layer Format Specification, "G04 #@! T...", from memory)."""
    files = small_circuit()
    body = COPPER.replace("*%\n", "*\n").replace("%T", "G04 #@! T").replace("%ADD", "%ADD")
    body = "".join(line + ("%\n" if line.startswith("%ADD") else "\n") for line in body.splitlines())
    files["one.gbr"] = gerber("Copper,L1,Top", body, attribute="G04 #@! TF")
    copper = read_circuit(files, {}).layer("Copper", "top")
    assert copper is not None and copper.drawing is not None
    assert copper.drawing.nets == ("LED", "LED", "GND", "")
    assert copper.drawing.functions[3] == "FiducialPad,Local"


def test_files_without_attributes_are_asked_for_by_name_with_pictures_and_never_guessed() -> None:
    files = {**small_circuit(), "layer-top-copper.gbr": gerber("", COPPER)}
    with pytest.raises(CircuitError, match=r"layer-top-copper\.gbr .*does not say") as caught:
        read_circuit(files, {})
    assert caught.value.unknown == ("layer-top-copper.gbr",)
    pictures = dict(layer_pictures(files, [*caught.value.unknown, "holes.xnc"]))
    assert list(pictures) == ["layer-top-copper.gbr.png", "holes.xnc.png"]
    from PIL import Image

    for data in pictures.values():  # of each, more than nothing and less than all is dark
        dark = Image.open(io.BytesIO(data)).convert("L").histogram()[0]
        assert 0 < dark < 400_000
    assert pictures["layer-top-copper.gbr.png"] != pictures["holes.xnc.png"]


def test_pictures_of_a_circuit_that_was_read_are_those_of_its_files() -> None:
    files = small_circuit()
    circuit = read_circuit(files, {})
    assert dict(layer_pictures(files, list(files), circuit)) == dict(layer_pictures(files, list(files)))


def test_the_users_word_and_the_job_file_count_where_files_say_nothing() -> None:
    files = without_attributes(small_circuit())
    functions = {
        "one.gbr": "Copper,L1,Top",
        "two.gbr": "Soldermask,Top",
        "three.gbr": "Legend,Top",
        "four.gbr": "Copper,L2,Bot",
        "five.gbr": "Soldermask,Bot",
        "edge.gbr": "Profile,NP",
        "holes.xnc": "Plated,1,2,PTH",
    }
    said = read_roles([f"{name}={function}" for name, function in functions.items()])
    by_user = read_circuit(files, said)
    assert {name: role.function for name, role, _ in by_user.roles} == functions
    assert {said_by for *_, said_by in by_user.roles} == {"the user"}
    listed = [{"Path": name, "FileFunction": function} for name, function in functions.items()]
    by_job = read_circuit({**files, "x.gbrjob": json.dumps({"FilesAttributes": listed}).encode()}, {})
    assert {name: role.function for name, role, _ in by_job.roles} == functions
    assert {said_by for *_, said_by in by_job.roles} == {"the job file"}


def changed(**files: bytes | None) -> dict[str, bytes]:
    """The small circuit with files changed, or left out; the suffix follows from the name."""
    out = small_circuit()
    for name, data in files.items():
        full = f"{name}.xnc" if name == "holes" else f"{name}.gbrjob" if name == "job" else f"{name}.gbr"
        if data is None:
            del out[full]
        else:
            out[full] = data
    return out


SQUARE = "%ADD10C,0.05*%\nD10*\nG01*\n"
GAP = SQUARE + at(0, 0, 2) + at(9, 0, 1) + at(9, 9, 1) + at(0, 9, 1)
BROKEN = {
    "no profile": (changed(edge=None), "has no profile"),
    "no copper": (changed(one=None, four=None), "no copper layer"),
    "two of a kind": (changed(more=small_circuit()["one.gbr"]), "are Copper,L1,Top"),
    "a layer left out": (changed(four=gerber("Copper,L4,Bot", "")), "Copper,L4,Bot"),
    "an empty file": (changed(two=b""), "is empty"),
    "a text": (changed(two=b"hello there"), "neither a Gerber nor"),
    "bytes": (changed(two=gerber("Soldermask,Top", "\x00\x01", polarity="Negative")), "no text"),
    "cut short": (changed(one=small_circuit()["one.gbr"][:-6]), "truncated"),
    "no unit": (changed(one=small_circuit()["one.gbr"].replace(b"%MOMM*%", b"")), "one.gbr"),
    "an unknown aperture": (changed(one=gerber("Copper,L1,Top", "D77*\n" + at(1, 1, 3))), "undefined aperture"),
    "a block without an end": (changed(one=gerber("Copper,L1,Top", "%ABD20*%\n" + COPPER)), "ends within|no sense"),
    "a block that clears": (
        changed(one=gerber("Copper,L1,Top", "%ABD20*%\n" + COPPER + "%AB*%\n%LPC*%\nD20*\n" + at(1, 1, 3))),
        "to clear what is below",
    ),
    "far too many copies": (
        changed(one=gerber("Copper,L1,Top", "%SRX9999Y9999I1J1*%\n" + COPPER + "%SR*%\n")),
        "more than",
    ),
    "mirrored": (changed(one=gerber("Copper,L1,Top", "%LMX*%\n" + COPPER)), "mirrors"),
    "the negative of copper": (changed(one=gerber("Copper,L1,Top", COPPER, polarity="Negative")), "polarity Negative"),
    "mask, not openings": (changed(two=gerber("Soldermask,Top", "", polarity="Positive")), "polarity Positive"),
    "mixed drills": (
        changed(holes=small_circuit()["holes.xnc"].replace(b"Plated,1,2,PTH", b"MixedPlating,1,2")),
        "nothing says which the 0.5 mm hole at 20, 24 mm is",
    ),
    "drills drawn as something else": (
        changed(holes=None, more=gerber("Plated,1,2,PTH", "%ADD10R,1X1*%\nD10*\n" + at(12, 22, 3))),
        r"neither a hole nor a straight slot near 12\.000, 22\.000",
    ),
    "a function of no standard": (changed(one=gerber("Copper,Top", COPPER)), "no file function"),
    "an open edge": (changed(edge=gerber("Profile,NP", GAP)), "none going on|closes no ring"),
    "two boards": (
        changed(edge=gerber("Profile,NP", profile() + profile(40.0, 20.0).replace("%ADD10C,0.05*%\n", ""))),
        "more than one board",
    ),
    "far away": (changed(one=gerber("Copper,L1,Top", "%ADD10C,1*%\nD10*\n" + at(20_000, 0, 3))), "from its origin"),
    "a job file of something else": (changed(job=b"[1, 2]"), "no list FilesAttributes"),
    "a job file that lists more": (
        changed(job=b'{"FilesAttributes": [{"Path": "gone.gbr", "FileFunction": "Legend,Bot"}]}'),
        "which is not there",
    ),
    "a job file that contradicts": (
        changed(job=b'{"FilesAttributes": [{"Path": "one.gbr", "FileFunction": "Legend,Bot"}]}'),
        "and the job file says",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_what_would_need_a_guess_or_would_be_read_wrong_is_an_error(case: str) -> None:
    files, said = BROKEN[case]
    with pytest.raises(CircuitError, match=said) as caught:
        read_circuit(files, {})
    assert caught.value.mend


def test_commands_that_change_nothing_are_no_fault() -> None:
    files = changed(one=gerber("Copper,L1,Top", "%LMN*%\n%LR0*%\n%LS1.0*%\n%SRX1Y1I0J0*%\n" + COPPER))
    copper = read_circuit(files, {}).layer("Copper", "top")
    assert copper is not None and copper.drawing is not None and len(copper.drawing.boxes) == 4


def zipped(files: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return packed.getvalue()


def test_an_archive_gives_the_same_circuit_and_a_hostile_one_an_error() -> None:
    files = {f"out/{name}": data for name, data in small_circuit().items()}
    assert unpacked_circuit(zipped(files), name="a.zip") == files
    for wrong, said in (
        (zipped({"../one.gbr": b"x"}), "whose path"),
        (zipped({"one.gbr": bytes(90_000_000)}), "bytes|times its size"),
        (zipped({f"{i}.gbr": b"x" for i in range(201)}), "more than 200 files"),
        (b"PK" + bytes(100), "no ZIP"),
        (zipped(files)[:-200], "no ZIP|damaged"),
    ):
        with pytest.raises(CircuitError, match=said):
            unpacked_circuit(wrong, name="a.zip")


def test_a_circuit_file_says_layers_net_place_and_places() -> None:
    said = read_circuit_file(
        b'net = "GND"\npads_mm = 0.4\n[layers]\n"one.gbr" = "Copper,L1,Top"\n[artwork]\nx = 10\ny = 20\n'
        b'[[places]]\nkind = "antenna"\nrectangle = [11, 21, 3, 2]\n[[places]]\nsides = ["top"]\ncircle = [15, 24, 2]\n'
    )
    assert (said.net, said.pads_mm, said.artwork_at) == ("GND", 0.4, (10.0, 20.0))
    assert said.roles == {"one.gbr": read_role("Copper,L1,Top", whose="")}
    assert [(place.kind, place.sides) for place in said.places] == [
        ("antenna", ("top", "bottom")),
        ("keep-out", ("top",)),
    ]
    assert said.places[0].points == ((11.0, 21.0), (14.0, 21.0), (14.0, 23.0), (11.0, 23.0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('nets = "GND"', "nets: is not a known key"),
        ('[layers]\n"a" = "Top"', "no file function|Top"),
        ("[layers]\na = 3", "layers.a"),
        ('[[places]]\nkind = "moat"\ncircle = [1, 2, 3]', "moat"),
        ('[[places]]\nsides = ["left"]\ncircle = [1, 2, 3]', "left"),
        ("[[places]]\nkind = 'antenna'", "exactly one|has nothing"),
        ("[artwork]\nx = 3", "artwork.y: is missing"),
    ],
)
def test_a_wrong_circuit_file_names_the_entry(text: str, said: str) -> None:
    with pytest.raises(CircuitError, match=said):
        read_circuit_file(text.encode(), file_name="circuit.toml")
