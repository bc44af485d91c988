"""Play a job: a careful crew's next step, and anything that anybody might enter out of turn.

A step is four small whole numbers, so that hypothesis can shrink it and a seeded generator can draw it. `play` enters
them one after another; what the gates refuse is dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from assessor.errors import InputError
from assessor.job.acceptance import Missing
from assessor.job.chain import Place, Role
from assessor.job.entries import (
    Content,
    ContradictionClosed,
    DataSheetFiled,
    Disturbed,
    DropsRecorded,
    HazardChecked,
    KeptClean,
    MockUpApproved,
    OverviewFiled,
    OverviewRefiled,
    PatchResolved,
    PatchSeen,
    PrintMeasured,
    Refiled,
    ReworkDone,
    ReworkOrdered,
    ScaleAccepted,
    ScaleProposed,
    SignedOff,
    SlabFacts,
    SpotRedrawn,
    SuggestionShown,
    SystemNamed,
    Waived,
)
from assessor.job.gates import check_entry
from assessor.job.plans import draw_again
from assessor.job.spots import SpotState
from tests.job.site import (
    HAZARDS_OF_JOB,
    LEAD,
    SECOND,
    THIRD,
    Site,
    assessed,
    capture,
    opened,
    plan_of,
    prepared,
    read,
    spread_of,
    stamp,
    zone_laid_out,
)

Step = tuple[int, int, int, int]
PEOPLE = (LEAD, SECOND, THIRD, LEAD.upper(), f" {SECOND} ")
ROLES: tuple[Role, ...] = ("lead", "lead", "lead", "crew", "trainer")
PLACES: tuple[Place, ...] = ("floor", "floor", "floor", "desk")
SAYS = ("in", "in", "in", "short", "over", "unsure", "refused")
STAIN = PatchSeen(patch=1, cause="oil or grease", area_mm2=400)


class Player:
    """A site and what was done to it; `honest` counts steps that the gates took."""

    def __init__(
        self, on_entry: Callable[[Site], None] | None = None, site: Site | None = None, **opening: Any
    ) -> None:
        self.site = site or Site(**opening)
        self.on_entry = on_entry
        self.refused = 0

    def play(self, steps: Sequence[Step]) -> None:
        """Take all steps."""
        for step in steps:
            self.take(step)

    def take(self, step: Step) -> None:
        """A careful crew's next steps (0 to 5), a spot that fails (6), a wrong tag that unblinds (7), or anything."""
        kind, a, b, c = step
        if kind <= 5:
            for _ in range(3 * kind + 1):
                self.proceed(1 + a % 2)
            return
        if kind == 6:
            self.fail(1 + a % 2, b)
            return
        if kind == 7:
            self.seen_elsewhere(1 + a % 2, b, c)
            return
        chaos = CHAOS[(kind - 8) % len(CHAOS)]
        try:
            content = chaos(self.site, a, b, c)
        except (InputError, LookupError, AssertionError):
            return  # there is nothing yet that it could be about
        after = (1, 1, 1, 1, 90, 1700)[(a + b + c) % 6]
        self.say(content, PEOPLE[b % 5], ROLES[(a + c) % 5], PLACES[(b + c) % 4], after)

    def say(
        self, content: Content, who: str = LEAD, role: Role = "lead", place: Place = "floor", after: float = 1
    ) -> bool:
        """Enter something if the gates take it."""
        try:
            self.site.say(content, who, role, place, after=after)
        except InputError:
            self.refused += 1
            return False
        if self.on_entry is not None:
            self.on_entry(self.site)
        return True

    def fail(self, zone: int, number: int) -> None:
        """A spot that is too smooth: the tool says so, and so does a reader."""
        site = self.site
        if zone not in site.book.zones or not site.book.zones[zone].spots:
            return
        spot = _pick(sorted(site.book.zones[zone].spots), number)
        name, who = f"c{len(site.entries)}", self._reader(zone, spot)
        if who:
            now = site.book.round_of(zone, spot)
            self.say(read(zone, spot, site.new_file(), 2), who)
            self.say(capture(name, zone, spot, site.new_file(), round=now))
            self.say(assessed(name, "short", site.new_file()))

    def seen_elsewhere(self, zone: int, a: int, b: int) -> None:
        """Somebody sees the suggestion of one spot's photo, reads another spot; the photo was of that one."""
        site, spots = (
            self.site,
            sorted(self.site.book.zones[zone].spots) if zone in self.site.book.zones else [],
        )
        if len(spots) < 2:
            return
        one, other = spots[a % len(spots)], spots[(a + 1 + b % (len(spots) - 1)) % len(spots)]
        who, name = (LEAD, SECOND, THIRD)[b % 3], f"c{len(site.entries)}"
        self.say(ReworkDone(zone=zone, spots=(other,), method="shot-blast"))
        now = site.book.round_of(zone, other)
        self.say(capture(name, zone, one, site.new_file(), round=now))
        self.say(assessed(name, "in", site.new_file()))
        self.say(SuggestionShown(zone=zone, spot=one), who)
        self.say(read(zone, other, site.new_file()), who)
        self.say(Refiled(capture=name, zone=zone, spot=other, phase="after", round=now, why="wrong tag"))

    def mend(self, zone: int, most: int = 14) -> None:
        """Go on until the zone is accepted, or so many entries long."""
        for _ in range(most):
            if zone not in self.site.book.zones or self.site.standing(zone).standing == "accepted":
                return
            self.proceed(zone)

    def proceed(self, zone: int) -> None:
        """What a careful crew enters next in a zone."""
        site = self.site
        if zone not in site.book.zones:
            self.say(zone_laid_out(1) if 1 not in site.book.zones else zone_laid_out(zone))
            return
        standing = site.standing(zone)
        if not standing.missing:
            if standing.standing != "accepted":
                self.say(SignedOff(zone=zone))
            return
        for missing in standing.missing:
            content = self._mend(zone, missing, standing.spots)
            if content is not None:
                who = self._reader(zone, content.spot) if content.kind == "chip-read" else LEAD
                if self.say(content, who):
                    return

    def _mend(self, zone: int, missing: Missing, spots: tuple[SpotState, ...]) -> Content | None:
        site, book, code = self.site, self.site.book, missing.code
        if code.startswith(("spot-", "round-")):
            return self._mend_spot(zone, code, spots)
        if code == "hazard-open":
            hazards: Any = [
                h for h in HAZARDS_OF_JOB if h not in book.hazards or not _cleared(book.hazards[h])
            ]
            return HazardChecked(hazard=hazards[0], cleared=True, how="by radar", surveyor="a surveyor")
        if code == "mock-up-open":
            mock_up = zone if book.zones[zone].laid_out.is_mock_up else 1
            refers = book.zones[zone].laid_out.mock_up_zone
            if mock_up not in book.zones or mock_up not in {zone, refers}:
                return Waived(zone=zone, what="mock-up", why="no mock-up was laid out for it")
            if not book.prepared(mock_up):
                return prepared(mock_up)
            sides: Any = [side for side in ("client", "maker") if side not in book.approved(mock_up)]
            if not sides:
                return None
            return MockUpApproved(zone=mock_up, side=sides[0], name="somebody", on="2026-05-04")
        if code == "patch-open":
            name, patch = book.open_patches(zone)[0]
            return PatchResolved(
                zone=zone, capture=name, patch=patch.patch, how="retested", why="a drop went in"
            )
        simple: dict[str, Callable[[], Content]] = {
            "no-data-sheet": lambda: sheet(site, 3, 5),
            "not-prepared": lambda: prepared(zone),
            "part-prepared": lambda: prepared(zone, max(book.lots(zone)) + 1, area_m2=10),
            "no-plan": lambda: plan_of(
                book, zone, next(n for n in book.lots(zone) if not book.planned(zone, n))
            ),
            "no-drops": lambda: DropsRecorded(zone=zone, places=3, passed=True, words="all went in"),
            "drops-failed": lambda: DropsRecorded(zone=zone, places=3, passed=True, words="all went in"),
            "rework-open": lambda: ReworkDone(zone=zone, method="shot-blast"),
            "not-kept-clean": lambda: KeptClean(zone=zone, hours=24),
            "no-overview": lambda: _overview(site, zone, 0, 0),
        }
        return simple[code]()

    def _mend_spot(self, zone: int, code: str, spots: tuple[SpotState, ...]) -> Content | None:
        site, book = self.site, self.site.book
        for state in spots:
            shots = book.shots(zone, state.spot)
            waiting = [shot.capture for shot in shots if shot.assessed is None]
            if code == "spot-unshot" and not shots:
                return capture(f"c{len(site.entries)}", zone, state.spot, site.new_file(), round=state.round)
            if code == "spot-unassessed" and waiting:
                return assessed(waiting[0], "in", site.new_file())
            ahead = [shot for shot in shots if shot.round > state.round]
            if code == "round-ahead" and ahead:
                return Refiled(
                    capture=ahead[0].capture,
                    zone=zone,
                    spot=state.spot,
                    phase="after",
                    round=state.round,
                    why="tag",
                )
            if code == "spot-unread" and state.status == "unread":
                return (
                    read(zone, state.spot, site.new_file())
                    if self._reader(zone, state.spot)
                    else _again(state)
                )
            if code == "spot-contradicted" and state.status == "contradicted":
                return self._settle(zone, state)
            if code == "spot-outside" and state.status in {"short", "over"}:
                return _again(state)
            if code == "spot-not-fenced" and state.failed_in_round:
                content = _spread(site, zone, state.spot)
                if content is not None:
                    return content
        return None

    def _settle(self, zone: int, state: SpotState) -> Content:
        """Two who agree close it; else another reader who has seen nothing; else it is worked over."""
        site = self.site
        for low in (4, 3, 5):
            close = ContradictionClosed(
                zone=zone,
                spot=state.spot,
                by="second-reader",
                stands_low=low,
                stands_high=low,
                why="two agree",
            )
            if self._would(close):
                return close
        fresh = [who for who in (LEAD, SECOND, THIRD) if who not in state.readers]
        fresh = [who for who in fresh if not site.book.has_seen(who, zone, state.spot)]
        return read(zone, state.spot, site.new_file()) if fresh else _again(state)

    def _would(self, content: Content) -> bool:
        try:
            check(self.site, content)
        except InputError:
            return False
        return True

    def _reader(self, zone: int, spot: int) -> str:
        """Somebody who may still read a spot blind, one who has not read it before others; else nobody."""
        book = self.site.book
        own = {" ".join(n.stamp.who.split()).casefold() for n in book.readings.get((zone, spot), ())}
        people = [who for who in (LEAD, SECOND, THIRD) if not book.has_seen(who, zone, spot)]
        return next((who for who in people if who.casefold() not in own), people[0] if people else "")


