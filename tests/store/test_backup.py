"""Backups: one file that brings everything back, between SQLite and PostgreSQL too, or refuses."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import zipfile
from contextlib import suppress
from pathlib import Path

import pytest

from assessor.errors import BackupInvalid, RecordDamaged, StoreUnusable
from assessor.store import backup as backup_module
from assessor.store.backup import backup, restore
from assessor.store.backup_format import open_backup
from assessor.store.checking import check_store
from assessor.store.ledger import Ledger
from assessor.store.opening import open_store
from tests.store.records import STAMP, fill, opened, refiled


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    """A backup of two jobs."""
    with open_store(tmp_path / "from") as store:
        fill(store, "HALL")
        fill(store, "YARD", captures=2)
        backup(store, tmp_path / "saved.zip")
    return tmp_path / "saved.zip"


def contents(store: Ledger) -> object:
    """All that a store holds."""
    names = sorted(store.files.names())
    return (
        store.jobs(),
        [store.entries(head.job) for head in store.jobs()],
        [(n, store.read_file(n)) for n in names],
    )


def test_a_backup_brings_everything_back(saved: Path, tmp_path: Path) -> None:
    report = restore(saved, tmp_path / "to")
    with open_store(tmp_path / "from") as one, open_store(tmp_path / "to") as two:
        assert contents(one) == contents(two)
        assert report.jobs == one.jobs()
        known = {head.job: head.digest for head in report.jobs}
        assert check_store(two, known_heads=known).whole
        two.append("HALL", [refiled("c0", 1, 2)], STAMP)
    assert (report.entries, report.files) == (12, 6)
    assert not list(tmp_path.glob(".*"))


def test_a_backup_is_plain_zip_and_json(saved: Path) -> None:
    """Outside check: the standard library alone reads it, and finds the hashes that it tells."""
    with zipfile.ZipFile(saved) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        for file in manifest["files"]:
            data = archive.read("files/" + file["sha256"])
            assert (hashlib.sha256(data).hexdigest(), len(data)) == (file["sha256"], file["bytes"])
        lines = [json.loads(line) for line in archive.read("entries.jsonl").splitlines()]
        assert hashlib.sha256(archive.read("entries.jsonl")).hexdigest() == manifest["entries_sha256"]
    heads = {line["job"]: line["digest"] for line in lines}
    assert heads == {job["job"]: job["digest"] for job in manifest["jobs"]}
    assert manifest["program"]
    assert len(lines) == 12


def test_a_backup_moves_to_postgresql_and_back(saved: Path, tmp_path: Path, new_database: str) -> None:
    restore(saved, new_database, tmp_path / "server-files")
    with open_store(new_database, tmp_path / "server-files") as store:
        assert check_store(store).whole
        backup(store, tmp_path / "again.zip")
    restore(tmp_path / "again.zip", tmp_path / "to")
    with open_store(tmp_path / "from") as one, open_store(tmp_path / "to") as two:
        assert contents(one) == contents(two)
    members = []
    for file in (saved, tmp_path / "again.zip"):
        with zipfile.ZipFile(file) as archive:
            members.append(
                {name: archive.read(name) for name in archive.namelist() if name != "manifest.json"}
            )
    assert members[0] == members[1]


def test_files_move_to_a_remote_place(saved: Path, tmp_path: Path) -> None:
    restore(saved, tmp_path / "to", f"memory://{tmp_path.name}")
    with open_store(tmp_path / "to", f"memory://{tmp_path.name}") as store:
        assert check_store(store).whole
        assert not list((tmp_path / "to").glob("files"))


def test_any_byte_changed_is_found_or_harmless(saved: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "from") as store:
        wanted = contents(store)
    whole, chance, refused = saved.read_bytes(), random.Random(8), 0
    for n in range(120):
        data = bytearray(whole)
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        broken, place = tmp_path / f"{n}.zip", tmp_path / f"to{n}"
        broken.write_bytes(data)
        try:
            restore(broken, place)
        except BackupInvalid:
            refused += 1
            assert not place.exists()
        else:
            # A date or a comment of the ZIP directory, which says nothing of the record.
            with open_store(place) as store:
                assert contents(store) == wanted
    assert refused > 60


def test_every_bit_of_the_zips_end_is_found_or_harmless(saved: Path, tmp_path: Path) -> None:
    """The end record says where the directory lies; a flipped bit there moves every file of the backup."""
    whole = saved.read_bytes()
    for place in range(len(whole) - 22, len(whole)):
        for bit in range(8):
            data = bytearray(whole)
            data[place] ^= 1 << bit
            saved.write_bytes(data)
            with suppress(BackupInvalid), open_backup(saved):
                pass


def test_a_backup_cut_off_is_refused(saved: Path, tmp_path: Path) -> None:
    data = saved.read_bytes()
    for keep in (0, 1, len(data) // 2, len(data) - 1):
        saved.write_bytes(data[:keep])
        with pytest.raises(
            BackupInvalid, match=r"saved.zip: the file is damaged, or no backup; use another backup"
        ):
            restore(saved, tmp_path / "to")
    assert not (tmp_path / "to").exists()


def rewritten(saved: Path, member: str, old: str, new: str, *, mend: bool = True) -> Path:
    """The backup with one text changed and, if asked, the manifest's hash of it put right, as a forger would."""
    target = saved.with_name("forged.zip")
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(target, "w") as archive:
        texts = {name: source.read(name) for name in source.namelist()}
        assert old.encode() in texts[member]
        before = hashlib.sha256(texts[member]).hexdigest()
        texts[member] = texts[member].replace(old.encode(), new.encode())
        after = hashlib.sha256(texts[member]).hexdigest()
        if mend:
            texts["manifest.json"] = texts["manifest.json"].replace(before.encode(), after.encode())
        for name, data in texts.items():
            archive.writestr(name, data)
    return target


