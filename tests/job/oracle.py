"""Whether a zone may count as accepted, read a second time from the issue's text and nothing else.

Plain loops over the entries. Nothing of `assessor.job` beyond the entries' own models is used, so that a mistake in
`spots`, `acceptance` or `gates` can't hide here. `denies` names what the rules of acceptance are broken by.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

from assessor.job.chain import Entry
from assessor.tables.loader import load_systems

WORK = {"surface-prepared", "rework-done"}
REOPENING = {
    "disturbed", "rework-ordered", "rework-done", "surface-prepared", "refiled", "plan-drawn", "spread-drawn",
    "spot-redrawn", "zone-laid-out", "contradiction-closed", "overview-refiled",
}  # fmt: skip
MEASURED = {"angles", "torch", "fused"}
STEP_M, ROOM_M = 1.5, 0.25
WAYS = {"along": (1, 0), "back": (-1, 0), "in": (0, 1), "out": (0, -1)}
Range = tuple[int, int]


class Record:
    """The entries of a job, and the few questions that all rules ask."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self.entries = entries

    def of(self, *kinds: str, zone: int | None = None, after: int = 0, upto: int = 10**9) -> Iterator[Entry]:
        for entry in self.entries:
            content: Any = entry.content
            here = zone is None or getattr(content, "zone", None) == zone
            if here and content.kind in kinds and after < entry.number <= upto:
                yield entry

    def last(self, *kinds: str, zone: int | None = None) -> int:
        return max((entry.number for entry in self.of(*kinds, zone=zone)), default=0)

    def waived(self, zone: int, what: str) -> bool:
        return any(entry.content.what == what for entry in self.of("waived", zone=zone))  # type: ignore[union-attr]

    def place(self, capture: str, upto: int = 10**9) -> tuple[int, int, str, int, int] | None:
        """Zone, spot, phase, round of a capture, and the entry that put it there."""
        found = None
        for entry in self.of("capture-filed", "refiled", upto=upto):
            c: Any = entry.content
            if c.capture == capture:
                found = c.zone, c.spot, c.phase, c.round, entry.number
        return found

    def overviews(self, zone: int, after: int = 0) -> list[Entry]:
        """The overviews that lie in a zone now and were filed after an entry."""
        found = []
        for entry in self.of("overview-filed", after=after):
            c: Any = entry.content
            moves: list[Any] = [m.content for m in self.of("overview-refiled")]
            places = [c.zone, *(move.zone for move in moves if move.capture == c.capture)]
            if places[-1] == zone:
                found.append(entry)
        return found

    def captures(self) -> list[str]:
        return [entry.content.capture for entry in self.of("capture-filed")]  # type: ignore[union-attr]

    def reworks(self, zone: int, spot: int) -> list[int]:
        return [
            entry.number for entry in self.of("rework-done", zone=zone)
            if not entry.content.spots or spot in entry.content.spots  # type: ignore[union-attr]
        ]  # fmt: skip


def denies(entries: Sequence[Entry], zone: int, now_utc: str) -> list[str]:
    """Every rule by which the zone can not be accepted now; empty where it may be."""
    record = Record(entries)
    target = _target(record, zone)
    if target is None:
        return ["no range is known"]
    found = [*_before_work(record, zone), *_plan(record, zone)]
    for spot in _drawn(record, zone):
        found += [f"spot {spot}: {line}" for line in _spot(record, zone, spot, target)]
    found += [*_patches(record, zone), *_looked_at(record, zone), *_signed(record, zone, target)]
    return [*found, *_clean(record, zone, datetime.fromisoformat(now_utc))]


def _target(record: Record, zone: int) -> Range | None:
    sheets: list[Any] = [entry.content for entry in record.of("data-sheet-filed")]
    if sheets:
        return sheets[-1].csp_low, sheets[-1].csp_high
    systems: list[Any] = [entry.content for entry in record.of("system-named")]
    if systems and record.waived(zone, "data-sheet"):
        for row in load_systems().system:
            if row.key == systems[-1].system and row.csp_low is not None and row.csp_high is not None:
                return row.csp_low, row.csp_high
    return None