def check(site: Site, content: Content) -> None:
    """What the gates say of an entry now."""
    check_entry(site.book, content, stamp(site.minute + 1))


def _cleared(note: Any) -> bool:
    return bool(note.content.cleared)


def _again(state: SpotState) -> ReworkDone:
    return ReworkDone(zone=state.zone, spots=(state.spot,), method="shot-blast")


def _spread(site: Site, zone: int, spot: int) -> Content | None:
    content = spread_of(site.book, zone, spot)
    return content if content.spots else None


def sheet(site: Site, low: int, high: int) -> DataSheetFiled:
    """A data sheet that asks for these grades."""
    return DataSheetFiled(document=site.new_file(), edition="3", page="2", csp_low=low, csp_high=high)


def _overview(site: Site, zone: int, b: int, c: int) -> Content:
    patches = (STAIN,) if c % 4 == 3 else ()
    name = f"o{len(site.entries)}"
    return OverviewFiled(
        capture=name, zone=zone, photos=(site.new_file(),), record=site.new_file(), patches=patches
    )


def _pick(options: Sequence[Any], number: int) -> Any:
    """One of them; raises LookupError where there are none."""
    if not options:
        raise LookupError
    return options[number % len(options)]


def _spot_of(site: Site, zone: int, number: int) -> int:
    return int(_pick([*sorted(site.book.zones[zone].spots), 5, 6], number))


