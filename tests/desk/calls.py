"""Running `assessor job ...` in a test as a shell would: exit codes, what is printed where."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from assessor.cli import main
from assessor.desk import incoming
from tests.desk.conftest import says
from tests.desk.stage import LEAD, SayingPipeline, Stage

__all__ = ["says"]  # a fixture


@dataclass(frozen=True)
class Said:
    """What a command gave back."""

    code: int
    out: str
    err: str


Cli = Callable[..., Said]


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Cli:
    """Runs `assessor ...` in this process as a shell would, in an empty folder, with store and name set."""
    monkeypatch.setenv("ASSESSOR_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("ASSESSOR_WHO", LEAD.who)
    monkeypatch.setenv("COLUMNS", "200")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setattr(incoming, "read_serial", lambda task: None)

    def run(*arguments: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["assessor", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as caught:
            main()
        told = capsys.readouterr()
        assert "Traceback" not in told.out + told.err
        assert "assessor: internal error" not in told.err
        code = caught.value.code
        return Said(code if isinstance(code, int) else 0, told.out, told.err)

    return run


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    """A job in the store that the commands use, by the real clock."""
    one = Stage(tmp_path)
    one.open()
    return one


def refused(said: Said, *sentences: str) -> None:
    """Exit code 2 and one sentence."""
    assert said.code == 2, said
    lines = said.err.strip().splitlines()
    assert len(lines) == 1, said.err
    assert lines[0].startswith("assessor: ")
    for sentence in sentences:
        assert sentence in lines[0]


@pytest.fixture
def disputed(stage: Stage, says: SayingPipeline) -> Stage:
    """Spot 1: read 8 where the tool says 4 in range; spot 2: the tool calls for rework; spot 3: read in range."""
    stage.work()
    stage.shoot(1, 1)
    says.says[stage.shoot(1, 2)] = "over"
    stage.shoot(1, 3)
    stage.assess()
    stage.read(1, 1, 8, 9, feel_grit=17, note="NOTE-OF-THE-READER")
    stage.read(1, 3, 5)
    return stage
