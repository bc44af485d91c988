"""Seal entries into a chain: each holds the hash of the one before, so no entry can be changed, lost or slipped in.

The hash is SHA-256 over canonical JSON (RFC 8785 in spirit: sorted keys, no spaces, UTF-8, no NaN) of the whole entry
with its place in the job, its stamp and the previous hash. It is taken over the text as it was written, never over
what a later program makes of it, so that fields added with a default leave old hashes as they are. Whoever holds a
copy of the last hash (a printed report, a backup's manifest) can tell whether the record before it is what it was.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Literal

from pydantic import ValidationError

from assessor.errors import RecordDamaged
from assessor.job.entries import CONTENT, Content

START = "0" * 64
Role = Literal["crew", "lead", "trainer"]
Place = Literal["floor", "desk"]


@dataclass(frozen=True, slots=True)
class Stamp:
    """Who entered something, where, when, and with which versions.

    at_utc: ISO 8601 in UTC with microseconds and "+00:00"; offset_min: of the local clock from UTC. model, scale and
    settings are names with digests, empty where an entry does not rest on them.
    """

    who: str
    role: Role
    place: Place
    at_utc: str
    offset_min: int
    tool: str
    model: str = ""
    scale: str = ""
    settings: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One sealed entry: `number` counts from 1 within its job; `text` is its content's JSON as it was written."""

    job: str
    number: int
    content: Content
    stamp: Stamp
    previous: str
    digest: str
    text: str


# Both are made once: a listing hashes thousands of entries.
_STAMP = tuple(field.name for field in fields(Stamp))
_canonical = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
).encode


def seal(job: str, number: int, content: Content, stamp: Stamp, previous: str) -> Entry:
    """Return the entry with its hash; previous is the hash of entry number - 1, or START."""
    text = content_json(content)
    return Entry(job, number, content, stamp, previous, digest_of(job, number, text, stamp, previous), text)


def digest_of(job: str, number: int, text: str, stamp: Stamp, previous: str) -> str:
    """Hash of an entry whose content was written as `text`: canonical JSON of the whole, keys in order."""
    stamped = {name: getattr(stamp, name) for name in _STAMP}
    place = _canonical({"job": job, "number": number, "previous": previous, "stamp": stamped})
    return hashlib.sha256(f'{{"content":{text},{place[1:]}'.encode()).hexdigest()


def check_chain(entries: Iterable[Entry]) -> str:
    """Return the last hash of one job's entries, in order; raises RecordDamaged at the first that is not whole."""
    previous, job = START, None
    for number, entry in enumerate(entries, start=1):
        job = job or entry.job
        if entry.number != number or entry.job != job:
            raise RecordDamaged(f"job {job}: entry {entry.number} stands where entry {number} belongs")
        told = digest_of(entry.job, entry.number, entry.text, entry.stamp, entry.previous)
        whole = entry.previous == previous and entry.digest == told
        if not whole or not _reads_as(entry.text, entry.content):
            raise RecordDamaged(f"job {job}: entry {number} is not what was once written")
        previous = entry.digest
    return previous


def _reads_as(text: str, content: Content) -> bool:
    try:
        return content_from(text) == content
    except ValidationError:
        return False


def content_json(content: Content) -> str:
    """Canonical JSON of an entry's content."""
    return _canonical(content.model_dump(mode="json"))


def content_from(text: str) -> Content:
    """The content of stored JSON; raises pydantic's ValidationError."""
    return CONTENT.validate_json(text)
