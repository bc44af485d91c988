"""Photo files in, result files out.

Writing is atomic (a temporary file beside the target, then a rename), so an interrupted run leaves whole
files only, and a reader never sees half a page.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from assessor.card.video import is_video
from assessor.errors import NoPhotos, OutputNotWritable, UnreadablePhoto

# In a folder only files that claim to be pictures are tried; a file that a person names is always tried.
RECORD = "assessment.json"
_SUFFIXES = "jpg jpeg jpe jfif png heic heif hif avif webp tif tiff bmp gif dng raw"
PHOTO_SUFFIXES = frozenset(f".{suffix}" for suffix in _SUFFIXES.split())


def find_photos(inputs: Sequence[Path], *, leave_out: Path | None = None) -> tuple[Path, ...]:
    """Return the photos and videos named or lying in the folders named, each once, in a stable order.

    Hidden files and folders are passed over, and so are results: `leave_out` and every folder that holds a
    record; and a video of a photo's name beside it, the short clip that a phone keeps with a live photo. Raises
    NoPhotos where a name does not exist or nothing is found.
    """
    found: dict[Path, None] = {}
    for each in inputs:
        if each.is_dir():
            found.update(dict.fromkeys(_photos_below(each, leave_out)))
        elif each.exists():
            found[each] = None
        else:
            raise NoPhotos("there is no such file or folder", file=str(each))
    if not found:
        names = ", ".join(str(each) for each in inputs) or "nothing named"
        raise NoPhotos(f"no photo was found ({names})")
    unique: dict[Path, Path] = {}
    for path in found:
        unique.setdefault(path.resolve(), path)
    return tuple(unique.values())


def _photos_below(folder: Path, leave_out: Path | None) -> Iterable[Path]:
    skip = leave_out.resolve() if leave_out else None
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and (Path(here) / name).resolve() != skip
        )
        paths = [Path(here) / name for name in sorted(files) if not name.startswith(".")]
        stills = [path for path in paths if path.suffix.lower() in PHOTO_SUFFIXES]
        live = {path.stem.casefold() for path in stills}
        sweeps = [path for path in paths if is_video(path) and path.stem.casefold() not in live]
        if RECORD not in files:
            yield from sorted((*stills, *sweeps))


def read_photo_bytes(path: Path, *, max_bytes: int) -> bytes:
    """Read a file, at most one byte more than `max_bytes` (the decoder refuses it then by its size).

    Raises UnreadablePhoto where the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(max_bytes + 1)
    except OSError as error:
        raise UnreadablePhoto(f"the file cannot be read ({error.strerror})", file=shown_name(path)) from error


def shown_name(path: Path) -> str:
    """The file's name with its folder, as a person knows it: `spot 3/IMG_0004.jpg`."""
    full = path.absolute()
    return clean_text(f"{full.parent.name}/{full.name}" if full.parent.name else full.name)


def clean_text(text: str) -> str:
    r"""The text with bytes that are no UTF-8 (odd file names) spelt out, so that it can be stored: `\udcff`."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, making its folder; raises OutputNotWritable."""
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".tmp", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # mkstemp makes files that only their owner may read; results are for the crew.
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise OutputNotWritable(f"cannot write here ({error.strerror})", file=str(path)) from error


def write_text(path: Path, text: str) -> None:
    """Write a text file as UTF-8, whole or not at all; raises OutputNotWritable."""
    write_bytes(path, text.encode("utf-8", "surrogateescape"))


def check_writable(folder: Path) -> None:
    """Raise OutputNotWritable now rather than after an hour's work."""
    probe = folder / ".assessor-write-check"
    write_bytes(probe, b"")
    probe.unlink(missing_ok=True)


def append_text(path: Path, text: str) -> None:
    """Append to a log file; raises OutputNotWritable."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8", errors="surrogateescape") as file:
            file.write(text)
    except OSError as error:
        raise OutputNotWritable(f"cannot write here ({error.strerror})", file=str(path)) from error


def _umask() -> int:
    # The mask can only be read by setting it.
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
