"""Many artworks asked for at once: which they are, what is said of each, and what was said of all."""
