"""The chain: no entry can be changed, lost, swapped or slipped in; hashes recomputed here with hashlib and json."""

import hashlib
import json
from dataclasses import asdict, fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessor.errors import RecordDamaged
from assessor.job.chain import START, Entry, Stamp, check_chain, content_json, seal
from assessor.job.entries import Disturbed, KeptClean
from tests.job.site import accepted_site, stamp

ENTRIES = tuple(accepted_site().entries)
COUNT = len(ENTRIES)
PLACE = st.integers(0, COUNT - 1)
QUICK = settings(max_examples=80, deadline=None, derandomize=True)


def digest_by_hand(entry: Entry) -> str:
    """RFC 8785 for what entries hold: keys sorted, no spaces, UTF-8; written without the code under test."""
    whole = {
        "job": entry.job, "number": entry.number, "previous": entry.previous, "stamp": asdict(entry.stamp),
        "content": json.loads(entry.text),
    }  # fmt: skip
    text = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def test_hashes_are_what_hashlib_and_json_make_of_the_entry():
    assert [entry.digest for entry in ENTRIES] == [digest_by_hand(entry) for entry in ENTRIES]
    assert [entry.previous for entry in ENTRIES] == [START, *(entry.digest for entry in ENTRIES[:-1])]
    assert check_chain(ENTRIES) == ENTRIES[-1].digest
    assert check_chain(()) == START


def test_an_entry_hashes_for_ever_as_it_did_on_its_first_day():
    # The text of one entry as stores hold it, written out by hand: a program that hashes otherwise reads no old store.
    text = (
        '{"content":{"kind":"disturbed","what":"rain ± wind","zone":2},"job":"DP01","number":1,"previous":"'
        + "0" * 64
        + '","stamp":{"at_utc":"2026-05-04T07:00:00.000000+00:00","model":"","offset_min":120,"place":"floor",'
        '"role":"crew","scale":"","settings":"","tool":"assessor 0.6.0","who":"Zoë Invented"}}'
    )
    entry = seal("DP01", 1, Disturbed(zone=2, what="rain ± wind"), stamp(0, "Zoë Invented", "crew"), START)
    assert entry.digest == hashlib.sha256(text.encode("utf-8")).hexdigest()
    assert entry.digest == "dcf34c859d47950834d344531287dae9da03f438676fbf57584d7ae6adebf91f"
    assert [field.name for field in fields(Stamp)] == [
        "who", "role", "place", "at_utc", "offset_min", "tool", "model", "scale", "settings",
    ]  # fmt: skip


@QUICK
@given(PLACE, st.sampled_from([field.name for field in fields(Stamp)]))
def test_another_stamp_is_found(place, name):
    old = ENTRIES[place].stamp
    new: Any = getattr(old, name) + 1 if name == "offset_min" else getattr(old, name) + "x"
    _found(place, replace(ENTRIES[place], stamp=replace(old, **{name: new})))


