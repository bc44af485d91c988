"""What a person asks for beside photos, read and checked: grade scale, settings, process, the floor's state."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Literal

from assessor.errors import ScaleInvalid, SettingUnknown
from assessor.grading.scale import ANY, SHIPPED, GradeScale, load_scale
from assessor.settings import Settings, settings_from

FloorTold = Literal["not-told", "dry", "damp"]


def shipped_scales() -> tuple[GradeScale, ...]:
    """The grade scales that come with the package."""
    return tuple(load_scale(name) for name in SHIPPED)


def read_scale(name_or_file: str) -> GradeScale:
    """Return a shipped scale by name or an owner's from its file; raises ScaleInvalid."""
    if name_or_file in SHIPPED:
        return load_scale(name_or_file)
    path = Path(name_or_file)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        found = f"there is no scale or scale file of this name (shipped: {', '.join(SHIPPED)})"
        raise ScaleInvalid(found, file=str(path)) from error
    except (OSError, UnicodeDecodeError) as error:
        raise ScaleInvalid("the scale file cannot be read as text", file=str(path)) from error
    return load_scale(text, file=str(path))


def read_settings(file: Path | None) -> Settings:
    """Return the settings with the overrides of a TOML file; raises SettingUnknown."""
    if file is None:
        return Settings()
    try:
        overrides = tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise SettingUnknown(f"the file is not valid TOML ({error})", file=str(file)) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SettingUnknown("the file cannot be read as text", file=str(file)) from error
    return settings_from(overrides, file=str(file))


def with_process(settings: Settings, process: str, scale: GradeScale) -> Settings:
    """The same with how the floor was prepared; raises SettingUnknown for a process the scale does not know."""
    known = [name for name in scale.processes if name != ANY]
    if known and process not in known:
        names = ", ".join(known)
        raise SettingUnknown(f"there is no process '{process}' in scale {scale.name} (known: {names})")
    return replace(settings, suggest=replace(settings.suggest, process=process))


def with_floor(settings: Settings, told: FloorTold) -> Settings:
    """The same with what a person says of the floor's moisture by eye."""
    floor = "" if told == "not-told" else told
    return replace(settings, surface=replace(settings.surface, floor=floor))
