"""Palette: histogram, clusters, finish colours, assignment and overrides."""
