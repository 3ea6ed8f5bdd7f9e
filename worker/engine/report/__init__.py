"""Report: score, pictures, cautions and the package of files."""