def _before_work(record: Record, zone: int) -> Iterator[str]:
    """Both surveys cleared before every cut anywhere and now; the mock-up approved by both sides, or let off."""
    moments = [entry.number for entry in record.of(*WORK)] + [10**9]
    for hazard in ("asbestos-lead", "buried-services"):
        for moment in moments:
            said: list[Any] = [
                entry.content for entry in record.of("hazard-checked", upto=moment)
                if entry.content.hazard == hazard  # type: ignore[union-attr]
            ]  # fmt: skip
            if not said or not said[-1].cleared:
                yield f"{hazard} was not cleared"
    laid: Any = list(record.of("zone-laid-out", zone=zone))[-1].content
    mock_up = zone if laid.is_mock_up else laid.mock_up_zone
    if record.waived(zone, "mock-up"):
        return
    worked = max((record.last(kind, zone=mock_up) for kind in WORK), default=0)
    sides = {e.content.side for e in record.of("mock-up-approved", zone=mock_up, after=worked)}  # type: ignore[union-attr]
    if mock_up is None or sides != {"client", "maker"}:
        yield "the mock-up is not approved by both sides since it was last worked on"


def _plan(record: Record, zone: int) -> Iterator[str]:
    """Every lot has at least three random spots and the worst place, and the lots make up the zone."""
    areas: dict[int, float] = {}
    for entry in record.of("surface-prepared", zone=zone):
        c: Any = entry.content
        areas[c.lot] = max(areas.get(c.lot, 0), c.area_m2)
    laid: Any = list(record.of("zone-laid-out", zone=zone))[-1].content
    if sum(areas.values()) < 0.79 * laid.area_m2:
        yield "part of the zone was not prepared"
    for lot in areas:
        plans: list[Any] = [e.content for e in record.of("plan-drawn", zone=zone) if e.content.lot == lot]  # type: ignore[union-attr]
        roles = [spot.role for plan in plans for spot in plan.spots]
        if len(plans) != 1 or roles.count("random") < 3 or roles.count("worst") != 1:
            yield f"lot {lot} has no plan of three random spots and the worst place"


def _drawn(record: Record, zone: int) -> dict[int, tuple[Any, int]]:
    """Every spot of the zone, with the entry that put it where it is."""
    found: dict[int, tuple[Any, int]] = {}
    for entry in record.of("plan-drawn", "spread-drawn", "spot-redrawn", zone=zone):
        c: Any = entry.content
        for spot in (c.place,) if c.kind == "spot-redrawn" else c.spots:
            found[spot.spot] = spot, entry.number
    return found


def _spot(record: Record, zone: int, spot: int, target: Range) -> Iterator[str]:
    reworks = record.reworks(zone, spot)
    since, now = max(reworks, default=0), 1 + len(reworks)
    drawn = _drawn(record, zone)[spot]
    here = []
    for capture in record.captures():
        at = record.place(capture)
        if at and at[:3] == (zone, spot, "after") and at[3] >= now and at[4] > drawn[1]:
            here.append((capture, at[4]))
    if not any(e.content.capture == name for e in record.of("assessed") for name, _ in here):  # type: ignore[union-attr]
        yield "no assessed photo of this round"
    blind = [entry for entry in record.of("chip-read", zone=zone, after=since) if entry.content.spot == spot]  # type: ignore[union-attr]
    for entry in blind:
        if entry.stamp.place != "floor" or not entry.content.touched:  # type: ignore[union-attr]
            yield "a reading was not made at the floor"
        if _photo_known(record, entry):
            yield "a reading has no photo of its own"
    blind = [entry for entry in blind if not _had_seen(record, entry, since, now, {name for name, _ in here})]
    if not any(side(_grades(entry), target) == "in" for entry in blind):
        yield "no blind reading of this round lies in the range"
    yield from _disputes(record, zone, spot, target, blind, here)
    if drawn[0].role != "spread":
        yield from _fence(record, zone, spot, target)


