"""Limits of the photo checks, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class QualitySettings:
    """Limits of one photo. `min_`/`max_` refuse, `flag_` only tell."""

    # 12 MP at 450 mm and 25 degrees tilt has 5.6; a third of a 12 MP photo (3.2) errs 37 % on fine floors.
    min_px_per_mm: float = 4.5
    flag_px_per_mm: float = 5.4
    # Frames of a 1080p video have 4-5: they pass half of the amplitude of 0.5-1 mm waves, which the transfer carries.
    min_px_per_mm_video: float = 3.5
    # Nearer, main cameras of phones lose focus or switch to another lens (common practice).
    min_distance_mm: float = 180.0
    window_margin_mm: float = 6.0
    max_ring_outside: int = 6  # of 28: with all 7 of a side its white paper is missing too
    max_tilt_deg: float = 35.0  # four photos still work at 40 degrees, two fail grossly at 30
    flag_tilt_deg: float = 25.0
    # Blurred only if in both units: large photos have soft pixels, distant ones coarse millimetres. A defocus disc of
    # 4 px (5.5 px wide edge) errs 58 % on fine floors, motion of 5 px (4 px wide edge) 10 %.
    max_edge_px: float = 4.0
    max_edge_mm: float = 0.4
    flag_edge_px: float = 3.0
    flag_edge_mm: float = 0.3
    # 26 dB signal to noise (5 %) did no harm. Below 0.02 a byte is 5 % of the floor's light.
    min_white: float = 0.02
    flag_white: float = 0.08
    max_noise: float = 0.12
    flag_noise: float = 0.06
    clipped_byte: int = 254
    max_window_clipped: float = 0.10  # glints on stones reach 1-2 %
    flag_window_clipped: float = 0.02
    max_paper_clipped: float = 0.50  # the paper is the reflectance standard
    flag_paper_clipped: float = 0.05
    glare_lift: float = 0.10  # light on ink beyond its share, of the paper white
    max_glare_share: float = 0.15  # of the marker sides
    flag_glare_share: float = 0.02
    max_ink: float = 0.35  # ink over paper; a clean print has 0.05-0.1, a veiled or greyed one more
    # Clean renders reach 0.092 with darks lifted half a stop, a veil of 15 % has 0.147 or more. A veil of 40 % moved
    # the Sq of a fine floor (0.045 mm) by 1 % only, but its noise floor from 0.014 to 0.034 mm: never refused.
    flag_ink: float = 0.13
    shadow_ratio: float = 1.6  # white along one marker side, brightest over darkest
    flag_shadow_sides: int = 3
    tab_reach_mm: float = 35.0  # the card's own tabs cast short shadows here
    flag_light_ratio: float = 2.0
    wet_range: tuple[float, float] = (
        0.5,
        0.85,
    )  # paper against the smooth light on dry paper (darker is shadow)
    wet_ink: float = 1.2  # ink over what shade would leave of it
    max_veil: float = 0.3  # of the ink's light may be lens flare, which shade does not take
    max_wet_share: float = 0.25
    flag_wet_share: float = 0.10
    # Dirt: paper darker than its light and ink brighter than its share; shade darkens both, glare brightens both.
    dirt_range: tuple[float, float] = (0.1, 0.95)
    clean_ink: float = 1.3  # ink over paper against that of the cleanest quarter
    dirt_lift: float = 0.04  # of the paper white
    max_worn_share: float = 0.25
    flag_worn_share: float = 0.02
    flag_damaged: int = 2  # markers that lie in the open and yet cannot be read
    max_damaged: int = 8
    damaged_light: float = 0.85  # paper beside a marker that nothing covers, of the smooth light
    # Pixel noise of white paper at ISO 100: 0.8 % (36-40 dB at mid grey for 12 MP of a phone, less at white; from
    # memory, verify); it grows with the root of the ISO. Strong JPEG wipes noise out too.
    noise_at_iso_100: float = 0.008
    smoothed_share: float = 1 / 3
    least_noise: float = 0.0035  # rounding to bytes alone leaves 0.0030: below, nothing can be said
    least_jpeg_quality: int = 85
    # Main cameras focus from 150-250 mm (common practice); ultra-wide ones, under 20 mm, from nearer.
    near_limit_mm: float = 240.0
    main_focal_35mm: float = 20.0
    # Photos of a torch capture. Without the torch paper may be 0.5 % of full (all markers of rendered photos are read
    # there, noise 15 %), for such light hardly weakens the shading; paper beside the torch may burn out.
    torch_min_white: float = 0.004
    torch_max_noise: float = 0.30
    torch_flag_paper_clipped: float = 0.25
    # A low photo toward the light only shows shine, at some millimetres: it may be oblique, coarse and burnt out.
    low_tilt_deg: float = 42.0  # between this and max_tilt_deg a photo is merely held badly
    low_max_tilt_deg: float = 70.0  # beyond, markers are four times as wide as high
    low_min_px_per_mm: float = 1.5

    def for_low(self) -> QualitySettings:
        """The same for a low photo toward the light."""
        return replace(
            self,
            max_tilt_deg=self.low_max_tilt_deg,
            flag_tilt_deg=self.low_max_tilt_deg,
            min_px_per_mm=self.low_min_px_per_mm,
            min_px_per_mm_video=self.low_min_px_per_mm,
            flag_px_per_mm=self.low_min_px_per_mm,
            max_edge_px=8.0,
            flag_edge_px=8.0,
            max_window_clipped=1.0,
            flag_window_clipped=1.0,
            max_glare_share=1.0,
            flag_glare_share=1.0,
            flag_ink=1.0,
            max_ink=1.0,
            flag_shadow_sides=5,
            flag_light_ratio=10.0,
            max_worn_share=1.0,
            flag_worn_share=1.0,
            flag_damaged=36,
            max_damaged=36,
        )

    def for_torch(self) -> QualitySettings:
        """The same with the exposure limits of a torch capture's photos; none of them is flagged as dark."""
        return replace(
            self,
            min_white=self.torch_min_white,
            flag_white=self.torch_min_white,
            max_noise=self.torch_max_noise,
            flag_noise=self.torch_max_noise,
            flag_paper_clipped=self.torch_flag_paper_clipped,
        )
