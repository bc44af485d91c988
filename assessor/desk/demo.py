"""An invented job from the rendered photos that come with the program: one zone passes, two fail.

Nothing here is real: site, people, readings and data sheet are invented and marked so, and the photos are rendered by a
computer. The record itself is made by the same calls that a crew's commands make, with the clock run through a working
day that ends now, so everything that can be done with a job can be tried on it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from PIL import Image, ImageDraw

from assessor.desk.base import JobDesk, Person
from assessor.desk.judging import order_rework, rework_sheet
from assessor.desk.pages import write_rework
from assessor.desk.photos import SpotTold, assess_job, file_overview, file_photos
from assessor.desk.plan import draw_spots, follow_spot, write_tags
from assessor.errors import BadEntry, NoPhotos
from assessor.job.entries import (
    ChipRead,
    Content,
    ContradictionClosed,
    DataSheetFiled,
    DropsRecorded,
    HazardChecked,
    JobOpened,
    KeptClean,
    MockUpApproved,
    PatchResolved,
    PrintMeasured,
    Refiled,
    SignedOff,
    SlabFacts,
    SurfacePrepared,
    SystemNamed,
    Waived,
    ZoneLaidOut,
)
from assessor.job.parts import FileRef, Layer
from assessor.store.opening import open_store

JOB = "DEMO"
SITE = "INVENTED: hall of a depot that does not exist"
LEAD = Person("A. Example (invented)", "lead", "floor")
CREW = Person("B. Sample (invented)", "crew", "floor")
SECOND = Person("C. Demo (invented)", "crew", "floor")
SERIAL, BARS_MM = 20417, (247.0, 177.5)  # of the card in most photos that come along
CHIPS = "INVENTED: demo set, ten chips"
DAY = timedelta(hours=9)
SHEET = """INVENTED DATA SHEET - no such product exists.

