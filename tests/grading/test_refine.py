"""A scale moves as far as readings carry it, never silently, never mixed, and shrinks to itself where they are few."""

import json
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessor.errors import ScaleInvalid
from assessor.grading.refine import NotProposed, ProposalHead, RefineSettings, ScaleProposal, propose
from assessor.grading.refine_cells import CellSettings, offsets_of
from assessor.grading.refine_fit import fit_offsets
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from tests.grading.helpers import BAND, owner_text, texture
from tests.grading.read_floors import GROUND, PRIOR, read_floors

HEAD = ProposalHead("our floors", "A. Example", date(2026, 11, 26), "f" * 64)


def moved(proposal):
    """Change of ln median per grade of the ground curve."""
    (curve,) = proposal.scale.curves_for(BAND, "ground")
    return np.array(curve.log_median) - np.array(GROUND.log_median)


def proposed(readings, head=HEAD, scale=PRIOR, **options) -> ScaleProposal:
    found = propose(scale, readings, head, **options)
    assert isinstance(found, ScaleProposal), found
    return found


def reason(readings, scale=PRIOR, **options) -> str:
    found = propose(scale, readings, HEAD, **options)
    assert isinstance(found, NotProposed)
    assert found.reason.startswith("No scale is proposed: ")
    assert "\n" not in found.reason
    return found.reason


def test_many_readings_find_the_offset_of_their_site_and_their_grades():
    readings, true = read_floors(3, 8, 20, off=0.3)
    found = proposed(readings, replace(HEAD, site="s2"))
    here = [reading.low for reading in readings if reading.site == "s2"]
    grades = {grade for grade in here if here.count(grade) >= 4}
    for grade in grades:
        assert moved(found)[grade - 1] == pytest.approx(true[2], abs=0.2)
    (curve,) = found.scale.curves_for(BAND, "ground")
    read = max(grades) - 1
    assert curve.log_sd[read] < 0.5 * GROUND.log_sd[read]


def test_the_fewer_the_readings_the_less_it_moves_and_grades_far_off_move_least():
    readings, _ = read_floors(4, 1, 40, twice=0.0)
    data = offsets_of(GROUND, [[reading] for reading in readings])
    at = int(np.argmax(data.at.sum(axis=0)))
    shifts, errors = [], []
    for n in (1, 3, 10, 40):
        some = replace(
            data, offset=np.full(n, 0.5), u2=data.u2[:n].copy(), cell=data.cell[:n].copy(), at=data.at[:n].copy(),
            groups=data.groups[:n], alike=data.alike[:n],
        )  # fmt: skip
        fitted = fit_offsets(some, GROUND.log_sd, ("s0", "gravel", "phone"))
        shifts.append(float(np.mean(some.at @ fitted.mean)))
        errors.append(fitted.u[at])
        # What a site has in common holds for grade 10 too; what the curve has wrong at grade 3 hardly.
        assert abs(fitted.mean[9]) < 0.5 * fitted.mean[at]
    # Every spot says 0.5; one is believed by part, forty nearly all the way, never further.
    assert shifts == sorted(shifts)
    assert shifts[0] < 0.45 < shifts[-1] < 0.5
    assert errors == sorted(errors, reverse=True)


def test_a_site_never_read_gets_the_common_part_and_a_wider_spread():
    readings, _ = read_floors(5, 8, 15, off=0.3, site_log_sd=0.2)
    here, anywhere = (proposed(readings, replace(HEAD, site=site)) for site in ("s1", None))
    (own,), (common,) = (p.scale.curves_for(BAND, "ground") for p in (here, anywhere))
    assert all(a < b for a, b in zip(own.log_sd, common.log_sd, strict=True))
    unread = proposed(readings, replace(HEAD, site="never read", aggregate="gravel", camera="phone"))
    assert moved(unread) == pytest.approx(
        moved(proposed(readings, replace(HEAD, aggregate="gravel", camera="phone")))
    )
    assert "for any site" in anywhere.scale.refined
    assert "for site s1" in here.scale.refined


def test_curves_that_nobody_read_stay_what_they_were():
    readings, _ = read_floors(6, 3, 12, off=0.3)
    found = proposed(readings)
    before = {(c.process, c.band): c for c in PRIOR.curves}
    for curve in found.scale.curves:
        old = before[curve.process, curve.band]
        if (curve.process, curve.band) != ("ground", BAND):
            assert curve.log_median == pytest.approx(old.log_median, abs=1e-5)
            assert curve.log_sd == pytest.approx(old.log_sd, rel=1e-3)
        assert (curve.words, curve.weight) == (old.words, old.weight)
    assert found.scale.is_prior


