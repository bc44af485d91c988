"""A small invented job for tests of the record: two zones, three people, a clock that runs a minute an entry."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from assessor.job.acceptance import ZoneStanding, zone_standing
from assessor.job.book import JobBook
from assessor.job.chain import START, Entry, Place, Role, Stamp, seal
from assessor.job.entries import (
    Assessed,
    CaptureFiled,
    ChipRead,
    Content,
    DataSheetFiled,
    HazardChecked,
    JobOpened,
    KeptClean,
    MockUpApproved,
    OverviewFiled,
    PatchSeen,
    PlanDrawn,
    SignedOff,
    SpreadDrawn,
    SurfacePrepared,
    SystemNamed,
    ZoneLaidOut,
)
from assessor.job.gates import enter
from assessor.job.parts import Call, FileRef, Phase
from assessor.job.plans import drawn_spot, lot_of, next_neighbours, next_number
from assessor.job.sampling import draw_plan
from assessor.job.spots import spot_state
from assessor.job.targets import target_of

BEGIN = datetime(2026, 5, 4, 7, 0, tzinfo=UTC)
LEAD, SECOND, THIRD = "Lena Invented", "Sam Invented", "Tom Invented"
HAZARDS_OF_JOB = ("asbestos-lead", "buried-services")
CALLS: dict[str, tuple[Call, float, float, float, int]] = {
    # call, P(short), P(in range), P(over), best grade: what the tool says of a spot in a range of CSP 3-5
    "in": ("chip", 0.03, 0.95, 0.02, 4),
    "short": ("rework", 0.9, 0.1, 0.0, 2),
    "over": ("rework", 0.0, 0.1, 0.9, 7),
    "unsure": ("shot", 0.3, 0.6, 0.1, 4),
}


def at(minutes: float) -> str:
    """A moment of the job, as it is stamped."""
    return (BEGIN + timedelta(minutes=minutes)).isoformat(timespec="microseconds")


def stamp(minutes: float, who: str = LEAD, role: Role = "lead", place: Place = "floor", **more: str) -> Stamp:
    """Who, where and when."""
    return Stamp(who, role, place, at(minutes), 120, "assessor 0.6.0", **more)


def file(number: int, name: str = "") -> FileRef:
    """An invented stored file; another number is another content."""
    return FileRef(sha256=f"{number:064x}", name=name or f"f{number}.jpg")


def opened(**more: Any) -> JobOpened:
    """The opening entry."""
    return JobOpened(**{"name": "Depot", "code": "DP01", "site": "invented", "invented": True, **more})


def zone_laid_out(zone: int = 1, **more: Any) -> ZoneLaidOut:
    """A zone of 20 m2, 5 x 4 m; zone 1 is the mock-up."""
    own = {"is_mock_up": True} if zone == 1 else {"mock_up_zone": 1}
    known = {"area_m2": 20, "length_m": 5, "width_m": 4, "method": "shot-blast", "name": f"bay {zone}"}
    return ZoneLaidOut(zone=zone, **{**own, **known, **more})


def prepared(zone: int = 1, lot: int = 1, **more: Any) -> SurfacePrepared:
    """The work on the whole of a zone."""
    known = {
        "shift": "Monday",
        "method": "shot-blast",
        "machine": "blaster 1",
        "tooling": "S330",
        "area_m2": 20,
    }
    return SurfacePrepared(zone=zone, lot=lot, **{**known, **more})


class Site:
    """A job under way: `say` enters something as somebody, `do_*` a whole step as a careful crew would."""

    def __init__(self, **opening: Any) -> None:
        self.book = JobBook()
        self.entries: list[Entry] = []
        self.minute = 0.0
        self._files = 1000
        self.say(opened(**opening))

    @property
    def now(self) -> str:
        """The moment of the last entry."""
        return at(self.minute)

    def say(
        self,
        content: Content,
        who: str = LEAD,
        role: Role = "lead",
        place: Place = "floor",
        *,
        after: float = 1,
    ) -> Content:
        """Enter something, `after` minutes later; raises what the gates raise."""
        mark = stamp(self.minute + after, who, role, place)
        enter(self.book, content, mark, len(self.entries) + 1)
        self.minute += after
        previous = self.entries[-1].digest if self.entries else START
        self.entries.append(seal("DP01", len(self.entries) + 1, content, mark, previous))
        return content

    def crew(self, content: Content, **more: Any) -> Content:
        """Enter something as the crew."""
        return self.say(content, THIRD, "crew", **more)

    def new_file(self) -> FileRef:
        """A file that is not in the record yet."""
        self._files += 1
        return file(self._files)

    def standing(self, zone: int = 1, *, later_min: float = 0) -> ZoneStanding:
        """How a zone stands now, or so much later."""
        return zone_standing(self.book, zone, at(self.minute + later_min))

    def codes(self, zone: int = 1) -> tuple[str, ...]:
        """The codes of what is missing."""
        return tuple(missing.code for missing in self.standing(zone).missing)

    def do_papers(self, *, csp: tuple[int, int] | None = (3, 5)) -> None:
        """Surveys, system and data sheet."""
        for hazard in HAZARDS_OF_JOB:
            self.say(HazardChecked(hazard=hazard, cleared=True, how="by radar", surveyor="a surveyor"))  # type: ignore[arg-type]
        self.say(SystemNamed(system="high-build", moisture="dry"))
        if csp is not None:
            self.say(
                DataSheetFiled(
                    document=self.new_file(), edition="3", page="2", csp_low=csp[0], csp_high=csp[1]
                )
            )

    def do_work(self, zone: int = 1, **more: Any) -> None:
        """Lay out a zone, prepare it, draw its spots."""
        if zone not in self.book.zones:
            self.say(zone_laid_out(zone, **more))
        self.crew(prepared(zone))
        self.crew(plan_of(self.book, zone, 1))

    def do_overview(self, zone: int = 1, patches: tuple[PatchSeen, ...] = ()) -> str:
        """File an overview; its name."""
        name = f"overview-{len(self.entries)}"
        self.crew(
            OverviewFiled(
                capture=name, zone=zone, photos=(self.new_file(),), record=self.new_file(), patches=patches
            )
        )
        return name

    def do_shot(
        self, zone: int, spot: int, says: str | None = "in", *,
        patches: tuple[PatchSeen, ...] = (), kind: str = "angles", round: int | None = None, phase: Phase = "after",
    ) -> str:  # fmt: skip
        """File a capture of a spot and what the tool says of it; its name."""
        name = f"capture-{len(self.entries)}"
        now = self.book.round_of(zone, spot) if round is None else round
        self.crew(capture(name, zone, spot, self.new_file(), round=now, phase=phase))
        if says is not None:
            self.do_assess(name, says, patches=patches, kind=kind)
        return name

    def do_assess(
        self, name: str, says: str = "in", *, patches: tuple[PatchSeen, ...] = (), kind: str = "angles"
    ) -> None:
        """Assess a capture, or assess it again."""
        self.crew(assessed(name, says, self.new_file(), patches=patches, kind=kind))

    def do_read(
        self, zone: int, spot: int, chip: int = 4, who: str = LEAD, *, high: int | None = None, **more: Any
    ) -> ChipRead:
        """Read a chip at a spot."""
        content = read(zone, spot, self.new_file(), chip, high, **more)
        self.say(content, who, "lead" if who == LEAD else "crew")
        return content

    def do_spots(self, zone: int = 1, chip: int = 4, spots: Iterable[int] | None = None) -> None:
        """Shoot and read spots of a zone: all of them, or those named."""
        for spot in sorted(self.book.zones[zone].spots) if spots is None else spots:
            self.do_shot(zone, spot)
            self.do_read(zone, spot, chip)

    def do_mock_up(self, zone: int = 1) -> None:
        """Both sides approve the mock-up."""
        for side in ("client", "maker"):
            self.say(MockUpApproved(zone=zone, side=side, name="somebody", on="2026-05-04"))  # type: ignore[arg-type]

    def do_follow(self, zone: int, spot: int) -> tuple[int, ...]:
        """Draw the next neighbours of a failed spot; their numbers."""
        content = spread_of(self.book, zone, spot)
        self.crew(content)
        return tuple(own.spot for own in content.spots)

    def do_clean(self, zone: int = 1, hours: float = 24, **more: Any) -> None:
        """Look at the clean floor."""
        self.crew(KeptClean(zone=zone, hours=hours), **more)

    def do_rest(self, zone: int = 1) -> None:
        """All that is left to sign a zone whose spots are in range."""
        self.do_overview(zone)
        if self.book.zones[zone].laid_out.is_mock_up:
            self.do_mock_up(zone)
        self.do_clean(zone)

    def do_all(self, zone: int = 1) -> None:
        """From the laid-out floor to an accepted zone."""
        self.do_work(zone)
        self.do_spots(zone)
        self.do_rest(zone)
        self.say(SignedOff(zone=zone))


def accepted_site(**opening: Any) -> Site:
    """A job whose mock-up zone is accepted."""
    site = Site(**opening)
    site.do_papers()
    site.do_all()
    return site


def plan_of(book: JobBook, zone: int, lot: int, seed: int = 7) -> PlanDrawn:
    """The spots of a lot as the tool draws them."""
    plan = draw_plan([lot_of(book, zone, lot)], seed, taken={zone: next_number(book, zone) - 1})
    return PlanDrawn(zone=zone, lot=lot, seed=seed, spots=tuple(drawn_spot(spot) for spot in plan.spots))


def spread_of(book: JobBook, zone: int, spot: int, blocked: tuple[Any, ...] = ()) -> SpreadDrawn:
    """The neighbours of a failed spot as the tool draws them."""
    target = target_of(book, zone).grades
    assert target is not None
    states = tuple(spot_state(book, zone, own, target) for own in book.zones[zone].spots)
    return SpreadDrawn(
        zone=zone, lot=book.zones[zone].spots[spot].lot, failed_spot=spot, blocked=blocked,
        spots=next_neighbours(book, zone, spot, states, more_blocked=blocked),
    )  # fmt: skip


def capture(
    name: str, zone: int, spot: int, photo: FileRef, *, round: int = 1, phase: Phase = "after"
) -> CaptureFiled:
    """A capture of one photo, filed by its tag."""
    return CaptureFiled(
        capture=name, zone=zone, spot=spot, phase=phase, round=round, photos=(photo,), filed_by="tag"
    )


def assessed(
    name: str, says: str, record: FileRef, *, patches: tuple[PatchSeen, ...] = (), kind: str = "angles"
) -> Assessed:
    """What the tool said: a key of CALLS, or "refused"."""
    if says == "refused":
        return Assessed(capture=name, key=record.sha256, status="refused", record=record)
    call, short, inside, over, best = CALLS[says]
    return Assessed(
        capture=name, key=record.sha256, status="assessed", capture_kind=kind, record=record, call=call,
        p_short=short, p_in_range=inside, p_over=over, best=best, patches=patches, sentence=f"the tool says {says}",
    )  # fmt: skip


def read(
    zone: int, spot: int, photo: FileRef, low: int = 4, high: int | None = None, **more: Any
) -> ChipRead:
    """A reading of one chip, or between two."""
    known = {"edition": "ten-chip", "chip_set": "set A", "touched": True}
    return ChipRead(
        zone=zone,
        spot=spot,
        photo=photo,
        chip_low=low,
        chip_high=low if high is None else high,
        **{**known, **more},
    )
