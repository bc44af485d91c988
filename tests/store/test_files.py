"""Finding photos and writing results."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from assessor.errors import NoPhotos, OutputNotWritable, UnreadablePhoto
from assessor.store.files import (
    check_writable,
    find_photos,
    read_photo_bytes,
    shown_name,
    write_bytes,
    write_text,
)


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def test_folders_are_walked_and_named_files_are_always_taken(tmp_path: Path) -> None:
    photo, other, hidden = tmp_path / "a/1.JPG", tmp_path / "a/b/2.heic", tmp_path / "a/.trash/3.jpg"
    notes, named = tmp_path / "a/notes.txt", tmp_path / "list.txt"
    touch(photo, other, hidden, notes, named, tmp_path / "a/._4.jpg")
    assert find_photos([tmp_path / "a", named, photo]) == (photo, other, named)


def test_videos_are_found_but_not_the_clips_of_live_photos(tmp_path: Path) -> None:
    photo, live, sweep = tmp_path / "IMG_1.HEIC", tmp_path / "IMG_1.MOV", tmp_path / "IMG_2.mp4"
    touch(photo, live, sweep)
    assert find_photos([tmp_path]) == (photo, sweep)
    assert find_photos([live]) == (live,)


def test_earlier_results_are_not_photos(tmp_path: Path) -> None:
    photo = tmp_path / "1.jpg"
    touch(photo, tmp_path / "out/spot/picture.png", tmp_path / "else/spot/picture.png")
    touch(tmp_path / "else/spot/assessment.json")
    assert find_photos([tmp_path], leave_out=tmp_path / "out") == (photo,)


def test_nothing_found_says_where_it_looked(tmp_path: Path) -> None:
    with pytest.raises(NoPhotos, match=r"no photo was found \(.*; name photos or a folder"):
        find_photos([tmp_path])
    with pytest.raises(NoPhotos, match="absent: there is no such file or folder"):
        find_photos([tmp_path / "absent"])


def test_huge_files_are_read_only_as_far_as_needed(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"x" * 100)
    assert len(read_photo_bytes(path, max_bytes=10)) == 11
    with pytest.raises(UnreadablePhoto, match=f"{tmp_path.name}/none.jpg: the file cannot be read"):
        read_photo_bytes(tmp_path / "none.jpg", max_bytes=10)


def test_names_are_shown_with_their_folder(tmp_path: Path) -> None:
    assert shown_name(Path("/floors/spot 3/IMG_1.jpg")) == "spot 3/IMG_1.jpg"


def test_writing_replaces_whole_files_and_leaves_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "new/folder/a.txt"
    write_text(path, "one ± two")
    write_bytes(path, b"three")
    assert path.read_bytes() == b"three"
    assert [each.name for each in path.parent.iterdir()] == ["a.txt"]
    assert path.stat().st_mode & 0o077 == 0o066 & ~_umask()


def test_a_file_in_the_way_is_one_sentence(tmp_path: Path) -> None:
    touch(tmp_path / "file")
    with pytest.raises(OutputNotWritable, match=r"cannot write here .*; choose another folder with --out"):
        write_bytes(tmp_path / "file/a.txt", b"")
    with pytest.raises(OutputNotWritable, match="cannot write here"):
        check_writable(tmp_path / "file")


def test_a_failed_write_keeps_the_old_file(tmp_path: Path) -> None:
    folder = tmp_path / "a.txt"
    (folder / "in the way").mkdir(parents=True)
    with pytest.raises(OutputNotWritable):
        write_bytes(folder, b"new")
    assert [each.name for each in tmp_path.iterdir()] == ["a.txt"]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
