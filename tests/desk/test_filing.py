"""A dump of photos files itself by the tags in them; what has none, or the wrong one, is left with its reason."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from assessor.card.tag import Phase, Tag
from assessor.card.tag_read import TagOutcome
from assessor.desk import filing
from assessor.desk.base import Person
from assessor.desk.filing import FiledPhotos, SeenTag, file_by_tags
from assessor.errors import BadBars, BadEntry, NoPhotos, UnreadableVideo
from assessor.job.entries import CaptureFiled, PrintMeasured, ReworkDone
from assessor.settings import Settings
from tests.card.test_tag_read import laid, photo_with
from tests.desk.stage import CREW, JOB, SayingPipeline, Stage, write_photo
from tests.fakes import fake_photo

Task = tuple[Path, Settings, str]


@pytest.fixture
def tags(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tags are read from names: Z1S2a.jpg is of zone 1, spot 2; "none", "two" and "other" have none to use."""

    def read(task: Task) -> SeenTag:
        name = task[0].stem
        if name.startswith("none"):
            return SeenTag(TagOutcome("none", None, "No tag lies beside the card."), 7)
        if name.startswith("two"):
            return SeenTag(TagOutcome("several", None, "Two tags lie beside the card: A and B."), 7)
        zone, _, rest = name.removeprefix("other").removeprefix("Z").partition("S")
        phase: Phase = "before" if "b" in rest else "after"
        turn = int(rest.partition("r")[2] or 1)
        tag = Tag(task[2], int(zone), int(rest.partition("r")[0].rstrip("abxyz")), phase, turn)
        if name.startswith("other"):
            return SeenTag(
                TagOutcome("other-job", tag, f"The tag is of job R2D9, not of {task[2]}: {tag.name}."), 7
            )
        return SeenTag(TagOutcome("tag", tag, f"The tag says {tag.name}."), 20417)

    monkeypatch.setattr(filing, "read_tag_of", read)


def dump(stage: Stage, *names: str) -> Path:
    """A folder of small photos by these names, each another photo."""
    folder = stage.folder / "DCIM"
    for name in names:
        if not (folder / name).exists():
            stage._seed += 1
            write_photo(folder / name, 50_000 + stage._seed)
    return folder


def file(stage: Stage, folder: Path, **more: object) -> FiledPhotos:
    return file_by_tags(stage.desk, JOB, [folder], CREW, **more)  # type: ignore[arg-type]


def captures(stage: Stage) -> dict[str, CaptureFiled]:
    return {name: each.content for name, each in stage.desk.book(JOB).captures.items()}


def test_a_dump_files_itself_and_again_adds_nothing(stage: Stage, tags: None) -> None:
    stage.work()
    folder = dump(stage, "Z1S1x.jpg", "Z1S1y.jpg", "Z1S2x.jpg", "Z2S1b.jpg")
    filed = file(stage, folder)
    assert [name for name, _ in filed.filed] == ["Z01-S01-after-r1", "Z01-S02-after-r1", "Z02-S01-before-r1"]
    assert (filed.left, filed.known) == ((), 0)
    found = captures(stage)
    assert [photo.name for photo in found["Z01-S01-after-r1"].photos] == ["Z1S1x.jpg", "Z1S1y.jpg"]
    assert {(each.filed_by, each.card_serial) for each in found.values()} == {("tag", 20417)}
    assert "2 photos with tag Z01-S01-after-r1 on card 20417" in filed.filed[0][1]
    before = stage.kinds()
    again = file(stage, folder)
    assert (again.filed, again.left, again.known) == ((), (), 4)
    assert stage.kinds() == before
    dump(stage, "Z1S1z.jpg")
    more = file(stage, folder)
    assert [name for name, _ in more.filed] == ["Z01-S01-after-r1-2"]
    assert more.known == 4


