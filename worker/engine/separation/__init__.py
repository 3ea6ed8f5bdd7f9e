"""Separation: threshold, dither and clean-up; the result is one finish per pixel."""
