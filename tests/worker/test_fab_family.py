"""Families of profiles; the standard library's TOML reader reads what is written."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from worker.errors import FabProfileError
from worker.fab_family import combinations_of, is_family, read_family
from worker.fab_profile import read_fab_profile

HERON = Path("samples/families/heron.toml").read_bytes()


def test_every_combination_is_a_profile_of_its_own() -> None:
    profiles = read_family(HERON, file_name="heron.toml")
    assert [profile.id for profile in profiles] == [
        f"heron-{mask}-{plating}" for mask in ("green", "blue", "red", "black") for plating in ("tin", "gold")
    ]
    assert len({profile.revision for profile in profiles}) == 8
    red_gold = profiles[5]
    assert (red_gold.plating, red_gold.stack_up["solder_mask"]) == ("ENIG", "red, gloss")
    assert [finish.id for finish in red_gold.finishes] == ["substrate", "legend", "mask", "mask-copper", "gold"]
    assert red_gold.name == "natural laminate, white legend: red mask, gold plating"
    plain = tomllib.loads(HERON.decode())
    for name, toml in combinations_of(profiles):
        alone = read_fab_profile(toml, file_name=name)
        assert name == f"{alone.id}.toml" and tomllib.loads(toml.decode())["limits"] == plain["limits"]
    assert red_gold.finish("mask").readings[0].lab == (30.0, 38.0, 20.0)


def test_a_finish_of_an_option_takes_the_place_of_one_of_the_same_id() -> None:
    text = HERON.decode() + '\n[[family.choices]]\nwhat = "legend"\n[[family.choices.options]]\nid = "grey"\n'
    text += 'name = "grey legend"\nset = { stack_up = { legend = "grey" } }\n[[family.choices.options.finishes]]\n'
    text += 'id = "legend"\nname = "grey legend on mask"\ntexture = "matte"\n'
    text += 'recipe = { copper = "either", mask_opening = false, legend = true }\n'
    text += "[[family.choices.options.finishes.readings]]\n"
    text += 'lab = [60, 0, 0]\nilluminant = "D65"\nobserver = "2"\ngeometry = "45:0"\norigin = "assumed"\n'
    first = read_family(text.encode())[0]
    assert first.id == "heron-green-tin-grey" and first.stack_up["legend"] == "grey"
    assert [finish.id for finish in first.finishes][:2] == ["substrate", "legend"]
    assert first.finish("legend").readings[0].lab == (60.0, 0.0, 0.0)


def test_a_family_is_told_from_a_profile() -> None:
    assert is_family(HERON)
    assert not is_family(Path("samples/fabs/meadow-tin.toml").read_bytes())
    assert not is_family(b"\xff family") and not is_family(b"family = [")
    with pytest.raises(FabProfileError, match="family of profiles") as caught:
        read_fab_profile(HERON, file_name="heron.toml")
    assert "fab family" in caught.value.mend


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('[family]\nid = "heron"', '[family]\nid = "He ron"', "family.id"),
        ('id = "blue"', 'id = "green"', "one id twice"),
        ('set = { plating = "ENIG" }', 'set = { id = "x" }', "set"),
        ('set = { plating = "ENIG" }', 'set = { plating = "chrome" }', "combination heron-green-gold: plating"),
        ('name = "gold plating"\nset', 'name = 3\nset', "name"),
        ('what = "plating"', 'what = "plating"\nwhere = "here"', "where"),
        ('fab = "Meadow', 'id = "x"\nfab = "Meadow', "beside the family"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_place(old: str, new: str, words: str) -> None:
    assert HERON.decode().count(old) >= 1
    with pytest.raises(FabProfileError, match=words) as caught:
        read_family(HERON.decode().replace(old, new, 1).encode(), file_name="heron.toml")
    assert "heron.toml" in caught.value.what and caught.value.mend


def test_too_many_combinations_are_refused_before_any_is_made() -> None:
    option = '[[family.choices.options]]\nid = "o{}"\nname = "o"\n'
    choice = '[[family.choices]]\nwhat = "w"\n' + "".join(option.format(i) for i in range(20))
    with pytest.raises(FabProfileError, match="make 3200 combinations"):
        read_family(HERON + b"\n" + (choice + choice).encode())
