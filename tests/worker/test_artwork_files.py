"""Which files are artworks, and where their results go."""

from __future__ import annotations

from pathlib import Path

import pytest

from worker.artwork_files import find_artworks
from worker.errors import ArtworkError


def put(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def results(tmp_path: Path, *given: str) -> dict[str, str]:
    found = find_artworks([tmp_path / name for name in given], out=tmp_path / "out")
    return {artwork.path.relative_to(tmp_path).as_posix(): artwork.name for artwork in found.artworks}


def test_a_file_is_named_by_its_stem(tmp_path: Path) -> None:
    put(tmp_path, "moon.png")
    assert results(tmp_path, "moon.png") == {"moon.png": "moon"}


def test_sub_folders_are_kept_and_walked_in_order(tmp_path: Path) -> None:
    put(tmp_path, "art/b.jpg", "art/a.SVG", "art/night/sky/c.tiff")
    assert list(results(tmp_path, "art").items()) == [
        ("art/a.SVG", "a"),
        ("art/b.jpg", "b"),
        ("art/night/sky/c.tiff", "night/sky/c"),
    ]


def test_one_stem_in_one_folder_takes_the_full_names(tmp_path: Path) -> None:
    put(tmp_path, "art/moon.png", "art/moon.jpg", "art/night/moon.png", "art/sun.png")
    assert results(tmp_path, "art") == {
        "art/moon.png": "moon.png",
        "art/moon.jpg": "moon.jpg",
        "art/night/moon.png": "night/moon",
        "art/sun.png": "sun",
    }


def test_names_that_differ_in_case_alone_are_one_name(tmp_path: Path) -> None:
    put(tmp_path, "Moon.png", "moon.jpg")
    assert set(results(tmp_path, "Moon.png", "moon.jpg").values()) == {"Moon.png", "moon.jpg"}


def test_a_full_name_that_is_anothers_stem_moves_that_one_too(tmp_path: Path) -> None:
    put(tmp_path, "a.png", "a.jpg", "a.png.svg")
    assert set(results(tmp_path, "a.png", "a.jpg", "a.png.svg").values()) == {"a.png", "a.jpg", "a.png.svg"}


def test_a_result_never_lies_within_another(tmp_path: Path) -> None:
    put(tmp_path, "art/moon.png", "art/moon/crater.png")
    assert results(tmp_path, "art") == {"art/moon.png": "moon.png", "art/moon/crater.png": "moon/crater"}


def test_one_name_from_two_folders_is_an_error_that_names_both(tmp_path: Path) -> None:
    put(tmp_path, "one/moon.png", "two/moon.png")
    with pytest.raises(ArtworkError, match=r"one.moon\.png and .*two.moon\.png"):
        results(tmp_path, "one", "two")


def test_an_artwork_named_twice_is_converted_once(tmp_path: Path) -> None:
    put(tmp_path, "art/moon.png")
    assert results(tmp_path, "art", "art/moon.png") == {"art/moon.png": "moon"}


def test_what_is_no_artwork_is_skipped_and_listed(tmp_path: Path) -> None:
    put(tmp_path, "art/moon.png", "art/notes.txt", "art/.hidden.png", "art/.git/x.png")
    found = find_artworks([tmp_path / "art"], out=tmp_path / "out")
    assert [artwork.name for artwork in found.artworks] == ["moon"]
    assert [path.name for path in found.skipped] == ["notes.txt"]


def test_results_of_an_earlier_run_are_not_artworks(tmp_path: Path) -> None:
    put(tmp_path, "moon.png", "out/moon/preview.png")
    assert results(tmp_path, ".") == {"moon.png": "moon"}


def test_a_named_file_is_tried_whatever_its_suffix(tmp_path: Path) -> None:
    put(tmp_path, "moon.picture")
    assert results(tmp_path, "moon.picture") == {"moon.picture": "moon"}


@pytest.mark.parametrize("name", [".png", "..png", "...png"])
def test_a_name_of_dots_never_leaves_the_output_folder(tmp_path: Path, name: str) -> None:
    put(tmp_path, name)
    assert results(tmp_path, name) == {name: name}


def test_what_does_not_exist_is_named(tmp_path: Path) -> None:
    with pytest.raises(ArtworkError, match="nowhere"):
        results(tmp_path, "nowhere")


def test_an_empty_folder_is_an_error(tmp_path: Path) -> None:
    put(tmp_path, "art/notes.txt")
    with pytest.raises(ArtworkError, match="No artwork"):
        results(tmp_path, "art")


def test_bottoms_are_found_by_the_stems_of_their_tops(tmp_path: Path) -> None:
    for name in ("art/owl.png", "art/set/moon.webp", "art/alone.gif", "art/backs/owl.svg", "art/backs/set/MOON.png"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    found = find_artworks([tmp_path / "art"], out=tmp_path / "out", bottom=tmp_path / "art" / "backs")
    pairs = {artwork.name: artwork.bottom for artwork in found.artworks}
    backs = tmp_path / "art" / "backs"
    assert pairs == {"owl": backs / "owl.svg", "set/moon": backs / "set" / "MOON.png", "alone": None}


def test_one_bottom_belongs_to_one_artwork(tmp_path: Path) -> None:
    for name in ("front.png", "back.png", "third.png"):
        (tmp_path / name).write_bytes(b"")
    front, back = tmp_path / "front.png", tmp_path / "back.png"
    (artwork,) = find_artworks([front], out=tmp_path / "out", bottom=back).artworks
    assert (artwork.path, artwork.bottom) == (front, back)
    with pytest.raises(ArtworkError, match="2 artworks, and one bottom"):
        find_artworks([tmp_path], out=tmp_path / "out", bottom=back)
    with pytest.raises(ArtworkError, match=r"no file or folder.*gone\.png"):
        find_artworks([front], out=tmp_path / "out", bottom=tmp_path / "gone.png")


def test_a_bottom_without_a_top_is_an_error(tmp_path: Path) -> None:
    for name in ("fronts/a.png", "fronts/c.png", "backs/a.png", "backs/b.png"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    with pytest.raises(ArtworkError, match=r"b\.png"):
        find_artworks([tmp_path / "fronts"], out=tmp_path / "out", bottom=tmp_path / "backs")
    (tmp_path / "backs" / "b.png").rename(tmp_path / "backs" / "a.jpg")
    with pytest.raises(ArtworkError, match="both for one top"):
        find_artworks([tmp_path / "fronts"], out=tmp_path / "out", bottom=tmp_path / "backs")
