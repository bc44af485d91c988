"""Settings: overrides reach the stage, unknown names and wrong kinds are refused, the digest is stable."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from assessor.errors import SettingUnknown
from assessor.settings import Settings, digest_of, settings_from


def test_an_override_changes_only_what_it_names() -> None:
    changed = settings_from({"camera": {"max_rms_px": 1}})
    assert changed.camera.max_rms_px == 1.0
    assert dataclasses.replace(changed, camera=Settings().camera) == Settings()


def test_digest_is_the_same_for_equal_settings_and_differs_otherwise() -> None:
    assert Settings().digest() == settings_from({}).digest() == settings_from({"camera": {}}).digest()
    assert settings_from({"camera": {"max_rms_px": 0.61}}).digest() != Settings().digest()


def test_digest_does_not_depend_on_order_or_container() -> None:
    assert digest_of({"a": 1, "b": (1.5, 2.0)}) == digest_of({"b": np.array([1.5, 2.0]), "a": 1})


@pytest.mark.parametrize(
    ("overrides", "sentence"),
    [
        ({"camra": {}}, "no setting camra, did you mean camera"),
        ({"camera": {"max_rms": 1.0}}, "no setting camera.max_rms, did you mean camera.max_rms_px"),
        ({"camera": {"zzz": 1.0}}, "no setting camera.zzz, known here: .*max_rms_px"),
        ({"camera": 3}, "camera must be a table of settings, not 3"),
        ({"camera": {"max_rms_px": "big"}}, "camera.max_rms_px must be a number such as 0.3, not 'big'"),
        ({"camera": {"max_rms_px": True}}, "camera.max_rms_px must be a number"),
        ({"camera": {"iterations": 2.5}}, "camera.iterations must be a whole number"),
        ({"camera": {"max_rms_px": float("inf")}}, "camera.max_rms_px must be a number"),
    ],
)
def test_refusals_name_the_setting_and_the_file(overrides: dict[str, object], sentence: str) -> None:
    with pytest.raises(SettingUnknown, match=sentence) as caught:
        settings_from(overrides, file="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
