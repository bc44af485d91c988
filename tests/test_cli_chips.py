"""The command `chips`: what it asks for, what it prints, and its exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from assessor import chip_workflow
from assessor.cli_chips import chips
from assessor.errors import ChipsUnusable
from assessor.workflow import BatchResult
from tests.test_chip_workflow import chip_records, record, touch

APP = typer.Typer()
APP.command()(chips)
RUN = CliRunner()


def run(tmp_path: Path, records: list[object], monkeypatch: pytest.MonkeyPatch, *more: str):
    for name in dict.fromkeys(str(int(r.capture[3:5])) + "/" + r.capture[6:] for r in records):  # type: ignore[attr-defined]
        touch(tmp_path / "chips" / name / "a.jpg")
    done = BatchResult(tuple(records), 0, tmp_path / "i.html", tmp_path / "c.csv", None)  # type: ignore[arg-type]
    monkeypatch.setattr(chip_workflow, "assess_batch", lambda *_: done)
    return RUN.invoke(
        APP,
        [str(tmp_path / "chips"), "--chip-set", "invented", "--who", "A. Example", "--workers", "1",
         "--out", str(tmp_path / "depot.toml"), "--date", "2026-03-01", *more],
    )  # fmt: skip


def test_a_scale_is_written_and_its_digest_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = run(tmp_path, list(chip_records()), monkeypatch, "--name", "depot chips")
    assert found.exit_code == 0, found.output
    assert "SHA-256 of the file: " in found.output
    assert "Made of rendered photos" in found.output
    assert 'name = "depot chips"' in (tmp_path / "depot.toml").read_text()


def test_json_holds_the_whole_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = run(tmp_path, list(chip_records()), monkeypatch, "--json")
    told = json.loads(found.stdout)
    assert told["edition"] == "ten-chip"
    assert [row["grade"] for row in told["rows"]] == list(range(1, 11))
    assert len(told["steps"]) == 9
    assert told["scale"] == str(tmp_path / "depot.toml")


def test_captures_that_gave_nothing_are_listed_and_the_exit_code_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = [*chip_records(), record("csp04-plain", 0.1, design="window-1")]
    found = run(tmp_path, list(records), monkeypatch)
    assert found.exit_code == 3
    assert "not used: csp04-plain: shot with sheet window-1" in found.output


def test_no_scale_can_be_made_is_one_sentence_after_the_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = run(tmp_path, list(chip_records(takes=4)), monkeypatch)
    assert isinstance(found.exception, ChipsUnusable)
    assert "CSP 1 has 4" in str(found.exception)
    assert "left out: 2.5-25 mm" in found.output
    assert not (tmp_path / "depot.toml").exists()


def test_who_and_which_chips_must_be_told(tmp_path: Path) -> None:
    found = RUN.invoke(APP, [str(tmp_path)])
    assert found.exit_code == 2
