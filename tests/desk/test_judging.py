"""What follows from readings and assessments: the rework list and its order, agreement; refined scales elsewhere."""

from __future__ import annotations

from typing import Any

import pytest

from assessor.desk import judging
from assessor.desk.judging import agreement_of, order_rework, rework_sheet
from assessor.errors import BadEntry, GateClosed, NoJob
from assessor.job.entries import OverviewFiled, ReworkDone, ReworkOrdered, SuggestionShown
from assessor.job.findings import Finding
from tests.desk.stage import CREW, JOB, LEAD, SECOND, SayingPipeline, Stage


def ordered(stage: Stage) -> ReworkOrdered:
    content = stage.desk.store.entries(JOB)[-1].content
    assert isinstance(content, ReworkOrdered)
    return content


def test_a_reading_outside_the_range_is_work_in_the_readers_words(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.read(1, 1, 8)
    stage.read(1, 2, 1)
    stage.read(1, 3, 4)
    sheet = rework_sheet(stage.desk, JOB, 1, LEAD)
    assert sheet.spots == (1, 2)
    words = " ".join(line.what + line.where for line in sheet.lines)
    assert "Lena Invented read chip 8" in words
    assert "Lena Invented read chip 1" in words
    assert "spot 3" not in words
    assert sheet.head.loud == "INVENTED JOB"
    content = order_rework(stage.desk, JOB, 1, sheet, LEAD)
    assert content == ordered(stage)
    assert content.spots == (1, 2)
    assert len(content.lines) == len(sheet.lines)
    with pytest.raises(GateClosed, match="by the QA lead"):
        order_rework(stage.desk, JOB, 1, sheet, CREW)


def test_the_tools_suspicion_is_work_only_until_a_chip_is_read(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    for spot in (1, 2):
        says.says[stage.shoot(1, spot)] = "over"
    stage.assess()
    stage.read(1, 2, 5)
    sheet = rework_sheet(stage.desk, JOB, 1, SECOND)
    assert sheet.spots == (1,)
    assert "spot 1 (91 % likely)" in " ".join(line.where for line in sheet.lines).replace("\u00a0", " ")
    book = stage.desk.book(JOB)
    shown = [note for note in book.notes if isinstance(note.content, SuggestionShown)]
    assert {(note.stamp.who, note.content.spot) for note in shown} == {(SECOND.who, 1), (SECOND.who, 2)}  # type: ignore[union-attr]


def test_photos_alone_are_no_order(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    with pytest.raises(BadEntry, match="nothing to rework showed in zone 1"):
        order_rework(stage.desk, JOB, 1, rework_sheet(stage.desk, JOB, 1, LEAD), LEAD)
    says.says[stage.shoot(1, 1)] = "shot"
    stage.assess()
    sheet = rework_sheet(stage.desk, JOB, 1, LEAD)
    assert sheet.lines
    assert (sheet.spots, sheet.has_work) == ((), False)
    with pytest.raises(BadEntry, match="only photos are wanted in zone 1, so nothing was ordered"):
        order_rework(stage.desk, JOB, 1, sheet, LEAD)


@pytest.mark.parametrize(
    ("reads", "spot_finds", "zone_finds", "spots", "has_work"),
    [
        ({1: 8}, {}, [], (1,), True),
        ({1: 4}, {1: "oil"}, [], (1,), True),  # in range, but what lies on it has to go: not the whole zone
        ({1: 8, 2: 4}, {2: "oil"}, [], (1,), True),
        ({1: 4}, {}, ["uneven"], (), True),
        ({1: 4}, {1: "oil"}, ["uneven"], (), True),
        ({1: 8}, {}, ["uneven"], (1,), True),
        ({1: 4}, {1: "cant-tell"}, ["cant-tell"], (), False),
        ({}, {1: "cant-tell", 2: "oil"}, [], (2,), True),
    ],
)  # fmt: skip
def test_the_whole_zone_goes_back_only_for_what_is_the_whole_zones(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, reads: dict[int, int], spot_finds: dict[int, Any],
    zone_finds: list[Any], spots: tuple[int, ...], has_work: bool,
) -> None:  # fmt: skip
    """Rework of a whole zone makes every reading in it void."""
    stage.work()
    for spot, chip in reads.items():
        stage.read(1, spot, chip)
    inner = judging._of_spot

    def of_spot(desk: Any, book: Any, state: Any, *told: Any) -> list[Finding]:
        more = (
            [Finding(spot_finds[state.spot], f"zone 1, spot {state.spot}")]
            if state.spot in spot_finds
            else []
        )
        return inner(desk, book, state, *told) + more

    monkeypatch.setattr(judging, "_of_spot", of_spot)
    monkeypatch.setattr(judging, "_of_zone", lambda *told: [Finding(code, "zone 1") for code in zone_finds])
    sheet = rework_sheet(stage.desk, JOB, 1, LEAD)
    assert (sheet.spots, sheet.has_work) == (spots, has_work)


def test_an_overview_counts_for_its_own_zone_and_until_the_next_work(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.work()
    stage.work(2)
    read: list[str] = []
    monkeypatch.setattr(
        judging.OverviewRecord, "model_validate_json", lambda data: read.append(data.decode())
    )
    monkeypatch.setattr(judging, "_open_only", lambda *told: None)
    monkeypatch.setattr(judging, "zone_findings", lambda *told, **more: None)
    monkeypatch.setattr(judging, "findings_of_zone", lambda seen: [])

    def overview(zone: int, name: str) -> None:
        record = stage.desk.store.keep_file(name.encode(), "overview.json")
        photo = stage.desk.store.keep_file(f"photo {name}".encode(), "a.jpg")
        stage.say(OverviewFiled(capture=name, zone=zone, photos=(photo,), record=record), CREW)

    overview(1, "first of zone 1")
    overview(1, "second of zone 1")
    overview(2, "of zone 2")
    rework_sheet(stage.desk, JOB, 1, LEAD)
    assert read == ["second of zone 1"]
    stage.say(ReworkDone(zone=1, method="shot-blast"), CREW)
    rework_sheet(stage.desk, JOB, 1, LEAD)
    assert read == ["second of zone 1"]


def test_without_a_range_nothing_is_short_or_over(tmp_path: Any) -> None:
    one = Stage(tmp_path)
    one.open(csp=None)
    with pytest.raises(
        BadEntry, match=r"zone 1: no data sheet is filed.* nothing says what is short or over"
    ):
        rework_sheet(one.desk, JOB, 1, LEAD)


def test_agreement_pairs_the_tool_with_blind_readers_only(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    for spot in (1, 2, 3):
        stage.shoot(1, spot)
    stage.assess()
    stage.read(1, 1, 4)
    stage.read(1, 1, 5, person=SECOND)
    stage.read(1, 2, 3)
    stage.read(1, 2, 4)  # the reader's last one counts
    stage.read(1, 4, 4)  # never shot: readers only
    found = agreement_of(stage.desk, [JOB])
    assert (found.tool.spots, found.tool.pairs) == (2, 3)
    assert found.readers.spots == 1
    assert found.rendered == 0  # photos that say nothing of a camera are not called rendered
    assert found.unnamed == 0
    with pytest.raises(NoJob):
        agreement_of(stage.desk, ["NONE"])


def test_agreement_of_nothing_is_said_and_no_error(stage: Stage) -> None:
    found = agreement_of(stage.desk, [])
    assert found.tool.pairs == found.readers.pairs == 0
    assert found.tool.sentences
