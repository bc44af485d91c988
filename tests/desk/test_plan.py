"""Spots drawn, drawn again, followed up, and their tags; what the readings show, with the disputed ones left out."""

from __future__ import annotations

import numpy as np
import pypdfium2
import pytest
import zxingcpp

from assessor.card.tag import parse_tag
from assessor.desk.base import JobDesk
from assessor.desk.plan import (
    SEED_BITS,
    draw_spots,
    follow_spot,
    redraw_spot,
    statistics_of,
    tags_of,
    what_all_passing_proves,
    write_tags,
)
from assessor.errors import BadEntry, GateClosed, NoJob
from assessor.job.entries import PlanDrawn, ReworkDone, SpreadDrawn, SurfacePrepared
from assessor.job.sampling import wanted_spots
from tests.desk.stage import CREW, JOB, SayingPipeline, Stage

WORK = {"zone": 1, "shift": "early", "method": "shot-blast", "machine": "blaster", "tooling": "S330"}


def test_the_tool_draws_and_a_seed_is_never_chosen(stage: Stage) -> None:
    stage.say(SurfacePrepared(lot=1, area_m2=20, **WORK), CREW)
    made = draw_spots(stage.desk, JOB, 1, CREW)
    content = stage.desk.store.entries(JOB)[-1].content
    assert isinstance(content, PlanDrawn)
    assert 0 <= content.seed < 2**SEED_BITS
    assert [spot.role for spot in content.spots] == ["random", "random", "random", "worst"]
    assert [spot.spot for spot in content.spots] == stage.spots()
    assert made.efforts[0].quick + made.efforts[0].measured == 4
    proof = what_all_passing_proves(made.plans[0]).replace("\u00a0", " ")
    assert "over about 44 % of the floor" in proof  # Wilson: 3 / (3 + 1.96^2)
    with pytest.raises(GateClosed, match="the spots of all its lots are drawn already and stay"):
        draw_spots(stage.desk, JOB, 1, CREW)


def test_every_lot_gets_its_own_spots_numbered_on(stage: Stage) -> None:
    with pytest.raises(GateClosed, match="no work is entered"):
        draw_spots(stage.desk, JOB, 1, CREW)
    stage.say(SurfacePrepared(lot=1, area_m2=10, **WORK), CREW)
    draw_spots(stage.desk, JOB, 1, CREW)
    stage.say(SurfacePrepared(lot=2, area_m2=10, **{**WORK, "shift": "late"}), CREW)
    made = draw_spots(stage.desk, JOB, 1, CREW)
    assert len(made.plans) == 1
    assert stage.spots() == list(range(1, 9))
    assert {placed.lot for placed in stage.desk.book(JOB).zones[1].spots.values()} == {1, 2}
    with pytest.raises(NoJob, match="no zone 9"):
        draw_spots(stage.desk, JOB, 9, CREW)


def test_a_spot_where_no_sheet_can_lie_is_drawn_again_with_its_reason(stage: Stage) -> None:
    stage.work()
    first = stage.desk.book(JOB).zones[1].spots[1].drawn.where
    with pytest.raises(BadEntry, match="only with what is in the way"):
        redraw_spot(stage.desk, JOB, 1, 1, CREW, why=" ")
    new = redraw_spot(stage.desk, JOB, 1, 1, CREW, why="a column")
    assert (new.attempt, new.why) == (1, "a column")
    assert stage.desk.book(JOB).zones[1].spots[1].drawn.where == new.place.where != first
    assert redraw_spot(stage.desk, JOB, 1, 1, CREW, why="a pallet").attempt == 2
    with pytest.raises(NoJob, match=r"no spot 60 in zone 1 \(spots: 1, 2, 3, 4\)"):
        redraw_spot(stage.desk, JOB, 1, 60, CREW, why="a column")
    stage.shoot(1, 2)
    with pytest.raises(GateClosed, match="shot or read already"):
        redraw_spot(stage.desk, JOB, 1, 2, CREW, why="a column")


