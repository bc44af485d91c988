"""What others rely on and may never change silently: codes, sentences, commands, stored names."""

from __future__ import annotations

import inspect
import pickle
import re
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
import typer
from PIL import Image

from assessor import __version__, errors
from assessor.card.draw import draw_card_pdf
from assessor.card.layout import card_layout
from assessor.cli import app
from assessor.errors import AssessorError
from assessor.flags import FLAGS, describe
from assessor.settings import Settings

ROOT = Path(__file__).parent.parent
# Stored in results for ever. Add below; never rename, never remove.
ERROR_CODES = {
    "AssessorError": "assessor-error",
    "PhotoError": "photo-error",
    "UnreadablePhoto": "unreadable-photo",
    "NotAnImage": "not-an-image",
    "PhotoTooLarge": "photo-too-large",
    "SeveralFrames": "several-frames",
    "UnsupportedColour": "unsupported-colour",
    "CardNotFound": "card-not-found",
    "SeveralCards": "several-cards",
    "CardMirrored": "card-mirrored",
    "CardOnScreen": "card-on-screen",
    "FlashFired": "flash-fired",
    "ProcessedPhoto": "processed-photo",
    "PhotoShrunk": "photo-shrunk",
    "LensSwitched": "lens-switched",
    "ZoomUsed": "zoom-used",
    "OtherPhone": "other-phone",
    "TooFar": "too-far",
    "TooClose": "too-close",
    "TooOblique": "too-oblique",
    "TooBlurred": "too-blurred",
    "TooDark": "too-dark",
    "Clipped": "clipped",
    "Glare": "glare",
    "CardWet": "card-wet",
    "CardWorn": "card-worn",
    "NoSheet": "no-sheet",
    "NotTied": "not-tied",
    "OverviewMisfit": "overview-misfit",
    "UnreadableVideo": "unreadable-video",
    "VideoUnsuitable": "video-unsuitable",
    "CaptureError": "capture-error",
    "TooFewPhotos": "too-few-photos",
    "MixedCameras": "mixed-cameras",
    "MixedCards": "mixed-cards",
    "PoorGeometry": "poor-geometry",
    "ViewsTooAlike": "views-too-alike",
    "LightMoved": "light-moved",
    "HeightsDisagree": "heights-disagree",
    "TorchTooWeak": "torch-too-weak",
    "TorchesAlike": "torches-alike",
    "TorchesUnseen": "torches-unseen",
    "PhoneRelit": "phone-relit",
    "TooCoarseForTorch": "too-coarse-for-torch",
    "KindUnclear": "kind-unclear",
    "CardNotFlat": "card-not-flat",
    "SpotsDiffer": "spots-differ",
    "NoOverview": "no-overview",
    "SetupError": "setup-error",
    "TableInvalid": "table-invalid",
    "SettingUnknown": "setting-unknown",
    "ScaleInvalid": "scale-invalid",
    "ModelUnusable": "model-unusable",
    "InputError": "input-error",
    "NoPhotos": "no-photos",
    "BadRange": "bad-range",
    "BadBars": "bad-bars",
    "BadZone": "bad-zone",
    "BadCount": "bad-count",
    "BadGrid": "bad-grid",
    "BadDrops": "bad-drops",
    "BadTag": "bad-tag",
    "BadTruth": "bad-truth",
    "ChipsUnusable": "chips-unusable",
    "OutputNotWritable": "output-not-writable",
    "NoJob": "no-such-job",
    "BadEntry": "bad-entry",
    "GateClosed": "gate-closed",
    "NotBlind": "not-blind",
    "RecordDamaged": "record-damaged",
    "StoreUnusable": "store-unusable",
    "BackupInvalid": "backup-invalid",
}
FLAG_CODES = {
    "bars-unchecked", "soft", "coarse-pixels", "tilted", "clipped", "dark", "glare", "card-wet", "hard-shadow",
    "light-uneven", "light-changed", "body-shadow", "card-bent", "few-markers", "focal-unknown", "photo-resent",
    "near-focus", "phone-relit", "phone-smoothed", "lens-hazy", "card-worn", "at-most", "few-valid", "halves-differ",
    "patches-found", "floor-shines", "floor-damp", "floor-damp-likely",
    "photos-dropped", "scale-prior", "scale-order",
    "not-confirmed", "no-dark-photo", "torch-unplaced", "torch-left-out",
    "angles-left-out", "torch-weak", "torch-steep", "torch-uneven", "shine", "kinds-disagree", "few-photos",
    "edge-strip", "light-unread", "estimate-wide", "estimate-strange", "light-along-lay",
    "aggregate-implausible", "aggregate-uneven", "aggregate-unsure", "aggregate-blurred",
}  # fmt: skip
COMMANDS = {
    "assess", "backup", "card", "chips", "drops", "evaluate", "job", "methods", "overview", "points", "restore",
    "scales", "schema", "job agree", "job assess", "job check", "job demo", "job enter", "job file", "job follow",
    "job history", "job kinds", "job list", "job open", "job overview", "job page", "job plan", "job refine",
    "job review", "job rework", "job show", "job tags",
}  # fmt: skip
ERRORS = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, AssessorError)]
# A base is never raised itself, so it needs no remedy of its own.
BASES = {"AssessorError", "PhotoError", "CaptureError", "SetupError", "InputError"}


