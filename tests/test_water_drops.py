"""Water drops the whole way: a rendered photo with a bead and a film, a record, the command, files and errors."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from assessor import cli
from assessor.report.schema_drops import DropsRecord
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.drops import DropRecipe, render_drops
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.surface.drop_shape import drop_profile
from assessor.values import PrintScale, Rectified
from assessor.water_drops import DropsRequest, assess_drops, example_record, look_at_drops, window_of

BEAD = DropRecipe("bead", -28.0, 8.0, 50.0, 75.0)
FILM = DropRecipe("film", 28.0, -6.0, width_mm=24.0, uneven=0.1, darker=0.65)
RECIPE = CaptureRecipe(
    "drops",
    FloorRecipe("ground", 0.04, px_per_mm=10.0, stone_fraction=0.05, contrast=0.8),
    light=LightRecipe("lamp", azimuth_deg=120, elevation_deg=40, half_angle_deg=1.0, direct=0.75),
    photos=1,
    seed=5,
    sides_deg=(250.0,),
    tilt_deg=(4.0, 8.0),
    distance_mm=(320.0, 340.0),
)
RECORD = (
    example_record().split("[[drop]]")[0]
    + """
[[drop]]
spot = "A"
not_absorbed_after_s = 60
photo = "a.jpg"
at = "left"

