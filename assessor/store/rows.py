"""Entries to rows and back. A row is believed only where its hash, its content and its columns agree."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError

from assessor.errors import RecordDamaged, StoreUnusable
from assessor.job.chain import START, Entry, Stamp, content_from, digest_of
from assessor.job.entries import Content
from assessor.store.models import EntryRow

STAMP = ("who", "role", "place", "at_utc", "offset_min", "tool", "model", "scale", "settings")
COLUMNS = tuple(
    getattr(EntryRow, name)
    for name in (
        "job", "number", "content", "previous", "digest", "kind", "zone", "spot", "capture", "work_key", *STAMP,
    )
)  # fmt: skip


def row_of(entry: Entry) -> dict[str, Any]:
    """The columns of an entry."""
    kind, zone, spot, capture, work_key = _looked_up(entry.content)
    return {
        "job": entry.job, "number": entry.number, "content": entry.text, "previous": entry.previous,
        "digest": entry.digest, "kind": kind, "zone": zone, "spot": spot, "capture": capture, "work_key": work_key,
        **{name: getattr(entry.stamp, name) for name in STAMP},
    }  # fmt: skip


def entry_of(row: Sequence[Any]) -> Entry:
    """The entry of a row of COLUMNS; raises RecordDamaged if it is not what was written, StoreUnusable if newer."""
    job, number, text, previous, digest = row[:5]
    entry = sealed_entry(job, number, text, Stamp(*row[10:19]), previous, digest=digest)
    if tuple(row[5:10]) != _looked_up(entry.content):
        raise RecordDamaged(f"job {job}: the columns of entry {number} do not say what its content says")
    return entry


def sealed_entry(job: str, number: int, text: str, stamp: Stamp, previous: str, *, digest: str) -> Entry:
    """An entry read from its text, by its hash; raises RecordDamaged if it is another, StoreUnusable if newer."""
    if digest_of(job, number, text, stamp, previous) != digest:
        raise RecordDamaged(f"job {job}: entry {number} is not what was once written")
    try:
        content = content_from(text)
    except ValidationError as error:
        # The hash holds, so it was written like this, by a program that knows more kinds or fields than we do.
        raise StoreUnusable(
            f"job {job}: entry {number} was written by a newer program: install that program or a newer one"
        ) from error
    return Entry(job, number, content, stamp, previous, digest, text)


def must_follow(job: str, entries: Sequence[Entry], last: Entry | None) -> None:
    """Raise RecordDamaged where entries, each whole in itself, are not the next ones after `last` (None: the first)."""
    number, previous = (last.number, last.digest) if last else (0, START)
    for entry in entries:
        if entry.number != number + 1 or entry.previous != previous:
            raise RecordDamaged(f"job {job}: entry {entry.number} does not follow the one before")
        number, previous = entry.number, entry.digest


def _looked_up(content: Content) -> tuple[str, int | None, int | None, str | None, str | None]:
    """What queries look for: kind, zone, spot, capture, and the key under which a capture was assessed."""
    told = vars(content)
    return content.kind, told.get("zone"), told.get("spot"), told.get("capture") or None, told.get("key")
