"""A backup: one ZIP file that holds the whole record, whatever database it came from.

    files/<sha256>   every stored file as it is
    kept.jsonl       one line a stored file: sha256, bytes, name, at_utc
    entries.jsonl    one line an entry: job, number, content (its JSON as text), the stamp, previous, digest
    manifest.json    format, program, tables, made_at_utc, the last hash of every job, hash and size of every file, and
                     the hashes of both lists

Nothing is believed for being in the file: sizes, hashes and chains are all counted again.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, cast

from pydantic import BaseModel, ConfigDict, ValidationError

from assessor.errors import BackupInvalid, RecordDamaged
from assessor.job.chain import Entry, Stamp
from assessor.job.parts import Sha256, Words
from assessor.store.rows import STAMP, sealed_entry

FORMAT = "assessor-backup-1"
MANIFEST, ENTRIES, KEPT, FILES = "manifest.json", "entries.jsonl", "kept.jsonl", "files/"
# A line is one entry. Nothing we write comes near it; a made-up file must not fill the memory.
_LONGEST_LINE = 16 << 20
_LONGEST_MANIFEST = 256 << 20


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class _Told(BaseModel):
    format: str


class BackupJob(_Strict):
    """A job's last entry."""

    job: Words
    entries: int
    digest: Sha256


class BackupFile(_Strict):
    """A stored file."""

    sha256: Sha256
    bytes: int


class Manifest(_Strict):
    """What a backup says that it holds."""

    format: Literal["assessor-backup-1"]
    program: str
    tables: str
    made_at_utc: str
    jobs: tuple[BackupJob, ...]
    files: tuple[BackupFile, ...]
    entries_sha256: Sha256
    kept_sha256: Sha256


class KeptLine(_Strict):
    """A row of the table of stored files."""

    sha256: Sha256
    bytes: int
    name: Words
    at_utc: str


class _EntryLine(_Strict):
    job: str
    number: int
    content: str
    who: str
    role: str
    place: str
    at_utc: str
    offset_min: int
    tool: str
    model: str
    scale: str
    settings: str
    previous: str
    digest: str


def entry_line(entry: Entry) -> bytes:
    """One entry as a line."""
    stamp = {name: getattr(entry.stamp, name) for name in STAMP}
    line = {"job": entry.job, "number": entry.number, "content": entry.text, **stamp,
            "previous": entry.previous, "digest": entry.digest}  # fmt: skip
    return json_line(line)


def json_line(value: dict[str, Any]) -> bytes:
    """A value as a line of JSON."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


@dataclass(frozen=True, slots=True)
class OpenBackup:
    """A backup whose manifest was read."""

    name: str
    archive: zipfile.ZipFile
    manifest: Manifest

    def kept(self) -> Iterator[KeptLine]:
        """Rows of stored files."""
        for line in self._lines(KEPT, self.manifest.kept_sha256):
            yield KeptLine.model_validate_json(line)

    def entries(self) -> Iterator[Entry]:
        """Entries job by job, each checked by its hash."""
        for line in self._lines(ENTRIES, self.manifest.entries_sha256):
            told = _EntryLine.model_validate_json(line)
            stamp = Stamp(**{name: getattr(told, name) for name in STAMP})
            yield sealed_entry(told.job, told.number, told.content, stamp, told.previous, digest=told.digest)

    def open(self, sha256: str) -> BinaryIO:
        """A stored file."""
        return cast(BinaryIO, self.archive.open(FILES + sha256))

    def _lines(self, member: str, sha256: str) -> Iterator[bytes]:
        digest = hashlib.sha256()
        with self.archive.open(member) as packed:
            file = io.BufferedReader(cast(io.RawIOBase, packed))
            while line := file.readline(_LONGEST_LINE):
                if not line.endswith(b"\n"):
                    raise BackupInvalid(f"a line of {member} is cut off", file=self.name)
                digest.update(line)
                yield line
        if digest.hexdigest() != sha256:
            raise BackupInvalid(f"{member} is not what the manifest says", file=self.name)


@contextmanager
def open_backup(file: Path) -> Iterator[OpenBackup]:
    """Open a backup; whatever turns out to be wrong with it, now or while it is read, raises BackupInvalid."""
    name = str(file)
    if file.is_dir():
        raise BackupInvalid("this is a folder, no backup", file=name)
    try:
        with zipfile.ZipFile(file) as archive:
            yield OpenBackup(name, archive, _manifest(archive, name))
    except FileNotFoundError as error:
        raise BackupInvalid("there is no such file", file=name) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise BackupInvalid("the file is damaged, or no backup", file=name) from error
    except ValidationError as error:
        raise BackupInvalid("the file holds what no backup of ours holds", file=name) from error
    except RecordDamaged as error:
        raise BackupInvalid(error.found, file=name) from error


def _manifest(archive: zipfile.ZipFile, name: str) -> Manifest:
    members = {member.filename: member for member in archive.infolist()}
    if len(members) != len(archive.infolist()) or not {MANIFEST, ENTRIES, KEPT} <= set(members):
        raise BackupInvalid("the file is no backup: its lists are missing, or there twice", file=name)
    # A directory moved by a flipped bit points before the file's start, where no system seeks.
    if any(member.header_offset < 0 for member in members.values()):
        raise BackupInvalid("the file is damaged, or no backup", file=name)
    if any(member.flag_bits & 1 for member in members.values()):
        raise BackupInvalid("the file is locked with a password; backups are not", file=name)
    if members[MANIFEST].file_size > _LONGEST_MANIFEST:
        raise BackupInvalid("the file is no backup: its manifest is too long", file=name)
    data = archive.read(MANIFEST)
    told = _Told.model_validate_json(data).format
    if told != FORMAT:
        raise BackupInvalid(f"the backup has the format {told}, which this program does not know", file=name)
    manifest = Manifest.model_validate_json(data)
    wanted = {MANIFEST, ENTRIES, KEPT, *(FILES + file.sha256 for file in manifest.files)}
    if wanted != set(members):
        odd = sorted(wanted.symmetric_difference(members))[0]
        raise BackupInvalid(f"{odd} is in the file or in its manifest, but not in both", file=name)
    return manifest