[[drop]]
spot = "A"
control = true
seconds_to_absorb = 20
photo = "a.jpg"
at = "right"
"""
)


@pytest.fixture(scope="module")
def photo() -> bytes:
    return next(iter(render_drops(RECIPE, (BEAD, FILM)).capture.photos.values()))


@pytest.fixture
def case(tmp_path: Path, photo: bytes) -> Path:
    (tmp_path / "a.jpg").write_bytes(photo)
    (tmp_path / "record.toml").write_text(RECORD)
    return tmp_path


def command(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["assessor", "drops", *map(str, words)])
    with pytest.raises(SystemExit) as caught:
        cli.main()
    return int(caught.value.code or 0)


def test_a_bead_and_a_film_are_told_with_width_and_angle(photo: bytes) -> None:
    scale = PrintScale(1, 1, 0.002, 0.002, checked=True)
    told = look_at_drops(photo, "a.jpg", scale, Settings(), volume_ml=0.05).drops
    assert told.light_azimuth_deg == pytest.approx(120, abs=3)
    bead, film = sorted(told.drops, key=lambda drop: drop.centre_mm[0])
    assert (bead.shape, film.shape) == ("bead", "flat")
    assert bead.centre_mm == pytest.approx((-28, 8), abs=0.5)
    assert bead.width_mm == pytest.approx(drop_profile(50, 75).width_mm, abs=0.4)
    assert bead.angle is not None
    assert abs(bead.angle.deg - 75) < 2.5 * bead.angle.u_deg
    assert film.width_mm == pytest.approx(24, abs=3)
    # So little water so wide would lie flat: what looks like a bead and what the volume says disagree.
    wrong = look_at_drops(photo, "a.jpg", scale, Settings(), volume_ml=0.008).drops.drops
    assert min(wrong, key=lambda drop: drop.centre_mm[0]).shape == "cannot-tell"


def test_a_dry_window_in_soft_light_shows_no_bead_and_says_why() -> None:
    dry = replace(RECIPE, light=LightRecipe("overcast"))
    data = next(iter(render_drops(dry, (BEAD,)).capture.photos.values()))
    told = look_at_drops(data, "a.jpg", PrintScale(), Settings(), volume_ml=None).drops
    assert not [drop for drop in told.drops if drop.shape == "bead"]
    assert any("torch from one side" in note for note in told.notes)


def test_a_photo_before_the_drops_tells_wet_from_stained(
    case: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    stain = replace(FILM, x_mm=0.0, y_mm=38.0, kind="absorbed")  # the same before and after
    dry = replace(RECIPE, sides_deg=(275.0,))
    after, before = (
        next(iter(render_drops(recipe, drops).capture.photos.values()))
        for recipe, drops in ((RECIPE, (stain, FILM)), (dry, (stain,)))
    )
    scale = PrintScale(1, 1, 0.002, 0.002, checked=True)
    alone = look_at_drops(after, "a.jpg", scale, Settings(), volume_ml=0.05)
    assert len(alone.drops.drops) == 2
    window = window_of(before, "b.jpg", scale, Settings()).rectified
    told = look_at_drops(after, "a.jpg", scale, Settings(), volume_ml=0.05, before=window).drops
    (only,) = told.drops
    assert only.centre_mm == pytest.approx((28, -6), abs=2)
    assert "darker than before" in only.why
    # A photo of another place is noticed and not used; one that isn't there is named.
    (case / "b.jpg").write_bytes(before)
    elsewhere = look_at_drops(
        (case / "a.jpg").read_bytes(), "a.jpg", scale, Settings(), volume_ml=0.05, before=_turned(window)
    ).drops
    assert any("card was moved" in note for note in elsewhere.notes)
    (case / "record.toml").write_text(RECORD.replace('at = "left"', 'at = "left"\nphoto_before = "gone.jpg"'))
    assert command(monkeypatch, case / "record.toml", "--out", case / "out") == 3
    assert "gone.jpg" in capsys.readouterr().out


def _turned(window: Rectified) -> Rectified:
    """The same window turned by a half: another place."""
    return replace(
        window, reflectance=window.reflectance[::-1, ::-1].copy(), valid=window.valid[::-1, ::-1].copy()
    )


def test_record_and_photo_make_a_verdict_a_page_and_a_picture(case: Path) -> None:
    result = assess_drops(DropsRequest(case / "record.toml", case / "out", area_m2=929.03))
    record = DropsRecord.model_validate_json((case / "out/drops.json").read_bytes())
    assert record == result.record
    assert record.schema_version == "drops-1"
    assert result.all_used
    spot, control = record.drops
    assert (spot.shape, spot.porosity, spot.repels) == ("bead", "dense", "repels")
    assert (control.shape, control.porosity) == ("film", "porous")
    assert (record.spots_tested, record.spots_needed) == (1, 6)
    assert record.photos[0].rendered
    assert {drop.matched for drop in record.photos[0].drops} == {"A", "A control"}
    assert (case / "out/drops-1.png").stat().st_size > 50_000
    page = (case / "out/drops.html").read_text(encoding="utf-8")
    assert "REPELS WATER" in page
    assert "RENDERED" in page
    assert "TOO FEW" in page
    assert "CLEAN" not in page.upper().replace("CLEANERS", "").split("</STYLE>")[1].split("<IMG")[0]


def test_a_missing_photo_is_named_and_the_rest_is_judged(
    case: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (case / "a.jpg").unlink()
    assert command(monkeypatch, case / "record.toml", "--out", case / "out") == 3
    told = capsys.readouterr().out
    assert "not used: " in told
    assert "a.jpg" in told
    assert "gone after 20 s: takes water" in told


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "the record cannot be read"),
        ("drop = ", "not valid TOML"),
        (RECORD.replace('who = "A. Tester (invented)"\n', ""), "who: field required"),
        (RECORD.replace("not_absorbed_after_s = 60\n", ""), "row 1 of [[drop]]: 'A' needs seconds_to_absorb"),
        (RECORD.replace("# measured_bars_mm = [249.1", "measured_bars_mm = [24.91"), "bar"),
    ],
)
def test_a_bad_record_is_one_sentence_and_exit_code_2(
    text: str | None,
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if text is not None:
        (tmp_path / "record.toml").write_text(text)
    assert command(monkeypatch, tmp_path / "record.toml", "--out", tmp_path / "out") == 2
    told = capsys.readouterr()
    assert told.err.startswith("assessor: ")
    assert sentence in told.err
    assert told.err.count("\n") == 1
    assert not told.out
    assert not (tmp_path / "out").exists()


def test_the_example_can_be_judged_and_json_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(monkeypatch, "--example") == 0
    (tmp_path / "record.toml").write_text(capsys.readouterr().out)
    assert command(monkeypatch, tmp_path / "record.toml", "--out", tmp_path / "out", "--json") == 0
    record = DropsRecord.model_validate(json.loads(capsys.readouterr().out))
    assert [row.repels for row in record.drops] == ["none-found", None, "repels", None, "cannot-tell"]
    assert any("slippery" in caution for caution in record.cautions)
    assert any("data sheet" in caution for caution in record.cautions)
