"""What follows from a job's record: the rework list, how tool and readers agree, a refined scale to accept or not."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import log
from typing import TypeVar

from assessor.desk.base import JobDesk, Person
from assessor.desk.photos import scale_in_use
from assessor.errors import BadEntry
from assessor.grading.agreement import (
    Agreement,
    ReaderBias,
    Reading,
    ReadPair,
    agree,
    between_readers,
    reader_biases,
)
from assessor.grading.refine import NotProposed, ProposalHead, ReadSpot, ScaleProposal, propose
from assessor.grading.scale import SHIPPED, GradeScale, load_scale
from assessor.job.acceptance import ZoneStanding
from assessor.job.book import FiledCapture, JobBook, Noted
from assessor.job.book import person as person_key
from assessor.job.entries import (
    ChipRead,
    DataSheetFiled,
    OverviewFiled,
    ReworkOrdered,
    ScaleProposed,
    SlabFacts,
)
from assessor.job.findings import (
    Finding,
    findings_of_assessment,
    findings_of_method,
    findings_of_zone,
)
from assessor.job.rework import ReworkContext, ReworkLine, advise
from assessor.job.spots import SpotState, counted, grades_words, tool_says
from assessor.job.statistics import place_of
from assessor.job.targets import target_of
from assessor.report.schema import CaptureRecord
from assessor.report.schema_overview import OverviewRecord
from assessor.report.words_rework import SheetHead, line_words, spot_findings, zone_findings
from assessor.settings import Settings, digest_of
from assessor.tables.loader import load_methods
from assessor.values import Band, TargetRange
from assessor.workflow import DEFAULT_SCALE

PHOTOS_ONLY = "cant-tell"  # a finding that asks for a photo, not for work
R = TypeVar("R", CaptureRecord, OverviewRecord)


@dataclass(frozen=True, slots=True)
class ReworkSheet:
    """The rework list of a zone as it stands now, and what stands above it.

    spots: those it sends back, () for the whole zone. has_work: False where all it wants is photos.
    """

    head: SheetHead
    lines: tuple[ReworkLine, ...]
    spots: tuple[int, ...]
    has_work: bool


@dataclass(frozen=True, slots=True)
class JobAgreement:
    """How tool and readers agree over some jobs.

    rendered: how many of the tool's captures were rendered photos; unnamed: spots read at which it named no grade.
    """

    tool: Agreement
    readers: Agreement
    biases: tuple[ReaderBias, ...]
    rendered: int
    unnamed: int


def rework_sheet(desk: JobDesk, job: str, zone: int, person: Person) -> ReworkSheet:
    """Return what a zone wants done, from readings, assessments and its overview.

    The list tells what the tool suggests, so the person who asks for it is put down as having seen that. Raises
    BadEntry where no range is known.
    """
    book = desk.book(job)
    standing = desk.standing(book, zone)
    if standing.target is None:
        raise BadEntry(
            f"zone {zone}: {target_of(book, zone).sentence}, so nothing says what is short or over"
        )
    desk.show_suggestions(job, zone, [state.spot for state in standing.spots if state.tool], person)
    laid_out = book.zones[zone].laid_out
    method = load_methods().get(laid_out.method)
    process = method.process if method else None
    of_spots = {state.spot: _of_spot(desk, book, state, standing.target, process) for state in standing.spots}
    of_zone = _of_zone(desk, book, zone, process)
    found = [finding for each in (*of_spots.values(), of_zone) for finding in each]
    assert book.opened is not None
    lines = advise(found, laid_out.method, _context(book, zone, standing.target))
    head = SheetHead(
        job=f"{job}, {book.opened.name}",
        zone=f"zone {zone}, {laid_out.name}",
        range_words=target_of(book, zone).sentence,
        method=method.name if method else laid_out.method,
        made_by=person.who,
        made_on=desk.now_utc()[:16].replace("T", " ") + " UTC",
        loud=_loud(book, zone),
    )
    return ReworkSheet(head, lines, *_sent_back(standing, of_spots, of_zone))


def order_rework(desk: JobDesk, job: str, zone: int, sheet: ReworkSheet, person: Person) -> ReworkOrdered:
    """Enter a rework list as an order to the crew, in the words it reads; raises BadEntry where there is nothing."""
    if not sheet.has_work:
        what = "only photos are wanted" if sheet.lines else "nothing to rework showed"
        raise BadEntry(f"{what} in zone {zone}, so nothing was ordered")
    content = ReworkOrdered(
        zone=zone, spots=sheet.spots, lines=tuple(line_words(line) for line in sheet.lines)
    )
    desk.enter(job, (content,), person)
    return content


def _sent_back(
    standing: ZoneStanding, of_spots: Mapping[int, Sequence[Finding]], of_zone: Sequence[Finding]
) -> tuple[tuple[int, ...], bool]:
    """The spots that go back to the crew, () for the whole zone; and whether there is anything to work on.

    Whole-zone rework makes every reading of the zone void, so it is ordered only for what is the whole zone's.
    """
    status = {state.spot: state.status for state in standing.spots}
    wanting = [spot for spot, found in of_spots.items() if any(f.code != PHOTOS_ONLY for f in found)]
    failing = [spot for spot in wanting if status[spot] in {"short", "over", "unread"}]
    zone_wants = any(finding.code != PHOTOS_ONLY for finding in of_zone)
    spots = failing or ([] if zone_wants else wanting)
    return tuple(spots), bool(spots) or zone_wants


def _of_zone(desk: JobDesk, book: JobBook, zone: int, process: str | None) -> list[Finding]:
    """What is to do in a zone as a whole, by its last overview since the last work, and by its method."""
    worked = [*book.prepared(zone), *book.reworked.get(zone, ())]
    since = max((note.number for note in worked), default=0)
    found: list[Finding] = []
    # One that was re-filed comes last in the list and keeps its number.
    last = max(book.zones[zone].of(OverviewFiled), key=lambda note: note.number, default=None)
    if last is not None and isinstance(last.content, OverviewFiled) and last.number > since:
        overview = OverviewRecord.model_validate_json(desk.store.read_file(last.content.record))
        seen = zone_findings(_open_only(overview, book, last), f"zone {zone}", process=process)
        found += findings_of_zone(seen)
    if worked:
        found += findings_of_method(book.zones[zone].laid_out.method, f"zone {zone}")
    return found


def _of_spot(
    desk: JobDesk, book: JobBook, state: SpotState, target: TargetRange, process: str | None
) -> list[Finding]:
    """What is to do at one spot. Where a person has read the chip, that stands and not what the tool suggests."""
    where = f"zone {state.zone}, spot {state.spot}"
    found: list[Finding] = []
    if state.tool is not None:
        capture = book.captures[state.tool.capture]
        seen = spot_findings(_open_only(_record(desk, capture), book, capture), where, process=process)
        if state.stands is not None:
            seen = replace(seen, call="chip", p_short=0.0, p_over=0.0)
        found += findings_of_assessment(seen)
    if state.stands is not None and state.status in {"short", "over"}:
        side = place_of(*state.stands, target)
        told = " and ".join(
            f"{note.stamp.who} read {grades_words(note.content.chip_low, note.content.chip_high)}"
            for note in counted(book, state.zone, state.spot)
            if isinstance(note.content, ChipRead)
        )
        found.append(Finding("short" if side == "short" else "over", where, told, tested=True))
    return found


def _record(desk: JobDesk, capture: FiledCapture) -> CaptureRecord:
    assert capture.assessed is not None
    return CaptureRecord.model_validate_json(desk.store.read_file(capture.assessed.record))


def _open_only(record: R, book: JobBook, of: FiledCapture | Noted) -> R:
    """The record without the patches that were resolved."""
    name = of.capture if isinstance(of, FiledCapture) else getattr(of.content, "capture", "")
    zone = of.zone if isinstance(of, FiledCapture) else getattr(of.content, "zone", 0)
    if record.surface is None:
        return record
    still = {patch.patch for capture, patch in book.open_patches(zone) if capture == name}
    patches = tuple(patch for patch in record.surface.patches if not patch.shown or patch.number in still)
    return record.model_copy(update={"surface": record.surface.model_copy(update={"patches": patches})})


def _loud(book: JobBook, zone: int) -> str:
    """What has to stand out: an invented job, rendered photos."""
    rendered = any(capture.is_rendered for capture in book.captures_in(zone))
    words = ["INVENTED JOB"] if book.opened is not None and book.opened.invented else []
    return ", ".join([*words, "RENDERED PHOTOS"] if rendered else words)


def _context(book: JobBook, zone: int, target: TargetRange) -> ReworkContext:
    assert book.opened is not None
    sheet = book.data_sheet.content if book.data_sheet else None
    return ReworkContext(
        target=target,
        edition=book.opened.edition,
        indoors=book.opened.indoors,
        edges=book.zones[zone].laid_out.part != "field",
        system=book.system.system if book.system else None,
        water_allowed=sheet.water_allowed if isinstance(sheet, DataSheetFiled) else None,
    )


def agreement_of(desk: JobDesk, jobs: Sequence[str]) -> JobAgreement:
    """Return how tool and blind readers agree over jobs; of each reader the last blind reading counts."""
    pairs: list[ReadPair] = []
    readings: list[Reading] = []
    rendered = unnamed = 0
    names: dict[str, str] = {}
    for job in jobs:
        book = desk.book(job)
        for zone, number in sorted(key for key in book.readings if key[0] in book.zones):
            spot = f"{job}/{zone}/{number}/r{book.round_of(zone, number)}"
            own = counted(book, zone, number)
            for note in own:
                assert isinstance(note.content, ChipRead)
                reader = names.setdefault(person_key(note.stamp.who), note.stamp.who)
                readings.append(Reading(spot, reader, _grade(note.content)))
            tool = _suggested(book, zone, number)
            if tool is None or tool.assessed is None or tool.assessed.best is None:
                unnamed += bool(own) and tool is not None
                continue
            rendered += tool.is_rendered
            pairs += [
                ReadPair(spot, tool.assessed.best, _grade(note.content))
                for note in own
                if isinstance(note.content, ChipRead)
            ]
    return JobAgreement(agree(pairs), between_readers(readings), reader_biases(readings), rendered, unnamed)


def _grade(read: ChipRead) -> float:
    return (read.chip_low + read.chip_high) / 2


def _suggested(book: JobBook, zone: int, spot: int) -> FiledCapture | None:
    """The capture that speaks for a spot, by the same choice as beside its readings."""
    says = tool_says(book, zone, spot)
    return book.captures[says.capture] if says is not None else None


def refine_scale(
    desk: JobDesk, jobs: Sequence[str], person: Person, name: str, *, scale: str = DEFAULT_SCALE
) -> ScaleProposal | NotProposed:
    """Propose a scale refined by the blind readings of jobs, and enter it as a proposal in the first of them.

    Nothing uses it until `scale-accepted` is entered. Raises BadEntry for a name that can't be a file's.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,60}", name):
        raise BadEntry(f"'{name[:60]}' can't be a scale's name: letters, digits, blanks, dots and dashes")
    first = desk.book(jobs[0])
    assert first.opened is not None
    use = scale_in_use(desk, first, scale)
    if use.derived_from in SHIPPED:
        use = load_scale(use.derived_from)  # no reading counts twice: the scale before, with all readings
    readings = [spot for job in jobs for spot in _read_spots(desk, job, use)]
    head = ProposalHead(
        name=name, who=person.who, date=date.fromisoformat(desk.now_utc()[:10]), base_digest=digest_of(use),
        version=1 + len(first.proposals), site=first.opened.site,
    )  # fmt: skip
    proposal = propose(use, readings, head)
    if isinstance(proposal, NotProposed):
        return proposal
    stored = desk.store.keep_file(proposal.file_text.encode("utf-8"), f"{name}.json")
    desk.enter(
        jobs[0],
        (
            ScaleProposed(
                scale=stored, derived_from=proposal.derived_from, n_readings=proposal.n_readings,
                differences=proposal.differences,
            ),
        ),
        person,
    )  # fmt: skip
    return proposal