def test_what_is_proposed_is_told_in_words_with_numbers():
    readings, _ = read_floors(7, 2, 12, off=0.3)
    found = proposed(readings)
    line = next(d for d in found.differences if d.startswith("grade 3, 2.5-25 mm, ground: median 0.0172 -> "))
    assert " of 24 spots at 2 sites read as it" in line
    assert "standard error" in line
    assert "spread 0.60 -> 0." in line
    assert found.sentences[0] == (
        "From 24 spots at 2 sites, read by 2 people, for any site. Nothing uses it until somebody accepts it."
    )
    assert (found.n_readings, found.n_sites, found.n_readers) == (24, 2, 2)
    assert (found.derived_from, found.derived_digest) == ("prior-10", "f" * 64)


def test_the_file_loads_like_any_scale_and_says_what_it_is():
    readings, _ = read_floors(8, 2, 15, off=0.4)
    found = proposed(readings)
    loaded = load_scale(found.file_text, file="ours.json")
    assert loaded == found.scale
    suggestion = suggest_grade(texture(0.03), loaded, settings=SuggestSettings(process="ground"))
    said = " ".join(suggestion.reasons)
    assert "prior-10 moved by chip readings of 30 rendered spots (ground; sites: 2; for any site)" in said
    assert "the rest is as shipped, never measured on chips" in said
    # Floors turned out rougher than the prior has them, so the same texture is a lower grade.
    before = suggest_grade(texture(0.03), PRIOR, settings=SuggestSettings(process="ground"))
    mean = [sum(g * p for g, p in zip(s.grades, s.probabilities, strict=True)) for s in (before, suggestion)]
    assert mean[1] < mean[0]
    assert "scale-prior" in suggestion.flags


def test_rendered_and_real_are_never_mixed():
    readings, _ = read_floors(9, 2, 12)
    real = [replace(reading, rendered=False) for reading in readings]
    assert "never mixed" in reason([*readings, real[0]])
    chips = load_scale(owner_text(origin="rendered"))
    assert "from rendered chips, the readings are real" in reason(real, chips)
    assert proposed(readings).scale.origin == "rendered"
    assert proposed(real).scale.origin == "prior"
    assert "rendered" not in proposed(real).scale.refined


def test_a_refined_scale_is_not_refined_again():
    readings, _ = read_floors(10, 2, 12)
    refined = proposed(readings).scale
    assert refined.derived_from == "prior-10"
    assert "must not count twice. Refine prior-10, which it was derived from" in reason(readings, refined)


def test_too_few_spots_or_readers_propose_nothing_and_say_why():
    readings, _ = read_floors(11, 1, 12)
    assert "there are no chip readings" in reason([])
    few = [r for r in readings if int(r.spot.split("-")[1]) < 6]
    assert "ground in 2.5-25 mm stays as it is: 6 spots read, 10 are needed." in reason(few)
    alone = [replace(r, reader="Ann") for r in readings]
    assert "1 reader, 2 are needed" in reason(alone)


def test_what_says_nothing_of_the_scale_is_left_out_and_counted():
    readings, _ = read_floors(12, 2, 12)
    first = readings[0]
    others = [
        replace(first, spot="a", estimated=True),
        replace(first, spot="b", edition="nine-chip"),
        replace(first, spot="c", process="carpeted"),
        replace(first, spot="d", low=11, high=11),
        replace(first, spot="e", log_value=math.nan),
    ]
    found = proposed([*readings, *others])
    assert len(found.left_out) == 5
    assert "1 readings left out: only estimated, not measured." in found.left_out
    assert found.file_text == proposed(readings).file_text


def test_a_wrong_tag_is_named_and_left_out_and_many_stop_it():
    readings, _ = read_floors(13, 2, 15, off=0.2)
    wrong = [replace(r, log_value=r.log_value + 2.5) if r.spot == "s0-3" else r for r in readings]
    found = proposed(wrong)
    assert len(found.odd_spots) == 1
    assert found.odd_spots[0].startswith("spot s0-3 (reader ")
    assert "rougher than the others" in found.odd_spots[0]
    without = proposed([r for r in readings if r.spot != "s0-3"])
    assert moved(found) == pytest.approx(moved(without), abs=1e-5)
    many = [replace(r, log_value=r.log_value + 2.5 * (int(r.spot[3:]) < 4)) for r in readings]
    assert "spots lie far off the others of their grade; check their tags" in reason(many)