def test_error_codes_are_frozen() -> None:
    assert {kind.__name__: kind.code for kind in ERRORS} == ERROR_CODES


@pytest.mark.parametrize("kind", ERRORS, ids=lambda kind: kind.__name__)
def test_every_error_says_what_and_what_to_do(kind: type[AssessorError]) -> None:
    error = kind("found 3 mm, at most 2 mm", file="spot/a.jpg")
    assert kind.__doc__
    assert str(error) == f"spot/a.jpg: found 3 mm, at most 2 mm; {kind.remedy}."
    if kind.__name__ not in BASES:
        assert kind.remedy != AssessorError.remedy
        assert not kind.remedy.endswith(".")
        assert kind.__name__ in (errors.__doc__ or ""), "draw it in the tree at the top of errors.py"


@pytest.mark.parametrize("kind", ERRORS, ids=lambda kind: kind.__name__)
def test_every_error_comes_home_from_a_worker(kind: type[AssessorError]) -> None:
    back = pickle.loads(pickle.dumps(kind("found", file="a.jpg")))
    assert (type(back), back.found, back.file) == (kind, "found", "a.jpg")


def test_the_first_file_named_wins() -> None:
    error = errors.TooFar("x").with_file("a.jpg")
    assert error.file == "a.jpg"
    assert error.with_file("b.jpg").file == "a.jpg"


def test_flag_codes_are_frozen_and_say_what_and_what_to_do() -> None:
    assert set(FLAGS) == FLAG_CODES
    for code, flag in FLAGS.items():
        assert flag.code == code
        assert flag.sentence.endswith(".")
        assert flag.remedy
        assert not flag.remedy.endswith(".")
    assert [flag.code for flag in describe(("glare", "soft"))] == ["glare", "soft"]


def commands() -> Iterator[tuple[str, Any]]:
    """Every command by its name, those of a group as "job open"."""
    group = typer.main.get_command(app)
    assert hasattr(group, "commands")
    for name, command in group.commands.items():
        yield name, command
        yield from ((f"{name} {own}", each) for own, each in getattr(command, "commands", {}).items())


def test_commands_are_frozen_and_every_one_has_help() -> None:
    assert {name for name, _ in commands()} == COMMANDS
    for name, command in commands():
        assert command.help, name
        for parameter in command.params:
            if parameter.name != "help":
                assert getattr(parameter, "help", None), f"{name}: {parameter.name}"


def test_readme_mentions_every_command_and_option() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, command in commands():
        assert f"assessor {name}" in readme
        for parameter in command.params:
            longest = max(parameter.opts, key=len)
            if longest.startswith("--") and longest != "--help":
                assert longest in readme, f"{name} {longest}"


def test_readme_says_of_every_error_and_flag_what_the_program_says() -> None:
    rows = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    for kind in ERRORS:
        if kind.__name__ not in BASES:
            what = (inspect.getdoc(kind) or "").splitlines()[0].rstrip(".")
            assert f"| `{kind.code}` | {what} | {kind.remedy} |" in rows
    for flag in FLAGS.values():
        assert f"| `{flag.code}` | {flag.sentence.rstrip('.')} | {flag.remedy} |" in rows


def test_readme_names_every_settings_stage() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    listed = readme[readme.index("with a table per stage") : readme.index("Name only what you change")]
    for field in fields(Settings):
        assert f"`{field.name}`" in listed


def test_the_guides_picture_in_the_readme_is_the_page_that_is_printed() -> None:
    """Page three of the PDF at 100 dpi, in 16 greys; draw it anew (DEVELOPERS.md) where the guide changes."""
    document = pypdfium2.PdfDocument(draw_card_pdf(card_layout(), "a4"))
    page = np.asarray(document[2].render(scale=100 / 72).to_pil().convert("L"), float)
    kept = np.asarray(Image.open(ROOT / "calibration_images/torch_guide.png").convert("L"), float)
    assert kept.shape == page.shape
    off = np.abs(kept - page)
    assert off.mean() < 1.5  # 16 greys of a page that is mostly white
    assert (off > 60).mean() < 0.002  # one other sentence changes 0.5 %
    assert "calibration_images/torch_guide.png" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_version_is_the_same_everywhere() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    changes = (ROOT / "assessor/CHANGELOG.md").read_text(encoding="utf-8")
    first = re.search(r"^## (\S+)", changes, re.MULTILINE)
    assert first is not None
    assert project["version"] == __version__ == first[1]
