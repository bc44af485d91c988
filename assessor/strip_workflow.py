"""The edge strip as a file to print."""

from __future__ import annotations

from pathlib import Path

from assessor.card.strip_page import draw_strip_pdf
from assessor.store.files import write_bytes


def write_strip(paper: str, serial: int, out: Path | None) -> Path:
    """Draw the edge strip as a PDF and write it; returns the file. Raises OutputNotWritable."""
    path = out or Path(f"strip-{paper}-{serial:05d}.pdf")
    write_bytes(path, draw_strip_pdf(serial, paper))
    return path
