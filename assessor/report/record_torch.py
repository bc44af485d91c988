"""Torch, slopes and tone from the pipeline's values to the stored record; no number is computed, only named."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from assessor.report.schema_light import PhotoToneRecord, ToneRecord
from assessor.report.schema_torch import PassedRecord, SlopesRecord, TorchesRecord, TorchRecord
from assessor.values import Light, SlopeMap, Tone, Torches, Transfer

PASSED_MM = (0.5, 1.0, 2.0)  # the fine end, where the kinds differ most


def finite(value: Any) -> float | None:
    """The number, or None where it is missing, NaN or infinite (JSON knows neither)."""
    return float(value) if value is not None and np.isfinite(value) else None


def torches_record(torches: Torches | None, dark_photo: str | None) -> TorchesRecord | None:
    """Where the torch stood in every photo."""
    if torches is None:
        return None
    # Without a tab's shadow the side is told, but neither how high nor how far the torch was held.
    placed = math.isfinite(torches.u_tan_common)
    rows = zip(torches.photo_names, torches.lights, torches.u_tan_own, strict=True)
    return TorchesRecord(
        torches=tuple(_torch(name, light, u_tan, placed=placed) for name, light, u_tan in rows),
        u_tan_common=finite(torches.u_tan_common),
        dark_photo=dark_photo,
        method=torches.method,
        sentence=torches.sentence,
    )


def _torch(name: str, light: Light, u_tan: float, *, placed: bool) -> TorchRecord:
    position = light.position_mm if placed else None
    return TorchRecord(
        photo=name,
        azimuth_deg=light.azimuth_deg,
        u_azimuth_deg=light.u_azimuth_deg,
        elevation_deg=light.elevation_deg if placed else None,
        u_elevation_deg=light.u_elevation_deg if placed else None,
        u_tan=finite(u_tan),
        distance_mm=None if position is None else finite(np.linalg.norm(position)),
        share=light.share,
        u_share=light.u_share,
        tabs_used=light.tabs_used,
    )


def slopes_record(slopes: SlopeMap | None) -> SlopesRecord | None:
    """Summary of the slopes."""
    if slopes is None:
        return None
    return SlopesRecord(
        n_lights=slopes.n_lights,
        confirmed=slopes.halves is not None and not slopes.noise_is_modelled,
        torch_share=finite(slopes.torch_share),
        shadowed=slopes.shadowed,
        residual=finite(slopes.residual),
        valid_fraction=float(slopes.valid.mean()),
        spacing_mm=1.0 / slopes.px_per_mm,
    )


def tone_record(tone: Tone | None) -> ToneRecord | None:
    """How the phone wrote light, photo by photo."""
    if tone is None:
        return None
    return ToneRecord(
        photos=tuple(
            PhotoToneRecord(
                photo=curve.photo_name,
                brightness=curve.brightness,
                u_brightness=curve.u_brightness,
                contrast=curve.contrast,
                u_contrast=curve.u_contrast,
                u_tone=curve.u_tone,
                u_slope=curve.u_slope,
            )
            for curve in tone.curves
        ),
        relit=tone.relit,
        u_relit=tone.u_relit,
        misfit=tone.misfit,
    )


def passed_records(transfer: Transfer) -> tuple[PassedRecord, ...]:
    """What the map passes at the fine end; unknown beyond the wavelengths that were worked out."""
    shortest, longest = float(transfer.wavelength_mm.min()), float(transfer.wavelength_mm.max())
    return tuple(
        PassedRecord(
            wavelength_mm=wavelength,
            amplitude=finite(transfer.at(wavelength)) if shortest <= wavelength <= longest else None,
            u_amplitude=finite(transfer.u_at(wavelength)) if shortest <= wavelength <= longest else None,
        )
        for wavelength in PASSED_MM
    )
