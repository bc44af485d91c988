"""The job record as a use case: open a store, read a job, enter what a person did; the only thing shells call for it.

Every entry passes the gates while the store holds the job still, so two people at two desks can't contradict each
other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assessor import __version__
from assessor.card.bars import scale_from_bars
from assessor.errors import BadEntry, NoJob, RecordDamaged, StoreUnusable
from assessor.job.acceptance import ZoneStanding, zone_standing
from assessor.job.blinding import blinded
from assessor.job.book import JobBook, Noted
from assessor.job.chain import Entry, Place, Role, Stamp
from assessor.job.entries import Content, JobOpened, PrintMeasured, SuggestionShown, ZoneLaidOut
from assessor.job.gates import check_entry, enter
from assessor.store.files import clean_text
from assessor.store.ledger import Ledger
from assessor.store.opening import open_store

DEFAULT_STORE = "assessor_jobs"
Now = Callable[[], datetime]
TOOL = f"assessor {__version__}"


@dataclass(frozen=True, slots=True)
class Person:
    """Who enters something, in which role, and where they are."""

    who: str
    role: Role = "crew"
    place: Place = "desk"


@dataclass(frozen=True, slots=True)
class Versions:
    """What an entry rests on beside the program: model, scale and settings, as names with digests."""

    model: str = ""
    scale: str = ""
    settings: str = ""


@dataclass(frozen=True, slots=True)
class JobOverview:
    """One job for a list: its opening entry, counts, and how each zone stands, told blind (`job.blinding`).

    rendered: whether photos that no camera took are among those assessed.
    """

    job: str
    opened: JobOpened
    entries: int
    captures: int
    unassessed: int
    zones: tuple[ZoneStanding, ...]
    laid_out: dict[int, ZoneLaidOut]
    rendered: bool
    last_at_utc: str
    digest: str


class _NotWantedError(Exception):
    """What was to be entered is there already."""


class JobDesk:
    """A store with a clock, and what can be done at it. Used as a context manager; it closes the store."""

    def __init__(self, store: Ledger, now: Now | None = None) -> None:
        self.store = store
        self._now = now or (lambda: datetime.now().astimezone())
        self._read: tuple[str, int, str, JobBook] = ("", 0, "", JobBook())

    def __enter__(self) -> JobDesk:
        return self

    def __exit__(self, *_: object) -> None:
        self.store.close()

    def now_utc(self) -> str:
        """The time as it is stamped: ISO 8601, UTC, with microseconds."""
        return self._now().astimezone(UTC).isoformat(timespec="microseconds")

    def stamp(self, person: Person, versions: Versions | None = None) -> Stamp:
        """Who, when and with what, for an entry made now; raises BadEntry, and StoreUnusable before work is in vain."""
        if self.store.read_only:
            raise StoreUnusable("the job record can only be read here", file=self.store.where)
        who = clean_text(" ".join(person.who.split()))
        if not who:
            raise BadEntry("nobody is named: everything in the record says who entered it (--who)")
        offset = self._now().utcoffset()
        minutes = round(offset.total_seconds() / 60) if offset is not None else 0
        use = versions or Versions()
        return Stamp(
            who, person.role, person.place, self.now_utc(), minutes, TOOL, use.model, use.scale, use.settings
        )

    def book(self, job: str) -> JobBook:
        """A job's record, read as far as it goes now; raises NoJob and RecordDamaged.

        It is the desk's own and goes on with the record: whoever needs it as it was copies what they need.
        """
        job = clean_text(job)
        known, count, digest, _ = self._read
        last = (known, count, digest) if known == job and count else None
        entries = self.store.entries(job, after=count - 1) if last else ()
        if last is None or not entries or entries[0].digest != digest:
            entries, last = self.store.entries(job), None
        if not entries:
            known = ", ".join(head.job for head in self.store.jobs()) or "none"
            raise NoJob(f"there is no job '{job}' here (jobs: {known})")
        return self._take(entries[1:]) if last else self._book_of(entries)

    def _book_of(self, entries: tuple[Entry, ...]) -> JobBook:
        """The book of all of a job's entries; they never change, so only those since the last time are taken."""
        job, count, digest, _ = self._read
        same = 0 < count <= len(entries) and entries[0].job == job and entries[count - 1].digest == digest
        if not same:
            self._read = ("", 0, "", JobBook())
        return self._take(entries[count:] if same else entries)

    def _take(self, entries: Sequence[Entry]) -> JobBook:
        """Take further entries into the book that is kept; raises RecordDamaged where one does not follow."""
        _, count, digest, book = self._read
        for number, entry in enumerate(entries, start=count + 1):
            if count and (entry.number != number or entry.previous != digest):
                self._read = ("", 0, "", JobBook())
                raise RecordDamaged(f"job {entry.job}: entry {entry.number} does not follow the one before")
            book.take(Noted(entry.number, entry.content, entry.stamp))
            digest = entry.digest
            self._read = entry.job, number, digest, book
        return book

    def check(self, job: str, contents: Sequence[Content], person: Person) -> None:
        """Raise what `enter` would raise now, and write nothing; raises NoJob too."""
        stamp = self.stamp(person)
        self.book(job)
        self._check(self.store.entries(job), contents, stamp)

    def _check(self, entries: tuple[Entry, ...], contents: Sequence[Content], stamp: Stamp) -> None:
        for content in contents:
            if isinstance(content, PrintMeasured):
                scale_from_bars(content.along_mm, content.across_mm)
        if len(contents) == 1:
            check_entry(self._book_of(entries), contents[0], stamp)
            return
        # Each of several has to fit the ones before it, in a book that is thrown away.
        book = JobBook(entries)
        for number, content in enumerate(contents, start=len(entries) + 1):
            enter(book, content, stamp, number)

    def enter(
        self, job: str, contents: Sequence[Content], person: Person, versions: Versions | None = None,
        *, unless: Callable[[JobBook], bool] | None = None,
    ) -> tuple[Entry, ...]:  # fmt: skip
        """Write entries, all or none; raises what the gates find and what the store can't take.

        unless: looks at the record while nobody else can write; where it says so nothing is entered, and () returned.
        """
        stamp = self.stamp(person, versions)

        def check(entries: tuple[Entry, ...]) -> None:
            if unless is not None and unless(self._book_of(entries)):
                raise _NotWantedError
            self._check(entries, contents, stamp)

        try:
            return self.store.append(job, contents, stamp, check=check)
        except _NotWantedError:
            return ()

    def open_job(self, content: JobOpened, person: Person) -> tuple[Entry, ...]:
        """Open a job under its code."""
        return self.enter(content.code, (content,), person)

    def standing(self, book: JobBook, zone: int) -> ZoneStanding:
        """How a zone stands now; raises NoJob."""
        if zone not in book.zones:
            known = ", ".join(map(str, sorted(book.zones))) or "none"
            raise NoJob(f"there is no zone {zone} (zones: {known})")
        return zone_standing(book, zone, self.now_utc())

    def list_jobs(self) -> tuple[JobOverview, ...]:
        """Every job of the store, with how its zones stand; a zone's name says no suggestion."""
        found = []
        for head in self.store.jobs():
            book = self.book(head.job)
            assert book.opened is not None
            captures = book.captures.values()
            found.append(
                JobOverview(
                    job=head.job,
                    opened=book.opened,
                    entries=head.entries,
                    captures=len(captures),
                    unassessed=sum(capture.assessed is None for capture in captures),
                    zones=tuple(blinded(self.standing(book, zone)) for zone in sorted(book.zones)),
                    laid_out={zone: each.laid_out for zone, each in sorted(book.zones.items())},
                    rendered=any(capture.is_rendered for capture in captures),
                    last_at_utc=head.last_at_utc,
                    digest=head.digest,
                )
            )
        return tuple(found)

    def show_suggestions(
        self, job: str, zone: int, spots: Sequence[int], person: Person
    ) -> tuple[Entry, ...]:
        """Put down that a person now sees the suggestions for these spots: they can't read them blind any more."""
        book = self.book(job)
        unseen = [spot for spot in spots if not book.has_seen(person.who, zone, spot)]
        if not unseen:
            return ()
        return self.enter(job, [SuggestionShown(zone=zone, spot=spot) for spot in unseen], person)


def open_desk(
    place: str | Path, files: str | None = None, *, create: bool = False, now: Now | None = None
) -> JobDesk:
    """Open a store for use; raises StoreUnusable."""
    return JobDesk(open_store(place, files, create=create), now)


__all__ = ["DEFAULT_STORE", "JobDesk", "JobOverview", "Noted", "Person", "Versions", "open_desk"]
