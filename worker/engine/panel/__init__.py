"""Panels: pieces that were made before, laid on one board for the fab, held, cut free, marked, and proved."""
