"""Reading a folder with known truth, and every way in which it can be wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from assessor.errors import BadTruth
from assessor.store.truth import COLUMNS, read_truth, read_truth_folder

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
        ("card", '{"design": "round-9"}', "card.json: the card's design is 'round-9', known is 'window-1'"),
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
