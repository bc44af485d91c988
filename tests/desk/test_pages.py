"""Pages out of the record: whoever has them has seen the suggestion."""

from __future__ import annotations

import pytest

from assessor.desk.judging import rework_sheet
from assessor.desk.pages import write_pages, write_rework
from assessor.errors import NoJob, NotBlind, OutputNotWritable
from tests.desk.stage import CREW, JOB, LEAD, SECRET, SayingPipeline, Stage


def test_a_spots_pages_are_written_as_they_were_stored_and_put_down_as_seen(
    stage: Stage, says: SayingPipeline
) -> None:
    stage.work()
    with pytest.raises(NoJob, match="nothing is assessed at zone 1, spot 1"):
        write_pages(stage.desk, JOB, 1, 1, CREW, out=stage.folder / "out")
    first, second = stage.shoot(1, 1), stage.shoot(1, 1)
    stage.assess()
    paths = write_pages(stage.desk, JOB, 1, 1, CREW, out=stage.folder / "out")
    assert [path.name for path in paths] == [f"{JOB}-{first}.html", f"{JOB}-{second}.html"]
    assert all(SECRET in path.read_text() for path in paths)
    assert stage.kinds()[-1] == "suggestion-shown"
    with pytest.raises(NotBlind, match="Tom Invented has seen the suggestion for zone 1, spot 1"):
        stage.read(1, 1, 4, person=CREW)
    stage.read(1, 1, 4, person=LEAD)


def test_no_page_is_seen_where_it_cannot_be_written(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.shoot(1, 1)
    stage.assess()
    (stage.folder / "file").write_text("")
    with pytest.raises(OutputNotWritable):
        write_pages(stage.desk, JOB, 1, 1, CREW, out=stage.folder / "file/out")
    assert stage.kinds()[-1] == "assessed"
    with pytest.raises(NoJob, match="no zone 9"):
        write_pages(stage.desk, JOB, 9, 1, CREW, out=stage.folder)


def test_a_rework_list_is_a_page(stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    stage.read(1, 1, 8)
    path = write_rework(rework_sheet(stage.desk, JOB, 1, LEAD), JOB, 1, stage.folder / "out")
    page = path.read_text()
    assert path.name == f"{JOB}-Z01-rework.html"
    assert "INVENTED JOB" in page
    assert "Lena Invented read chip 8" in page
    assert "spot 1" in page
