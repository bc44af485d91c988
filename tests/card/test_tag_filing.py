"""A cable dump at night files itself: what goes where, what is left for a person, and how few photos are read."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.card.tag import Tag
from assessor.card.tag_filing import (
    FilingSettings,
    NotFiled,
    TaggedGroup,
    file_of,
    group_by_tags,
    look_for_tags,
)
from assessor.card.tag_read import TagOutcome
from assessor.grouping import PhotoRecord
from assessor.values import Exif

A, B = Tag("K7QX", 3, 7, "after"), Tag("K7QX", 3, 8, "after")
NONE = TagOutcome("none", None, "No tag lies beside the card.")
SEVERAL = TagOutcome("several", None, "Two tags lie beside the card.")
FOREIGN = TagOutcome("other-job", Tag("R2D9", 1, 1, "after"), "The tag is of job R2D9, not of K7QX.")
START = datetime(2026, 3, 2, 10)


def said(tag: Tag) -> TagOutcome:
    return TagOutcome("tag", tag, f"The tag says {tag.name}.")


def shot(
    n: int, at_s: float | None, serial: int | None = None, *, folder: str = "dump", video: bool = False
) -> PhotoRecord:
    taken = None if at_s is None else (START + timedelta(seconds=at_s)).isoformat()
    return PhotoRecord(f"{folder}/IMG_{n}.jpg", Exif(taken_at=taken), serial, video)


def dump(*photos: tuple[float | None, TagOutcome | None]) -> tuple[list[PhotoRecord], dict[str, TagOutcome]]:
    """Photos of one folder by time and what their tags say; None: not looked at."""
    records = [shot(k, at) for k, (at, _) in enumerate(photos)]
    return records, {r.path: o for r, (_, o) in zip(records, photos, strict=True) if o is not None}


def names(groups: tuple[TaggedGroup, ...]) -> list[tuple[str, int]]:
    return [(one.group.name, len(one.group.paths)) for one in groups]


def test_two_spots_within_a_minute_are_told_apart_by_their_tags() -> None:
    records, tags = dump((0, said(A)), (6, said(A)), (30, said(B)), (37, said(B)))
    groups = group_by_tags(records, tags)
    assert names(groups) == [("Z03-S07-after-r1", 2), ("Z03-S08-after-r1", 2)]
    assert [one.tag for one in groups] == [A, B]
    assert groups[0].group.why == "2 photos with tag Z03-S07-after-r1."


def test_before_and_after_of_one_spot_are_two_captures() -> None:
    before = Tag("K7QX", 3, 7, "before")
    groups = group_by_tags(*dump((0, said(before)), (5, said(before)), (12, said(A))))
    assert names(groups) == [("Z03-S07-before-r1", 2), ("Z03-S07-after-r1", 1)]


def test_a_photo_without_a_tag_between_two_of_one_spot_joins_and_says_so() -> None:
    (one,) = group_by_tags(*dump((0, said(A)), (6, NONE), (12, said(A))))
    assert (one.tag, one.joined) == (A, ("dump/IMG_1.jpg",))
    assert one.group.why == (
        "3 photos with tag Z03-S07-after-r1; 1 lies between the others without a tag that was read."
    )


def test_a_photo_without_a_tag_between_two_spots_is_left_with_the_likely_one() -> None:
    groups = group_by_tags(*dump((0, said(A)), (6, said(A)), (10, NONE), (50, said(B))))
    assert names(groups) == [("Z03-S07-after-r1", 2), ("Z03-S08-after-r1", 1), ("not-filed", 1)]
    assert (groups[2].tag, groups[2].likely) == (None, A)
    assert groups[2].reason == "No tag lies beside the card. It was taken 4 s from Z03-S07-after-r1."
    assert groups[2].group.why.startswith("1 photo not filed. No tag")


def test_photos_of_a_day_without_any_tag_are_left_by_pauses() -> None:
    groups = group_by_tags(*dump((0, NONE), (6, NONE), (400, NONE)))
    assert names(groups) == [("not-filed", 2), ("not-filed-2", 1)]
    assert all(one.tag is None and one.likely is None for one in groups)


def test_a_spot_shot_again_later_is_a_capture_of_its_own() -> None:
    groups = group_by_tags(*dump((0, said(A)), (590, said(A)), (1200, said(A))))
    assert names(groups) == [("Z03-S07-after-r1", 2), ("Z03-S07-after-r1-2", 1)]
    assert [one.tag for one in groups] == [A, A]


def test_another_card_begins_another_capture_and_serials_are_kept() -> None:
    records = [shot(0, 0, 17), shot(1, 5), shot(2, 10, 17), shot(3, 20, 900)]
    groups = group_by_tags(records, {r.path: said(A) for r in records})
    assert [(len(g.group.paths), g.card_serial) for g in groups] == [(3, 17), (1, 900)]
    assert groups[0].group.why == "3 photos with tag Z03-S07-after-r1 on card 00017."


@pytest.mark.parametrize("odd", [SEVERAL, FOREIGN])
def test_what_contradicts_its_neighbours_is_never_joined(odd: TagOutcome) -> None:
    groups = group_by_tags(*dump((0, said(A)), (6, odd), (12, said(A))))
    assert names(groups) == [("Z03-S07-after-r1", 2), ("not-filed", 1)]
    assert (groups[1].reason, groups[1].likely) == (odd.sentence, None)


def test_folders_are_never_joined() -> None:
    records = [shot(1, 0, folder="phone a"), shot(2, 5, folder="phone b")]
    groups = group_by_tags(records, {r.path: said(A) for r in records})
    assert names(groups) == [("Z03-S07-after-r1", 1), ("Z03-S07-after-r1-2", 1)]


def test_a_video_beside_tagged_photos_joins_them() -> None:
    records = [shot(0, 0), shot(1, None, video=True), shot(2, 20)]
    (one,) = group_by_tags(records, {records[0].path: said(A), records[2].path: said(A)})
    assert len(one.group.paths) == 3
    assert one.group.why.startswith("2 photos and 1 video with tag")
    assert look_for_tags(records, {}) == (records[0].path, records[2].path)


def test_photos_without_times_are_filed_in_the_order_of_their_names() -> None:
    records, tags = dump((None, said(A)), (None, NONE), (None, said(A)), (None, said(B)))
    assert names(group_by_tags(records, tags)) == [("Z03-S07-after-r1", 3), ("Z03-S08-after-r1", 1)]
    assert set(look_for_tags(records, {})) == {records[0].path, records[3].path}


def read_all_asked(records: list[PhotoRecord], truth: dict[str, TagOutcome]) -> dict[str, TagOutcome]:
    tags: dict[str, TagOutcome] = {}
    while paths := look_for_tags(records, tags):
        assert not set(paths) & set(tags)
        tags |= {path: truth[path] for path in paths}
    return tags


def test_few_photos_of_a_spot_are_read() -> None:
    records, truth = dump(*[(5.0 * k, said(A)) for k in range(8)])
    tags = read_all_asked(records, truth)
    assert len(tags) == 2
    assert names(group_by_tags(records, tags)) == [("Z03-S07-after-r1", 8)]


@given(st.lists(st.tuples(st.sampled_from([A, B, None]), st.integers(1, 7), st.integers(1, 90)), max_size=12))
def test_reading_only_what_is_asked_for_files_a_day_as_reading_all(
    spots: list[tuple[Tag | None, int, int]],
) -> None:
    """Spots one after another, each of a few shots 5 s apart, the card carried on for 41 s and more between them."""
    at, photos = 0.0, []
    for tag, many, carried in spots:
        photos += [(at + 5.0 * k, NONE if tag is None else said(tag)) for k in range(many)]
        at += 5.0 * many + 41.0 + carried
    records, truth = dump(*photos)
    few, every = group_by_tags(records, read_all_asked(records, truth)), group_by_tags(records, truth)
    assert names(few) == names(every)
    assert [one.group.paths for one in few] == [one.group.paths for one in every]
    assert sorted(path for one in few for path in one.group.paths) == sorted(truth)
    for one in few:
        assert one.tag is None or truth[one.group.paths[0]].tag == one.tag == truth[one.group.paths[-1]].tag


@given(st.permutations(range(7)))
def test_the_order_of_the_files_does_not_matter(order: list[int]) -> None:
    records, tags = dump(
        (0, said(A)), (4, NONE), (8, said(A)), (30, NONE), (33, said(B)), (36, FOREIGN), (700, said(B))
    )
    assert group_by_tags([records[k] for k in order], tags) == group_by_tags(records, tags)


def test_a_folder_of_one_spot_is_filed_by_what_its_photos_agree_on() -> None:
    filed = file_of([said(A), NONE, said(A)])
    assert not isinstance(filed, NotFiled)
    assert (filed.tag, filed.sentence) == (A, "The tag in 2 of 3 photos says Z03-S07-after-r1.")
    two = file_of([said(A), said(B)])
    assert isinstance(two, NotFiled)
    assert two.reason.startswith(
        "The photos show tags of Z03-S07-after-r1 and Z03-S08-after-r1: put those of each"
    )
    assert file_of([said(A), FOREIGN]) == NotFiled(FOREIGN.sentence)
    assert file_of([NONE, NONE]) == NotFiled(NONE.sentence)
    assert file_of([]) == NotFiled("No photo was looked at for a tag.")


def test_the_gap_is_a_setting() -> None:
    records, tags = dump((0, said(A)), (100, said(A)))
    assert len(group_by_tags(records, tags, FilingSettings(max_gap_s=60.0))) == 2
