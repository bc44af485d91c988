"""Grouping: folders, pauses and serials make captures; no photo is lost, the order given does not matter."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import PurePath

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessor.grouping import Group, GroupingSettings, PhotoRecord, group_photos, look_at_cards
from assessor.values import Exif

START = datetime(2026, 5, 4, 23, 59, 0)


def shot(path: str, at_s: float | None = None, serial: int | None = None) -> PhotoRecord:
    when = None if at_s is None else (START + timedelta(seconds=at_s)).isoformat()
    return PhotoRecord(path, Exif(taken_at=when), serial)


def shapes(groups: tuple[Group, ...]) -> list[tuple[str, list[str]]]:
    return [(group.name, [PurePath(path).name for path in group.paths]) for group in groups]


def test_a_folder_of_one_spot_is_one_capture() -> None:
    groups = group_photos([shot(f"job/spot-1/IMG_{n}.jpg", 10.0 * n) for n in (8, 9, 10, 11)])
    assert shapes(groups) == [("spot-1", ["IMG_8.jpg", "IMG_9.jpg", "IMG_10.jpg", "IMG_11.jpg"])]
    assert groups[0].why == "All 4 photos in folder spot-1, taken without a pause over 60 s."


def test_folders_are_never_joined() -> None:
    """All within one minute, one card: still two spots, as the person laid them out."""
    groups = group_photos([shot("b/1.jpg", 0, 7), shot("a/2.jpg", 1, 7), shot("b/3.jpg", 2, 7)])
    assert shapes(groups) == [("a", ["2.jpg"]), ("b", ["1.jpg", "3.jpg"])]
    assert groups[0].why == "The only photo in folder a."


def test_a_folder_dump_is_cut_at_pauses() -> None:
    times = [0, 8, 16, 24, 324, 332, 340, 4000]
    groups = group_photos([shot(f"dump/{n}.jpg", at) for n, at in enumerate(times)])
    assert shapes(groups) == [
        ("dump", ["0.jpg", "1.jpg", "2.jpg", "3.jpg"]),
        ("dump-2", ["4.jpg", "5.jpg", "6.jpg"]),
        ("dump-3", ["7.jpg"]),
    ]
    assert [group.why for group in groups] == [
        "4 photos, part 1 of 3 of folder dump, ends at a pause of 5 min (limit 60 s).",
        "3 photos, part 2 of 3 of folder dump, begins after a pause of 5 min (limit 60 s).",
        "1 photo, part 3 of 3 of folder dump, begins after a pause of 61 min (limit 60 s).",
    ]


@pytest.mark.parametrize(("pause_s", "parts"), [(59.9, 1), (60.0, 1), (60.2, 2), (3600.0, 2)])
def test_the_pause_allowed_is_sixty_seconds(pause_s: float, parts: int) -> None:
    groups = group_photos([shot("a/1.jpg", 0), shot("a/2.jpg", pause_s)])
    assert len(groups) == parts
    if pause_s == 60.2:
        assert "a pause of 61 s (limit 60 s)" in groups[1].why
    assert (
        len(group_photos([shot("a/1.jpg", 0), shot("a/2.jpg", 60.2)], GroupingSettings(max_pause_s=61))) == 1
    )


def test_a_change_of_card_begins_a_capture_even_without_a_pause() -> None:
    serials = [12, None, 12, 13, None, 13, 12]
    groups = group_photos([shot(f"d/{n}.jpg", 5.0 * n, serial) for n, serial in enumerate(serials)])
    assert shapes(groups) == [
        ("d", ["0.jpg", "1.jpg", "2.jpg"]),
        ("d-2", ["3.jpg", "4.jpg", "5.jpg"]),
        ("d-3", ["6.jpg"]),
    ]
    assert groups[0].why.endswith("ends at a change of the card's serial from 12 to 13.")
    assert groups[1].why.endswith("begins after a change of the card's serial from 12 to 13.")


def test_time_and_not_the_file_name_gives_the_order() -> None:
    assert shapes(group_photos([shot("a/1.jpg", 20), shot("a/2.jpg", 10)])) == [("a", ["2.jpg", "1.jpg"])]


def test_midnight_is_no_pause() -> None:
    assert len(group_photos([shot("a/1.jpg", 50), shot("a/2.jpg", 70)])) == 1


def test_photos_without_a_time_stay_in_file_name_order() -> None:
    groups = group_photos([shot(f"a/IMG_{n}.jpg") for n in (100, 9, 10, 1)])
    assert shapes(groups) == [("a", ["IMG_1.jpg", "IMG_9.jpg", "IMG_10.jpg", "IMG_100.jpg"])]
    assert groups[0].why == "All 4 photos in folder a, in file-name order since none says when it was taken."


def test_a_photo_without_a_time_stays_beside_its_neighbour() -> None:
    times = [None, 0, None, 10, 500, None]
    groups = group_photos([shot(f"a/{n}.jpg", at) for n, at in enumerate(times)])
    assert shapes(groups) == [("a", ["0.jpg", "1.jpg", "2.jpg", "3.jpg"]), ("a-2", ["4.jpg", "5.jpg"])]
    assert groups[0].why.endswith("(limit 60 s); 2 without a time placed by file name.")


def test_a_time_that_cannot_be_read_counts_as_none() -> None:
    records = [PhotoRecord("a/1.jpg", Exif(taken_at="yesterday")), shot("a/2.jpg", 9)]
    assert shapes(group_photos(records)) == [("a", ["1.jpg", "2.jpg"])]


def test_many_photos_of_one_run_stay_together_and_say_so() -> None:
    groups = group_photos([shot(f"a/{n}.jpg", n) for n in range(25)])
    assert len(groups) == 1
    assert groups[0].why.endswith("; more than the 24 of one capture, so keep each spot in its own folder.")


def test_a_torch_capture_stays_together() -> None:
    """Nine photos 10 s apart take a minute and a half, which no single pause shows."""
    groups = group_photos([shot(f"dump/{n}.jpg", 10.0 * n) for n in range(9)])
    assert [len(group.paths) for group in groups] == [9]
    assert groups[0].why == "All 9 photos in folder dump, taken without a pause over 60 s."


def test_two_torch_spots_are_cut_at_the_pause() -> None:
    times = [8.0 * n for n in range(9)] + [200.0 + 8.0 * n for n in range(9)]
    groups = group_photos([shot(f"dump/{n}.jpg", at) for n, at in enumerate(times)])
    assert [len(group.paths) for group in groups] == [9, 9]


def test_a_pause_that_stands_out_in_a_large_group_is_said() -> None:
    times = [0, 6, 12, 18, 62, 68, 74, 80]
    (group,) = group_photos([shot(f"a/{n}.jpg", at) for n, at in enumerate(times)])
    assert group.why.endswith(
        "; one pause of 44 s: if the card was moved then, keep each spot in its own folder."
    )
    few = group_photos([shot(f"a/{n}.jpg", at) for n, at in enumerate(times[1:5])])
    assert "one pause" not in few[0].why


@pytest.mark.parametrize(
    ("sizes", "pause_s", "serials", "captures"),
    [
        ((4, 9), 180, (1, 1), [13]),  # sides, then the torch is fetched
        ((9, 6), 590, (1, None), [15]),
        ((4, 9), 610, (1, 1), [4, 9]),
        ((4, 9), 180, (1, 2), [4, 9]),  # another card
        ((4, 4), 180, (1, 1), [4, 4]),  # two spots of one kind
        ((3, 9), 180, (1, 1), [3, 9]),  # three photos are no kind
        ((9, 9), 180, (1, 1), [9, 9]),
        ((6, 19), 180, (1, 1), [6, 19]),  # more than a capture has
    ],
)
def test_both_kinds_of_one_spot_may_lie_minutes_apart(
    sizes: tuple[int, int], pause_s: float, serials: tuple[int | None, int | None], captures: list[int]
) -> None:
    start = 5.0 * (sizes[0] - 1) + pause_s
    records = [shot(f"spot/a{n:02}.jpg", 5.0 * n, serials[0]) for n in range(sizes[0])]
    records += [shot(f"spot/b{n:02}.jpg", start + 5.0 * n, serials[1]) for n in range(sizes[1])]
    groups = group_photos(records)
    assert [len(group.paths) for group in groups] == captures
    if len(captures) == 1:
        assert "as for both kinds of one spot; if the card was moved between" in groups[0].why


def sweep(path: str) -> PhotoRecord:
    return PhotoRecord(path, Exif(), is_sweep=True)


def test_a_video_joins_the_photos_of_its_folder() -> None:
    (group,) = group_photos([*(shot(f"a/IMG_{n}.jpg", 9.0 * n) for n in range(4)), sweep("a/IMG_7.mov")])
    assert group.why == (
        "All 4 photos and 1 video in folder a, taken without a pause over 60 s; 1 without a time placed by file name."
    )
    (alone,) = group_photos([sweep("b/IMG_7.mov")])
    assert alone.why == "The only video in folder b."


def test_every_video_of_a_dump_is_a_capture() -> None:
    groups = group_photos([sweep(f"dump/{n}.mp4") for n in range(3)])
    assert [group.paths for group in groups] == [("dump/0.mp4",), ("dump/1.mp4",), ("dump/2.mp4",)]
    assert groups[1].why == "1 video, part 2 of 3 of folder dump, begins after one whole video."


def test_few_cards_are_looked_at_where_they_are_alike() -> None:
    use = GroupingSettings()
    paths = tuple(f"a/{n}.jpg" for n in range(9))
    group = Group("a", paths, "")
    none: frozenset[str] = frozenset()
    assert look_at_cards(Group("a", paths[:6], ""), {}, none, use) == ()
    probes = look_at_cards(group, {}, none, use)
    assert probes == ("a/0.jpg", "a/4.jpg", "a/8.jpg")
    assert look_at_cards(group, dict.fromkeys(probes, 7), none, use) == ()
    for other in (8, None):  # another card, or one that can't be read
        read = {**dict.fromkeys(probes, 7), "a/4.jpg": other}
        assert set(look_at_cards(group, read, none, use)) == set(paths) - set(probes)
    assert look_at_cards(group, {}, frozenset({"a/0.jpg"}), use)[0] == "a/1.jpg"
    many = Group("a", tuple(f"a/{n}.jpg" for n in range(25)), "")
    assert len(look_at_cards(many, {}, none, use)) == 25


def test_folders_of_the_same_name_get_unlike_names() -> None:
    paths = ["x/spot/1.jpg", "y/spot/1.jpg", "z/Spot/1.jpg", "spot-2/1.jpg"]
    groups = group_photos([shot(path) for path in paths])
    assert {group.paths[0]: group.name for group in groups} == {
        "x/spot/1.jpg": "spot",
        "y/spot/1.jpg": "spot-3",
        "z/Spot/1.jpg": "Spot-4",
        "spot-2/1.jpg": "spot-2",
    }


def test_a_part_never_takes_the_name_of_another_folder() -> None:
    groups = group_photos([shot("spot/1.jpg", 0), shot("spot/2.jpg", 900), shot("spot-2/1.jpg", 0)])
    assert [(group.name, group.paths) for group in groups] == [
        ("spot", ("spot/1.jpg",)),
        ("spot-3", ("spot/2.jpg",)),
        ("spot-2", ("spot-2/1.jpg",)),
    ]


@pytest.mark.parametrize("path", ["a.jpg", "./a.jpg", "../a.jpg", "/a.jpg"])
def test_files_of_a_folder_without_a_name_are_photos(path: str) -> None:
    assert group_photos([shot(path)])[0].name == "photos"


def test_nothing_in_nothing_out() -> None:
    assert group_photos([]) == ()


FOLDERS = st.sampled_from(["", "a", "A", "a-2", "b/a", "day 1/spot", "../x", "/abs"])
FILES = st.sampled_from([*(f"IMG_{n}.jpg" for n in range(7, 14)), "9.heic", "10.heic", "010.heic", "b.PNG"])
TIMES = st.none() | st.integers(0, 1000) | st.floats(0, 300)
RECORDS = st.lists(
    st.builds(
        lambda folder, file, at, serial: shot(str(PurePath(folder) / file), at, serial),
        FOLDERS,
        FILES,
        TIMES,
        st.sampled_from([None, None, 1, 2]),
    ),
    max_size=25,
)


@settings(max_examples=50)
@given(RECORDS, st.integers(0, 25))
def test_every_photo_is_in_exactly_one_group_whatever_the_order(
    records: list[PhotoRecord], turn: int
) -> None:
    groups = group_photos(records)
    paths = [path for group in groups for path in group.paths]
    assert sorted(paths) == sorted({record.path for record in records})
    names = [group.name.casefold() for group in groups]
    assert len(set(names)) == len(names)
    turned = records[turn:] + records[:turn]
    assert group_photos(turned + records[:3]) == group_photos(records[::-1]) == groups


@settings(max_examples=50)
@given(RECORDS)
def test_no_group_holds_two_folders_two_cards_or_a_pause(records: list[PhotoRecord]) -> None:
    known = {record.path: record for record in records}
    records = list(known.values())
    for group in group_photos(records):
        inside = [known[path] for path in group.paths]
        assert len({str(PurePath(record.path).parent) for record in inside}) == 1
        assert len({record.serial for record in inside} - {None}) <= 1
        times = [datetime.fromisoformat(r.exif.taken_at) for r in inside if r.exif.taken_at]
        assert times == sorted(times)
        limit = timedelta(seconds=600 if "both kinds" in group.why else 60)
        assert all(b - a <= limit for a, b in pairwise(times))
        assert group.why.endswith(".") and group.why.count(".") == 1 + group.why.count("../")