def _photo_known(record: Record, reading: Entry) -> bool:
    sha = reading.content.photo.sha256  # type: ignore[union-attr]
    return any(sha in entry.text for entry in record.entries if entry.number < reading.number)


def _same(one: str, other: str) -> bool:
    return "".join(one.split()).lower() == "".join(other.split()).lower()


def _had_seen(record: Record, reading: Entry, since: int, now: int, here: set[str]) -> bool:
    c: Any = reading.content
    for shown in record.of("suggestion-shown", upto=reading.number):
        s: Any = shown.content
        if not _same(shown.stamp.who, reading.stamp.who):
            continue
        if (s.zone, s.spot) == (c.zone, c.spot) and shown.number > since:
            return True
        for name in here:
            then = record.place(name, upto=shown.number)
            if then and then[:2] == (s.zone, s.spot):
                return True
    return False


def side(grades: Range, target: Range) -> str:
    """Where a reading lies; a reading between two chips lies in the range only with both."""
    if grades[0] < target[0]:
        return "short"
    return "over" if grades[1] > target[1] else "in"


def _grades(entry: Entry) -> Range:
    c: Any = entry.content
    return (c.stands_low, c.stands_high) if c.kind == "contradiction-closed" else (c.chip_low, c.chip_high)


def _apart(one: Range, other: Range, target: Range) -> bool:
    return side(one, target) != side(other, target) or abs(sum(one) / 2 - sum(other) / 2) > 1


def _tool_at(
    record: Record, here: list[tuple[str, int]], moment: int
) -> tuple[str, str | None, int | None] | None:
    """The capture that speaks for the spot at a moment, the side it is on, its best grade."""
    best: tuple[bool, int] | None = None
    word = None
    for name, placed in here:
        told: list[Entry] = [e for e in record.of("assessed", upto=moment) if e.content.capture == name]  # type: ignore[union-attr]
        if placed > moment or not told or told[-1].content.status != "assessed":  # type: ignore[union-attr]
            continue
        c: Any = told[-1].content
        worth = c.capture_kind in MEASURED, max(told[-1].number, placed)
        if best is None or worth > best:
            best = worth
            rework = "short" if (c.p_short or 0) >= (c.p_over or 0) else "over"
            word = name, {"chip": "in", "rework": rework}.get(c.call), c.best
    return word


def _disputes(
    record: Record, zone: int, spot: int, target: Range, blind: list[Entry], here: list[tuple[str, int]]
) -> Iterator[str]:
    """Whatever once did not agree in this round has a closing entry after it."""
    since = max(record.reworks(zone, spot), default=0)
    closed, stands, settled_words = 0, None, set()
    moments = range(since, record.entries[-1].number + 1)
    words = {moment: _tool_at(record, here, moment) for moment in moments}
    for entry in record.of("contradiction-closed", zone=zone, after=since):
        c: Any = entry.content
        if c.spot != spot:
            continue
        # Each person's last word before the closing entry.
        persons = {e.stamp.who.lower().replace(" ", ""): _grades(e) for e in blind if e.number < entry.number}
        agree = sum(not _apart(_grades(entry), grades, target) for grades in persons.values())
        enough = agree >= 2 if c.by == "second-reader" else c.document is not None
        if enough and (agree or side(_grades(entry), target) != "in"):
            closed, stands = entry.number, _grades(entry)
            settled_words = {words[m] for m in moments if m <= closed}
    if stands is not None and side(stands, target) != "in" and not any(e.number > closed for e in blind):
        yield "what stands lies outside the range"
    new = [_grades(entry) for entry in blind if entry.number > closed]
    for number, one in enumerate(new):
        if any(_apart(one, other, target) for other in [*new[:number], *([stands] if stands else [])]):
            yield "readers contradict each other"
    for moment in moments:
        word = words[moment]
        if moment <= closed or word is None or word in settled_words:
            continue
        held = [_grades(entry) for entry in blind if closed < entry.number <= moment]
        for grades in [*held, *([stands] if stands else [])]:
            if word[1] is not None and word[1] != side(grades, target):
                yield f"the tool said {word[1]}, {grades} was read"
            if word[2] is not None and abs(word[2] - sum(grades) / 2) > 1:
                yield f"the tool said CSP {word[2]}, {grades} was read"


