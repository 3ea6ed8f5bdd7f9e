"""Pixels to finishes by exact CIEDE2000, against Pillow's `quantize` without dither."""

from __future__ import annotations

import time
from pathlib import Path

from PIL import Image

from benchmarks.demo_board import demo_board
from benchmarks.peers import palette_image, quantised
from benchmarks.pictures import flat_art, photo_like
from benchmarks.row import Row, at_least, at_most
from benchmarks.timing import medians
from worker.engine.palette.tables import look_up, nearest_finish_table


def rows(folder: Path) -> list[Row]:
    del folder  # nothing is written
    colours = demo_board()[1]
    nearest_finish_table(colours, threads=2)
    begin = time.perf_counter()
    table = nearest_finish_table(colours, threads=2)
    cold = time.perf_counter() - begin
    found = []
    palette = palette_image(colours)
    for name, picture in (("photo-like", photo_like()), ("flat", flat_art())):
        image = Image.fromarray(picture)
        seconds = medians(
            {
                "peer": lambda image=image: quantised(image, palette, dither=False),  # type: ignore[misc]
                "two": lambda picture=picture: look_up(picture, table, threads=2),  # type: ignore[misc]
                "one": lambda picture=picture: look_up(picture, table, threads=1),  # type: ignore[misc]
            },
            15,
        )
        for threads, bar in (("two", 1.5), ("one", 1.0)):
            found.append(
                at_least(
                    f"pixels to finishes, warm table, 24 MP {name}, {threads} thread{'s' if threads == 'two' else ''}",
                    seconds["peer"] / seconds[threads],
                    bar,
                    f"{seconds[threads] * 1e3:.1f} ms, Pillow {seconds['peer'] * 1e3:.1f} ms",
                )
            )
    found.append(at_most("the same, cold table, two threads", cold, 5.0, "s", "2^24 colours, 5 finishes, exact"))
    return found