def _read(site: Site, a: int, b: int, c: int) -> Content:
    low = (4, 4, 4, 3, 5, 2, 6)[c % 7]
    old: Any = [n for notes in site.book.readings.values() for n in notes]
    photo = old[-1].content.photo if a % 11 == 10 and old else site.new_file()
    edition = "nine-chip" if a % 13 == 12 else "ten-chip"
    return read(1 + a % 2, _spot_of(site, 1 + a % 2, b), photo, low, low + (c % 3 == 2), edition=edition)


def _close(site: Site, a: int, b: int, c: int) -> Content:
    zone, low = 1 + a % 2, (4, 3, 5, 2)[c % 4]
    by: Any = ("second-reader", "replica", "pull-off")[b % 3]
    spot = next(
        (s.spot for s in site.standing(zone).spots if s.status == "contradicted"), _spot_of(site, zone, b)
    )
    document = site.new_file() if c % 5 else None
    return ContradictionClosed(
        zone=zone, spot=spot, by=by, stands_low=low, stands_high=low, why="seen", document=document
    )


def _refile(site: Site, a: int, b: int, c: int) -> Content:
    zone: int = 1 + b % 2
    return Refiled(
        capture=_pick(sorted(site.book.captures), c), zone=zone, spot=_spot_of(site, zone, a), phase="after",
        round=1 + c % 2, why="wrong tag",
    )  # fmt: skip


def _capture(site: Site, a: int, b: int, c: int) -> Content:
    phase: Any = "before" if c % 5 == 4 else "after"
    zone = 1 + a % 2
    return capture(
        f"c{len(site.entries)}",
        zone,
        _spot_of(site, zone, b),
        site.new_file(),
        round=1 + (c % 4 == 3),
        phase=phase,
    )