def _fence(record: Record, zone: int, spot: int, target: Range) -> Iterator[str]:
    """A failed spot: neighbours on every side pass two in a row or end at the edge, or all was worked over since."""
    failed = 0
    for entry in record.of("chip-read", "contradiction-closed", zone=zone):
        if entry.content.spot == spot:  # type: ignore[union-attr]
            outside = side(_grades(entry), target) != "in"
            if outside:
                failed = entry.number
            elif entry.content.kind == "contradiction-closed" and not any(
                failed < number < entry.number for number in record.reworks(zone, spot)
            ):
                failed = 0  # overruled in the same round; an earlier round's failure is looked at by the gates' tests
    if not failed or any(not e.content.spots for e in record.of("rework-done", zone=zone, after=failed)):  # type: ignore[union-attr]
        return
    drawn = _drawn(record, zone)
    own = drawn[spot][0]
    laid: Any = list(record.of("zone-laid-out", zone=zone))[-1].content
    known = own.x_m is not None
    blocked = {
        way for e in record.of("spread-drawn", zone=zone) if e.content.failed_spot == spot for way in e.content.blocked  # type: ignore[union-attr]
    }  # fmt: skip
    there = {(s.direction, s.steps): n for n, (s, _) in drawn.items() if s.spread_from == spot}
    for way, (dx, dy) in WAYS.items():
        row, steps = 0, 1
        while row < 2:
            if (way, steps) in there:
                # Every drawn spot has to be in range for acceptance, and `_spot` looks at each.
                row += 1
            elif way in blocked:
                break
            elif known:
                x, y = own.x_m + dx * STEP_M * steps, own.y_m + dy * STEP_M * steps
                if not (ROOM_M - 0.02 <= x <= laid.length_m - ROOM_M + 0.02
                        and ROOM_M - 0.02 <= y <= laid.width_m - ROOM_M + 0.02):  # fmt: skip
                    break
                if min(x - ROOM_M, laid.length_m - ROOM_M - x, y - ROOM_M, laid.width_m - ROOM_M - y) < 0.02:
                    break  # a centimetre's rounding at the edge: either is right
                yield f"failed, and nothing is drawn {way} of it"
                break
            else:
                yield f"failed, and nothing is drawn {way} of it"
                break
            steps += 1


def _patches(record: Record, zone: int) -> Iterator[str]:
    """Every patch seen after preparation is resolved after it was last seen."""
    seen: dict[tuple[str, int], int] = {}
    for name in record.captures():
        at = record.place(name)
        told = [e for e in record.of("assessed") if e.content.capture == name]  # type: ignore[union-attr]
        if at and at[0] == zone and at[2] == "after" and told:
            seen |= {(name, p.patch): told[-1].number for p in told[-1].content.patches}  # type: ignore[union-attr]
    for entry in record.overviews(zone):
        c: Any = entry.content
        seen |= {(c.capture, p.patch): entry.number for p in c.patches}
    for (name, patch), number in seen.items():
        done: list[Any] = [e.content for e in record.of("patch-resolved", after=number)]
        if not any((d.capture, d.patch) == (name, patch) for d in done):
            yield f"patch {patch} of {name} is not resolved since it was seen"