@pytest.mark.parametrize(
    ("member", "old", "new", "mend", "match"),
    [
        ("entries.jsonl", "A. Made-up", "B. Made-up", True, "job HALL: entry 1 is not what was once written"),
        ("entries.jsonl", "A. Made-up", "B. Made-up", False, "entry 1 is not what was once written"),
        ("entries.jsonl", '"number":3', '"number":4', True, "entry 4 is not what was once written"),
        ("entries.jsonl", '"who":', '"whom":', True, "holds what no backup of ours holds"),
        ("kept.jsonl", "IMG_0001", "IMG_0009", False, "kept.jsonl is not what the manifest says"),
        ("kept.jsonl", '"bytes":12', '"bytes":13', True, "its list of files is not that of its manifest"),
        ("manifest.json", '"entries": 5', '"entries": 6', False, "do not end as its manifest says"),
        (
            "manifest.json",
            "assessor-backup-1",
            "assessor-backup-9",
            False,
            "format assessor-backup-9, which this",
        ),
        ("manifest.json", '"files"', '"photos"', False, "holds what no backup of ours holds"),
    ],
)
def test_forged_backups_are_refused(
    saved: Path, tmp_path: Path, member: str, old: str, new: str, mend: bool, match: str
) -> None:
    with pytest.raises(BackupInvalid, match=match):
        restore(rewritten(saved, member, old, new, mend=mend), tmp_path / "to")
    assert not (tmp_path / "to").exists()


def test_a_forged_file_is_refused(saved: Path, tmp_path: Path) -> None:
    photo = hashlib.sha256(b"photo HALL 1").hexdigest()
    forged = rewritten(saved, f"files/{photo}", "photo HALL 1", "photo HALL 2", mend=False)
    with pytest.raises(BackupInvalid, match=f"its file {photo} is not what was once stored"):
        restore(forged, tmp_path / "to")
    assert not (tmp_path / "to").exists()


def test_a_missing_or_extra_member_is_refused(saved: Path, tmp_path: Path) -> None:
    extra = tmp_path / "extra.zip"
    shutil.copy(saved, extra)
    with zipfile.ZipFile(extra, "a") as archive:
        archive.writestr("../../outside.txt", "x")
    with pytest.raises(
        BackupInvalid, match=r"outside\.txt is in the file or in its manifest, but not in both"
    ):
        restore(extra, tmp_path / "to")
    short = tmp_path / "short.zip"
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(short, "w") as archive:
        for name in [*source.namelist()[:-2], "manifest.json"]:
            archive.writestr(name, source.read(name))
    with pytest.raises(BackupInvalid, match="but not in both"):
        restore(short, tmp_path / "to")
    with zipfile.ZipFile(short, "w") as archive:
        archive.writestr("notes.txt", "x")
    with pytest.raises(BackupInvalid, match="the file is no backup: its lists are missing"):
        restore(short, tmp_path / "to")
    with pytest.raises(BackupInvalid, match="there is no such file"):
        restore(tmp_path / "none.zip", tmp_path / "to")


