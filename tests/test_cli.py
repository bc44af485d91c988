"""The command line: exit codes, what is printed where, and that no traceback reaches a person."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from assessor import __version__, asked, cli, estimating
from assessor.cli import app, main
from assessor.errors import TooFewPhotos
from assessor.report.schema import CaptureRecord
from assessor.workflow import AssessRequest
from tests.fakes import fake_estimate
from tests.test_pipeline import rendered
from tests.test_workflow import Pipeline, floors, pipeline, truth_folder

__all__ = ["floors", "pipeline"]  # fixtures
runner = CliRunner()


def run(*arguments: object) -> Any:
    return runner.invoke(app, [str(argument) for argument in arguments])


def assess(floors: Path, *arguments: object) -> Any:
    return run("assess", floors, "--out", floors.parent / "out", "--workers", 1, *arguments)


def test_all_assessed_is_zero_and_shows_suggestion_grouping_and_page(
    floors: Path, pipeline: Pipeline
) -> None:
    result = assess(floors, "--range", "3-5", "--measured-bars", 249.1, 179.6)
    assert result.exit_code == 0, result.output
    assert "confirm against the chips" in result.stdout
    assert "READY" not in result.stdout
    assert "can't tell" in result.stdout
    assert "RENDERED" not in result.stdout  # photos of the test have no Exif
    assert "north: All 2 photos in folder north" in result.stderr
    assert str((floors.parent / "out/index.html").resolve()) in result.stderr


def test_a_refused_photo_is_three_and_named(floors: Path, pipeline: Pipeline) -> None:
    (floors / "north/9.jpg").write_bytes(b"not a photo at all")
    result = assess(floors)
    assert result.exit_code == 3
    assert "refused: north/9.jpg: " in result.stderr


def test_a_refused_capture_is_three_and_named(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["north"] = TooFewPhotos("1 photo is usable of the 4 needed")
    result = assess(floors)
    assert result.exit_code == 3
    assert "refused: north: 1 photo is usable of the 4 needed; take four photos" in result.stderr
    assert assess(floors).exit_code == 3  # nothing new, still refused


def test_json_is_all_that_goes_to_stdout(floors: Path, pipeline: Pipeline) -> None:
    result = assess(floors, "--json")
    told = json.loads(result.stdout)
    assert [capture["capture"] for capture in told["captures"]] == ["north", "south"]
    assert told["captures"][0]["schema_version"] == "assessment-4"


def test_the_kind_asked_for_reaches_the_pipeline(floors: Path, pipeline: Pipeline) -> None:
    assert assess(floors, "--kind", "torch").exit_code == 0
    assert {told["kind"] for told in pipeline.arguments} == {"torch"}
    assert assess(floors, "--kind", "video").exit_code == 2


def test_our_own_error_is_three_without_a_traceback(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["north"] = ZeroDivisionError("boom")
    result = assess(floors)
    assert result.exit_code == 3
    assert "Traceback" not in result.output
    assert "failed: north: internal error (ZeroDivisionError: boom)" in result.stderr
    assert "errors.log" in result.stderr


@pytest.mark.parametrize(
    "arguments", [("assess",), ("assess", "x", "--measured-bars", "249"), ("assess", "x", "--workers", "0"),
                  ("card", "--serial", "70000"), ("card", "--paper", "a3"), ("nonsense",)],
)  # fmt: skip
def test_usage_errors_are_two(arguments: tuple[str, ...]) -> None:
    assert run(*arguments).exit_code == 2


def run_main(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int:
    monkeypatch.setattr(sys, "argv", ["assessor", *map(str, arguments)])
    with pytest.raises(SystemExit) as caught:
        main()
    code = caught.value.code
    return code if isinstance(code, int) else 0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            ("assess", "nowhere"),
            "assessor: nowhere: there is no such file or folder; name photos or a folder",
        ),
        (("assess", "nowhere", "--range", "9-3"), "'9-3' runs from rough to smooth"),
        (("assess", "nowhere", "--measured-bars", "180", "250"), "look swapped"),
        (("evaluate", "nowhere"), "truth.csv: the file cannot be read"),
    ],
)
def test_a_users_mistake_is_one_sentence_and_two(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: Any, sentence: str
) -> None:
    assert run_main(monkeypatch, *arguments, "--workers", 1) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert "Traceback" not in told


def test_an_unexpected_error_is_one_sentence_with_its_log(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken() -> None:
        raise ZeroDivisionError("boom")

    monkeypatch.setattr(asked, "shipped_scales", broken)
    monkeypatch.setattr(cli.tempfile, "gettempdir", lambda: str(tmp_path))
    assert run_main(monkeypatch, "scales") == 2
    told = capsys.readouterr().err
    assert "internal error (ZeroDivisionError: boom), please report it" in told
    assert "Traceback" not in told
    assert "Traceback" in (tmp_path / "assessor-errors.log").read_text()


def test_evaluate_prints_the_agreed_json(floors: Path, pipeline: Pipeline) -> None:
    result = run("evaluate", truth_folder(floors), "--workers", 1, "--json")
    told = json.loads(result.stdout)
    assert set(told) == {"rows", "summary"}
    assert len(told["rows"]) == 4
    assert result.exit_code == 0


def test_evaluate_says_rendered_and_lists_refusals(floors: Path, pipeline: Pipeline) -> None:
    pipeline.raises["south"] = TooFewPhotos("1 photo is usable of the 4 needed")
    result = run("evaluate", truth_folder(floors), "--workers", 1)
    assert "4 truth rows, 4 of them from RENDERED photos" in result.stdout
    assert "+6.0 %" in result.stdout  # 0.212 for 0.2
    assert "refused: south: 1 photo is usable" in result.stderr


@pytest.mark.parametrize("format", ["pdf", "svg", "png"])
def test_card_writes_the_format_asked_for(tmp_path: Path, format: str) -> None:
    out = tmp_path / "sub" / f"card.{format}"
    result = run("card", "--paper", "letter", "--serial", 5, "--format", format, "--out", out)
    assert result.exit_code == 0, result.output
    start = {"pdf": b"%PDF", "svg": b"<", "png": b"\x89PNG"}[format]
    assert out.read_bytes().startswith(start)
    assert "100 %" in result.stdout


def test_card_numbers_are_json() -> None:
    told = json.loads(run("card", "--json", "--serial", 5).stdout)
    assert told


def test_scales_and_schema_and_version() -> None:
    scales = json.loads(run("scales", "--json").stdout)
    assert {"prior-10", "prior-9"} == {scale["name"] for scale in scales}
    assert "never measured on chips" in run("scales").stdout
    assert json.loads(run("schema").stdout)["title"] == "CaptureRecord"
    assert run("--version").stdout.strip() == f"assessor {__version__}"


def test_defaults_shown_are_those_of_the_request() -> None:
    shown = " ".join(run("assess", "--help").stdout.split())
    defaults = AssessRequest(inputs=())
    assert f"[default: {defaults.out}]" in shown
    assert f"[default: {defaults.scale}]" in shown


@pytest.mark.slow
def test_worker_processes_give_the_same_answer(floors: Path) -> None:
    """Real processes, real pipeline: photos of noise are refused, each by name, in both ways of running."""
    told = []
    for workers in (1, 2):
        result = run(
            "assess", floors, "--out", floors.parent / f"out{workers}", "--workers", workers, "--json"
        )
        assert result.exit_code == 3
        captures = json.loads(result.stdout)["captures"]
        told.append([(row["code"], row["sentence"]) for capture in captures for row in capture["refused"]])
    assert told[0] == told[1]
    assert {code for code, _ in told[0]} >= {"too-few-photos"}


def test_a_folder_with_one_photo_gives_a_page_that_says_estimate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole way from a file to its page on a rendered photo; only the model's answer is made up."""
    monkeypatch.setattr(estimating, "estimate_texture", lambda looks, settings: fake_estimate())
    name, data = next(iter(rendered().photos.items()))
    (tmp_path / "photos/corridor").mkdir(parents=True)
    (tmp_path / "photos/corridor" / name).write_bytes(data)
    (tmp_path / "half.toml").write_text(
        "[quality]\nmin_px_per_mm = 3.0\n"
    )  # the render has half of a phone's pixels
    result = assess(tmp_path / "photos", "--range", "2-4", "--settings", tmp_path / "half.toml")
    assert result.exit_code == 0, result.output
    assert "corridor: ESTIMATE, NOT MEASURED: from one photo" in result.stdout
    folder = tmp_path / "out/corridor"
    record = CaptureRecord.model_validate_json((folder / "assessment.json").read_bytes())
    assert (record.status, record.kind, record.origin) == ("assessed", "single", "rendered")
    page = (folder / "page.html").read_text(encoding="utf-8")
    assert page.index("ESTIMATE, NOT MEASURED: from one photo") < page.index("Estimate: CSP")
    assert "RENDERED PHOTOS" in page
    assert (folder / "picture.png").stat().st_size > 50_000
    assert "ESTIMATE, NOT MEASURED" in (tmp_path / "out/index.html").read_text(encoding="utf-8")
    refused = assess(tmp_path / "photos", "--kind", "angles", "--settings", tmp_path / "half.toml")
    assert refused.exit_code == 3
    assert "1 photo is usable of the 4 needed" in refused.stderr
