"""From artwork files to result files, against Pillow decoding and writing the same masks."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
from PIL import Image

from benchmarks.demo_board import demo_board
from benchmarks.peers import file_to_masks, palette_image, quantised, write_masks
from benchmarks.pictures import encoded, flat_art, photo_like
from benchmarks.row import Row, at_least, at_most
from benchmarks.timing import medians
from worker.engine.artwork.strips import read_strips
from worker.engine.palette.tables import nearest_finish_table
from worker.engine.pipeline import convert
from worker.engine.report import mask_stream
from worker.job_settings import Settings
from worker.table_folder import TableFolder

WIDTH_MM = 120.0
"""6,000 pixels of 20 micrometres: one artwork pixel is one board pixel."""


def rows(folder: Path) -> list[Row]:
    fab, colours = demo_board()
    tables = TableFolder(folder / "tables")
    table = nearest_finish_table(colours, tables=tables, threads=2)
    palette = palette_image(colours)
    settings = Settings(width_mm=WIDTH_MM, edges="threshold")
    found = []
    for name, picture in (("photo-like", photo_like()), ("flat", flat_art())):
        labels = np.asarray(quantised(Image.fromarray(picture), palette, dither=False))
        for kind, mask_bar, job_bar in (("PNG", 2.0, 2.5), ("JPEG", 4.0, 5.0)):
            path = folder / f"{name}.{kind.lower()}"
            path.write_bytes(encoded(picture, kind))

            def stream(path: Path = path) -> None:
                with contextlib.ExitStack() as stack:
                    outputs = {
                        i: stack.enter_context((folder / f"mask-{i}.png").open("wb")) for i in range(len(colours))
                    }
                    source = stack.enter_context(path.open("rb"))
                    mask_stream.write_masks(read_strips(source), table, outputs, pitch_um=20.0, threads=2)

            def decode_and_write(
                path: Path = path, labels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]] = labels
            ) -> None:
                with Image.open(path) as image:
                    image.convert("RGB")
                write_masks(labels, len(colours), folder)

            def job(path: Path = path) -> None:
                out = folder / "job"
                (out / "masks").mkdir(parents=True, exist_ok=True)
                with path.open("rb") as source:
                    for file, data in convert(source, fab, settings, tables=tables, threads=2).files():
                        (out / file).write_bytes(data)

            seconds = medians(
                {
                    "peer": lambda path=path: file_to_masks(path, palette, len(colours), folder),  # type: ignore[misc]
                    "stream": stream,
                    "decode": decode_and_write,
                    "job": job,
                },
                5,
            )
            found.append(
                at_least(
                    f"artwork file to mask files, threshold without clean-up, 24 MP {name} {kind}",
                    seconds["peer"] / seconds["stream"],
                    mask_bar,
                    f"{seconds['stream'] * 1e3:.0f} ms, Pillow {seconds['peer'] * 1e3:.0f} ms",
                )
            )
            found.append(
                at_most(
                    f"the whole job with clean-up, score, pictures, report, 24 MP {name} {kind}",
                    seconds["job"] / seconds["decode"],
                    job_bar,
                    "x the time of decode plus masks by Pillow",
                    f"{seconds['job']:.2f} s, Pillow {seconds['decode']:.2f} s",
                )
            )
    return found
