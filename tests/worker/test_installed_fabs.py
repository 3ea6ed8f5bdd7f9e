"""Fab profiles by id and by path."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import FABS
from worker.errors import FabProfileError
from worker.installed_fabs import find_fab, installed_fabs
from worker.shell_environment import DEFAULT_CACHE_DIR, ShellEnvironment


def environment(folder: Path) -> ShellEnvironment:
    return ShellEnvironment(fabs_dir=folder, cache_dir=DEFAULT_CACHE_DIR, threads=0)


def test_the_demo_profiles_are_installed(tmp_path: Path) -> None:
    ids = {fab.profile.id for fab in installed_fabs(environment(tmp_path)) if fab.profile}
    assert ids == {path.stem for path in FABS.glob("*.toml")}


def test_a_profile_of_ones_own_wins_over_a_demo_profile(tmp_path: Path) -> None:
    own = (FABS / "meadow-tin.toml").read_text().replace('plating = "immersion tin"', 'plating = "HASL"')
    (tmp_path / "own.toml").write_text(own)
    assert find_fab("meadow-tin", environment(tmp_path)).plating == "HASL"


def test_a_path_is_read_as_a_path(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_bytes((FABS / "alba-black.toml").read_bytes())
    assert find_fab(str(tmp_path / "own.toml"), environment(tmp_path)).id == "alba-black"


def test_an_unknown_id_names_those_that_are_known(tmp_path: Path) -> None:
    with pytest.raises(FabProfileError, match="meadow-tin") as caught:
        find_fab("no-such", environment(tmp_path))
    assert "no-such" in caught.value.what


def test_a_broken_neighbour_does_not_hide_a_good_profile(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("id = ")
    assert find_fab("meadow-tin", environment(tmp_path)).id == "meadow-tin"
    with pytest.raises(FabProfileError, match=r"broken\.toml"):
        find_fab("broken", environment(tmp_path))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(FabProfileError, match=r"gone\.toml"):
        find_fab(str(tmp_path / "gone.toml"), environment(tmp_path))