def test_any_process_of_an_owners_scale_takes_readings_of_every_process():
    chips = load_scale(owner_text())
    readings, _ = read_floors(
        14, 4, 12, off=0.2, curve=chips.curves[0], scatter_log_sd=0.05, site_log_sd=0.02
    )
    ground = [replace(reading, process="ground") for reading in readings]
    found = proposed(ground, scale=chips)
    assert not found.scale.is_prior
    before = np.array(chips.curves[0].log_median)
    shift = np.array(found.scale.curves[0].log_median) - before
    # A chip scale is trusted more than a prior: it moves, but not all the way.
    assert 0.05 < shift[2] < 0.2


def test_readers_who_see_the_same_spot_count_as_one_spot():
    readings, _ = read_floors(15, 2, 12, twice=0.0)
    again = [replace(r, reader=f"{r.reader} again") for r in readings]
    assert proposed([*readings, *again]).n_readings == 24
    one = proposed(readings)
    both = proposed([*readings, *again], settings=RefineSettings(cells=CellSettings(reader_spots=1e9)))
    # Two alike readings say a little more than one, far less than two spots would.
    assert moved(both) == pytest.approx(moved(one), abs=0.1)


def test_between_two_chips_lies_between_them():
    readings, _ = read_floors(16, 1, 12, twice=0.0)
    chips = [[replace(r, low=3, high=high)] for r, high in zip(readings, [3, 4] * 6, strict=True)]
    data = offsets_of(GROUND, chips, CellSettings(least_floor_sd=3.0))
    at_3, at_35 = data.at[0], data.at[1]
    assert at_3 @ np.arange(1, 11) == pytest.approx(3.0, abs=0.03)
    assert at_35 @ np.arange(1, 11) == pytest.approx(3.5, abs=0.03)
    assert data.at.sum(axis=1) == pytest.approx(1.0)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    off=st.floats(-0.8, 0.8),
    sites=st.integers(1, 4),
    spots=st.integers(10, 16),
)
def test_a_proposal_never_moves_further_than_its_readings_and_its_spreads_are_sane(seed, off, sites, spots):
    readings, _ = read_floors(seed, sites, spots, off=off)
    found = propose(PRIOR, readings, HEAD)
    if isinstance(found, NotProposed):
        return
    spots_read = {}
    for reading in readings:
        spots_read.setdefault(reading.spot, []).append(reading)
    told = offsets_of(GROUND, list(spots_read.values())).offset
    assert np.abs(moved(found)).max() <= np.abs(told).max() + 0.05
    (curve,) = found.scale.curves_for(BAND, "ground")
    assert all(0.02 < sd < 1.5 for sd in curve.log_sd)
    assert load_scale(found.file_text) == found.scale


def changed(**changes):
    readings, _ = read_floors(8, 2, 15)
    return json.dumps(json.loads(proposed(readings).file_text) | changes)


def curves(**changes):
    readings, _ = read_floors(8, 2, 15)
    rows = json.loads(proposed(readings).file_text)["curve"]
    return changed(curve=[rows[0] | changes, *rows[1:]])


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (lambda: changed(version=0), "version: input should be greater than or equal to 1"),
        (lambda: changed(note="x"), "note: extra inputs are not permitted"),
        (lambda: changed(curve=[]), "curve: .*at least 1 item"),
        (lambda: curves(median_mm=[0.1]), "every list needs 10 values, one a grade"),
        (lambda: curves(log_sd=[0.0] * 10), "log_sd"),
        (lambda: curves(band_short_mm=30.0), "band_short_mm must be smaller than band_long_mm"),
        (lambda: curves(median_mm=[0.1] * 10), "the last grade must be rougher than the first"),
        (lambda: curves(process="ground"), "a process has two curves in one band"),
    ],
)
def test_a_broken_file_gets_one_sentence(text, sentence):
    with pytest.raises(ScaleInvalid, match=sentence) as caught:
        load_scale(text(), file="ours.json")
    assert str(caught.value).startswith("ours.json: ")
    assert "\n" not in str(caught.value)
