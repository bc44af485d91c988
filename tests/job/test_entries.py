"""Entries: every kind keeps its name and comes back from its JSON as it was; what can't be true is not taken."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from assessor.job.chain import content_from, content_json
from assessor.job.entries import CONTENT, KINDS, CaptureFiled, SlabFacts, files_of
from assessor.job.parts import Told
from tests.job.site import accepted_site, file, prepared, read
from tests.job.test_machine import drawn_steps, played

# Stored for ever: a name here may never change or go; a further kind is added at the end of this list.
STORED_KINDS = {
    "job-opened", "slab-facts", "hazard-checked", "system-named", "data-sheet-filed", "zone-laid-out",
    "surface-prepared", "mock-up-approved", "plan-drawn", "spot-redrawn", "spread-drawn", "capture-filed", "refiled",
    "assessed", "overview-filed", "suggestion-shown", "chip-read", "contradiction-closed", "patch-resolved",
    "drops-recorded", "rework-ordered", "rework-done", "kept-clean", "disturbed", "waived", "signed-off",
    "scale-proposed", "scale-accepted", "print-measured", "overview-refiled",
}  # fmt: skip
# One entry of each kind as it lies in stores, as short as it may be.
PHOTO = {"sha256": "a" * 64, "name": "IMG_1.jpg"}
SPOT = {"spot": 1, "role": "random", "effort": "quick", "where": "1 m along"}
AS_STORED: dict[str, dict[str, Any]] = {
    "job-opened": {"name": "Depot", "code": "DP01", "site": "invented"},
    "slab-facts": {"layers": [{"what": "old glue", "area_m2": 3.5}], "photos": [PHOTO]},
    "hazard-checked": {"hazard": "asbestos-lead", "cleared": True, "how": "samples", "surveyor": "s"},
    "system-named": {"system": "high-build", "moisture": "as-data-sheet", "moisture_words": "under 4 %"},
    "data-sheet-filed": {"document": PHOTO, "edition": "3", "page": "2", "csp_low": 3, "csp_high": 5},
    "zone-laid-out": {"zone": 1, "name": "bay", "area_m2": 20, "method": "shot-blast", "corners_m": [[0, 0], [1, 1]]},
    "surface-prepared": {
        "zone": 1, "lot": 1, "shift": "a", "method": "m", "machine": "m", "tooling": "t", "area_m2": 20,
    },
    "print-measured": {"serial": 7, "along_mm": 250.5, "across_mm": 180},
    "mock-up-approved": {"zone": 1, "side": "maker", "name": "n", "on": "2026-05-04"},
    "plan-drawn": {"zone": 1, "lot": 1, "seed": 7, "spots": [{**SPOT, "pin": [0.5, 0.25]}]},
    "spot-redrawn": {"zone": 1, "lot": 1, "place": SPOT, "attempt": 1, "why": "a column"},
    "spread-drawn": {"zone": 1, "lot": 1, "failed_spot": 1, "spots": [], "blocked": ["along"]},
    "capture-filed": {
        "capture": "c", "zone": 1, "spot": 1, "phase": "before", "round": 1, "photos": [PHOTO], "filed_by": "tag",
        "measured_bars_mm": [250, 180],
    },
    "refiled": {"capture": "c", "zone": 1, "spot": 1, "phase": "after", "round": 1, "why": "wrong tag"},
    "assessed": {
        "capture": "c", "key": "k", "status": "assessed", "record": PHOTO, "set90": [3, 4], "p_short": 0.1,
        "patches": [{"patch": 1, "cause": "damp"}],
    },
    "overview-filed": {"capture": "o", "zone": 1, "photos": [PHOTO], "record": PHOTO, "findings": ["a strip"]},
    "overview-refiled": {"capture": "o", "zone": 2, "why": "sheets of another zone"},
    "suggestion-shown": {"zone": 1, "spot": 1},
    "chip-read": {
        "zone": 1, "spot": 1, "chip_low": 3, "chip_high": 4, "edition": "ten-chip", "chip_set": "A", "photo": PHOTO,
        "touched": True, "feel_grit": 60,
    },
    "contradiction-closed": {
        "zone": 1, "spot": 1, "by": "pull-off", "stands_low": 4, "stands_high": 4, "why": "w", "document": PHOTO,
    },
    "patch-resolved": {"zone": 1, "capture": "c", "patch": 1, "how": "waived", "why": "w"},
    "drops-recorded": {"zone": 1, "places": 3, "passed": False, "words": "one beaded"},
    "rework-ordered": {"zone": 1, "spots": [1, 2], "lines": ["one more pass"]},
    "rework-done": {"zone": 1, "spots": [], "method": "shot-blast"},
    "kept-clean": {"zone": 1, "hours": 12},
    "disturbed": {"zone": 1, "what": "rain"},
    "waived": {"zone": 1, "what": "mock-up", "why": "w"},
    "signed-off": {"zone": 1},
    "scale-proposed": {"scale": PHOTO, "derived_from": "prior", "n_readings": 9, "differences": ["3: +0.1"]},
    "scale-accepted": {"scale": PHOTO, "why": "w"},
}  # fmt: skip


def test_no_kind_of_entry_is_lost_or_renamed():
    assert set(KINDS) >= STORED_KINDS
    assert len(KINDS) == len(set(KINDS))
    assert set(KINDS) == set(AS_STORED)


def test_every_model_of_an_entry_can_be_stored():
    assert {
        model.model_fields["kind"].default for model in Told.__subclasses__() if "kind" in model.model_fields
    } == set(KINDS)


@pytest.mark.parametrize("kind", sorted(AS_STORED))
def test_an_entry_as_stored_comes_back_as_it_was(kind):
    content = CONTENT.validate_python({"kind": kind, **AS_STORED[kind]})
    text = content_json(content)
    assert content_from(text) == content
    assert content_json(content_from(text)) == text
    told = content.model_dump(mode="json")
    for name, value in AS_STORED[kind].items():
        if not isinstance(value, dict | list):
            assert told[name] == value
    needed = {name for name, field in type(content).model_fields.items() if field.is_required()}
    assert needed <= set(AS_STORED[kind])


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.integers(0, 500))
def test_entries_of_played_jobs_come_back_from_their_json(seed):
    site, _ = played(drawn_steps(seed, 12))
    for entry in site.entries:
        assert content_from(entry.text) == entry.content


@pytest.mark.parametrize(
    ("kind", "change", "match"),
    [
        ("chip-read", {"chip_low": 3, "chip_high": 5}, "one chip, or between two neighbours"),
        ("chip-read", {"chip_low": 4, "chip_high": 3}, "one chip, or between two neighbours"),
        ("chip-read", {"touched": False}, "touched"),
        ("chip-read", {"chip_low": 0, "chip_high": 1}, "chip_low"),
        ("chip-read", {"chip_low": 10, "chip_high": 11}, "chip_high"),
        ("chip-read", {"photo": {"sha256": "A" * 64, "name": "x"}}, "sha256"),
        ("data-sheet-filed", {"csp_low": 5, "csp_high": 3}, "csp_low must not be above csp_high"),
        ("job-opened", {"code": "dp01"}, "code"),
        ("job-opened", {"name": "  "}, "name"),
        ("zone-laid-out", {"zone": 100}, "zone"),
        ("zone-laid-out", {"area_m2": float("nan")}, "area_m2"),
        ("zone-laid-out", {"area_m2": 0}, "area_m2"),
        ("kept-clean", {"hours": 169}, "hours"),
        ("mock-up-approved", {"on": "4 May"}, "on"),
        ("assessed", {"p_short": 1.1}, "p_short"),
        ("capture-filed", {"photos": []}, "photos"),
        ("overview-filed", {"photos": []}, "photos"),
        ("capture-filed", {"round": 0}, "round"),
        ("rework-ordered", {"lines": []}, "lines"),
        ("waived", {"what": "hazard"}, "what"),
        ("waived", {"why": ""}, "why"),
        ("patch-resolved", {"why": " "}, "why"),
        ("disturbed", {"colour": "grey"}, "colour"),
    ],
)  # fmt: skip
def test_what_can_not_be_true_is_not_taken(kind, change, match):
    with pytest.raises(ValidationError, match=match):
        CONTENT.validate_python({"kind": kind, **AS_STORED[kind], **change})


def test_entries_can_not_be_changed():
    content = read(1, 1, file(1))
    with pytest.raises(ValidationError, match="frozen"):
        content.chip_low = 5


def test_every_file_of_an_entry_is_known():
    photos = (file(1), file(2))
    filed = CaptureFiled(capture="c", zone=1, spot=1, phase="after", round=1, photos=photos, filed_by="hand")
    assert files_of(filed) == photos
    assert files_of(SlabFacts(photos=(file(3),))) == (file(3),)
    assert files_of(read(1, 1, file(4))) == (file(4),)
    assert files_of(prepared()) == ()
    named = {sha for entry in accepted_site().entries for sha in _shas(entry.text)}
    known = {ref.sha256 for entry in accepted_site().entries for ref in files_of(entry.content)}
    assert named == known


def _shas(text: str) -> set[str]:
    """Every hash that stands in an entry's text as a file's."""
    return {part[:64] for part in text.split('"sha256":"')[1:]}