def test_a_failed_spot_is_followed_until_two_in_a_row_pass(stage: Stage) -> None:
    stage.work()
    with pytest.raises(GateClosed, match="has not failed"):
        follow_spot(stage.desk, JOB, 1, 1, CREW, blocked=["in"])
    stage.read(1, 1, 8)
    found, drawn = follow_spot(stage.desk, JOB, 1, 1, CREW)
    assert drawn
    assert not found.done
    assert all("from spot 1" in spot.where for spot in drawn)
    assert follow_spot(stage.desk, JOB, 1, 1, CREW)[1] == ()  # they have to be read first
    for spot in drawn:
        stage.read(1, spot.spot, 4)
    found, more = follow_spot(stage.desk, JOB, 1, 1, CREW)
    assert found.done
    assert more == ()
    entered = [e.content for e in stage.desk.store.entries(JOB) if isinstance(e.content, SpreadDrawn)]
    assert len(entered) == 1


def test_a_blocked_direction_is_entered(stage: Stage) -> None:
    stage.work()
    stage.read(1, 1, 8)
    follow_spot(stage.desk, JOB, 1, 1, CREW, blocked=["along", "back", "in", "out"])
    content = stage.desk.store.entries(JOB)[-1].content
    assert isinstance(content, SpreadDrawn)
    assert (content.spots, set(content.blocked)) == ((), {"along", "back", "in", "out"})


def codes(path: object) -> list[str]:
    """The texts of all QR codes on a PDF's pages."""
    found = []
    for page in pypdfium2.PdfDocument(str(path)):
        image = np.asarray(page.render(scale=300 / 72).to_pil().convert("L"))
        found += [one.text for one in zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormat.QRCode)]
    return found


def test_tags_are_those_of_the_spots_present_rounds(stage: Stage) -> None:
    with pytest.raises(GateClosed, match="no spots are drawn"):
        write_tags(stage.desk, JOB, (), phase="after", paper="a4", out=None)
    stage.work()
    stage.say(ReworkDone(zone=1, spots=(2,), method="shot-blast"), CREW)
    path, count = write_tags(
        stage.desk, JOB, (), phase="after", paper="a4", out=stage.folder / "sub/tags.pdf"
    )
    assert count == 4
    assert {parse_tag(text) for text in codes(path)} == set(tags_of(stage.desk.book(JOB), [1]))
    assert {(tag.job_code, tag.spot, tag.round) for tag in tags_of(stage.desk.book(JOB), [1])} == {
        (JOB, 1, 1), (JOB, 2, 2), (JOB, 3, 1), (JOB, 4, 1),
    }  # fmt: skip
    with pytest.raises(NoJob, match="no zone 5"):
        write_tags(stage.desk, JOB, (5,), phase="after", paper="a4", out=None)
    with pytest.raises(GateClosed):
        write_tags(stage.desk, JOB, (2,), phase="after", paper="a4", out=None)  # nothing drawn there


def test_before_work_there_are_tags_for_the_condition_though_no_spot_is_drawn(stage: Stage) -> None:
    area_m2 = stage.desk.book(JOB).zones[1].laid_out.area_m2
    tags = tags_of(stage.desk.book(JOB), [1], "before")
    assert [(tag.zone, tag.spot, tag.phase, tag.round) for tag in tags] == [
        (1, spot, "before", 1) for spot in range(1, wanted_spots(area_m2) + 1)
    ]
    assert tags_of(stage.desk.book(JOB), [1], "after") == ()


def test_statistics_leave_disputed_readings_out(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    stage.read(1, 1, 8)
    stage.read(1, 2, 4)

    def read_spots(desk: JobDesk) -> tuple[int, int]:
        book = desk.book(JOB)
        found = statistics_of(book, desk.standing(book, 1))
        assert found is not None
        return found.read, found.passed

    assert read_spots(stage.desk) == (1, 1)


def test_without_a_range_there_are_no_statistics(tmp_path: object) -> None:
    one = Stage(tmp_path)  # type: ignore[arg-type]
    one.open(csp=None)
    one.work()
    book = one.desk.book(JOB)
    assert statistics_of(book, one.desk.standing(book, 1)) is None