def _looked_at(record: Record, zone: int) -> Iterator[str]:
    worked = max(record.last(kind, zone=zone) for kind in WORK)
    if not record.waived(zone, "overview"):
        shown: list[Any] = [e.content.covered_share for e in record.overviews(zone, after=worked)]  # type: ignore[union-attr]
        if not shown:
            yield "no overview since the last work"
        elif None not in shown and max(shown) < 0.9:
            yield "the overviews show too little of the zone"
    opened: Any = record.entries[0].content
    if opened.drops_asked and not record.waived(zone, "drops"):
        drops: list[Any] = [e.content for e in record.of("drops-recorded", zone=zone, after=worked)]
        if not drops or not drops[-1].passed:
            yield "water drops were asked for and did not pass since the last work"
        else:
            places = 0
            for drop in drops:
                places = places + drop.places if drop.passed else 0
            laid: Any = list(record.of("zone-laid-out", zone=zone))[-1].content
            # ASTM F3191: 3 in the first 2,000 square feet, then one per 3,000 (trade literature).
            wanted_drops = 3 + max(0, math.ceil((laid.area_m2 / 0.3048**2 - 2000) / 3000))
            if places < wanted_drops:
                yield "water drops at too few places"
    waivers = record.of("waived", zone=zone)
    let_off = max((e.number for e in waivers if e.content.what == "rework"), default=0)  # type: ignore[union-attr]
    for order in record.of("rework-ordered", zone=zone, after=let_off):
        done: list[Any] = [e.content for e in record.of("rework-done", zone=zone, after=order.number)]
        wanted = set(order.content.spots) or {0}  # type: ignore[union-attr]
        if all(d.spots for d in done) and not wanted <= {s for d in done for s in d.spots}:
            yield "ordered rework is not done"


def _signed(record: Record, zone: int, target: Range) -> Iterator[str]:
    """A lead signed after the last thing that reopens the zone."""
    signed = [entry for entry in record.of("signed-off", zone=zone) if entry.stamp.role == "lead"]
    if not signed:
        yield "no lead has signed"
        return
    for entry in record.entries[signed[-1].number :]:
        c: Any = entry.content
        mine = getattr(c, "zone", None) == zone
        if c.kind in {"assessed", "refiled"}:
            before, now = record.place(c.capture, upto=entry.number - 1), record.place(c.capture)
            mine = mine or zone in {before[0] if before else 0, now[0] if now else 0}
        if c.kind == "overview-refiled":
            before_it = Record(record.entries[: entry.number - 1])
            mine = mine or any(e.content.capture == c.capture for e in before_it.overviews(zone))  # type: ignore[union-attr]
        if mine and (
            c.kind in REOPENING
            or (c.kind in {"assessed", "overview-filed"} and c.patches)
            or (c.kind == "drops-recorded" and not c.passed)
            or (c.kind == "chip-read" and side((c.chip_low, c.chip_high), target) != "in")
        ):
            yield f"{c.kind} came after the sign-off"
        if c.kind in {"data-sheet-filed", "system-named"} or (c.kind == "hazard-checked" and not c.cleared):
            yield f"{c.kind} came after the sign-off"


def _clean(record: Record, zone: int, now: datetime) -> Iterator[str]:
    """Looks at the clean floor since the last work or event hold without a gap from the sign-off until now."""
    signed = record.last("signed-off", zone=zone)
    if not signed:
        return
    touched = max(record.last(kind, zone=zone) for kind in (*WORK, "disturbed"))
    covered = datetime.fromisoformat(record.entries[signed - 1].stamp.at_utc)
    looks = []
    for entry in record.of("kept-clean", zone=zone, after=touched):
        begin = datetime.fromisoformat(entry.stamp.at_utc)
        looks.append((begin, begin + timedelta(hours=entry.content.hours)))  # type: ignore[union-attr]
    for begin, end in sorted(looks):
        if begin <= covered:
            covered = max(covered, end)
    if (
        now > covered
        or not looks
        or min(looks)[0] > datetime.fromisoformat(record.entries[signed - 1].stamp.at_utc)
    ):
        yield "the clean log has a gap"
