"""Files as they came, each under its SHA-256, in a folder or at any fsspec URL.

A file is written beside its place and renamed, and is on the disk before any row names it. One that has a row is never
written over. What lies there without a row (a program was killed, the power failed) is no part of the record yet: if it
is not whole, it is simply written again.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from assessor.errors import AssessorError, StoreUnusable

CHUNK = 1 << 20
TEMPORARY = ".tmp"
# Waiting for the disk, not computing: several files reach it in one go of its journal.
_WRITERS = 8


@dataclass(frozen=True, slots=True)
class Incoming:
    """A file on its way in: bytes in memory, a file on disk, or what opens one; the last two are copied in pieces."""

    source: bytes | Path | Callable[[], BinaryIO]
    sha256: str
    size: int


class Files(Protocol):
    """A place of stored files by SHA-256."""

    where: str

    def size(self, sha256: str) -> int | None:
        """Bytes of a file, None where it is not there."""

    def put(self, files: Sequence[Incoming]) -> None:
        """Write files whole and wait until they are on the disk."""

    def settle(self, sha256: str) -> None:
        """Wait until a file that lies here is on the disk."""

    def open(self, sha256: str) -> BinaryIO:
        """Open for reading; raises FileNotFoundError."""

    def path(self, sha256: str) -> Path | None:
        """Path on this machine, None where there is none."""

    def names(self) -> Iterator[str]:
        """SHA-256 of every file that lies here."""


def incoming(source: bytes | Path) -> Incoming:
    """Hash a file before it is copied."""
    if isinstance(source, bytes):
        return Incoming(source, hashlib.sha256(source).hexdigest(), len(source))
    digest, size = hashlib.sha256(), 0
    with source.open("rb") as file:
        for piece in pieces(file):
            digest.update(piece)
            size += len(piece)
    return Incoming(source, digest.hexdigest(), size)


def pieces(file: BinaryIO) -> Iterator[bytes]:
    """A file in pieces, so that a long video is never in memory whole."""
    while piece := file.read(CHUNK):
        yield piece


def sha256_of(files: Files, sha256: str) -> str:
    """The hash of what lies under a name; raises FileNotFoundError."""
    digest = hashlib.sha256()
    with files.open(sha256) as file:
        for piece in pieces(file):
            digest.update(piece)
    return digest.hexdigest()


def is_whole(files: Files, sha256: str, size: int) -> bool:
    """Whether a file is there with all its bytes."""
    return files.size(sha256) == size and sha256_of(files, sha256) == sha256


def place_of(address: str | Path) -> Files:
    """Files in a folder, or at an fsspec URL; raises StoreUnusable where the URL cannot be used."""
    if isinstance(address, Path) or "://" not in address:
        return LocalFiles(Path(address))
    if address.startswith("file://"):
        return LocalFiles(Path(address.removeprefix("file://")))
    return RemoteFiles(address)


class LocalFiles:
    """Files in a folder: `ab/abcdef...`."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.where = folder, str(folder)

    def path(self, sha256: str) -> Path:
        """Where a file lies or would lie."""
        return self.folder / sha256[:2] / sha256

    def size(self, sha256: str) -> int | None:
        """Bytes of a file, None where it is not there."""
        try:
            return self.path(sha256).stat().st_size
        except FileNotFoundError:
            return None

    def open(self, sha256: str) -> BinaryIO:
        """Open for reading; raises FileNotFoundError."""
        return self.path(sha256).open("rb")

    def put(self, files: Sequence[Incoming]) -> None:
        """Write files whole and wait until they are on the disk."""
        for shelf in (self.folder / TEMPORARY, *{self.path(file.sha256).parent for file in files}):
            shelf.mkdir(parents=True, exist_ok=True)
        if len(files) > 1:
            with ThreadPoolExecutor(_WRITERS) as pool:
                list(pool.map(self._put, files))
        else:
            for file in files:
                self._put(file)

    def settle(self, sha256: str) -> None:
        """Wait until a file that lies here is on the disk: its bytes, its name, and the name of its folder."""
        path = self.path(sha256)
        for each in (path, path.parent, self.folder):
            sync(each)

    def _put(self, file: Incoming) -> None:
        temporary = self.folder / TEMPORARY / f"{file.sha256[:16]}-{secrets.token_hex(8)}"
        try:
            with temporary.open("xb") as target:
                copy(file, target)
                # Nothing has to write it ever again, and a picture editor must not.
                os.fchmod(target.fileno(), os.fstat(target.fileno()).st_mode & 0o444)
            temporary.replace(self.path(file.sha256))
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        # Renamed first: the disk then takes bytes and name in one go. No row names it before this has returned.
        self.settle(file.sha256)

    def names(self) -> Iterator[str]:
        """SHA-256 of every file that lies here."""
        for shelf in sorted(self.folder.glob("[0-9a-f][0-9a-f]")):
            yield from sorted(path.name for path in shelf.iterdir())

    def sweep(self, before_s: float) -> None:
        """Remove what programs that were killed left half written: temporary files last touched before a time."""
        for path in (self.folder / TEMPORARY).glob("*"):
            # Another program may be sweeping too, or finishing this very file.
            with suppress(OSError):
                if path.stat().st_mtime < before_s:
                    path.unlink()


