"""Made-up entries of an invented job, for tests of the store."""

from __future__ import annotations

from assessor.job.chain import Stamp
from assessor.job.entries import Assessed, CaptureFiled, JobOpened, Refiled
from assessor.job.parts import FileRef
from assessor.store.ledger import Ledger

AT = "2026-05-04T07:30:00.000000+00:00"
STAMP = Stamp("A. Made-up", "crew", "floor", AT, 120, "assessor 0.6", settings="0f" * 32)


def opened(code: str = "HALL") -> JobOpened:
    return JobOpened(name=f"invented {code} ± é", code=code, site="invented site", invented=True)


def filed(capture: str, *photos: FileRef, zone: int = 1, spot: int = 1) -> CaptureFiled:
    return CaptureFiled(
        capture=capture, zone=zone, spot=spot, phase="after", round=1, photos=photos, filed_by="tag"
    )


def refiled(capture: str, zone: int, spot: int) -> Refiled:
    return Refiled(capture=capture, zone=zone, spot=spot, phase="after", round=1, why="tag of another zone")


def assessed(capture: str, record: FileRef, key: str = "k1", best: int = 4) -> Assessed:
    return Assessed(
        capture=capture, key=key, status="assessed", capture_kind="angles", record=record, call="chip",
        p_short=0.05, p_in_range=0.9, p_over=0.05, best=best, set90=(best - 1, best), sentence="ready for the chip",
    )  # fmt: skip


def fill(store: Ledger, job: str = "HALL", captures: int = 3) -> tuple[FileRef, ...]:
    """Open a job and file and assess captures with one photo each; return the photos."""
    photos = store.keep_files([(f"photo {job} {n}".encode(), f"IMG_{n:04}.jpg") for n in range(captures)])
    record = store.keep_file(b"{}", "assessment.json")
    store.append(job, [opened(job)], STAMP)
    for n, photo in enumerate(photos):
        store.append(job, [filed(f"c{n}", photo, spot=n + 1), assessed(f"c{n}", record)], STAMP)
    return photos