def _assess(site: Site, a: int, b: int, c: int) -> Content:
    name = _pick(sorted(site.book.captures), a)
    patches = (STAIN,) if b % 4 == 3 else ()
    return assessed(name, SAYS[c % 7], site.new_file(), patches=patches, kind=("angles", "estimate")[b % 2])


def _patch(site: Site, a: int, b: int, c: int) -> Content:
    zone = 1 + a % 2
    name, patch = _pick(site.book.open_patches(zone), b)
    how: Any = ("retested", "reworked", "waived")[c % 3]
    return PatchResolved(zone=zone, capture=name, patch=patch.patch, how=how, why="wiped")


def _again_drawn(site: Site, a: int, b: int, c: int) -> Content:
    zone = 1 + a % 2
    placed = site.book.zones[zone].spots
    clear = [
        spot for spot in sorted(placed)
        if placed[spot].drawn.role == "random" and not site.book.captures_at(zone, spot)
        and not site.book.readings.get((zone, spot))
    ]  # fmt: skip
    spot = _pick(clear or sorted(placed), b)
    place, attempt = draw_again(site.book, zone, spot)
    lot = site.book.zones[zone].spots[spot].lot
    return SpotRedrawn(zone=zone, lot=lot, place=place, attempt=attempt, why="a column")


def _some(site: Site, a: int, b: int, c: int) -> tuple[int, ...]:
    return () if c % 4 == 0 else (_spot_of(site, 1 + a % 2, b),)


def _proposed(site: Site) -> list[Any]:
    proposals: list[Any] = [note.content for note in site.book.proposals.values()]
    return [content.scale for content in proposals]


WAIVERS: tuple[Any, ...] = ("overview", "drops", "data-sheet", "mock-up", "rework")
CHAOS: tuple[Callable[[Site, int, int, int], Content], ...] = (
    _read, _assess, _capture, _close, _refile, _patch, _again_drawn, _read, _assess, _close,
    lambda site, a, b, c: SuggestionShown(zone=1 + a % 2, spot=_spot_of(site, 1 + a % 2, b)),
    lambda site, a, b, c: spread_of(site.book, 1 + a % 2, _spot_of(site, 1 + a % 2, b)),
    lambda site, a, b, c: _overview(site, 1 + a % 2, b, c),
    lambda site, a, b, c: ReworkOrdered(zone=1 + a % 2, spots=_some(site, a, b, c), lines=("one more pass",)),
    lambda site, a, b, c: ReworkDone(zone=1 + a % 2, spots=_some(site, a, b, c), method="shot-blast"),
    lambda site, a, b, c: Disturbed(zone=1 + a % 2, what="rain"),
    lambda site, a, b, c: KeptClean(zone=1 + a % 2, hours=(1, 12, 24)[c % 3]),
    lambda site, a, b, c: DropsRecorded(zone=1 + a % 2, places=3, passed=c % 2 == 0, words="watched"),
    lambda site, a, b, c: SignedOff(zone=1 + a % 2),
    lambda site, a, b, c: MockUpApproved(zone=1 + a % 2, side=("client", "maker")[c % 2], name="x", on="2026-05-04"),
    lambda site, a, b, c: HazardChecked(hazard=HAZARDS_OF_JOB[a % 2], cleared=c % 2 == 0, how="x", surveyor="y"),
    lambda site, a, b, c: sheet(site, (3, 3, 4)[c % 3], (5, 5, 6)[c % 3]),
    lambda site, a, b, c: SystemNamed(system=("high-build", "thin-film", "no-such")[c % 3], moisture="dry"),
    lambda site, a, b, c: zone_laid_out(1 + a % 2, mock_up_zone=(None, 1, 2)[c % 3], is_mock_up=b % 2 == 0),
    lambda site, a, b, c: prepared(1 + a % 2, 1 + b % 3, area_m2=(20, 10, 4)[c % 3]),
    lambda site, a, b, c: plan_of(site.book, 1 + a % 2, 1 + b % 3, seed=c),
    lambda site, a, b, c: Waived(zone=1 + a % 2, what=WAIVERS[c % 5], why="agreed"),
    lambda site, a, b, c: SlabFacts(age_days=400, sounding="dull at the door"),
    lambda site, a, b, c: ScaleProposed(scale=site.new_file(), derived_from="prior", n_readings=9, differences=()),
    lambda site, a, b, c: ScaleAccepted(scale=_pick(_proposed(site), a), why="fits here"),
    lambda site, a, b, c: OverviewRefiled(capture=_pick(sorted(site.book.overviews), c), zone=1 + a % 2, why="sheets"),
    lambda site, a, b, c: PrintMeasured(serial=1 + a, along_mm=250 + c / 10, across_mm=180),
    lambda site, a, b, c: opened(),
)  # fmt: skip
KINDS_OF_STEP = 8 + len(CHAOS)
