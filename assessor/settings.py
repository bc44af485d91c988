"""The settings of all stages in one value, with a digest; overrides name what exists or are refused.

Each stage owns its settings and their defaults; nothing is written twice. `settings_from` takes what a
settings file holds (a table per stage) and returns a complete `Settings`.
"""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from assessor.card.bars import BarSettings
from assessor.card.camera import CameraSettings
from assessor.card.decode import DecodeSettings
from assessor.card.find import FindSettings
from assessor.card.kinds import KindSettings
from assessor.card.lens import LensSettings
from assessor.card.light import LightSettings
from assessor.card.photo_origin import OriginSettings
from assessor.card.quality import QualitySettings
from assessor.card.rectify import RectifySettings
from assessor.card.tag_filing import FilingSettings
from assessor.card.tag_read import TagSettings
from assessor.card.tone import ToneSettings
from assessor.card.tone_torch import TorchToneSettings
from assessor.card.torch_guess import GuessSettings
from assessor.card.torch_paper import TorchPaperSettings
from assessor.card.torches import TorchSettings
from assessor.card.video import SweepSettings
from assessor.errors import SettingUnknown
from assessor.grading.suggest import SuggestSettings
from assessor.grouping import GroupingSettings
from assessor.surface.drop_verdict import VerdictSettings
from assessor.surface.drops import DropPhotoSettings
from assessor.surface.settings import SurfaceSettings
from assessor.surface.zone_settings import OverviewSettings
from assessor.texture.estimate import EstimateSettings
from assessor.texture.fuse import FuseSettings
from assessor.texture.heights import HeightSettings
from assessor.texture.measure import TORCH_TEXTURE, TextureSettings
from assessor.texture.slopes import SlopeSettings
from assessor.texture.torch_heights import TorchHeightSettings

Value = TypeVar("Value")
_KINDS = {float: "number", int: "whole number", str: "text", bool: "switch"}


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of every stage, by the stage's name."""

    bars: BarSettings = field(default_factory=BarSettings)
    decode: DecodeSettings = field(default_factory=DecodeSettings)
    sweep: SweepSettings = field(default_factory=SweepSettings)
    grouping: GroupingSettings = field(default_factory=GroupingSettings)
    origin: OriginSettings = field(default_factory=OriginSettings)
    find: FindSettings = field(default_factory=FindSettings)
    quality: QualitySettings = field(default_factory=QualitySettings)
    lens: LensSettings = field(default_factory=LensSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    tone: ToneSettings = field(default_factory=ToneSettings)
    rectify: RectifySettings = field(default_factory=RectifySettings)
    light: LightSettings = field(default_factory=LightSettings)
    heights: HeightSettings = field(default_factory=HeightSettings)
    texture: TextureSettings = field(default_factory=TextureSettings)
    kinds: KindSettings = field(default_factory=KindSettings)
    torches: TorchSettings = field(default_factory=TorchSettings)
    torch_guess: GuessSettings = field(default_factory=GuessSettings)
    torch_tone: TorchToneSettings = field(default_factory=TorchToneSettings)
    torch_paper: TorchPaperSettings = field(default_factory=TorchPaperSettings)
    slopes: SlopeSettings = field(default_factory=SlopeSettings)
    torch_heights: TorchHeightSettings = field(default_factory=TorchHeightSettings)
    torch_texture: TextureSettings = field(default_factory=lambda: TORCH_TEXTURE)
    fuse: FuseSettings = field(default_factory=FuseSettings)
    estimate: EstimateSettings = field(default_factory=EstimateSettings)
    surface: SurfaceSettings = field(default_factory=SurfaceSettings)
    overview: OverviewSettings = field(default_factory=OverviewSettings)
    tags: TagSettings = field(default_factory=TagSettings)
    filing: FilingSettings = field(default_factory=FilingSettings)
    drops: DropPhotoSettings = field(default_factory=DropPhotoSettings)
    drop_verdict: VerdictSettings = field(default_factory=VerdictSettings)
    suggest: SuggestSettings = field(default_factory=SuggestSettings)

    def digest(self) -> str:
        """SHA-256 over all values; the same settings give the same digest on every machine."""
        return digest_of(self)


def digest_of(value: Any) -> str:
    """SHA-256 of a dataclass or plain value by field names and values, whatever the machine and order."""
    plain = (
        dataclasses.asdict(value)
        if dataclasses.is_dataclass(value) and not isinstance(value, type)
        else value
    )
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"), default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    """Turn what JSON does not know (arrays, mappings, sets) into lists and dicts."""
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, (set, frozenset)):
        return sorted(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no digest")


def settings_from(overrides: Mapping[str, Any], *, file: str | None = None) -> Settings:
    """Return the default settings with `overrides` (stage -> name -> value) laid over them.

    Raises SettingUnknown for a stage or name that does not exist and for a value of the wrong kind.
    """
    return _override(Settings(), overrides, path="", file=file)


def _override(value: Value, overrides: Mapping[str, Any], *, path: str, file: str | None) -> Value:
    fields: dict[str, Any] = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}  # type: ignore[arg-type]
    changed: dict[str, Any] = {}
    for name, new in overrides.items():
        where = f"{path}{name}"
        if name not in fields:
            near = difflib.get_close_matches(name, fields, n=1)
            hint = (
                f", did you mean {path}{near[0]}?" if near else f", known here: {', '.join(sorted(fields))}"
            )
            raise SettingUnknown(f"there is no setting {where}{hint}", file=file)
        changed[name] = _checked(fields[name], new, where=where, file=file)
    return dataclasses.replace(value, **changed)  # type: ignore[type-var]


def _checked(default: Any, new: Any, *, where: str, file: str | None) -> Any:
    """Return `new` in the kind of `default`, or refuse."""
    if dataclasses.is_dataclass(default):
        if not isinstance(new, Mapping):
            raise SettingUnknown(f"{where} must be a table of settings, not {new!r}", file=file)
        return _override(default, new, path=f"{where}.", file=file)
    if isinstance(default, tuple):
        if not isinstance(new, list) or len(new) != len(default):
            raise SettingUnknown(f"{where} must be a list of {len(default)} values, not {new!r}", file=file)
        pairs = enumerate(zip(default, new, strict=True))
        return tuple(_checked(old, each, where=f"{where}[{k}]", file=file) for k, (old, each) in pairs)
    if isinstance(default, float) and type(new) in (int, float) and abs(new) < float("inf"):
        return float(new)
    if default is None and isinstance(new, (str, int, float)):
        return new  # what a person may tell and the default leaves open, such as the process
    if type(new) is type(default) and not isinstance(default, float):
        return new
    kind = _KINDS.get(type(default), type(default).__name__)
    raise SettingUnknown(f"{where} must be a {kind} such as {default!r}, not {new!r}", file=file)
