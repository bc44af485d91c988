"""The ground that dirt is laid on, and how a layer changes its colour: by a stated mean contrast."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from assessor.simulate.dirt_recipe import DirtRecipe, Rgb
from assessor.simulate.soil_shapes import Grid
from assessor.values import FloatArray

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1 primaries
DARKEST, BRIGHTEST = 0.015, 0.88


@dataclass(frozen=True, eq=False)
class Film:
    """A skin that shines: strength (n, n), 1 = a smooth dielectric's, and the lobe's exponent (see `film`)."""

    strength: FloatArray
    exponent: float


@dataclass(frozen=True, eq=False)
class Ground:
    """A floor while dirt is laid on it: height_mm (n, n), albedo (n, n, 3) linear, stone (n, n) 0..1, skins so far."""

    height_mm: FloatArray
    albedo: FloatArray
    stone: FloatArray
    grid: Grid
    films: tuple[Film, ...] = ()

    def shining(self, cover: FloatArray, recipe: DirtRecipe) -> Ground:
        """The same ground with the recipe's film where `cover` lies."""
        if recipe.gloss <= 0:
            return self
        film = Film(np.asarray(cover * np.float32(recipe.gloss), np.float32), recipe.exponent)
        return replace(self, films=(*self.films, film))

    def filled(
        self, cover: FloatArray, level_sd_mm: float, thickness_mm: float, share: float = 1.0
    ) -> Ground:
        """Lows filled: under `cover` the height goes by `share` to its own mean over level_sd_mm plus a thickness."""
        level = self.grid.soft(self.height_mm, level_sd_mm) + np.float32(thickness_mm)
        up = np.maximum(level - self.height_mm, 0) * cover * np.float32(share)
        return replace(self, height_mm=self.height_mm + up)

    def smoothed(self, cover: FloatArray, sd_mm: float, share: float) -> Ground:
        """Fine texture washed out under `cover`."""
        soft = self.grid.soft(self.height_mm, sd_mm)
        return replace(self, height_mm=self.height_mm + cover * np.float32(share) * (soft - self.height_mm))

    def dimmed(self, effect: FloatArray, cover: FloatArray, contrast: float, rgb: Rgb) -> Ground:
        """Each channel times exp(contrast x effect x rgb), scaled to a mean log of luminance over the mask of contrast.

        effect: about 1 where it is full; cover: the soft mask whose half is the rim.
        """
        weight = np.array(rgb, np.float32)
        before = self.albedo
        inside = cover > 0.5
        if not inside.any():
            return self
        scale = contrast / max(float(effect[inside].mean()), 0.05)
        for _ in range(4):
            factor = np.exp(np.float32(scale) * effect[inside][:, None] * weight)
            got = _mean_log(before[inside] * factor) - _mean_log(before[inside])
            scale *= contrast / got if abs(got) > 1e-6 else 1.0
        after = before * np.exp(np.float32(scale) * effect[..., None] * weight)
        return replace(self, albedo=np.clip(after, DARKEST, BRIGHTEST))

    def painted(self, alpha: FloatArray, cover: FloatArray, contrast: float, rgb: Rgb) -> Ground:
        """Mixed by alpha (0..1) with a paint of tint rgb, as bright as makes the mean log over the mask contrast."""
        inside = cover > 0.5
        if not inside.any():
            return self
        tint = np.array(rgb, np.float32) / np.float32(LUMINANCE @ np.array(rgb, np.float32))
        before, part = self.albedo[inside][::11], alpha[inside][::11, None]
        wanted = _mean_log(before) + contrast
        low, high = DARKEST, 1.2
        for _ in range(24):
            middle = (low * high) ** 0.5
            got = _mean_log(before + part * (np.float32(middle) * tint - before))
            low, high = (middle, high) if got < wanted else (low, middle)
        paint = np.clip(np.float32(low) * tint, DARKEST, BRIGHTEST)
        after = self.albedo + alpha[..., None] * (paint - self.albedo)
        return replace(self, albedo=np.clip(after, DARKEST, BRIGHTEST))


def _mean_log(albedo: FloatArray) -> float:
    """Mean natural log of luminance of (k, 3) reflectances."""
    return float(np.log(np.maximum(albedo @ LUMINANCE, 1e-4)).mean())
