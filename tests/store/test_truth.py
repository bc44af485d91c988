"""Reading a folder with known truth, and every way in which it can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from assessor.errors import BadTruth
from assessor.store.truth import COLUMNS, read_truth, read_truth_folder
from assessor.store.truth_surface import kind_named, read_masks

HEAD = ",".join(COLUMNS)
GOOD = "a,angles,ground,tuned,true,Sq,mm,2.5,25,0.05"


def make_folder(folder: Path, *rows: str, **files: str) -> Path:
    for name in {row.split(",")[0] for row in rows}:
        (folder / "photos" / name).mkdir(parents=True)
        (folder / "photos" / name / "1.jpg").write_bytes(b"x")
    (folder / "truth.csv").write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8-sig")
    for name, text in files.items():
        (folder / f"{name}.json").write_text(text)
    return folder


def test_a_folder_gives_captures_with_photos_rows_and_bars(tmp_path: Path) -> None:
    folder = make_folder(
        tmp_path, GOOD, "b,angles,blasted,never-tuned,no,grade,,,,4", GOOD.replace("Sq", "Sa"),
        card='{"measured_bars": [250, 180]}', captures='{"b": {"measured_bars": [249, 179]}}',
    )  # fmt: skip
    first, second = read_truth_folder(folder)
    assert (first.name, len(first.rows), first.measured_bars) == ("a", 2, (250.0, 180.0))
    assert (second.name, second.measured_bars) == ("b", (249.0, 179.0))
    assert second.rows[0].band is None
    assert second.rows[0].rendered is False
    assert [path.name for path in first.photos] == ["1.jpg"]


def test_one_number_may_be_asked_of_every_kind(tmp_path: Path) -> None:
    rows = [GOOD.replace("angles", kind) for kind in ("angles", "torch", "fused")]
    (capture,) = read_truth_folder(make_folder(tmp_path, *rows))
    assert [row.kind for row in capture.rows] == ["angles", "torch", "fused"]


def test_no_bars_known_is_an_unchecked_print(tmp_path: Path) -> None:
    assert read_truth_folder(make_folder(tmp_path, GOOD))[0].measured_bars is None


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (GOOD.replace("0.05", "thick"), "row 2: value must be a number, not 'thick'"),
        (GOOD.replace("0.05", "nan"), "row 2: value must be a number, not 'nan'"),
        (GOOD.replace("true", "maybe"), "row 2: rendered must be true or false, not 'maybe'"),
        (GOOD.replace("angles", "video"), "row 2: kind 'video' is not one of angles, fused, overview"),
        (GOOD.replace("mm", "um"), "row 2: Sq must be in mm, not 'um'"),
        (GOOD.replace("2.5,25", "25,2.5"), "row 2: the band 25-2.5 mm runs backwards"),
        (GOOD.replace("2.5,25", "2.5,"), "row 2: give both ends of the band or neither"),
        (GOOD.replace("ground", ""), "row 2: process is empty"),
        ("../a" + GOOD[1:], "row 2: capture '../a' is not a plain folder name"),
        ("a,angles", "row 2: process is empty"),
        (f"{GOOD}\n{GOOD}", "row 3: Sq of 'a' stands there twice"),
    ],
)
def test_bad_rows_are_named(row: str, sentence: str) -> None:
    with pytest.raises(BadTruth, match=f"t.csv: {sentence}.*; correct that row"):
        read_truth(f"{HEAD}\n{row}\n", file="t.csv")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "row 1: missing columns: capture"),
        (HEAD, "the table has no rows"),
        ("capture\na", "row 1: missing"),
    ],
)
def test_bad_tables_are_named(text: str, sentence: str) -> None:
    with pytest.raises(BadTruth, match=sentence):
        read_truth(text, file="t.csv")


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        ("card", "{", "card.json: the file is not valid JSON"),
        (
            "card",
            '{"design": "round-9"}',
            "card.json: the card's design is 'round-9', known: window-1, chip-1",
        ),
        ("card", '{"measured_bars": [250]}', r"card.json: measured_bars"),
        ("captures", "[]", "captures.json: the top"),
    ],
)
def test_bad_json_is_named(tmp_path: Path, name: str, text: str, sentence: str) -> None:
    with pytest.raises(BadTruth, match=sentence):
        read_truth_folder(make_folder(tmp_path, GOOD, **{name: text}))


def test_missing_parts_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadTruth, match=r"truth\.csv: the file cannot be read"):
        read_truth_folder(tmp_path)
    (tmp_path / "truth.csv").write_text(f"{HEAD}\n{GOOD}\n")
    with pytest.raises(BadTruth, match="capture 'a' has no folder"):
        read_truth_folder(tmp_path)


def test_a_light_is_read_where_a_column_names_it_and_unknown_columns_are_passed_over() -> None:
    text = f"{HEAD},light,note\n{GOOD},sun,wet\n{GOOD.replace('Sq', 'Sa')},,\n"
    first, second = read_truth(text, file="truth.csv")
    assert (first.light, second.light) == ("sun", "")
    assert read_truth(f"{HEAD}\n{GOOD}\n", file="truth.csv")[0].light == ""


PATCH_HEAD = f"{HEAD},light,mask,px_per_mm,contrast"
PATCH = "a,single,ground,tuned,true,patch,1,,,oil,window,masks/1.png,4,-0.4"


def mask_folder(folder: Path, *rows: str, mode: str = "L", value: int = 255) -> Path:
    make_folder(folder, *rows)
    (folder / "truth.csv").write_text("\n".join([PATCH_HEAD, *rows]) + "\n")
    (folder / "masks").mkdir()
    pixels = np.zeros((30, 40), np.uint8)
    pixels[10:20, 10:30] = value
    image = Image.fromarray(pixels)
    image.convert(mode).save(folder / "masks/1.png")
    image.save(folder / "masks/2.png")
    return folder


def test_patches_are_read_with_their_masks(tmp_path: Path) -> None:
    other = PATCH.replace("1.png", "2.png").replace(",oil,", ",damp,").replace("-0.4", "")
    folder = mask_folder(tmp_path, PATCH, other, "a,single,ground,tuned,true,false_patches,1,,,0,,,,")
    (capture,) = read_truth_folder(folder)
    first, second, none = capture.rows
    assert (first.patch, first.mask, first.px_per_mm, first.contrast, first.light) == (
        "oil", "masks/1.png", 4.0, -0.4, "window",
    )  # fmt: skip
    assert (second.patch, second.contrast) == ("damp", None)
    assert (none.patch, none.mask, none.px_per_mm) == ("", "", None)
    assert first.as_dict()["value"] == "oil"
    masks = read_masks(folder, capture.rows)
    assert set(masks) == {"masks/1.png", "masks/2.png"}
    assert masks["masks/1.png"].inside.sum() == 200
    assert masks["masks/1.png"].inside.shape == (30, 40)


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("oil or grease", "oil"), ("Sealer or coating", "coating"), ("tyre marks", "rubber"), ("dried slurry", "dust"),
        ("aggregate or patch repair", "aggregate"), ("unknown", "unknown"), ("rust", "unknown"), ("gum", None),
        ("", None),
    ],
)  # fmt: skip
def test_kinds_may_be_named_in_words(words: str, kind: str | None) -> None:
    assert kind_named(words) == kind


def test_a_mask_of_a_fraction_is_passed_over(tmp_path: Path) -> None:
    row = "a,single,ground,tuned,true,coarse_fraction,1,,,0.2,window,masks/none.png,,"
    (capture,) = read_truth_folder(mask_folder(tmp_path, row))
    assert (capture.rows[0].value, capture.rows[0].mask) == (0.2, "masks/none.png")
    assert read_masks(tmp_path, capture.rows) == {}


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "1", "P"])
def test_masks_of_every_eight_bit_kind_are_read(tmp_path: Path, mode: str) -> None:
    folder = mask_folder(tmp_path, PATCH, mode=mode)
    assert read_masks(folder, read_truth_folder(folder)[0].rows)["masks/1.png"].inside.sum() == 200


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (PATCH.replace(",oil,", ",gum,"), "row 2: value of a patch must be one of oil, damp.*, not 'gum'"),
        (PATCH.replace("masks/1.png", ""), "row 2: a patch needs a mask"),
        (PATCH.replace(",4,", ",,"), "row 2: px_per_mm of the mask must be a number over 0"),
        (PATCH.replace(",4,", ",-4,"), "row 2: px_per_mm of the mask must be a number over 0"),
        (PATCH.replace(",4,", ",four,"), "row 2: px_per_mm must be a number, not 'four'"),
        (PATCH.replace("-0.4", "dark"), "row 2: contrast must be a number, not 'dark'"),
        (PATCH.replace("1.png", "9.png"), "row 2: mask 'masks/9.png' is not there"),
        (PATCH.replace("masks/1.png", "truth.csv"), "row 2: mask 'truth.csv' can't be read as a PNG"),
        (PATCH.replace("masks/1.png", "masks"), "row 2: mask 'masks' can't be read as a PNG"),
        (PATCH.replace("masks/1.png", "../1.png"), "row 2: mask '../1.png' lies outside the folder"),
        (PATCH.replace("masks/1.png", "/etc/passwd"), "row 2: mask '/etc/passwd' lies outside the folder"),
        (f"{PATCH}\n{PATCH}", "row 3: patch of 'a' with mask masks/1.png stands there twice"),
        (
            PATCH.replace("patch,1", "coarse_fraction,1").replace("oil", "1.2"),
            "row 2: coarse_fraction must lie",
        ),
        (
            PATCH.replace("patch,1", "coarse_fraction,mm").replace("oil", "0.2"),
            "row 2: coarse_fraction has no",
        ),
        (
            PATCH.replace("patch,1", "false_patches,1").replace("oil", "2"),
            "row 2: the value of false_patches",
        ),
    ],
)
def test_bad_rows_of_patches_are_named(tmp_path: Path, row: str, sentence: str) -> None:
    folder = mask_folder(tmp_path, *row.split("\n"))
    with pytest.raises(BadTruth, match=rf"truth.csv: {sentence}.*; correct that row"):
        read_truth_folder(folder)


def test_a_mask_without_a_patch_or_of_sixteen_bits_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadTruth, match=r"row 2: mask 'masks/1\.png' has no pixel over 127"):
        read_truth_folder(mask_folder(tmp_path / "empty", PATCH, value=127))
    folder = mask_folder(tmp_path / "deep", PATCH)
    Image.fromarray(np.full((30, 40), 60000, np.uint16)).save(folder / "masks/1.png")
    with pytest.raises(BadTruth, match=r"row 2: mask 'masks/1\.png' is not an 8-bit PNG"):
        read_truth_folder(folder)


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    folder = mask_folder(tmp_path / "in", PATCH)
    (folder / "masks/1.png").unlink()
    (tmp_path / "1.png").write_bytes((folder / "masks/2.png").read_bytes())
    (folder / "masks/1.png").symlink_to(tmp_path / "1.png")
    with pytest.raises(BadTruth, match="lies outside the folder"):
        read_truth_folder(folder)
