"""Artwork: decode, gate, orient, colour-manage, scale to the grid."""