def test_what_cannot_be_filed_is_left_with_its_reason_and_not_kept(stage: Stage, tags: None) -> None:
    stage.work()
    folder = dump(stage, "Z1S1.jpg", "Z7S1.jpg", "none1.jpg", "otherZ1S1.jpg", "two.jpg")
    (folder / "broken.jpg").symlink_to(folder / "nowhere")
    kept = stage.kept()
    filed = file(stage, folder)
    assert [name for name, _ in filed.filed] == ["Z01-S01-after-r1"]
    left = dict(filed.left)
    assert left["DCIM/broken.jpg"].startswith("the file cannot be read")
    assert left["DCIM/Z7S1.jpg"] == "the tag says zone 7, which this job does not have"
    assert left["DCIM/none1.jpg"].startswith("No tag lies beside the card.")
    assert left["DCIM/otherZ1S1.jpg"].startswith("The tag is of job R2D9, not of DP01")
    assert left["DCIM/two.jpg"].startswith("Two tags lie beside the card")
    assert len(left) == 5
    assert stage.kept() == kept + 1
    # Left photos are looked at again the next time.
    assert len(file(stage, folder).left) == 5


def test_the_same_photo_under_two_names_is_filed_once(stage: Stage, tags: None) -> None:
    stage.work()
    folder = dump(stage, "Z1S1x.jpg")
    (folder / "Z1S1y.jpg").write_bytes((folder / "Z1S1x.jpg").read_bytes())
    file(stage, folder)
    assert [len(each.photos) for each in captures(stage).values()] == [1]


def test_what_counts_for_nothing_is_said(stage: Stage, tags: None) -> None:
    stage.work()
    stage.say(ReworkDone(zone=1, spots=(2,), method="shot-blast"), CREW)
    filed = dict(
        file(stage, dump(stage, "Z1S50.jpg", "Z1S2r1.jpg", "Z1S3r2.jpg", "Z1S50b.jpg", "Z1S1.jpg")).filed
    )
    assert "BUT zone 1 has no spot 50, so this counts for nothing" in filed["Z01-S50-after-r1"]
    assert "BUT spot 2 is in round 2 by now, so round 1 counts for nothing" in filed["Z01-S02-after-r1"]
    assert "BUT spot 3 is in round 1, not 2" in filed["Z01-S03-after-r2"]
    assert "BUT" not in filed["Z01-S50-before-r1"] + filed["Z01-S01-after-r1"]


def test_bars_of_the_call_and_of_the_print(stage: Stage, tags: None, says: SayingPipeline) -> None:
    stage.work()
    stage.say(PrintMeasured(serial=20417, along_mm=249.0, across_mm=179.0), CREW)
    file(stage, dump(stage, "Z1S1.jpg"))
    file(stage, dump(stage, "Z1S2.jpg"), bars_mm=(251.0, 180.5))
    stage.assess()
    assert [round(told["print_scale"].y, 3) for told in says.arguments] == [0.996, 1.004]


def test_refused_calls_file_nothing(stage: Stage, tags: None) -> None:
    stage.work()
    before = stage.kinds()
    folder = dump(stage, "Z1S1.jpg")
    with pytest.raises(BadBars, match="swapped"):
        file(stage, folder, bars_mm=(180.0, 250.0))
    with pytest.raises(BadEntry, match="nobody is named"):
        file_by_tags(stage.desk, JOB, [folder], Person(""))
    with pytest.raises(NoPhotos):
        file(stage, stage.folder / "nowhere")
    assert stage.kinds() == before


def test_what_was_filed_stays_filed_when_the_next_photo_is_refused(stage: Stage, tags: None) -> None:
    """One group's trouble is its own: a photo that the record has elsewhere leaves the others alone."""
    stage.work()
    folder = dump(stage, "Z1S1.jpg", "Z1S2.jpg", "Z1S3.jpg")
    asked: list[str] = []
    enter = stage.desk.enter

    def refusing(job: str, contents: tuple[CaptureFiled, ...], *told: object, **more: object) -> object:
        asked.append(contents[0].capture)
        if len(asked) == 2:
            raise BadEntry("no")
        return enter(job, contents, *told, **more)  # type: ignore[arg-type]

    stage.desk.enter = refusing  # type: ignore[method-assign, assignment]
    filed = file(stage, folder)
    assert [name for name, _ in filed.filed] == ["Z01-S01-after-r1", "Z01-S03-after-r1"]
    assert [name for name, _ in filed.left] == ["DCIM/Z1S2.jpg"]


