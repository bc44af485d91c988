"""A small invented job on disk for the desk's tests: two zones, a clock that runs, a pipeline that costs little."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from assessor.batch import SerialExecutor
from assessor.desk.base import JobDesk, Person
from assessor.desk.photos import JobAssessed, SpotTold, assess_job, file_photos
from assessor.desk.plan import draw_spots
from assessor.job.entries import (
    ChipRead,
    DataSheetFiled,
    HazardChecked,
    JobOpened,
    SurfacePrepared,
    SystemNamed,
    ZoneLaidOut,
)
from assessor.store.opening import open_store
from assessor.values import RangeVerdict
from tests.test_workflow import Pipeline, write_photo

JOB = "DP01"
LEAD = Person("Lena Invented", "lead", "floor")
CREW = Person("Tom Invented", "crew", "floor")
SECOND = Person("Sam Invented", "crew", "floor")
TRAINER = Person("Tina Invented", "trainer", "desk")
SECRET = "SECRET-SENTENCE-OF-THE-TOOL"
# P(short), P(in range), P(over), best grade by call, in a range of CSP 3-5
SAYS = {"chip": (0.0281, 0.9437, 0.0282, 4), "over": (0.0, 0.0912, 0.9088, 8), "shot": (0.2, 0.6, 0.2, 5)}


class Clock:
    """Ten past eight in a country two hours east; every look is a second later."""

    def __init__(self) -> None:
        self.at = datetime(2026, 5, 4, 8, 10, tzinfo=timezone(timedelta(hours=2)))

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


class SayingPipeline(Pipeline):
    """A pipeline that says what a test wants of a capture: a key of SAYS; "chip" where nothing is wanted."""

    def __init__(self) -> None:
        super().__init__()
        self.says: dict[str, str] = {}

    def __call__(self, photos: Any, **arguments: Any) -> Any:
        result = super().__call__(photos, **arguments)
        said = self.says.get(self.calls[-1], "chip")
        short, inside, over, best = SAYS[said]
        target = arguments["target"]
        verdict = None
        if target is not None:
            call: Any = "rework" if said == "over" else said
            verdict = RangeVerdict(target, short, inside, over, call, SECRET, None)
        return replace(result, suggestion=replace(result.suggestion, best=best, verdict=verdict))


class Stage:
    """A job under way in a store at `folder`: each step as a careful crew would enter it."""

    def __init__(self, folder: Path, clock: Any = None) -> None:
        self.folder, self.place = folder, folder / "store"
        self.clock = clock
        self.desk = JobDesk(open_store(self.place, create=True), clock)
        self._seed = 0

    def photos(self, count: int = 1) -> list[Path]:
        """So many new photos in a folder of their own."""
        self._seed += 1
        where = self.folder / f"dump{self._seed}"
        paths = [where / f"IMG_{n}.jpg" for n in range(count)]
        for n, path in enumerate(paths):
            write_photo(path, 1000 * self._seed + n)
        return paths

    def open(self, *, csp: tuple[int, int] | None = (3, 5), **opening: Any) -> None:
        """The job, its papers and two zones: a mock-up and an edge that needs none."""
        told = {"name": "Depot", "code": JOB, "site": "invented", "invented": True, **opening}
        self.desk.open_job(JobOpened(**told), LEAD)
        for hazard in ("asbestos-lead", "buried-services"):
            self.say(HazardChecked(hazard=hazard, cleared=True, how="radar", surveyor="a surveyor"))  # type: ignore[arg-type]
        self.say(SystemNamed(system="high-build", moisture="dry"))
        if csp is not None:
            self.data_sheet(*csp)
        known: dict[str, Any] = {"area_m2": 20, "length_m": 5, "width_m": 4, "method": "shot-blast"}
        self.say(ZoneLaidOut(zone=1, name="bay 1", is_mock_up=True, **known))
        self.say(ZoneLaidOut(zone=2, name="bay 2", is_mock_up=True, **known))

    def data_sheet(self, low: int, high: int) -> None:
        """A maker's data sheet that asks for a range."""
        self._seed += 1
        sheet = self.desk.store.keep_file(f"INVENTED sheet {self._seed}".encode(), "sheet.txt")
        self.say(DataSheetFiled(document=sheet, edition="1", page="2", csp_low=low, csp_high=high))

    def say(self, content: Any, person: Person = LEAD) -> None:
        """Enter something."""
        self.desk.enter(JOB, (content,), person)

    def work(self, zone: int = 1) -> None:
        """Prepare a zone and draw its spots."""
        self.say(
            SurfacePrepared(
                zone=zone,
                lot=1,
                shift="early",
                method="shot-blast",
                machine="blaster",
                tooling="S330",
                area_m2=20,
            ),
            CREW,
        )
        draw_spots(self.desk, JOB, zone, CREW, seed=7)

    def shoot(self, zone: int, spot: int, count: int = 1, **more: Any) -> str:
        """File new photos of a spot; the capture's name."""
        filed = file_photos(
            self.desk,
            JOB,
            self.photos(count),
            SpotTold(zone, spot),
            CREW,
            serial=more.pop("serial", 7),
            **more,
        )
        return filed.capture

    def assess(self, **more: Any) -> JobAssessed:
        """Assess what is pending."""
        return assess_job(self.desk, JOB, SerialExecutor(), CREW, **more)

    def read(
        self, zone: int, spot: int, low: int = 4, high: int | None = None, person: Person = LEAD, **more: Any
    ) -> None:
        """Read a chip at a spot, with a photo of its own."""
        (photo,) = self.desk.store.keep_files([(path, path.name) for path in self.photos()])
        self.say(
            ChipRead(
                zone=zone, spot=spot, chip_low=low, chip_high=low if high is None else high, edition="ten-chip",
                chip_set="set A", photo=photo, touched=True, **more,
            ),
            person,
        )  # fmt: skip

    def kinds(self) -> list[str]:
        """The kinds of all entries, in order."""
        return [entry.content.kind for entry in self.desk.store.entries(JOB)]

    def spots(self, zone: int = 1) -> Sequence[int]:
        """The numbers of a zone's spots."""
        return sorted(self.desk.book(JOB).zones[zone].spots)

    def kept(self) -> int:
        """How many files the store holds."""
        return len(list(self.desk.store.files.names()))