Demo high-build coating, 0.5 mm, edition 2, page 3.
Surface: concrete surface profile CSP 3 to 5, bare, dry, free of oil, dust and old coating.
Rinsing with water: allowed, at least 24 hours before placing.
"""
Step = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class _Spot:
    """One spot of the story: its photos, and what each person reads there."""

    spot: int
    photos: str
    reads: tuple[tuple[Person, int, int], ...]


# Three random spots and the worst place, per zone. Readings are invented.
ZONE_1 = (
    _Spot(1, "bay2-shot-fine", ((LEAD, 4, 4),)),
    _Spot(2, "bay10-shot-torch", ((LEAD, 4, 5),)),
    _Spot(3, "bay9-flush-torch", ((LEAD, 4, 4),)),
    # Two grades below what the tool suggests: a second reader is asked, and agrees with the first.
    _Spot(4, "bay12-shot-single", ((LEAD, 5, 5), (SECOND, 5, 5))),
)
ZONE_2 = (
    _Spot(1, "bay3-shot-medium", ((LEAD, 7, 7),)),
    _Spot(2, "bay7-shot-phone-faults", ((LEAD, 6, 7),)),
    _Spot(3, "bay25-mottled", ((LEAD, 5, 6),)),
    _Spot(4, "bay17-aggregate-single", ()),
)
ZONE_3 = (
    # Three grades below the tool: left open, so that a contradiction can be looked at.
    _Spot(1, "bay1-ground-fine", ((LEAD, 2, 2),)),
    _Spot(2, "bay8-ground-torch", ((LEAD, 3, 3),)),
    _Spot(3, "bay18-oil-single", ((LEAD, 2, 2),)),
    _Spot(4, "bay14-ground-single", ()),
)


@dataclass
class _Clock:
    """A working day that ends now: every look moves it on."""

    at: datetime
    step: timedelta = timedelta(minutes=1)
    ticks: int = field(default=0)

    def __call__(self) -> datetime:
        self.ticks += 1
        return self.at + self.step * self.ticks / 4


def build_demo(
    out: Path, photos: Path | None, executor: Executor, on_step: Step | None = None
) -> tuple[str, ...]:
    """Build the job in an empty folder and return what was done, in sentences.

    photos: the folder calibration_images. Raises BadEntry where `out` holds something, NoPhotos without photos.
    """
    folder = _photos(photos)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise BadEntry("the demo needs an empty or a new folder", file=str(out))
    start = datetime.now().astimezone() - DAY
    clock = _Clock(start)
    with JobDesk(open_store(out / "store", create=True), clock) as desk:
        _before_work(desk)
        _zone(desk, folder, 1, ZONE_1)
        clock.at += timedelta(hours=2)
        _zone(desk, folder, 2, ZONE_2)
        _zone(desk, folder, 3, ZONE_3)
        _wrong_tag(desk, folder)
        file_overview(desk, JOB, 2, [folder / "overview" / "bay-zone"], CREW)
        assess_job(desk, JOB, executor, CREW, on_done=on_step)
        clock.at += timedelta(hours=2)
        _read(desk, 2, ZONE_2)
        _read(desk, 3, ZONE_3)
        _finish_first(desk)
        follow_spot(desk, JOB, 2, 1, CREW)
        pages = []
        for zone in (2, 3):
            sheet = rework_sheet(desk, JOB, zone, LEAD)
            order_rework(desk, JOB, zone, sheet, LEAD)
            pages.append(write_rework(sheet, JOB, zone, out))
        tags, count = write_tags(desk, JOB, (), phase="after", paper="a4", out=out / f"tags-{JOB}.pdf")
        stands = [f"zone {zone}: {desk.standing(desk.book(JOB), zone).standing}" for zone in (1, 2, 3)]
    return (
        "INVENTED JOB. Rendered photos, invented people and readings: nothing here is a real floor.",
        f"Store: {out / 'store'}. How it stands: {', '.join(stands)}. Zone 1's clean log holds a day: then it reopens.",
        f"Rework lists to print: {', '.join(map(str, pages))}. {count} tags: {tags}",
        f"Look: assessor job list --store {out / 'store'}",
        f"Look: assessor job show {JOB} --store {out / 'store'}",
        f"Look: assessor job history {JOB} --store {out / 'store'}",
    )


def _photos(photos: Path | None) -> Path:
    """The folder of rendered photos: as told, in the folder one stands in, or beside the checkout."""
    here = (
        [photos] if photos else [Path("calibration_images"), Path(__file__).parents[2] / "calibration_images"]
    )
    for folder in here:
        if (folder / "photos").is_dir():
            return folder
    raise NoPhotos("the demo's photos were not found: say --photos with the folder calibration_images")


def _before_work(desk: JobDesk) -> None:
    """Open the job and enter what is known and agreed before any cut."""
    desk.open_job(
        JobOpened(name="Hall floor (invented)", code=JOB, site=SITE, invented=True, drops_asked=True), LEAD
    )
    sheet = desk.store.keep_file(SHEET.encode(), "invented-data-sheet.txt")
    survey = desk.store.keep_file(b"INVENTED SURVEY: no asbestos, no lead.\n", "invented-survey.txt")
    plan = desk.store.keep_file(b"INVENTED PLAN: heating pipes end at grid line 4.\n", "invented-plan.txt")
    contents: list[Content] = [
        SlabFacts(
            age_days=5400, aggregate="gravel 16 mm", sounding="no hollow place heard",
            layers=(Layer(what="acrylic sealer, worn", area_m2=30.0, thickness_mm=0.1),),
        ),
        HazardChecked(hazard="asbestos-lead", cleared=True, how="laboratory", surveyor="invented", document=survey),
        HazardChecked(hazard="buried-services", cleared=True, how="radar scan", surveyor="invented", document=plan),
        SystemNamed(system="high-build", product="demo coating (invented)", thickness_mm=0.5, moisture="dry"),
        DataSheetFiled(document=sheet, edition="2", page="3", csp_low=3, csp_high=5, water_allowed=True),
        PrintMeasured(serial=SERIAL, along_mm=BARS_MM[0], across_mm=BARS_MM[1]),
        ZoneLaidOut(zone=1, name="mock-up by the gate", area_m2=20.0, length_m=5.0, width_m=4.0,
                    method="shot-blast", is_mock_up=True),
        ZoneLaidOut(zone=2, name="field, bays 2 to 4", area_m2=60.0, length_m=10.0, width_m=6.0,
                    method="shot-blast", mock_up_zone=1),
        ZoneLaidOut(zone=3, name="edge along the wall", part="edge", area_m2=8.0, length_m=16.0, width_m=0.5,
                    method="hand-grinder", mock_up_zone=1),
    ]  # fmt: skip
    desk.enter(JOB, contents, LEAD)


def _zone(desk: JobDesk, folder: Path, zone: int, spots: Sequence[_Spot]) -> None:
    """Prepare a zone, draw its spots and file their photos; the mock-up is read and approved at once."""
    laid_out = desk.book(JOB).zones[zone].laid_out
    work = SurfacePrepared(
        zone=zone, lot=1, shift="early", method=laid_out.method, area_m2=laid_out.area_m2, passes=2,
        machine="walk-behind blaster" if zone < 3 else "hand grinder, 180 mm",
        tooling="steel shot S-280" if zone < 3 else "metal-bond segments, 25 grit",
        machine_settings="valve at 6" if zone < 3 else "", speed="6 m/min" if zone < 3 else "",
    )  # fmt: skip
    desk.enter(JOB, (work,), CREW)
    draw_spots(desk, JOB, zone, CREW, seed=1000 + zone)
    for spot in spots:
        photos = folder / "photos" / spot.photos
        file_photos(desk, JOB, [photos], SpotTold(zone, spot.spot), CREW, serial=SERIAL)
    if zone == 1:
        _read(desk, zone, spots)
        approvals = [
            MockUpApproved(zone=zone, side=side, name=f"{side} (invented)", on=desk.now_utc()[:10])
            for side in ("client", "maker")
        ]
        desk.enter(JOB, approvals, LEAD)


def _read(desk: JobDesk, zone: int, spots: Sequence[_Spot]) -> None:
    """Enter the invented chip readings of a zone, each with its own picture."""
    for spot in spots:
        for number, (person, low, high) in enumerate(spot.reads, start=1):
            read = ChipRead(
                zone=zone, spot=spot.spot, chip_low=low, chip_high=high, edition="ten-chip", chip_set=CHIPS,
                photo=_chip_picture(desk, zone, spot.spot, number), touched=True,
            )  # fmt: skip
            desk.enter(JOB, (read,), person)


def _chip_picture(desk: JobDesk, zone: int, spot: int, number: int) -> FileRef:
    """A drawn stand-in for the photo of chip and floor, which says that it is one."""
    image = Image.new("L", (480, 320), 235)
    draw = ImageDraw.Draw(image)
    draw.rectangle((150, 90, 330, 230), fill=170, outline=60)
    draw.text(
        (20, 20),
        f"INVENTED stand-in for a photo of chip and floor\nzone {zone}, spot {spot}, reader {number}",
        0,
    )
    data = io.BytesIO()
    image.save(data, "PNG")
    return desk.store.keep_file(data.getvalue(), f"chip-Z{zone:02d}-S{spot:02d}-{number}.png")


def _wrong_tag(desk: JobDesk, folder: Path) -> None:
    """A capture under the wrong tag, mended by re-filing: the photos stay, the place changes."""
    filed = file_photos(
        desk, JOB, [folder / "photos" / "bay19-damp-single"], SpotTold(2, 4), CREW, serial=SERIAL
    )
    mended = Refiled(
        capture=filed.capture,
        zone=3,
        spot=4,
        phase="after",
        round=1,
        why="INVENTED: the tag of zone 2 lay in the photo",
    )
    desk.enter(JOB, (mended,), CREW)


def _finish_first(desk: JobDesk) -> None:
    """What the mock-up still misses, then its signature."""
    tested = [
        PatchResolved(
            zone=1, capture=capture, patch=patch.patch, how="retested",
            why="INVENTED: tested as the page says, and nothing lay there",
        )
        for capture, patch in desk.book(JOB).open_patches(1)
    ]  # fmt: skip
    if tested:
        desk.enter(JOB, tested, CREW)
    second = ContradictionClosed(
        zone=1,
        spot=4,
        by="second-reader",
        stands_low=5,
        stands_high=5,
        why="INVENTED: two readers read chip 5",
    )
    desk.enter(JOB, (second,), LEAD)
    why = "INVENTED: no zone sheets lay there; walked by eye with both sides"
    desk.enter(JOB, (Waived(zone=1, what="overview", why=why),), LEAD)
    contents = (
        DropsRecorded(
            zone=1, places=3, passed=True, words="INVENTED: all three drops drawn in within 20 seconds"
        ),
        KeptClean(zone=1, hours=24.0, note="INVENTED: vacuumed, closed with tape"),
    )
    desk.enter(JOB, contents, CREW)
    desk.enter(JOB, (SignedOff(zone=1, words="INVENTED"),), LEAD)