def _read_spots(desk: JobDesk, job: str, scale: GradeScale) -> list[ReadSpot]:
    """Every blind reading of a job beside what was measured there."""
    book = desk.book(job)
    assert book.opened is not None
    facts = [note.content for note in book.notes if isinstance(note.content, SlabFacts)]
    aggregate = facts[-1].aggregate if facts else ""
    found = []
    for zone, spot in sorted(key for key in book.readings if key[0] in book.zones):
        capture = _suggested(book, zone, spot)
        if capture is None:
            continue
        record = _record(desk, capture)
        method = load_methods().get(book.zones[zone].laid_out.method)
        camera = next((f"{p.make or ''} {p.model or ''}".strip() for p in record.photos if p.used), "")
        found += [
            ReadSpot(
                spot=f"{job}/{zone}/{spot}", log_value=log_value, u_log=u_log, band=band,
                process=method.process if method else None, low=note.content.chip_low, high=note.content.chip_high,
                reader=person_key(note.stamp.who), edition=note.content.edition, site=book.opened.site,
                aggregate=aggregate, camera=camera, rendered=record.origin != "camera",
                estimated=record.estimate is not None,
            )
            for band, log_value, u_log in _weighed(record, scale)
            for note in counted(book, zone, spot)
            if isinstance(note.content, ChipRead)
        ]  # fmt: skip
    return found


def _weighed(record: CaptureRecord, scale: GradeScale) -> Iterator[tuple[Band, float, float]]:
    """Band, ln Sq and its u of a record in every band of the scale that it was measured in.

    Of a scale whose chips were seen through a smaller window only what was weighed over that same area counts.
    """
    suggestion = record.suggestion
    quantities = record.texture.quantities if record.texture else ()
    if scale.window is not None:
        area_mm = scale.window.less(Settings().texture.inset_mm).size_mm
        same_area = suggestion is not None and suggestion.area_mm == area_mm
        weighed = suggestion.weighed if suggestion is not None and same_area else None
        quantities = (weighed,) if weighed is not None else ()
    for band in scale.bands:
        for quantity in quantities:
            same = (quantity.band.short_mm, quantity.band.long_mm) == (band.short_mm, band.long_mm)
            if quantity.name == "Sq" and same and quantity.bound == "value" and quantity.value and quantity.u:
                yield band, log(quantity.value), quantity.u / quantity.value