def seen(path: Path) -> SeenTag:
    return filing.read_tag_of((path, Settings(), "K7QX"))


def test_a_real_tag_beside_a_real_card_is_read(tmp_path: Path) -> None:
    photo = photo_with(laid("top", 40.0))
    cv2.imwrite(str(tmp_path / "a.jpg"), cv2.cvtColor(photo.rgb_u8, cv2.COLOR_RGB2BGR))
    found = seen(tmp_path / "a.jpg")
    assert found.outcome.said == "tag"
    assert found.outcome.tag == Tag("K7QX", 3, 7, "after")
    assert found.serial is not None
    other = filing.read_tag_of((tmp_path / "a.jpg", Settings(), "ZZ99"))
    assert other.outcome.said == "other-job"


def test_files_that_are_no_photos_have_no_tag_and_raise_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"no photo at all")
    (tmp_path / "b.mp4").write_bytes(b"no video at all")
    write_photo(tmp_path / "c.jpg", 3)
    assert [seen(tmp_path / name).outcome.said for name in ("a.jpg", "b.mp4", "c.jpg")] == [
        "unreadable", "unreadable", "none",
    ]  # fmt: skip
    assert seen(tmp_path / "b.mp4").outcome.sentence.startswith("It can't be read: ")


def test_a_video_says_what_its_frames_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sweep.mov").write_bytes(b"a video")
    frames = tuple(fake_photo(f"sweep.mov@{n}.00s", width_px=300) for n in range(5))
    said: dict[str, SeenTag] = {}
    none = SeenTag(TagOutcome("none", None, "No tag lies beside the card."), None)
    asked: list[str] = []

    def of_photo(photo: object, settings: Settings, job_code: str) -> SeenTag:
        name = photo.name  # type: ignore[attr-defined]
        asked.append(name)
        return said.get(name, none)

    monkeypatch.setattr(filing, "read_sweep", lambda data, name, settings: frames)
    monkeypatch.setattr(filing, "_of_photo", of_photo)
    assert seen(tmp_path / "sweep.mov").outcome.said == "unreadable"
    assert asked == ["sweep.mov@0.00s", "sweep.mov@2.00s", "sweep.mov@4.00s"]
    one, two = Tag("K7QX", 1, 2, "after"), Tag("K7QX", 1, 3, "after")
    said["sweep.mov@2.00s"] = SeenTag(TagOutcome("tag", one, "it"), 20417)
    found = seen(tmp_path / "sweep.mov")
    assert (found.outcome.said, found.outcome.tag, found.serial) == ("tag", one, 20417)
    said["sweep.mov@4.00s"] = SeenTag(TagOutcome("tag", two, "it"), 20417)
    found = seen(tmp_path / "sweep.mov")
    assert (found.outcome.said, found.outcome.tag) == ("unreadable", None)
    said["sweep.mov@4.00s"] = SeenTag(TagOutcome("other-job", two, "The tag is of job R2D9."), 20417)
    assert seen(tmp_path / "sweep.mov").outcome.said == "other-job"

    def refuse(data: bytes, name: str, settings: object) -> object:
        raise UnreadableVideo("cut short")

    monkeypatch.setattr(filing, "read_sweep", refuse)
    assert "cut short" in seen(tmp_path / "sweep.mov").outcome.sentence


def test_a_video_is_filed_by_its_tag(stage: Stage, tags: None) -> None:
    stage.work()
    folder = dump(stage, "Z1S1.jpg")
    (folder / "Z1S2.mp4").write_bytes(b"a video")
    filed = file(stage, folder)
    assert [name for name, _ in filed.filed] == ["Z01-S01-after-r1", "Z01-S02-after-r1"]
    assert captures(stage)["Z01-S02-after-r1"].photos[0].name == "Z1S2.mp4"
