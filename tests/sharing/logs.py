"""Log files of the machine that goes into an archive."""

from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[1] / "reference/data/sample.gpx"
LOGGER_FILE = b"time (s);U (V);I (A)\n0,0;52,4;10,5\n0,5;52,2;20,5\n1,0;;30,5\n"
