"""Recordings: files of readings, read as one history and written.

    files -> bytes, lines or batches -> columns -> pieces (rows and rejections) -> merged -> chunks

`open_recordings` reads wide and long tables (CSV, Parquet) and captured messages (JSON Lines);
`write_wide` and `CaptureWriter` write what it reads.
"""

from __future__ import annotations

from monitor.ingest.recording.history import Chunk, Recordings, open_recordings
from monitor.ingest.recording.write import CaptureWriter, write_wide

__all__ = ["CaptureWriter", "Chunk", "Recordings", "open_recordings", "write_wide"]