class RemoteFiles:
    """Files at an fsspec URL. How a write becomes whole is that system's affair: object stores do it at once."""

    def __init__(self, url: str) -> None:
        # Imported here: a store in a folder never needs it.
        import fsspec  # type: ignore[import-untyped]  # noqa: PLC0415

        try:
            self._system, self._root = fsspec.core.url_to_fs(url)
        except (ImportError, ValueError) as error:
            kind = url.split("://", 1)[0]
            raise StoreUnusable(f"files cannot be kept at {kind}:// ({error})", file=kind) from error
        self.where = f"{url.split('://', 1)[0]}://{self._root.lstrip('/')}"

    def settle(self, sha256: str) -> None:
        """A remote place has it when the write ends."""

    def path(self, sha256: str) -> None:
        """Nothing here has a path on this machine."""
        return

    def size(self, sha256: str) -> int | None:
        """Bytes of a file, None where it is not there."""
        try:
            with self._reached():
                return int(self._system.info(self._place(sha256))["size"])
        except FileNotFoundError:
            return None

    def open(self, sha256: str) -> BinaryIO:
        """Open for reading; raises FileNotFoundError."""
        with self._reached():
            return cast(BinaryIO, self._system.open(self._place(sha256), "rb"))

    def put(self, files: Sequence[Incoming]) -> None:
        """Write files whole."""
        for file in files:
            with self._reached():
                self._system.makedirs(self._place(file.sha256).rsplit("/", 1)[0], exist_ok=True)
                with self._system.open(self._place(file.sha256), "wb") as target:
                    copy(file, target)

    def names(self) -> Iterator[str]:
        """SHA-256 of every file that lies here."""
        with self._reached():
            found = self._system.find(self._root)
        yield from sorted(path.rsplit("/", 1)[-1] for path in found)

    def _place(self, sha256: str) -> str:
        return f"{self._root}/{sha256[:2]}/{sha256}"

    @contextmanager
    def _reached(self) -> Iterator[None]:
        try:
            yield
        except (OSError, AssessorError):
            raise
        except Exception as error:
            # Every file system has errors of its own, of classes that we cannot know; their text may hold keys.
            raise StoreUnusable(
                f"the place for files cannot be reached ({type(error).__name__})", file=self.where
            ) from error


def copy(file: Incoming, target: BinaryIO) -> None:
    """Write a file that was hashed before; raises StoreUnusable where it is another by now."""
    if isinstance(file.source, bytes):
        target.write(file.source)
        return
    digest = hashlib.sha256()
    with file.source.open("rb") if isinstance(file.source, Path) else file.source() as source:
        for piece in pieces(source):
            digest.update(piece)
            target.write(piece)
    if digest.hexdigest() != file.sha256:
        name = file.source if isinstance(file.source, Path) else file.sha256
        raise StoreUnusable("the file changed while it was being copied", file=str(name))


def sync(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