def test_only_an_empty_place_is_restored_to(saved: Path, tmp_path: Path) -> None:
    with pytest.raises(
        BackupInvalid, match="holds a record already; use another backup file, and an empty place"
    ):
        restore(saved, tmp_path / "from")
    (tmp_path / "full").mkdir()
    (tmp_path / "full/letter.txt").write_text("mine")
    with pytest.raises(BackupInvalid, match="the folder to restore to is not empty"):
        restore(saved, tmp_path / "full")
    assert [each.name for each in (tmp_path / "full").iterdir()] == ["letter.txt"]
    (tmp_path / "empty").mkdir()
    restore(saved, tmp_path / "empty")


def test_a_restore_that_fails_leaves_nothing(
    saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(backup_module, "insert_entries", fail)
        with pytest.raises(StoreUnusable, match="the disk is full"):
            restore(saved, tmp_path / "to")
    assert not (tmp_path / "to").exists()


def test_a_restore_that_was_killed_is_done_again(saved: Path, tmp_path: Path) -> None:
    # As a kill between files and rows leaves it: tables without a row, some files, one of them cut off.
    with open_store(tmp_path / "to") as store, open_store(tmp_path / "from") as one:
        names = sorted(one.files.names())[:2]
        for name in names:
            target = store.file_path(name)
            assert target is not None
            target.parent.mkdir(parents=True)
            target.write_bytes(one.read_file(name)[: 3 if name == names[0] else None])
    restore(saved, tmp_path / "to")
    with open_store(tmp_path / "to") as store:
        assert check_store(store).whole


def test_a_damaged_store_is_not_backed_up_as_whole(tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        photo, *_ = fill(store)
        path = store.file_path(photo)
        assert path is not None
        path.chmod(0o644)
        path.write_bytes(b"other bytes!")
        with pytest.raises(
            RecordDamaged, match=f"the stored file {photo.sha256} is not what was once stored"
        ):
            backup(store, tmp_path / "saved.zip")
        path.unlink()
        with pytest.raises(RecordDamaged, match="is missing; stop, keep the files as they are"):
            backup(store, tmp_path / "saved.zip")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["store"]


def test_a_backup_is_never_written_over(saved: Path, tmp_path: Path) -> None:
    before = saved.read_bytes()
    with open_store(tmp_path / "from") as store, pytest.raises(StoreUnusable, match="is there already"):
        backup(store, saved)
    assert saved.read_bytes() == before


def test_what_is_entered_meanwhile_is_in_the_next_backup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "from"
    real = backup_module._kept_lines
    with open_store(place) as store, open_store(place) as other:
        fill(store)
        wanted = store.jobs()

        def meanwhile(*given: object) -> object:
            fill(other, "YARD")
            other.append("HALL", [refiled("c0", 1, 2)], STAMP)
            return real(*given)  # type: ignore[arg-type]

        monkeypatch.setattr(backup_module, "_kept_lines", meanwhile)
        report = backup(store, tmp_path / "saved.zip")
        assert report.jobs == wanted
        assert len(store.jobs()) == 2
    restore(tmp_path / "saved.zip", tmp_path / "to")
    with open_store(tmp_path / "to") as store:
        assert store.jobs() == wanted


def test_an_empty_store_has_a_backup_too(tmp_path: Path) -> None:
    with open_store(tmp_path / "from") as store:
        backup(store, tmp_path / "saved.zip")
    assert restore(tmp_path / "saved.zip", tmp_path / "to").jobs == ()
    with open_store(tmp_path / "to") as store:
        store.append("HALL", [opened()], STAMP)


def test_a_file_in_the_way_is_one_sentence(saved: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreUnusable, match=r"/file: the place cannot be used \(Not a directory"):
        restore(saved, tmp_path / "file")
    in_the_way = pytest.raises(StoreUnusable, match=r"/file/saved.zip: the place cannot be used")
    with open_store(tmp_path / "from") as store, in_the_way:
        backup(store, tmp_path / "file/saved.zip")
