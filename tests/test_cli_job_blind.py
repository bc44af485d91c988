"""What commands tell: no suggestion or disputed reading but to somebody who is put down for it; rendered is said."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from assessor.desk import photos as job_photos
from assessor.job.acceptance import Missing, ZoneStanding
from assessor.job.blinding import blinded
from tests.desk.calls import Cli, Said, cli, disputed, refused, stage
from tests.desk.conftest import says
from tests.desk.stage import CREW, JOB, SECOND, SECRET, SayingPipeline, Stage, write_photo

__all__ = ["cli", "disputed", "says", "stage"]  # fixtures


BLIND_COMMANDS: list[tuple[object, ...]] = [
    ("job", "list"), ("job", "list", "--json"), ("job", "show", JOB), ("job", "show", JOB, "--json"),
    ("job", "show", JOB, "--zone", 1), ("job", "history", JOB), ("job", "history", JOB, "--json"),
    ("job", "history", JOB, "--zone", 1), ("job", "history", JOB, "--zone", 1, "--json"), ("job", "check"),
    ("job", "assess", JOB, "--workers", 1), ("job", "plan", JOB, 2),
]  # fmt: skip


@pytest.mark.parametrize("command", BLIND_COMMANDS, ids=lambda command: "-".join(map(str, command[1:])))
def test_nothing_tells_a_suggestion_or_a_disputed_reading(
    cli: Cli, disputed: Stage, command: tuple[object, ...]
) -> None:
    told = cli(*command)
    everything = told.out + told.err
    assert SECRET not in everything
    assert "the tool suggests" not in everything
    assert "NOTE-OF-THE-READER" not in everything
    # The chances, the grades and the call of spots 1 and 2, and what was read at spot 1.
    for secret in (
        "0.9088",
        "0.0912",
        "0.9437",
        "91 %",
        "CSP 8",
        "between 8 and 9",
        "17 grit",
        "Spot 1 failed",
    ):
        assert secret not in everything
    if "--json" in command:
        keys = _keys(json.loads(told.out))
        assert not keys & {"p_short", "p_in_range", "p_over", "best", "set90", "call", "feel_grit"}
        assert ("chip_low" in keys) == ("history" in command)  # that of spot 3 alone
    assert disputed.kinds()[-1] != "suggestion-shown"


def _keys(told: Any) -> set[str]:
    """Names of all fields that hold something."""
    if isinstance(told, dict):
        return {name for name, value in told.items() if value is not None} | {
            key for value in told.values() for key in _keys(value)
        }
    return {key for each in told for key in _keys(each)} if isinstance(told, list) else set()


def test_json_of_a_disputed_spot_holds_neither_reading_nor_side(cli: Cli, disputed: Stage) -> None:
    (first, *_) = json.loads(cli("job", "show", JOB, "--zone", 1, "--json").out)["zones"][0]["spots"]
    assert (first["status"], first["stands"], first["tool"], first["failed_in_round"]) == (
        "contradicted",
        None,
        None,
        [],
    )
    told = [row["content"] for row in json.loads(cli("job", "history", JOB, "--json").out)]
    readers = [content for content in told if content["kind"] == "chip-read"]
    assert [("chip_low" in content, content["spot"]) for content in readers] == [(False, 1), (True, 3)]


def test_a_refusal_to_sign_does_not_tell_the_dispute_either(cli: Cli, disputed: Stage) -> None:
    disputed.read(1, 2, 4)
    disputed.read(1, 4, 4)
    said = cli("job", "enter", JOB, "signed-off", "zone=1", "--role", "lead")
    refused(said, "can not be signed off")
    assert "suggests" not in said.err
    assert "8" not in said.err.replace(JOB, "")


def test_a_zone_that_is_reopened_by_a_dispute_does_not_tell_it(cli: Cli, disputed: Stage) -> None:
    """Whatever stands first among what is missing must not come out as the reason for reopening."""
    standing = disputed.desk.standing(disputed.desk.book(JOB), 1)
    dispute = next(each for each in standing.missing if each.code == "spot-contradicted")
    assert "the tool suggests CSP 4" in dispute.sentence
    told = blinded(
        ZoneStanding(
            1, "reopened", None, standing.spots, (dispute, Missing("x", "y")), None, None, dispute.sentence
        )
    )
    assert "suggests" not in f"{told}"
    assert told.reopened_by == told.missing[0].sentence


def test_orders_to_the_crew_are_not_read_out_by_the_history(cli: Cli, disputed: Stage) -> None:
    assert cli("job", "rework", JOB, 1, "--order", "--who", "Somebody Else").code == 0
    for more in ((), ("--json",)):
        told = cli("job", "history", JOB, *more).out
        assert "rework-ordered" in told
        assert "likely" not in told


def test_who_asks_for_suggestions_cannot_read_blind_any_more(
    cli: Cli, disputed: Stage, tmp_path: Path
) -> None:
    def read(spot: int, who: str, n: int) -> Said:
        write_photo(tmp_path / f"chip{n}.jpg", 700 + n)
        return cli(
            "job", "enter", JOB, "chip-read", "zone=1", f"spot={spot}", "chip=4", "edition=ten-chip", "chip_set=A",
            f"photo={tmp_path / f'chip{n}.jpg'}", "touched=yes", "--at", "floor", "--who", who,
        )  # fmt: skip

    shown = cli("job", "show", JOB, "--suggestions", "--who", CREW.who)
    assert SECRET in shown.out
    assert "tool: CSP 8." in shown.out
    assert "Lena Invented read between 8 and 9, the tool suggests CSP 4, in range" in shown.out
    kept = disputed.kept()
    refused(read(2, CREW.who, 1), f"{CREW.who} has seen the suggestion for zone 1, spot 2", "another person")
    refused(read(2, f"  {CREW.who.upper()} ", 2), "has seen the suggestion")
    assert disputed.kept() == kept  # a refused reading's photo is not kept
    assert read(2, SECOND.who, 3).code == 0
    assert cli("job", "page", JOB, 1, 1, "--who", SECOND.who).out.endswith("DP01-Z01-S01-after-r1.html\n")
    refused(read(1, SECOND.who, 4), "has seen the suggestion")
    assert SECRET in Path("assessor_pages/DP01-Z01-S01-after-r1.html").read_text()
    assert "REWORK LIST" in cli("job", "rework", JOB, 1, "--who", "Third Person").out
    refused(read(1, "Third Person", 5), "has seen the suggestion")
    assert "contradicted" not in cli("job", "review", JOB, "--who", "Fourth Person", "--json").err
    refused(read(1, "Fourth Person", 6), "has seen the suggestion")
    told = json.loads(cli("job", "show", JOB, "--suggestions", "--json").out)
    assert told["zones"][0]["spots"][1]["tool"]["best"] == 8


def test_suggestions_are_shown_to_somebody(
    cli: Cli, disputed: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("ASSESSOR_WHO")
    for command in (("show", JOB, "--suggestions"), ("rework", JOB, 1), ("page", JOB, 1, 1), ("review", JOB)):
        said = cli("job", *command)
        refused(said, "nobody is named")
        assert SECRET not in said.out


def test_rendered_photos_are_told_apart(
    cli: Cli, stage: Stage, says: SayingPipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.work()
    stage.shoot(1, 1)
    inner = job_photos.assessed_entry
    monkeypatch.setattr(
        job_photos, "assessed_entry", lambda *told: inner(*told).model_copy(update={"origin": "rendered"})
    )
    stage.assess()
    assert f"{JOB} (INVENTED, RENDERED PHOTOS): Depot" in cli("job", "list").out
    assert "RENDERED PHOTOS" in cli("job", "show", JOB, "--zone", 1).out
    assert "RENDERED PHOTOS" not in cli("job", "show", JOB, "--zone", 2).out
