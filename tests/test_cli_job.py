"""The commands under `job`, `backup` and `restore`: what they print, their exit codes, and what they must not tell."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from assessor.card.tag import Tag
from assessor.card.tag_read import TagOutcome
from assessor.desk import filing
from assessor.desk.filing import SeenTag
from assessor.errors import TooFewPhotos
from assessor.store.opening import open_store
from tests.desk.calls import Cli, Said, cli, disputed, refused, stage
from tests.desk.conftest import says
from tests.desk.stage import JOB, LEAD, SayingPipeline, Stage, write_photo

__all__ = ["cli", "disputed", "says", "stage"]  # fixtures


# A whole job, by commands alone


def test_a_zone_from_opening_to_acceptance_by_commands(
    cli: Cli, says: SayingPipeline, tmp_path: Path
) -> None:
    for n in range(20):
        write_photo(tmp_path / f"{n}.jpg", n)
    (tmp_path / "sheet.pdf").write_bytes(b"INVENTED sheet")
    opened = cli("job", "open", JOB, "--name", "Depot", "--site", "nowhere", "--invented")
    assert (opened.code, opened.out) == (0, f"Job {JOB} is open in {tmp_path / 'store/record.sqlite'}\n")
    refused(cli("job", "open", JOB, "--name", "Again", "--site", "x"), "is open already")

    def enter(kind: str, *fields: str, at: str = "floor", role: str = "lead", who: str = LEAD.who) -> Said:
        said = cli("job", "enter", JOB, kind, *fields, "--role", role, "--at", at, "--who", who)
        assert said.code == 0, said.err
        assert f": {kind} [" in said.out
        return said

    enter("hazard-checked", "hazard=asbestos-lead", "cleared=yes", "how=laboratory", "surveyor=S")
    blocked = cli("job", "enter", JOB, "surface-prepared", "zone=1", "lot=1", "shift=early", "method=shot-blast",
                  "machine=m", "tooling=t", "area_m2=20")  # fmt: skip
    refused(blocked, "there is no zone 1")
    enter(
        "zone-laid-out",
        "zone=1",
        "name=bay 1",
        "size=5x4",
        "area_m2=20",
        "method=shot-blast",
        "is_mock_up=yes",
    )
    work = ("zone=1", "lot=1", "shift=early", "method=shot-blast", "machine=m", "tooling=t", "area_m2=20")
    refused(cli("job", "enter", JOB, "surface-prepared", *work), "no cut before the survey for cables")
    enter("hazard-checked", "hazard=buried-services", "cleared=yes", "how=radar", "surveyor=S")
    enter("system-named", "system=high-build", "moisture=dry")
    enter("data-sheet-filed", f"document={tmp_path / 'sheet.pdf'}", "edition=1", "page=2", "csp=3-5")
    enter("surface-prepared", *work, role="crew")
    plan = cli("job", "plan", JOB, 1)
    assert "Spot 1 (random, " in plan.out
    assert "Spot 4 (worst, " in plan.out
    assert "At best: All 3 random spots in range" in plan.out
    assert "44 % of the floor" in plan.out.replace("\u00a0", " ")
    assert "Drawn from seed " in plan.out
    refused(cli("job", "plan", JOB, 1), "drawn already and stay")
    for spot in range(1, 5):
        filed = cli("job", "file", JOB, tmp_path / f"{spot}.jpg", "--zone", 1, "--spot", spot)
        assert filed.out == f"Z01-S0{spot}-after-r1: filed by hand\n"
    done = cli("job", "assess", JOB, "--workers", 1)
    assert (done.code, done.out) == (0, "4 captures assessed, 0 were done already\n")
    refused(
        cli("job", "enter", JOB, "signed-off", "zone=1", "--role", "lead"), "can not be signed off", " more)"
    )
    for spot in range(1, 5):
        enter("chip-read", "zone=1", f"spot={spot}", "chip=4", "edition=ten-chip", "chip_set=A",
              f"photo={tmp_path / f'{spot + 10}.jpg'}", "touched=yes", role="crew")  # fmt: skip
    enter("waived", "zone=1", "what=overview", "why=INVENTED")
    for side in ("client", "maker"):
        enter("mock-up-approved", "zone=1", f"side={side}", "name=N", "on=2026-05-04")
    enter("kept-clean", "zone=1", "hours=12", role="crew")
    assert "ready to sign" in cli("job", "show", JOB).out
    enter("signed-off", "zone=1")
    listed = cli("job", "list").out
    assert "ACCEPTED" in listed
    assert f"{JOB} (INVENTED): Depot" in listed  # the photos of the test say nothing of a computer
    shown = cli("job", "show", JOB, "--zone", 1)
    assert f"signed by {LEAD.who}" in shown.out
    assert f"waived: overview, by {LEAD.who} on 20" in shown.out
    assert "RENDERED" not in shown.out
    assert "INVENTED: DP01, Depot, nowhere" in shown.out
    assert "95 %: 44 % to 100 %" in shown.out.replace("\u00a0", " ")
    enter("disturbed", "zone=1", "what=rain", role="crew")
    reopened = next(line for line in cli("job", "show", JOB).out.splitlines() if "reopened: " in line)
    assert "rain" in reopened or "disturbed" in reopened
    assert cli("job", "check").code == 0


# Entering


def test_refused_entries_keep_no_file(cli: Cli, stage: Stage, tmp_path: Path) -> None:
    stage.work()
    write_photo(tmp_path / "chip.jpg", 1)
    kept, kinds = stage.kept(), stage.kinds()
    photo = f"photo={tmp_path / 'chip.jpg'}"
    chip = ("chip-read", "zone=1", "spot=1", "edition=ten-chip", "chip_set=A", "touched=yes", photo)
    refused(cli("job", "enter", JOB, *chip, "chip=4"), "never at a desk")
    refused(cli("job", "enter", JOB, *chip, "chip=3-5", "--at", "floor"), "between two neighbours")
    refused(cli("job", "enter", JOB, "nonsense", "a=b"), "there is no kind of entry 'nonsense'")
    refused(cli("job", "enter", JOB, "assessed"), "is entered by `assessor job assess`")
    refused(cli("job", "enter", JOB), "name one kind of entry with its fields, or a file")
    refused(
        cli("job", "enter", JOB, "disturbed", "--from", "x.toml"),
        "name one kind of entry with its fields, or",
    )
    refused(cli("job", "enter", JOB, "--from", "x.toml"), "x.toml: the file cannot be read")
    refused(
        cli("job", "enter", JOB, "print-measured", "serial=7", "along_mm=180", "across_mm=250"), "swapped"
    )
    refused(cli("job", "enter", "NONE", "disturbed", "zone=1", "what=x"), "there is no job 'NONE'")
    refused(cli("job", "enter", JOB, "scale-accepted", photo.replace("photo", "scale"), "why=x", "--role", "lead"),
            "only a scale that was proposed here")  # fmt: skip
    Path("two.toml").write_text(
        f"[[entry]]\nkind = 'chip-read'\nzone = 1\nspot = 1\nchip = '4'\nedition = 'ten-chip'\nchip_set = 'A'\n"
        f"touched = true\nphoto = '{tmp_path / 'chip.jpg'}'\n[[entry]]\nkind = 'disturbed'\nzone = 44\nwhat = 'x'\n"
    )
    refused(cli("job", "enter", JOB, "--from", "two.toml", "--at", "floor"), "there is no zone 44")
    assert (stage.kept(), stage.kinds()) == (kept, kinds)
    Path("two.toml").write_text(Path("two.toml").read_text().replace("zone = 44", "zone = 1"))
    said = cli("job", "enter", JOB, "--from", "two.toml", "--at", "floor")
    assert said.code == 0, said.err
    assert [line.split(": ")[1].split()[0] for line in said.out.splitlines()] == ["chip-read", "disturbed"]
    assert stage.kept() == kept + 1


def test_kinds_are_listed_with_their_fields(cli: Cli) -> None:
    told = cli("job", "kinds").out
    assert "chip-read\n" in told
    assert "    spot: a whole number\n" in told
    assert "plan-drawn  (by `assessor job plan`)" in told
    one = json.loads(cli("job", "kinds", "kept-clean", "--json").out)
    assert [field["name"] for field in one[0]["fields"]] == ["zone", "hours", "note"]
    refused(cli("job", "kinds", "nonsense"), "there is no kind of entry 'nonsense'")


def test_without_a_name_or_a_store_one_sentence_says_so(
    cli: Cli, stage: Stage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for command in (("list",), ("show", JOB), ("history", JOB), ("assess", JOB), ("check",), ("tags", JOB),
                    ("agree",), ("plan", JOB, 1), ("review", JOB)):  # fmt: skip
        refused(cli("job", *command, "--store", tmp_path / "none"), "there is no job record")
    refused(cli("backup", tmp_path / "b.zip", "--store", tmp_path / "none"), "there is no job record")
    assert not (tmp_path / "none/record.sqlite").exists()
    assert not (tmp_path / "b.zip").exists()
    monkeypatch.delenv("ASSESSOR_WHO")
    write_photo(tmp_path / "a.jpg", 1)
    kinds, kept = stage.kinds(), stage.kept()
    for command in (("enter", JOB, "disturbed", "zone=1", "what=x"),
                    ("file", JOB, tmp_path / "a.jpg", "--zone", 1, "--spot", 1), ("file", JOB, tmp_path / "a.jpg"),
                    ("open", "NEW1", "--name", "x", "--site", "y")):  # fmt: skip
        refused(cli("job", *command), "nobody is named", "--who")
    monkeypatch.delenv("ASSESSOR_STORE")
    refused(cli("job", "list"), "assessor_jobs", "there is no job record")
    assert (stage.kinds(), stage.kept()) == (kinds, kept)


def test_roles_are_kept(cli: Cli, stage: Stage) -> None:
    refused(
        cli("job", "enter", JOB, "waived", "zone=1", "what=drops", "why=x"), "by the QA lead, not by the crew"
    )
    refused(cli("job", "open", "NEW1", "--name", "x", "--site", "y", "--role", "crew"), "by the QA lead")
    refused(cli("job", "open", "new-1", "--name", "x", "--site", "y"), "job-opened: code")


# Photos


def test_a_dump_is_filed_by_its_tags_and_the_rest_is_listed(
    cli: Cli, stage: Stage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    stage.work()
    for n, name in enumerate(("1", "2", "none")):
        write_photo(tmp_path / f"dump/{name}.jpg", n)

    def read(task: Any) -> SeenTag:
        if task[0].stem == "none":
            return SeenTag(TagOutcome("none", None, "No tag lies beside the card."), None)
        return SeenTag(TagOutcome("tag", Tag(JOB, 1, int(task[0].stem), "after"), "it"), 7)

    monkeypatch.setattr(filing, "read_tag_of", read)
    said = cli("job", "file", JOB, tmp_path / "dump", "--workers", 1)
    assert said.code == 3
    assert "Z01-S01-after-r1: 1 photo" in said.out
    assert "Z01-S02-after-r1: 1 photo" in said.out
    assert "not filed: dump/none.jpg: No tag lies beside the card." in said.err
    again = cli("job", "file", JOB, tmp_path / "dump", "--workers", 1)
    assert (again.code, again.out) == (3, "2 photos are in the record already\n")


def test_filing_by_hand_says_what_is_wrong(cli: Cli, stage: Stage, tmp_path: Path) -> None:
    stage.work()
    photo = write_photo(tmp_path / "a.jpg", 1) or tmp_path / "a.jpg"
    refused(cli("job", "file", JOB, photo, "--zone", 1), "name both --zone and --spot, or neither")
    refused(cli("job", "file", JOB, tmp_path / "no.jpg", "--zone", 1, "--spot", 1), "there is no such file")
    refused(cli("job", "file", JOB, photo, "--zone", 8, "--spot", 1), "there is no zone 8")
    refused(
        cli("job", "file", JOB, photo, "--zone", 1, "--spot", 1, "--measured-bars", 180, 250), "look swapped"
    )
    for bad in (("--round", 12), ("--spot", 0), ("--zone", 100), ("--phase", "during")):
        said = cli("job", "file", JOB, photo, "--zone", 1, "--spot", 1, *bad)
        assert said.code == 2
        assert str(bad[0]) in said.err
    far = cli("job", "file", JOB, photo, "--zone", 1, "--spot", 60)
    assert far.code == 0
    assert "BUT zone 1 has no spot 60" in far.out
    refused(cli("job", "file", JOB, photo, "--zone", 1, "--spot", 2), "in the record already", "re-file it")
    slip = ("capture=Z01-S60-after-r1", "zone=1", "spot=2", "phase=after", "round=1", "why=a slip")
    moved = cli("job", "enter", JOB, "refiled", *slip)
    assert moved.code == 0
    assert stage.desk.book(JOB).shots(1, 2)[0].capture == "Z01-S60-after-r1"


def test_refused_captures_are_listed_and_shown(cli: Cli, stage: Stage, says: SayingPipeline) -> None:
    stage.work()
    name = stage.shoot(1, 1)
    stage.shoot(1, 2)
    says.raises[name] = TooFewPhotos("1 photo is usable of the 4 needed")
    says.raises["Z01-S02-after-r1"] = ZeroDivisionError("boom")
    said = cli("job", "assess", JOB, "--workers", 1)
    assert said.code == 3
    assert "0 captures assessed" in said.out
    assert f"refused: {name}: 1 photo is usable of the 4 needed; take four photos" in said.err
    assert "failed: Z01-S02-after-r1: internal error (ZeroDivisionError: boom)" in said.err
    assert "Traceback" in Path("errors.log").read_text()
    del says.raises["Z01-S02-after-r1"]
    again = cli("job", "assess", JOB, "--workers", 1)
    assert (again.code, again.out) == (0, "1 captures assessed, 1 were done already\n")
    assert f"{name} was refused: 1 photo is usable of the 4 needed" in cli("job", "show", JOB).out


# Plans, rework, scales


def test_follow_and_redraw_and_tags(cli: Cli, stage: Stage) -> None:
    stage.work()
    refused(cli("job", "plan", JOB, 1, "--redraw", 1), "only with what is in the way")
    drawn = cli("job", "plan", JOB, 1, "--redraw", 1, "--why", "a column")
    assert drawn.out.startswith("Spot 1: ")
    refused(
        cli("job", "follow", JOB, 1, 1, "--blocked", "up"), "'up' is no direction: along, back, in or out"
    )
    refused(cli("job", "follow", JOB, 1, 77), "there is no spot 77")
    stage.read(1, 1, 9)
    followed = cli("job", "follow", JOB, 1, 1, "--blocked", "along")
    assert followed.out.startswith("Spot 1 failed: shoot ")
    assert "from spot 1" in followed.out
    tags = cli("job", "tags", JOB)
    assert tags.out.startswith(f"tags-{JOB}-after.pdf\n{len(stage.spots())} tags. Print at 100 %")
    assert Path(f"tags-{JOB}-after.pdf").read_bytes().startswith(b"%PDF")
    refused(cli("job", "tags", JOB, 2), "no spots are drawn")
    refused(cli("job", "tags", JOB, 12), "there is no zone 12")


def test_rework_is_listed_written_and_ordered_by_the_lead(cli: Cli, disputed: Stage) -> None:
    disputed.read(1, 4, 9)
    said = cli("job", "rework", JOB, 1, "--order", "--out", "pages")
    assert said.code == 0, said.err
    assert "REWORK LIST: DP01, Depot, zone 1, bay 1" in said.out
    assert "INVENTED JOB" in said.out
    assert "pages/DP01-Z01-rework.html" in said.out
    assert said.out.endswith("Ordered for 2, 4.\n")
    refused(cli("job", "rework", JOB, 1, "--order", "--role", "crew"), "by the QA lead")
    refused(cli("job", "rework", JOB, 9), "there is no zone 9")


def test_agreement_is_said_in_words_and_numbers(cli: Cli, disputed: Stage) -> None:
    words = cli("job", "agree").out
    assert "The tool and the readers:" in words
    assert "RENDERED" not in words
    told = json.loads(cli("job", "agree", JOB, "--json").out)
    assert (told["tool"]["spots"], told["rendered"]) == (2, 0)
    refused(cli("job", "agree", "NONE"), "there is no job 'NONE'")


def test_too_few_readings_carry_no_scale(cli: Cli, disputed: Stage) -> None:
    before = disputed.kinds()
    said = cli("job", "refine", JOB, "--name", "ours")
    assert said.code == 3
    assert "No scale is proposed: " in said.out
    assert disputed.kinds() == before
    assert not Path("ours.json").exists()
    refused(cli("job", "refine", JOB, "--name", "../up"), "can't be a scale's name")
    refused(cli("job", "refine", JOB, "--name", "ours", "--also", "NONE"), "there is no job 'NONE'")


# The store as a whole


def test_a_backup_is_restored_as_it_was(cli: Cli, disputed: Stage, tmp_path: Path) -> None:
    count = len(disputed.kinds())
    said = cli("backup", "all.zip")
    assert said.out == f"all.zip: 1 jobs, {count} entries, {disputed.kept()} files\n"
    refused(cli("backup", "all.zip"), "all.zip: a file of this name is there already")
    other = tmp_path / "other"
    back = cli("restore", "all.zip", "--store", other)
    assert back.out == f"{other}: 1 jobs, {count} entries, {disputed.kept()} files, all hashes checked\n"
    assert cli("job", "show", JOB, "--json", "--store", other).out == cli("job", "show", JOB, "--json").out
    assert cli("job", "history", JOB, "--store", other).out == cli("job", "history", JOB).out
    refused(cli("restore", "all.zip", "--store", other), "holds a record already")
    refused(cli("restore", ".", "--store", tmp_path / "third"), "this is a folder, no backup")
    Path("all.zip").write_bytes(Path("all.zip").read_bytes()[:-900])
    refused(cli("restore", "all.zip", "--store", tmp_path / "third"), "all.zip")
    assert not (tmp_path / "third").exists()


def test_check_finds_a_changed_file_and_entries_that_were_cut_off(cli: Cli, disputed: Stage) -> None:
    digest = disputed.desk.store.entries(JOB)[-1].digest
    whole = cli("job", "check", "--known", f"{JOB}={digest}")
    assert whole.code == 0
    assert f"{JOB}: {len(disputed.kinds())} entries, last hash {digest}\n" in whole.out
    gone = cli("job", "check", "--known", f"{JOB}={'0' * 64}")
    assert gone.code == 3
    assert f"damaged: the entry with the hash {'0' * 64} is gone" in gone.out
    refused(cli("job", "check", "--known", JOB), "is not followed by =HASH")
    photo = disputed.desk.book(JOB).captures["Z01-S01-after-r1"].content.photos[0]
    path = disputed.desk.store.file_path(photo)
    assert path is not None
    path.write_bytes(b"another photo")
    said = cli("job", "check")
    assert said.code == 3
    assert f"damaged: the stored file IMG_0.jpg is not what was once stored [{photo.sha256}]" in said.out


def test_an_empty_store_says_how_to_begin(cli: Cli, tmp_path: Path) -> None:
    open_store(tmp_path / "store", create=True).close()
    assert "`assessor job open` begins one" in cli("job", "list").out
    assert json.loads(cli("job", "list", "--json").out) == []
    refused(cli("job", "show", JOB), "there is no job 'DP01' here (jobs: none)")
    assert cli("job", "agree").code == 0


def test_history_of_a_zone_holds_its_assessments_and_what_left_it(
    cli: Cli, stage: Stage, says: SayingPipeline
) -> None:
    stage.work()
    stage.work(2)
    name = stage.shoot(1, 1)
    stage.assess()
    cli(
        "job",
        "enter",
        JOB,
        "refiled",
        f"capture={name}",
        "zone=2",
        "spot=1",
        "phase=after",
        "round=1",
        "why=slip",
    )
    told = cli("job", "history", JOB, "--zone", 1).out
    assert [word for word in ("capture-filed", "assessed", "refiled", "plan-drawn") if word in told] == [
        "capture-filed", "assessed", "refiled", "plan-drawn",
    ]  # fmt: skip
    assert "hazard-checked" not in told
    refused(cli("job", "history", JOB, "--zone", 9), "there is no zone 9")


def test_files_may_lie_elsewhere(cli: Cli, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "elsewhere"
    opened = cli("job", "open", JOB, "--name", "x", "--site", "y", "--files", place)
    assert opened.code == 0
    (tmp_path / "survey.txt").write_text("INVENTED")
    monkeypatch.setenv("ASSESSOR_FILES", str(place))
    told = (
        "hazard=asbestos-lead",
        "cleared=yes",
        "how=x",
        "surveyor=S",
        f"document={tmp_path / 'survey.txt'}",
    )
    assert cli("job", "enter", JOB, "hazard-checked", *told, "--role", "lead").code == 0
    assert [path.read_text() for path in place.glob("[0-9a-f]*/*")] == ["INVENTED"]
    assert cli("job", "check").code == 0
    monkeypatch.delenv("ASSESSOR_FILES")
    assert cli("job", "check").code == 3  # the file is not where the store looks for it
