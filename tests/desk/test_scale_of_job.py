"""Readings of a whole job: agreement, a scale proposed, accepted, used, and refined again from the scale before."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from assessor.desk.base import JobDesk, Person
from assessor.desk.judging import agreement_of, refine_scale
from assessor.desk.photos import scale_in_use
from assessor.errors import BadEntry
from assessor.grading.refine import NotProposed, ScaleProposal
from assessor.grading.scale import load_scale
from assessor.job.entries import Content, ScaleAccepted, ScaleProposed
from assessor.job.parts import FileRef
from assessor.report.schema import CaptureRecord
from assessor.simulate.readings import level_at
from assessor.store.opening import open_store
from tests.grading.helpers import BAND
from tests.job.site import LEAD, SECOND, Site, assessed, capture, plan_of, prepared, zone_laid_out
from tests.report.test_record import record

(BLASTED,) = load_scale("prior-10").curves_for(BAND, "blasted")
OFF = 0.35  # how much rougher the floors of this job are than the prior has them, ln Sq


class KeptSite(Site):
    """A site whose entries and files are kept in a store."""

    def __init__(self, desk: JobDesk) -> None:
        self.desk = desk
        super().__init__()

    def new_file(self) -> FileRef:
        self._files += 1
        return self.desk.store.keep_file(f"file {self._files}".encode(), f"f{self._files}.jpg")

    def say(self, content: Content, *told: object, **more: object) -> Content:
        super().say(content, *told, **more)  # type: ignore[arg-type]
        self.desk.store.append("DP01", (content,), self.entries[-1].stamp)
        return content

    def do_measured(self, zone: int, spot: int, sq_mm: float, *, origin: str = "camera") -> None:
        """File and assess a capture whose Sq is known."""
        name = f"capture-{len(self.entries)}"
        self.crew(capture(name, zone, spot, self.new_file()))
        told = measured(sq_mm, origin)
        kept = self.desk.store.keep_file(told.model_dump_json().encode(), f"{name}.json")
        entry = assessed(name, "in", kept)
        self.crew(entry.model_copy(update={"best": 4, "origin": origin}))


def measured(sq_mm: float, origin: str) -> CaptureRecord:
    """A record of a capture with this Sq in the trusted band."""
    told = json.loads(record().model_dump_json())
    told["origin"] = origin
    for row in told["texture"]["quantities"]:
        if row["name"] == "Sq" and row["band"] == {"short_mm": 2.5, "long_mm": 25.0}:
            row |= {
                "value": sq_mm,
                "u": 0.05 * sq_mm,
                "low90": 0.92 * sq_mm,
                "high90": 1.08 * sq_mm,
                "bound": "value",
            }
    return CaptureRecord.model_validate(told)


@pytest.fixture
def site(tmp_path: Path) -> KeptSite:
    """A mock-up of 300 m2 whose 15 random spots were measured and read by two people, in turn and some twice."""
    own = KeptSite(JobDesk(open_store(tmp_path / "store", create=True)))
    own.do_papers()
    own.say(zone_laid_out(1, area_m2=300, length_m=20, width_m=15))
    own.crew(prepared(1, area_m2=300))
    own.crew(plan_of(own.book, 1, 1))
    return own


def read_all(site: KeptSite, *, origin: str = "camera") -> None:
    rng = np.random.default_rng(5)
    spots = [n for n, spot in site.book.zones[1].spots.items() if spot.drawn.role == "random"]
    assert len(spots) == 15
    for spot in spots:
        y = rng.normal(4.2, 0.6)
        value = level_at(BLASTED, np.array([y]))[0] + OFF + rng.normal(0, 0.08)
        site.do_measured(1, spot, float(np.exp(value)), origin=origin)
        for who in (LEAD, SECOND)[: 1 + spot % 2] if spot % 3 else (SECOND,):
            site.do_read(1, spot, int(np.clip(np.rint(y + rng.normal(0, 0.25)), 1, 10)), who)


def test_agreement_counts_spots_and_says_what_it_rests_on(site: KeptSite) -> None:
    read_all(site)
    found = agreement_of(site.desk, ["DP01"])
    assert found.tool.spots == 15
    assert found.readers.spots < found.tool.spots
    assert (found.rendered, found.unnamed) == (0, 0)
    assert found.tool.sentences[-1].startswith("Fewer than 30 spots")


def test_a_scale_is_proposed_from_the_job_accepted_used_and_refined_again(site: KeptSite) -> None:
    read_all(site)
    person = Person(LEAD, "lead", "desk")
    found = refine_scale(site.desk, ["DP01"], person, "our floors")
    assert isinstance(found, ScaleProposal), found
    (curve,) = found.scale.curves_for(BAND, "blasted")
    shift = np.array(curve.log_median) - np.array(BLASTED.log_median)
    assert shift[3] == pytest.approx(OFF, abs=0.2)
    assert curve.log_sd[3] < 0.7 * BLASTED.log_sd[3]
    # Proposed is not used.
    book = site.desk.book("DP01")
    assert scale_in_use(site.desk, book, "prior-10").name == "prior-10"
    proposed = [note.content for note in book.notes if isinstance(note.content, ScaleProposed)]
    assert proposed[0].differences == found.differences
    assert site.desk.store.read_file(proposed[0].scale).decode() == found.file_text

    site.desk.enter("DP01", (ScaleAccepted(scale=proposed[0].scale, why="two readers, 15 spots"),), person)
    book = site.desk.book("DP01")
    assert scale_in_use(site.desk, book, "prior-10") == found.scale

    again = refine_scale(site.desk, ["DP01"], person, "our floors")
    assert isinstance(again, ScaleProposal)
    assert again.derived_from == "prior-10"
    assert again.scale.curves == found.scale.curves
    assert again.scale.name == "our floors, version 2"


def test_rendered_photos_make_a_rendered_scale_and_mixed_ones_none(site: KeptSite) -> None:
    read_all(site, origin="rendered")
    person = Person(LEAD, "lead", "desk")
    found = refine_scale(site.desk, ["DP01"], person, "rendered floors")
    assert isinstance(found, ScaleProposal)
    assert found.scale.origin == "rendered"
    assert agreement_of(site.desk, ["DP01"]).rendered == 15
    site.do_measured(1, 1, 0.1, origin="camera")
    mixed = refine_scale(site.desk, ["DP01"], person, "mixed")
    assert isinstance(mixed, NotProposed)
    assert "never mixed" in mixed.reason


def test_few_readings_enter_nothing_and_a_bad_name_is_refused(site: KeptSite) -> None:
    person = Person(LEAD, "lead", "desk")
    found = refine_scale(site.desk, ["DP01"], person, "none")
    assert isinstance(found, NotProposed)
    assert not any(isinstance(note.content, ScaleProposed) for note in site.desk.book("DP01").notes)
    with pytest.raises(BadEntry, match="can't be a scale's name"):
        refine_scale(site.desk, ["DP01"], person, "../up")
