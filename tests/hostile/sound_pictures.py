"""Sound picture files of every format and coding, small, to be broken."""

from __future__ import annotations

import base64
import io
import struct
from functools import cache

import cv2
import numpy as np
from PIL import Image, ImageCms

from tests.engine.artwork.picture_files import noise, png_by_opencv, png_with_chunk, saved, smooth

HEIGHT, WIDTH = 20, 28


@cache
def sound_pictures() -> dict[str, bytes]:
    """Files by name, whose first word is the format."""
    rgb = Image.fromarray(smooth(HEIGHT, WIDTH))
    rgba = Image.fromarray(noise(HEIGHT, WIDTH, channels=4))
    grey, cmyk, palette = rgb.convert("L"), rgb.convert("CMYK"), rgb.quantize(16)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    turned = Image.Exif()
    turned[0x0112], turned[0x011A], turned[0x011B], turned[0x0128] = 6, 300.0, 300.0, 2
    more = [Image.fromarray(smooth(HEIGHT, WIDTH, seed=seed)) for seed in (1, 2)]
    sixteen = np.arange(HEIGHT * WIDTH * 3, dtype=np.uint16).reshape(HEIGHT, WIDTH, 3) * 39
    return {
        "PNG plain": saved(rgb, "PNG", dpi=(300, 300)),
        "PNG alpha": saved(rgba, "PNG"),
        "PNG palette": saved(palette, "PNG", transparency=3),
        "PNG one bit": saved(grey.convert("1"), "PNG"),
        "PNG profile": saved(rgb, "PNG", icc_profile=srgb, exif=turned),
        "PNG sixteen": png_by_opencv(sixteen),
        "PNG gamma": png_with_chunk(saved(grey, "PNG"), b"gAMA", struct.pack(">I", 100000)),
        "PNG interlaced": _interlaced_png(),
        "JPEG plain": saved(rgb, "JPEG", quality=95, dpi=(300, 300)),
        "JPEG progressive": saved(rgb, "JPEG", quality=80, progressive=True, subsampling=0),
        "JPEG grey": saved(grey, "JPEG", exif=turned),
        "JPEG cmyk": saved(cmyk, "JPEG"),
        "JPEG profile": saved(rgb, "JPEG", icc_profile=srgb),
        "JPEG restarts": _jpeg_with_restarts(),
        "TIFF raw": saved(rgb, "TIFF", dpi=(300, 300)),
        "TIFF lzw": saved(rgba, "TIFF", compression="tiff_lzw"),
        "TIFF deflate": saved(grey, "TIFF", compression="tiff_adobe_deflate"),
        "TIFF jpeg": saved(rgb, "TIFF", compression="jpeg"),
        "TIFF packbits": saved(palette, "TIFF", compression="packbits"),
        "TIFF fax": saved(grey.convert("1"), "TIFF", compression="group4"),
        "TIFF cmyk": saved(cmyk, "TIFF"),
        "TIFF pages": saved(rgb, "TIFF", save_all=True, append_images=more),
        "TIFF big": saved(rgb, "TIFF", big_tiff=True, icc_profile=srgb),
        "WebP plain": saved(rgb, "WebP"),
        "WebP lossy": saved(rgb, "WebP", lossless=False, quality=80, exif=turned),
        "WebP alpha": saved(rgba, "WebP", lossless=False, quality=60),
        "WebP frames": saved(rgb, "WebP", save_all=True, append_images=more),
        "BMP plain": saved(rgb, "BMP", dpi=(300, 300)),
        "BMP palette": saved(palette, "BMP"),
        "BMP one bit": saved(grey.convert("1"), "BMP"),
        "BMP alpha": _bmp_with_alpha(),
        "BMP runs": _bmp_in_runs(),
        "GIF plain": saved(palette, "GIF"),
        "GIF frames": saved(palette, "GIF", save_all=True, append_images=more, duration=40, loop=0),
        "SVG plain": _svg().encode(),
        "SVG embedding": _svg_with_picture(saved(rgb, "PNG")).encode(),
        "SVG wide letters": _svg().encode("utf-16"),
    }


def _interlaced_png() -> bytes:
    done, data = cv2.imencode(".png", smooth(HEIGHT, WIDTH), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert done
    import pyvips

    image = pyvips.Image.new_from_buffer(bytes(data), "")
    return bytes(image.pngsave_buffer(interlace=True))


def _jpeg_with_restarts() -> bytes:
    done, data = cv2.imencode(".jpg", smooth(HEIGHT, WIDTH), [cv2.IMWRITE_JPEG_RST_INTERVAL, 1])
    assert done
    return bytes(data)


def _bmp_with_alpha() -> bytes:
    done, data = cv2.imencode(".bmp", noise(HEIGHT, WIDTH, channels=4))
    assert done
    return bytes(data)


def _bmp_in_runs() -> bytes:
    """8 bits, run-length encoded (BI_RLE8): one run to each row, end of line, and end of bitmap."""
    rows = b"".join(bytes((WIDTH, row)) + b"\0\0" for row in range(HEIGHT)) + b"\0\1"
    palette = bytes(value for level in range(256) for value in (level, 255 - level, level // 2, 0))
    header = struct.pack("<IiiHHIIiiII", 40, WIDTH, HEIGHT, 1, 8, 1, len(rows), 11811, 11811, 256, 0)
    start = 14 + len(header) + len(palette)
    return struct.pack("<2sIHHI", b"BM", start + len(rows), 0, 0, start) + header + palette + rows


def _svg(inside: str = "") -> str:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="14mm" height="10mm" viewBox="0 0 28 20">'
        '<defs><linearGradient id="g"><stop stop-color="#c82828"/><stop offset="1" stop-color="#28c8c8"/>'
        '</linearGradient></defs><rect width="28" height="20" fill="url(#g)"/>'
        '<path id="edge" d="M 2 2 H 26 V 18 C 20 10 8 10 2 18 Z" style="fill:#eee;opacity:.5"/>'
        f'<g transform="rotate(10)"><use href="#edge"/>{inside}</g></svg>'
    )


def _svg_with_picture(png: bytes) -> str:
    link = "data:image/png;base64," + base64.b64encode(png).decode()
    return _svg(f'<image width="9" height="9" href="{link}"/>')


def by_pillow(data: bytes) -> np.ndarray:
    """uint8 (H, W, 4): what Pillow sees in a file. Raises whatever Pillow does."""
    with Image.open(io.BytesIO(data)) as picture:
        picture.load()
        return np.asarray(picture.convert("RGBA"))
