"""Entries typed as words or written into a file: every kind goes in, a slip is one sentence, no file is kept."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from assessor.desk.fields import (
    BY_COMMAND,
    MODELS,
    MOST_BYTES,
    describe_kinds,
    entries_from_file,
    entry_from_words,
    hash_only,
)
from assessor.errors import BadEntry
from assessor.job.entries import KINDS, Content, FileRef
from assessor.job.parts import Layer

# ruff: noqa: E501 - what a person types stands on one line
# One way to type each kind that `job enter` takes, and the plain values that it means; paper.pdf is a file.
TYPED: dict[str, tuple[str, dict[str, Any]]] = {
    "slab-facts": (
        "age-days=5400|aggregate=gravel 16 mm|layers=[{\"what\": \"sealer\", \"area_m2\": 30}]|photos=paper.pdf,paper.pdf",
        {"age_days": 5400, "aggregate": "gravel 16 mm", "layers": (Layer(what="sealer", area_m2=30),)},
    ),
    "hazard-checked": (
        "hazard=asbestos-lead|cleared=yes|how=laboratory|surveyor=S|document=paper.pdf",
        {"hazard": "asbestos-lead", "cleared": True, "how": "laboratory", "surveyor": "S"},
    ),
    "system-named": (
        "system=high-build|moisture=dry|thickness-mm=0.5",
        {"system": "high-build", "moisture": "dry", "thickness_mm": 0.5},
    ),
    "data-sheet-filed": (
        "document=paper.pdf|edition=2|page=3|csp=3-5|water_allowed=no",
        {"edition": "2", "page": "3", "csp_low": 3, "csp_high": 5, "water_allowed": False},
    ),
    "zone-laid-out": (
        "zone=2|name=bay 2|part=edge|size=5x4.5|area_m2=22.5|method=shot-blast|is_mock_up=no|corners_m=[[0,0],[5,0],[0,4]]",
        {"zone": 2, "part": "edge", "length_m": 5.0, "width_m": 4.5, "area_m2": 22.5, "is_mock_up": False,
         "corners_m": ((0.0, 0.0), (5.0, 0.0), (0.0, 4.0))},
    ),
    "print-measured": ("serial=7|along_mm=249.1|across_mm=179.6", {"serial": 7, "along_mm": 249.1, "across_mm": 179.6}),
    "surface-prepared": (
        "zone=1|lot=1|shift=early|method=shot-blast|machine=M|tooling=S330|area_m2=20|passes=2",
        {"zone": 1, "lot": 1, "passes": 2, "area_m2": 20.0},
    ),
    "mock-up-approved": (
        "zone=1|side=client|name=N|on=2026-05-04", {"zone": 1, "side": "client", "name": "N", "on": "2026-05-04"},
    ),
    "overview-refiled": (
        "capture=Z01-overview-1|zone=2|why=sheets of another zone",
        {"capture": "Z01-overview-1", "zone": 2, "why": "sheets of another zone"},
    ),
    "refiled": (
        "capture=Z01-S01-after-r1|zone=2|spot=3|phase=after|round=1|why=wrong tag",
        {"capture": "Z01-S01-after-r1", "zone": 2, "spot": 3, "why": "wrong tag"},
    ),
    "chip-read": (
        "zone=1|spot=2|chip=3-4|edition=ten-chip|chip_set=A|photo=paper.pdf|touched=yes|feel_grit=40",
        {"zone": 1, "spot": 2, "chip_low": 3, "chip_high": 4, "touched": True, "feel_grit": 40},
    ),
    "contradiction-closed": (
        "zone=1|spot=2|by=second-reader|stands=5|why=two agree|document=paper.pdf",
        {"by": "second-reader", "stands_low": 5, "stands_high": 5},
    ),
    "patch-resolved": (
        "zone=1|capture=c|patch=1|how=retested|why=dry|photo=paper.pdf", {"capture": "c", "patch": 1, "how": "retested"},
    ),
    "drops-recorded": (
        "zone=1|places=3|passed=yes|words=drawn in", {"zone": 1, "places": 3, "passed": True, "words": "drawn in"},
    ),
    "rework-ordered": (
        "zone=1|spots=1, 3|lines=blast again; vacuum, then look",
        {"zone": 1, "spots": (1, 3), "lines": ("blast again", "vacuum, then look")},
    ),
    "rework-done": ("zone=1|spots=1,3|method=shot-blast", {"spots": (1, 3), "method": "shot-blast"}),
    "kept-clean": ("zone=1|hours=12|note=closed", {"hours": 12.0, "note": "closed"}),
    "disturbed": ("zone=1|what=rain = a lot", {"what": "rain = a lot"}),
    "waived": ("zone=1|what=drops|why=not asked", {"what": "drops", "why": "not asked"}),
    "signed-off": ("zone=1|words=good", {"words": "good"}),
    "scale-accepted": ("scale=paper.pdf|why=fits", {"why": "fits"}),
}  # fmt: skip
FILE_FIELDS = {"document", "photo", "photos", "scale", "record"}


class Kept:
    """Keeps nothing, and remembers what it was asked to."""

    def __init__(self) -> None:
        self.paths: list[Path] = []

    def __call__(self, path: Path) -> FileRef:
        self.paths.append(path)
        return hash_only(path)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "paper.pdf").write_bytes(b"INVENTED paper")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def typed(kind: str, keep: Kept | None = None) -> Content:
    return entry_from_words(kind, TYPED[kind][0].split("|"), keep or Kept())


def test_every_kind_is_entered_by_words_or_by_a_command_of_its_own() -> None:
    assert set(TYPED) | set(BY_COMMAND) == set(KINDS)
    assert not set(TYPED) & set(BY_COMMAND)


@pytest.mark.parametrize("kind", TYPED)
def test_typed_words_mean_what_they_say(folder: Path, kind: str) -> None:
    keep = Kept()
    content = typed(kind, keep)
    assert content.kind == kind
    for name, value in TYPED[kind][1].items():
        assert getattr(content, name) == value, name
    files = [word for word in TYPED[kind][0].split("|") if "paper.pdf" in word]
    named = [name for name in FILE_FIELDS if name in type(content).model_fields and getattr(content, name)]
    assert len(files) == len(named)
    for name in named:
        value = getattr(content, name)
        refs = value if isinstance(value, tuple) else (value,)
        assert {(ref.sha256, ref.name) for ref in refs} == {
            (hash_only(Path("paper.pdf")).sha256, "paper.pdf")
        }
    assert len(keep.paths) == sum(word.count("paper.pdf") for word in files)


@pytest.mark.parametrize("kind", TYPED)
def test_a_file_of_entries_means_the_same(folder: Path, kind: str) -> None:
    wanted = typed(kind)
    told = wanted.model_dump(mode="json", exclude_none=True)
    lines = [f"{name} = {_toml(value)}" for name, value in told.items() if value not in ("", [])]
    sub = folder / "sub"
    sub.mkdir()
    (sub / "paper.pdf").write_bytes(b"INVENTED paper")
    (sub / "e.toml").write_text("[[entry]]\n" + "\n".join(lines), encoding="utf-8")
    assert entries_from_file(sub / "e.toml", Kept()) == (wanted,)


def _toml(value: Any) -> str:
    """A JSON value as TOML; a stored file as the path that it came by."""
    if isinstance(value, dict):
        if set(value) == {"sha256", "name"}:
            return f'"{value["name"]}"'
        return (
            "{"
            + ", ".join(f"{name} = {_toml(each)}" for name, each in value.items() if each is not None)
            + "}"
        )
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(value)


def test_pairs_may_be_written_as_one_in_a_file_too(folder: Path) -> None:
    (folder / "e.toml").write_text(
        '[[entry]]\nkind = "chip-read"\nzone = 1\nspot = 2\nchip = "6"\nedition = "ten-chip"\n'
        'chip_set = "A"\nphoto = "paper.pdf"\ntouched = true\n'
        '[[entry]]\nkind = "disturbed"\nzone = 1\nwhat = "rain"\n'
    )
    read, rain = entries_from_file(folder / "e.toml", Kept())
    assert (read.chip_low, read.chip_high, rain.kind) == (6, 6, "disturbed")  # type: ignore[union-attr]


CHIP = ("zone=1", "spot=2", "edition=ten-chip", "chip_set=A", "touched=yes")
SLIPS: list[tuple[str, Sequence[str], str]] = [
    ("chip-raed", (), "there is no kind of entry 'chip-raed' (known: slab-facts, "),
    ("assessed", (), "'assessed' is entered by `assessor job assess`"),
    ("plan-drawn", ("zone=1",), "'plan-drawn' is entered by `assessor job plan`"),
    ("disturbed", ("zone=1", "what=rain", "wat=x"), "'disturbed' has no field 'wat' (fields: zone, what)"),
    ("disturbed", ("zone=1", "kind=waived", "what=x"), "'disturbed' has no field 'kind'"),
    ("disturbed", ("zone=1", "zone=2"), "'zone' is given twice"),
    ("disturbed", ("zone", "what=x"), "'zone' is not written as field=value"),
    ("disturbed", ("zone=1",), "disturbed: what"),
    ("disturbed", ("zone=0", "what=x"), "disturbed: zone"),
    ("disturbed", ("zone=one", "what=x"), "disturbed: zone"),
    ("disturbed", ("zone=1", "what= "), "disturbed: what"),
    ("chip-read", (*CHIP, "chip=3-5", "photo=paper.pdf"), "a reading is one chip, or between two neighbours"),
    ("chip-read", (*CHIP, "chip=3 or 4", "photo=paper.pdf"), "'chip=3 or 4' is not written as one number or as two"),
    ("chip-read", (*CHIP, "chip=11", "photo=paper.pdf"), "chip-read: chip_low"),
    ("chip-read", (*CHIP, "chip=3", "photo=no.jpg"), "no.jpg: there is no such file"),
    ("chip-read", (*CHIP, "chip=3", "photo=."), "there is no such file"),
    ("chip-read", (*CHIP[:-1], "touched=no", "chip=3", "photo=paper.pdf"), "chip-read: touched"),
    ("slab-facts", ("layers=[{\"what\": }]",), "'layers' looks like JSON and is none"),
    ("kept-clean", ("zone=1", "hours=nan"), "kept-clean: hours"),
    ("kept-clean", ("zone=1", "hours=400"), "kept-clean: hours"),
    ("zone-laid-out", ("size=5x4x3",), "'size=5x4x3' is not written as one number or as two"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "words", "sentence"), SLIPS)
def test_a_slip_is_one_sentence_and_keeps_no_file(
    folder: Path, kind: str, words: Sequence[str], sentence: str
) -> None:
    keep = Kept()
    with pytest.raises(BadEntry) as caught:
        entry_from_words(kind, words, keep)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "nothing was written" in str(caught.value)
    assert keep.paths == []


FILES: list[tuple[bytes, str]] = [
    (b"[[entry]\n", "is not valid TOML"),
    (b"\xff\xfe", "is not valid TOML"),
    (b"", "needs [[entry]] tables and nothing else"),
    (b"job = 'DP01'\n[[entry]]\nkind = 'disturbed'\n", "needs [[entry]] tables and nothing else"),
    (b"entry = 3\n", "needs [[entry]] tables and nothing else"),
    (b"entry = [3]\n", "entry 1: there is no kind of entry ''"),
    (b"[[entry]]\nkind = 'disturbed'\nzone = 1\nwhat = 'x'\n[[entry]]\nzone = 1\n", "entry 2: there is no kind"),
    (b"[[entry]]\nkind = 'scale-accepted'\nscale = 'paper.pdf'\nwhy = 'x'\n[[entry]]\nkind = 'disturbed'\nzone = 1\n",
     "entry 2: disturbed: what"),
    (b"[[entry]]\nkind = 'scale-accepted'\nscale = 'paper.pdf'\nwhy = 'x'\n[[entry]]\nkind = 'scale-accepted'\n"
     b"scale = 'no.json'\nwhy = 'x'\n", "no.json: there is no such file"),
    (b"#" * (MOST_BYTES + 1), "at most 1000000"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "sentence"), FILES)
def test_a_file_that_is_wrong_anywhere_keeps_nothing(folder: Path, data: bytes, sentence: str) -> None:
    (folder / "e.toml").write_bytes(data)
    keep = Kept()
    with pytest.raises(BadEntry) as caught:
        entries_from_file(folder / "e.toml", keep)
    assert sentence in str(caught.value)
    assert "e.toml" in str(caught.value)
    assert keep.paths == []


def test_a_file_that_is_not_there_is_said(folder: Path) -> None:
    with pytest.raises(BadEntry, match=r"e\.toml: the file cannot be read"):
        entries_from_file(folder / "e.toml", Kept())


def test_a_home_folder_is_meant_by_its_sign(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(folder))
    content = entry_from_words("scale-accepted", ("scale=~/paper.pdf", "why=x"), Kept())
    assert content.scale.name == "paper.pdf"  # type: ignore[union-attr]


def test_every_kind_describes_its_fields_from_the_model() -> None:
    told = {each.kind: each for each in describe_kinds()}
    assert list(told) == list(KINDS)
    for kind, each in told.items():
        assert [field.name for field in each.fields] == [n for n in MODELS[kind].model_fields if n != "kind"]
        assert each.command == BY_COMMAND.get(kind)
        assert each.what
    takes = {field.name: (field.takes, field.needed) for field in told["chip-read"].fields}
    assert takes["chip_low"] == ("a whole number", True)
    assert takes["touched"] == ("yes", True)
    assert takes["photo"] == ("a file", True)
    assert takes["edition"] == ("ten-chip or nine-chip", True)
    assert takes["feel_grit"] == ("a whole number", False)
    assert {f.name: f.takes for f in told["rework-ordered"].fields}[
        "lines"
    ] == "several: words, with ; between"
    assert {f.name: f.takes for f in told["zone-laid-out"].fields}["corners_m"] == "a JSON list"
    assert {f.name: f.takes for f in told["slab-facts"].fields}["photos"] == "several: a file, with , between"