@QUICK
@given(PLACE, st.data())
def test_another_field_of_the_content_is_found_in_text_and_in_value(place, data):
    entry = ENTRIES[place]
    told = json.loads(entry.text)
    name = data.draw(st.sampled_from(sorted(told)))
    other = {**told, name: "x" if told[name] != "x" else "y"}
    text = json.dumps(other, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    _found(place, replace(entry, text=text))


@QUICK
@given(PLACE, st.data())
def test_one_letter_of_the_text_is_found(place, data):
    entry = ENTRIES[place]
    at = data.draw(st.integers(0, len(entry.text) - 1))
    other = data.draw(
        st.characters(codec="ascii", exclude_categories=["Cc"]).filter(lambda c: c != entry.text[at])
    )
    _found(place, replace(entry, text=entry.text[:at] + other + entry.text[at + 1 :]))


@pytest.mark.parametrize("name", ["job", "number", "previous", "digest", "content"])
@pytest.mark.parametrize("place", [0, 5, COUNT - 1])
def test_every_other_part_of_an_entry_is_found(place, name):
    entry = ENTRIES[place]
    told: dict[str, Any] = {
        "job": "DP02", "number": entry.number + 1, "previous": "1" * 64, "digest": "1" * 64,
        "content": KeptClean(zone=1, hours=1),
    }  # fmt: skip
    _found(place, replace(entry, **{name: told[name]}))


@QUICK
@given(st.integers(0, COUNT - 2))
def test_a_lost_entry_is_found(place):
    with pytest.raises(RecordDamaged, match=f"entry {place + 2} stands where entry {place + 1} belongs"):
        check_chain(ENTRIES[:place] + ENTRIES[place + 1 :])
    # Not even where the ones after it are numbered anew.
    closed = [
        replace(entry, number=number) for number, entry in enumerate(ENTRIES[place + 1 :], start=place + 1)
    ]
    with pytest.raises(RecordDamaged, match=f"entry {place + 1} is not what was once written"):
        check_chain([*ENTRIES[:place], *closed])


def test_a_record_cut_off_at_its_end_is_told_by_the_last_hash():
    assert check_chain(ENTRIES[:-1]) == ENTRIES[-2].digest != ENTRIES[-1].digest


@QUICK
@given(PLACE, PLACE)
def test_swapped_and_doubled_entries_are_found(one, other):
    if one == other:
        return
    order = list(ENTRIES)
    order[one], order[other] = order[other], order[one]
    with pytest.raises(RecordDamaged, match="stands where entry"):
        check_chain(order)
    twice = [*ENTRIES[: one + 1], *ENTRIES[one:]]
    with pytest.raises(RecordDamaged, match=f"entry {one + 1} stands where entry {one + 2} belongs"):
        check_chain(twice)


@QUICK
@given(st.integers(0, COUNT - 2))
def test_an_entry_slipped_in_and_sealed_well_is_found_by_the_one_after_it(place):
    before = ENTRIES[place]
    forged = seal("DP01", before.number, Disturbed(zone=1, what="rain"), before.stamp, before.previous)
    assert check_chain([*ENTRIES[:place], forged]) == forged.digest
    with pytest.raises(RecordDamaged, match=f"entry {place + 2} is not what was once written"):
        check_chain([*ENTRIES[:place], forged, *ENTRIES[place + 1 :]])


def test_two_jobs_are_no_chain():
    other = seal("DP02", 2, Disturbed(zone=1, what="rain"), stamp(5), ENTRIES[0].digest)
    with pytest.raises(RecordDamaged, match="job DP01: entry 2 stands where entry 2 belongs"):
        check_chain([ENTRIES[0], other])


def test_text_that_no_entry_can_be_read_from_is_damage_however_well_it_is_sealed():
    text = '{"kind":"no-such-kind"}'
    place = json.dumps(
        {"job": "DP01", "number": 1, "previous": START, "stamp": asdict(stamp(0))},
        sort_keys=True, separators=(",", ":"),
    )  # fmt: skip
    digest = hashlib.sha256(f'{{"content":{text},{place[1:]}'.encode()).hexdigest()
    entry = Entry("DP01", 1, ENTRIES[0].content, stamp(0), START, digest, text)
    with pytest.raises(RecordDamaged, match="entry 1 is not what was once written"):
        check_chain([entry])


def test_content_is_written_with_sorted_keys_and_no_number_that_is_none():
    text = content_json(Disturbed(zone=1, what="réouvert"))
    assert text == '{"kind":"disturbed","what":"réouvert","zone":1}'


def _found(place: int, changed: Entry) -> None:
    """The changed entry is named; where it is the first, a job of another name shows at the second."""
    entries = [*ENTRIES[:place], changed, *ENTRIES[place + 1 :]]
    at = place + 2 if place == 0 and changed.job != ENTRIES[0].job else place + 1
    with pytest.raises(RecordDamaged, match=f"entry {place + 1} is not|where entry {at} belongs"):
        check_chain(entries)
