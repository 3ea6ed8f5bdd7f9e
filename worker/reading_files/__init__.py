"""Files of readings: CSV, CGATS.17 / ISO 28178 text, CxF3. Light: no numpy, and the XML reader only where needed."""

from worker.reading_files.cgats_file import write_cgats
from worker.reading_files.csv_file import write_csv
from worker.reading_files.named_reading import MAX_BYTES, NamedReading, ReadingDefaults
from worker.reading_files.reader import read_readings
from worker.reading_files.sample_names import to_finishes

__all__ = ["MAX_BYTES", "NamedReading", "ReadingDefaults", "read_readings", "to_finishes", "write_cgats", "write_csv"]
