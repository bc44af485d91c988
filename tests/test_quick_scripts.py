"""The judge's side of estimates: what is kept of a look, how claims are scored, path-traced plans, the pair study."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from assessor import estimating
from assessor.evaluation import TruthRow
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe
from assessor.simulate.true_grade import true_grade
from assessor.store.truth import read_truth_folder
from assessor.texture.look import Look
from assessor.values import Light, Lighting
from tests.programs import SCRIPTS, program, script

ROOT = Path(__file__).resolve().parent.parent
BOTH = ("tuned", "never-tuned")
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def a_look(seed: int = 0, *, lit: bool = True) -> Look:
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(-1.2, 1.5, (540, 540, 3)).astype(np.float32), (0, 0), 2.0)
    light = Light(31.0, 25.0, 0.5, 0.7, 0.8, 0.05, 1.2, 0.3, (200.0, 120.0, 110.0), ("top left", "top right"))
    lighting = Lighting((light, replace(light, position_mm=None)), 0.2, None, "tabs", "low", ("body-shadow",))
    return Look(f"p{seed}.jpg", grain, lighting if lit else None, 0.11, 7.3, (0.02, -0.05), 0.001)


def test_a_file_of_looks_gives_back_what_went_in(tmp_path: Path) -> None:
    looks = script("quick_looks")
    single = looks.Seen("single", (a_look(1),), {"capture": "s", "truth": {"Sq": 0.1}})
    pair = looks.Seen("pair", (a_look(2, lit=False), a_look(3)), {"capture": "q"})
    looks.write_looks(tmp_path / "looks.npz", [looks.pack_note(single), looks.pack_note(pair)])
    first, second = looks.read_looks(tmp_path / "looks.npz")
    assert (first.form, first.note, second.form) == ("single", single.note, "pair")
    (back,) = first.looks
    assert np.abs(back.log_rgb - single.looks[0].log_rgb).max() <= 0.5 * looks.STEP + 1e-5
    for name in ("name", "lighting", "blur_mm", "px_per_mm", "view", "clipped"):
        assert getattr(back, name) == getattr(single.looks[0], name)
    for told, own in zip(second.looks, pair.looks, strict=True):
        # Of two photos the luminance is kept, of which their ratio is made.
        luma = np.log(np.exp(own.log_rgb) @ LUMA)
        assert np.abs(np.log(np.exp(told.log_rgb) @ LUMA) - luma).max() <= 0.5 * looks.STEP + 1e-4
        assert told.lighting == own.lighting
    assert not list(tmp_path.glob("*.part"))


def test_an_empty_file_of_looks_is_a_file(tmp_path: Path) -> None:
    looks = script("quick_looks")
    looks.write_looks(tmp_path / "none.npz", [])
    assert list(looks.read_looks(tmp_path / "none.npz")) == []


def note(name: str, off: float, **more: Any) -> dict[str, Any]:
    """A note of a claim that is `off` octaves from Sq = 0.125 mm, half-width 0.6, grade 4 most probable."""
    chances = [0.0, 0.0, 0.2, 0.5, 0.3, 0.0, 0.0, 0.0, 0.0, 0.0]
    plain = {
        "capture": name, "mode": "set", "form": "single", "process": "shot", "rows": [], "true_log2": -3.0,
        "true_grade": 4.0, "log2_sq": -3.0 + off, "half90": 0.6, "strangeness": 0.2, "light_known": True,
        "abstained": [], "grades": list(range(1, 11)),
        "probabilities": chances[1:] + chances[:1], "set90": [2, 3, 4], "best": 3,
        "told_probabilities": chances, "told_set90": [3, 4, 5],
        "flags": [], "photo_codes": [], "assess_s": 0.4, "decode_s": 0.1, "rendered_s": 2.0, "seconds": {"find": 0.1},
        "tags": {"process": "shot", "light": "sun", "elevation": "20-35 deg", "albedo": "paste"},
    }  # fmt: skip
    return plain | more


def figures(table: Any) -> dict[str, tuple[str, ...]]:
    return {row[0]: row[1:] for row in table.rows[1:]}


def test_claims_are_scored_by_hand_and_abstentions_apart() -> None:
    judged = script("judged_quick")
    notes = [
        note("a", 0.5), note("b", -0.3), note("c", 0.9, true_grade=6.0), note("d", 0.1, true_grade=3.0),
        note("e", 3.0, abstained=["estimate-wide"]), {"capture": "f", "form": "single", "code": "too-far", "rows": []},
    ]  # fmt: skip
    told = figures(judged.quick_goals(notes, "single", "held-out"))
    assert told["MAE of Sq, octaves"][:2] == ("4", "0.450")  # (0.5 + 0.3 + 0.9 + 0.1) / 4
    assert told["bias of Sq, octaves"][1] == "0.300"
    assert told["90 % interval of Sq held"][:2] == ("4", "0.750")
    assert told["MAE of the grade"][1] == "0.750"  # 0, 0, 2, 1
    assert (told["grade exact"][1], told["grade within one"][1]) == ("0.500", "0.750")
    assert told["90 % set of grades held"][1] == "0.750"
    # By itself the process left open says one grade less: 1, 1, 3 and 0 off.
    assert told["process not told: MAE of the grade"][1] == "1.250"
    assert told["process not told: within one"][1] == "0.750"
    # Sq of 0.125 mm is grade 6 if ground and 4 if scarified; of an unknown process 5. The notes' are 4, 4, 6, 3 and 4.
    assert told["process not told, Sq known: MAE of the grade"][:2] == ("5", "1.200")
    assert told["process not told: set held"][1] == "0.750"
    assert told["abstained, of those seen"][:2] == ("5", "0.200")
    assert told["refused"][:2] == ("6", "0.167")
    assert judged.claim_of(notes[4]) is None
    assert judged.claim_of(notes[4], all_of_them=True).error == 3.0


@pytest.mark.parametrize(("off", "word"), [(0.1, "holds"), (1.4, "fails")])
def test_a_set_holds_or_fails_its_goals(off: float, word: str) -> None:
    judged = script("judged_quick")
    rng = np.random.default_rng(1)
    notes = [note(str(k), float(rng.normal(0, 1) * off)) for k in range(80)]
    for held_to in ("held-out", "families", "traced"):
        assert figures(judged.quick_goals(notes, "single", held_to))["MAE of Sq, octaves"][-1] == word


def test_the_report_groups_by_tags_and_names_the_worst(capsys: pytest.CaptureFixture[str]) -> None:
    judged = script("judged_quick")
    dark = {"process": "ground", "light": "overcast", "elevation": "none", "albedo": "photo"}
    notes = [
        note("a", 0.1),
        note("b", -2.0, process="ground", tags=dark),
        {**note("c", 0.0), "crashed": "Boom: x"},
    ]
    del notes[2]["log2_sq"]
    judged.report_quick(notes)
    text = capsys.readouterr().out
    for what in (
        "BY PROCESS",
        "BY LIGHT\n",
        "BY ALBEDO",
        "BY LIGHT ON THE CARD",
        "by stage: find 0.100",
        "CRASHED c",
    ):
        assert what in text
    worst = text[text.index("worst:") :].splitlines()[1]
    assert worst.split()[0] == "b"
    assert "MISSED" in worst


def test_a_family_is_reported_by_its_tags() -> None:
    judged = script("judged_quick")
    notes = [note(name, 0.1, tags={"process": name, "map": "one"}) for name in ("grit", "relief", "shot")]
    told = judged.chosen(notes, ["process=grit,relief", "map=one"])
    assert [n["capture"] for n in told] == ["grit", "relief"]
    assert judged.chosen(notes, []) == notes
    with pytest.raises(ValueError, match="colour=red is not KEY=VALUE"):
        judged.chosen(notes, ["colour=red"])


def test_watching_the_model_changes_nothing_and_ends() -> None:
    judging = script("judging_quick")
    before, look = estimating.estimate_texture, a_look()
    with judging.watched(judging.no_model) as shown:
        said = estimating.estimate_texture((look,), None)
    assert shown == [(look,)]
    assert said.form == "single"
    assert estimating.estimate_texture is before


@pytest.mark.slow
@pytest.mark.parametrize("form", ["single", "pair"])
def test_a_quick_capture_is_judged_with_its_looks_and_raw_estimate(form: str) -> None:
    judging = script("judging_quick")
    (job,) = script("judging").plan_jobs("set", 1, 2, kind=form, small=True)
    told = judging.judge_quick(job, judging.How(estimator=judging.no_model, looks=True))
    assert "crashed" not in told
    assert "code" not in told
    assert (told["form"], told["form_said"], told["model"]) == (form, form, "no model")
    assert {row["quantity"] for row in told["rows"]} >= {"Sq", "grade"}
    assert all(row["refused"] for row in told["rows"])  # it abstained, so nothing was claimed
    kept, pictures = told["looks"]
    assert len(pictures) == len(kept["looks"]) == (1 if form == "single" else 2)
    assert sum(map(len, pictures)) < 600_000
    sq = next(row["value"] for row in told["rows"] if row["quantity"] == "Sq")
    assert told["true_log2"] == pytest.approx(np.log2(sq))


def test_a_capture_that_meets_a_bug_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    judging = script("judging_quick")
    (job,) = script("judging").plan_jobs("set", 1, 2, kind="single", small=True)

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(judging, "render_capture", broken)
    assert "ZeroDivisionError: a bug" in judging.judge_quick(job)["crashed"]
    with pytest.raises(ValueError, match="no flat captures of kind single"):
        script("judging").plan_jobs("flat", 1, 2, kind="single")


def test_traced_plans_are_real_in_albedo_and_every_other_one_in_shape(tmp_path: Path) -> None:
    (tmp_path / "concrete_albedo").mkdir()
    cv2.imwrite(str(tmp_path / "concrete_albedo" / "one_diff_1k.jpg"), np.full((8, 8, 3), 120, np.uint8))
    traced = script("judging_traced")
    for form in ("single", "pair"):
        jobs = traced.plan_traced(form, 8, 31, data=tmp_path)
        recipes = [job.plan.recipe for job in jobs]
        assert [r.floor.process in ("grit", "relief") for r in recipes] == [True, False] * 4
        assert {Path(r.floor.albedo).name for r in recipes} == {"one_diff_1k.jpg"}
        assert len({r.name for r in recipes}) == 8
        lights: list[LightRecipe] = [r.light for r in recipes]
        lights += [light.room for light in lights if light.room is not None]
        assert {light.ambient_rgb for light in lights} == {(1.0, 1.0, 1.0)}  # what the path tracer knows
        assert traced.plan_traced(form, 5, 31, data=tmp_path)[2:] == jobs[2:5]
        assert traced.plan_traced(form, 5, 31, data=tmp_path, first=2) == jobs[2:5]
    assert {j.plan.recipe.floor.albedo for j in traced.plan_traced("single", 3, 31, data=None)} == {"paste"}


def test_calibration_photos_stand_alone_and_in_opposite_pairs() -> None:
    traced = script("judging_traced")
    tasks = traced.plan_bays(ROOT / "calibration_images", splits=BOTH)
    # Seven captures of four photos; two each with eight, four and two lights (photos without torch are left out); four
    # of one photo.
    assert sum(len(task.members) == 1 for task in tasks) == 7 * 4 + 2 * 8 + 2 * 4 + 2 * 2 + 4
    pairs = [task for task in tasks if len(task.members) == 2]
    assert len(pairs) == 2 * 4 + 2 * 2 + 2
    assert pairs[0].name == "bay8-ground-torch+0+4"
    tuned = traced.plan_bays(ROOT / "calibration_images", splits=("tuned",))
    assert 0 < len(tuned) < len(tasks)
    assert {task.split for task in tuned} == {"tuned"}


@pytest.mark.slow
def test_a_calibration_pair_is_judged_against_the_floor_it_was_rendered_over() -> None:
    traced, judging = script("judging_traced"), script("judging_quick")
    tasks = {task.name: task for task in traced.plan_bays(ROOT / "calibration_images", splits=BOTH)}
    how = judging.How(estimator=judging.no_model)
    told = traced.judge_traced(tasks["bay10-shot-torch+0+2"], how)
    assert "crashed" not in told
    assert (told["form_said"], told["renderer"]) == ("pair", "calibration images")
    apart = (told["true_lights"][1][0][0] - told["true_lights"][0][0][0]) % 360
    assert apart == pytest.approx(180, abs=17)
    # The floor made anew has the Sq that the truth table holds of it, in the band that both know.
    with (ROOT / "calibration_images" / "truth.csv").open(newline="") as file:
        rows = {
            (r["capture"], r["quantity"], r["band_short_mm"]): float(r["value"])
            for r in csv.DictReader(file)
            if r["quantity"] != "patch"
        }
    low, high = rows["bay10-shot-torch", "Sq", "2.5"], rows["bay10-shot-torch", "Sq", "0.5"]
    assert low < 2 ** told["true_log2"]
    one = traced.rows_of_floor(tasks["bay3-shot-medium+0"].recipe)
    assert one[0].value == pytest.approx(rows["bay3-shot-medium", "Sq", "0.8"], rel=1e-6)
    assert high > 0


def test_the_calibration_set_has_quick_captures_of_both_forms_and_splits() -> None:
    quick = program("render_calibration").QUICK
    assert sum(recipe.kind == "single" for recipe, _ in quick) == 4
    assert sum(recipe.kind == "torch" for recipe, _ in quick) == 2
    assert all(recipe.quick for recipe, _ in quick)
    for kind in ("single", "torch"):
        assert {split for recipe, split in quick if recipe.kind == kind} == {"tuned", "never-tuned"}
    # The path tracer knows no colour of a sky, so the fast renderer of the sheet may know none.
    skies = [recipe.light for recipe, _ in quick]
    skies += [light.room for light in skies if light.room is not None]
    assert {light.ambient_rgb for light in skies} == {(1.0, 1.0, 1.0)}


def test_quick_calibration_captures_ship_with_their_truth() -> None:
    folder = ROOT / "calibration_images"
    captures = {capture.name: capture for capture in read_truth_folder(folder)}
    total = 0
    for recipe, split in program("render_calibration").QUICK:
        capture = captures[recipe.name]
        assert len(capture.photos) == (1 if recipe.kind == "single" else 2)
        assert {row.split for row in capture.rows} == {split}
        assert {row.kind for row in capture.rows} == {recipe.kind}
        rows = {row.quantity: row for row in capture.rows}
        assert rows["Sq"].value == pytest.approx(recipe.floor.sq_mm, rel=0.01)
        assert rows["grade"].value == true_grade(rows["Sq"].value, recipe.floor.process)
        total += sum(photo.stat().st_size for photo in capture.photos)
    assert total < 3_000_000


def test_a_look_is_shifted_by_samples_and_nothing_else() -> None:
    study = program("pair_study")
    look = a_look(5)
    assert study.shifted(look, 0.0, 1.0) is look
    moved = study.shifted(look, 2.0, 0.0)
    inside = np.s_[20:-20, 20:-20]
    assert moved.log_rgb[inside] == pytest.approx(np.roll(look.log_rgb, 2, axis=1)[inside], abs=1e-3)
    half = study.shifted(study.shifted(look, 0.5, 0.7), 0.5, 0.7 + np.pi)
    assert np.abs(half.log_rgb - look.log_rgb)[inside].max() < 0.02  # half there and half back blurs little
    assert moved.lighting == look.lighting


@pytest.mark.parametrize(
    ("lay", "azimuth", "told"),
    [
        (10.0, 190.0, "0-15 deg"),
        (175.0, 12.0, "15-30 deg"),
        (40.0, 130.0, "60-90 deg"),
        (None, 10.0, "no lay"),
    ],
)
def test_lay_and_light_are_told_apart_the_shorter_way(lay: float | None, azimuth: float, told: str) -> None:
    judging = script("judging_quick")
    rows = [TruthRow("a", "single", "shot", "tuned", True, "Sq", "mm", 0.8, 25.0, 0.1)]
    if lay is not None:
        rows.append(replace(rows[0], quantity="direction_deg", unit="deg", value=lay))
    assert judging.across(rows, [[[azimuth, 30.0, 0.7, 0.3]]]) == told
    assert judging.across(rows, [[]]) == ("no lay" if lay is None else "no light")


@pytest.mark.parametrize("form", ["single", "pair"])
def test_the_lay_study_turns_ridges_and_nothing_else(form: str, capsys: pytest.CaptureFixture[str]) -> None:
    study = program("lay_study")
    tasks = study.plan(form, 1, 5, None, small=True)
    assert [task.turn_deg for task in tasks] == list(study.TURNS_DEG)
    recipes = [task.job.plan.recipe for task in tasks]
    light = recipes[0].light.azimuth_deg if form == "single" else study.FIRST_DEG
    assert [(r.floor.lay_deg - light) % 180 for r in recipes] == pytest.approx(list(study.TURNS_DEG))
    assert len({replace(r, floor=replace(r.floor, lay_deg=None)) for r in recipes}) == 1
    notes = [
        {"capture": f"{k}", "turn_deg": 30, "log2_sq": off, "true_log2": 0.0, "half90": 0.5, "abstained": left}
        for k, (off, left) in enumerate(((0.4, []), (-0.8, []), (2.1, ["estimate-wide"])))
    ]  # fmt: skip
    study.report(notes)
    (row,) = (line.split() for line in capsys.readouterr().out.splitlines() if line.startswith("30 deg"))
    assert (row[3], row[6], row[8], row[9], row[10], row[11]) == (
        "1.10",
        "+0.57",
        "33%",
        "33%",
        "0.60",
        "50%",
    )


def test_the_study_compares_only_floors_seen_under_every_torch(capsys: pytest.CaptureFixture[str]) -> None:
    study = program("pair_study")
    told = [[0.1 * k, 0.5, True, False] for k in range(len(study.SHIFTS))]
    notes = [
        {"capture": f"q-{k} at {share:.0%}", "share": share, "told": told}
        for k in range(3)
        for share in study.SHARES
    ]
    del notes[-1]["told"]
    notes[-1]["code"] = "too-few-photos"
    study.report(notes)
    text = capsys.readouterr().out
    assert "2 floors" in text
    assert "too-few-photos: q-2 at 20%" in text
    rows = [line.split() for line in text.splitlines() if line.startswith("95%")]
    assert [(row[1], row[2], row[3]) for row in rows] == [
        ("0", "2", "0.00"), ("0.5", "2", "0.10"), ("1", "2", "0.20"), ("2", "2", "0.30"), ("3", "2", "0.40"),
    ]  # fmt: skip


def test_the_colour_study_changes_colour_and_no_height(tmp_path: Path) -> None:
    (tmp_path / "concrete_albedo").mkdir()
    noise = np.random.default_rng(0).integers(50, 200, (64, 64, 3)).astype(np.uint8)
    for name in ("one", "two"):
        cv2.imwrite(str(tmp_path / "concrete_albedo" / f"{name}_diff_1k.jpg"), noise)
    study = program("albedo_study")
    base = FloorRecipe("ground", 0.1, band_mm=(0.8, 25.0), px_per_mm=4.0, fine=0.05)
    recipes = study.colours(base, tmp_path)
    assert list(recipes) == [
        "paste", "mottled paste", "one", "two", "no stones", "a tenth stones", "a third stones",
    ]  # fmt: skip
    floors = {name: make_floor(recipe, np.random.default_rng([7, 0])) for name, recipe in recipes.items()}
    for name in ("mottled paste", "one", "two"):
        assert np.array_equal(floors[name].height_mm, floors["paste"].height_mm)
        assert not np.allclose(floors[name].albedo_linear, floors["paste"].albedo_linear)
    covered = [(floors[name].stones.labels > 0).mean() for name in study.STONES]
    assert covered[0] == 0
    assert covered[1] == pytest.approx(0.1, abs=0.05)
    assert covered[2] == pytest.approx(0.33, abs=0.1)
    assert "no stones" not in study.colours(replace(base, process="grit"), tmp_path)


def test_the_colour_study_tells_shifts_on_the_same_floor(capsys: pytest.CaptureFixture[str]) -> None:
    study = program("albedo_study")
    notes = [
        {"capture": f"{floor} in {colour}", "floor": floor, "colour": colour, "error": error, "half90": 0.5,
         "abstained": []}
        for floor, colour, error in (
            ("a", "paste", 0.1), ("b", "paste", -0.3), ("a", "map", 0.5), ("b", "map", 0.3), ("c", "map", 9.0),
        )
    ]  # fmt: skip
    study.report(notes)
    (row,) = (line.split() for line in capsys.readouterr().out.splitlines() if line.startswith("map"))
    # Shifts of 0.4 and 0.6; the floor that was not seen in paste has none. 2 of 3 errors lie within 0.5.
    assert (row[4], row[7], row[8]) == ("+0.50", "0.14", "67%")
