"""Floor, sheet, tabs and light of one capture for Mitsuba 3: a general path tracer that none of us wrote.

Nothing but the recipe is shared with `assessor.simulate`: heights become triangles, the sky is written down again from
its continuous formula (the simulator cuts it into some dozens of rays), light bounces as often as it likes, and
Mitsuba's own pinhole looks at it. Needs the `cross` extra; a developer's tool.

Units: mm, card frame. Radiance 1 is a white level surface in the open, as everywhere in the simulator.

Source: Jakob et al., Mitsuba 3 (BSD); sky of Moon and Spencer 1942, "Illumination from a non-uniform sky".
"""

from __future__ import annotations

import ctypes
import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np


def _find_llvm() -> str | None:
    """The newest LLVM library of this machine that Dr.Jit's programs need (16 or later), or None.

    Older ones end the whole process in the middle of a render, so they are told apart beforehand: LLVMGetVersion came
    with 16.
    """
    asked = os.environ.get("DRJIT_LIBLLVM_PATH")
    places = (
        Path("/usr/lib/x86_64-linux-gnu"),
        Path("/usr/lib/aarch64-linux-gnu"),
        Path("/usr/lib64"),
        Path("/usr/lib"),
    )
    found = [asked] if asked else [str(file) for place in places for file in place.glob("libLLVM*.so*")]
    fit = []
    for file in found:
        try:
            ask = ctypes.CDLL(file).LLVMGetVersion
        except (OSError, AttributeError):
            continue
        numbers = [ctypes.c_uint() for _ in range(3)]
        ask(*(ctypes.byref(n) for n in numbers))
        fit.append((numbers[0].value, file))
    return max(fit)[1] if fit else None


_LLVM = _find_llvm()
if _LLVM:
    os.environ["DRJIT_LIBLLVM_PATH"] = _LLVM
VARIANT = "llvm_ad_rgb" if _LLVM else "scalar_rgb"

import drjit as dr  # noqa: E402
import mitsuba as mi  # noqa: E402

mi.set_variant(VARIANT)

from assessor.simulate.floors import Floor  # noqa: E402
from assessor.simulate.light import LightRecipe  # noqa: E402
from assessor.simulate.sheet import CANVAS_MM, Sheet  # noqa: E402
from assessor.simulate.tabs import standing_points  # noqa: E402
from assessor.values import Camera, FloatArray  # noqa: E402

SKY_SIZE = (1024, 512)  # columns (azimuth) and rows (from zenith to nadir) of the environment picture
SUN_MM = 1e5  # far enough that its rays part by less than 0.04 degrees over a window
FLOOR_HALF_MM = 64.0  # the floor ends under the sheet, at a wall that shuts the gap there
BOUNCES = 6
PASS_SAMPLES = 16
# A film of water. Blinn's exponent 40 of `simulate.gloss` is a Beckmann roughness of sqrt(2 / (40 + 2)); its
# strength is pi times the reflectance at normal incidence (both lobes written out for a level face).
FILM_IOR, FILM_ALPHA = 1.33, 0.218
FILM_GLOSS = float(np.pi * ((FILM_IOR - 1) / (FILM_IOR + 1)) ** 2)


def sky_radiance(light: LightRecipe, azimuth: FloatArray, elevation: FloatArray) -> FloatArray:
    """Radiance of the sky, or of room and window, in directions (rad), free of scale; 0 below the horizon.

    Overcast, and the sky round a sun: (1 + 2 sin e) / 3. Window: a patch of 3 in a room of 0.12, with standard
    deviations of 0.45 rad across and 0.3 rad up.
    """
    if light.kind == "window":
        away = np.remainder(azimuth - np.deg2rad(light.azimuth_deg) + np.pi, 2 * np.pi) - np.pi
        lift = elevation - np.deg2rad(light.elevation_deg)
        radiance = 0.12 + 3.0 * np.exp(-0.5 * ((away / 0.45) ** 2 + (lift / 0.3) ** 2))
    else:
        radiance = (1 + 2 * np.sin(elevation)) / 3 + 0 * azimuth
    return np.asarray(np.where(elevation > 0, radiance, 0.0))


def sky_picture(light: LightRecipe) -> FloatArray:
    """Environment picture (rows, cols, 3) whose light on an open level floor is pi (1 - direct)."""
    cols, rows = SKY_SIZE
    azimuth = np.pi / 2 - 2 * np.pi * (np.arange(cols) + 0.5) / cols
    elevation = np.pi / 2 - np.pi * (np.arange(rows) + 0.5) / rows
    radiance = sky_radiance(light, azimuth[None, :], elevation[:, None])
    falling = radiance * (np.cos(elevation) * np.sin(elevation))[:, None] * (2 * np.pi / cols * np.pi / rows)
    radiance *= np.pi * (1 - sun_share(light)) / falling.sum()
    return np.asarray(radiance[..., None] * np.array(light.ambient_rgb), dtype=np.float32)


def sun_share(light: LightRecipe) -> float:
    """Share of the light on a level floor that comes from the disc of sun or lamp."""
    return light.direct if light.kind in ("sun", "lamp") else 0.0


def emitters(light: LightRecipe) -> dict[str, Any]:
    """Sky and sun as Mitsuba emitters; each is sampled as often as its share of the light."""
    if light.kind == "torch":
        raise ValueError("a torch is no light of this cross-check; use overcast, window, sun or lamp")
    share = sun_share(light)
    result: dict[str, Any] = {}
    if share < 1:
        # The picture's zenith is its own +y; turned so that it becomes the card's +z.
        turn = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
        result["sky"] = {
            "type": "envmap", "bitmap": mi.Bitmap(sky_picture(light)), "sampling_weight": 1 - share,
            "to_world": mi.ScalarTransform4f(turn),
        }  # fmt: skip
    if share > 0:
        azimuth, elevation = np.deg2rad(light.azimuth_deg), np.deg2rad(light.elevation_deg)
        toward = np.array(
            [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
        )
        half = np.deg2rad(light.half_angle_deg)
        radiance = float(np.pi * share / (np.pi * np.sin(half) ** 2 * np.sin(elevation)))
        look = mi.ScalarTransform4f().look_at(
            origin=list(SUN_MM * toward), target=[0.0, 0.0, 0.0], up=[0.0, 0.0, 1.0]
        )
        result["sun"] = {
            "type": "disk", "to_world": look @ mi.ScalarTransform4f().scale(float(SUN_MM * np.tan(half))),
            "light": {"type": "area", "radiance": {"type": "rgb", "value": radiance}, "sampling_weight": share},
        }  # fmt: skip
    return result


def concrete(albedo: FloatArray, *, gloss: bool = False) -> dict[str, Any]:
    """Lambert reflection of (rows, cols, 3) reflectances, row 0 at the largest y; with a film of water if `gloss`."""
    if not gloss:
        return {"type": "diffuse", "reflectance": _picture(albedo)}
    # A film keeps some light inside. The floor under it is made as much brighter as gives back the stated albedo
    # (Mitsuba's roughplastic, "nonlinear": rho T (1 - F_in) / (1 - rho F_in)).
    inside = _inner_fresnel(FILM_IOR)
    through = (1 - ((FILM_IOR - 1) / (FILM_IOR + 1)) ** 2) * (1 - inside)
    below = albedo / (through + albedo * inside)
    return {
        "type": "roughplastic", "diffuse_reflectance": _picture(below), "nonlinear": True,
        "int_ior": FILM_IOR, "ext_ior": 1.0, "alpha": FILM_ALPHA, "distribution": "beckmann",
    }  # fmt: skip


def _picture(colour: FloatArray) -> dict[str, Any]:
    return {
        "type": "bitmap", "data": mi.TensorXf(np.ascontiguousarray(colour, dtype=np.float32)), "raw": True,
        "filter_type": "bilinear", "wrap_mode": "clamp",
    }  # fmt: skip


def _inner_fresnel(ior: float) -> float:
    """Share of diffuse light that a smooth face throws back from inside, by quadrature of Fresnel's formulas."""
    cosine = (np.arange(20000) + 0.5) / 20000
    sine = ior * np.sqrt(1 - cosine**2)
    outer = np.sqrt(np.clip(1 - sine**2, 0, 1))
    across = ((ior * cosine - outer) / (ior * cosine + outer)) ** 2
    along = ((cosine - ior * outer) / (cosine + ior * outer)) ** 2
    share = np.where(sine >= 1, 1.0, 0.5 * (across + along))
    return float((share * 2 * cosine).mean())


def mesh(points_mm: FloatArray, faces: np.ndarray, bsdf: dict[str, Any], uv: FloatArray | None = None) -> Any:
    """Triangles with flat faces: points (n, 3), faces (m, 3), uv (n, 2) or None."""
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(bsdf)
    props["face_normals"] = True
    shape = mi.Mesh("mesh", len(points_mm), len(faces), props=props, has_vertex_texcoords=uv is not None)
    values = mi.traverse(shape)
    arrays = {
        "vertex_positions": (points_mm, np.float32),
        "faces": (faces, np.uint32),
        "vertex_texcoords": (uv, np.float32),
    }
    for name, (array, kind) in arrays.items():
        if array is not None:
            # Each variant has array types of its own.
            values[name] = type(values[name])(np.ascontiguousarray(array, dtype=kind).ravel())
    values.update()
    return shape


def relief(height_mm: FloatArray, px_per_mm: float, bsdf: dict[str, Any]) -> Any:
    """A height field about the origin as triangles, two a sample; row 0 at the largest y."""
    rows, cols = height_mm.shape
    row, col = np.mgrid[0:rows, 0:cols].astype(np.float32)
    x, y = (col + 0.5 - cols / 2) / px_per_mm, (rows / 2 - 0.5 - row) / px_per_mm
    points = np.stack([x, y, height_mm], -1).reshape(-1, 3)
    uv = np.stack([(col + 0.5) / cols, (row + 0.5) / rows], -1).reshape(-1, 2)
    at = np.arange(rows * cols, dtype=np.uint32).reshape(rows, cols)
    a, b, c, d = at[:-1, :-1], at[:-1, 1:], at[1:, :-1], at[1:, 1:]
    faces = np.concatenate([np.stack([a, c, b], -1).reshape(-1, 3), np.stack([b, c, d], -1).reshape(-1, 3)])
    return mesh(points, faces, bsdf, uv)


def _two_sided(bsdf: dict[str, Any]) -> dict[str, Any]:
    return {"type": "twosided", "inner": bsdf}


def _quads(corners_mm: FloatArray, bsdf: dict[str, Any], uv: FloatArray | None = None) -> Any:
    """Four-cornered faces (k, 4, 3), both sides alike."""
    base = 4 * np.arange(len(corners_mm))[:, None]
    faces = np.concatenate([base + np.array([0, 1, 2]), base + np.array([0, 2, 3])])
    return mesh(corners_mm.reshape(-1, 3), faces, _two_sided(bsdf), uv)


def sheet_parts(sheet: Sheet, floor_mm: float) -> dict[str, Any]:
    """The flat sheet with its window, the tabs, and a wall under it that shuts what lies beyond the floor.

    floor_mm: the lowest point of the floor. The sheet must lie flat and be cut exactly.
    """
    recipe, w = sheet.recipe, sheet.layout.window
    if any(recipe.bow_mm) or recipe.cockle_mm or recipe.cut_mm:
        raise ValueError("the cross-check's sheet lies flat: bow_mm, cockle_mm and cut_mm must be 0")
    outer = np.array(CANVAS_MM) / 2
    inner = np.array([w.x_max_mm, w.y_max_mm])
    turn = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    drawn = np.stack([
        np.stack([turn[k] * outer, turn[k - 3] * outer, turn[k - 3] * inner, turn[k] * inner]) for k in range(4)
    ])  # fmt: skip
    uv = np.stack([drawn[..., 0] / CANVAS_MM[0] + 0.5, 0.5 - drawn[..., 1] / CANVAS_MM[1]], -1)
    plate = np.concatenate([drawn * (recipe.scale_x, recipe.scale_y), np.zeros((4, 4, 1))], -1)
    print_ = cv2.resize(sheet.reflectance, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    ring = np.concatenate([turn * FLOOR_HALF_MM, np.zeros((4, 1))], -1)
    below = ring + np.array([0.0, 0.0, floor_mm - 1.0])
    wall = np.stack([np.stack([ring[k], ring[k - 3], below[k - 3], below[k]]) for k in range(4)])
    paper = {"type": "diffuse", "reflectance": {"type": "rgb", "value": recipe.paper_white}}
    dark = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.3}}
    parts = {
        "plate": _quads(plate, {"type": "diffuse", "reflectance": _picture(print_)}, uv.reshape(-1, 2)),
        "wall": _quads(wall, dark),
    }
    if recipe.tabs_up:
        for tab in sheet.layout.tabs:
            parts[f"tab_{tab.name}"] = mesh(
                standing_points(sheet, tab), np.array([[0, 1, 2]]), _two_sided(paper)
            )
    return parts


def capture_scene(floor: Floor, sheet: Sheet, light: LightRecipe) -> Any:
    """The scene of a capture: floor under the window, sheet, tabs and light."""
    n = floor.height_mm.shape[0]
    edge = max(round(n / 2 - FLOOR_HALF_MM * floor.px_per_mm), 0)
    cut = slice(edge, n - edge)
    bsdf = concrete(np.asarray(floor.albedo_linear[cut, cut]), gloss=light.gloss > 0)
    height = np.asarray(floor.height_mm[cut, cut])
    return mi.load_dict({
        "type": "scene", "floor": relief(height, floor.px_per_mm, bsdf),
        **sheet_parts(sheet, float(height.min())), **emitters(light), "integrator": _paths(BOUNCES),
    })  # fmt: skip


def open_scene(
    height_mm: FloatArray, albedo: float, px_per_mm: float, light: LightRecipe | float, bounces: int = BOUNCES
) -> Any:
    """A bare relief of one reflectance without a sheet; a number as light is an even sky of that radiance.

    `bounces` 0 is direct light only.
    """
    bsdf = {"type": "diffuse", "reflectance": {"type": "rgb", "value": albedo}}
    if isinstance(light, LightRecipe):
        lights = emitters(light)
    else:
        lights = {"sky": {"type": "constant", "radiance": {"type": "rgb", "value": light}}}
    return mi.load_dict({
        "type": "scene", "floor": relief(height_mm, px_per_mm, bsdf), **lights, "integrator": _paths(bounces),
    })  # fmt: skip


def _paths(bounces: int) -> dict[str, Any]:
    return {"type": "path", "max_depth": bounces + 2, "rr_depth": 100}


def sensor(camera: Camera, size_px: tuple[int, int], area: tuple[int, int, int, int]) -> Any:
    """Mitsuba's pinhole with the camera's pose, focal length and centre; area: x0, y0, width, height in pixels.

    Only for cameras without distortion. Mitsuba's axes are left, up, forward, and its offset of the principal
    point counts against the picture's axes, as shares of the width and height.
    """
    if camera.k1 or camera.k2:
        raise ValueError("the cross-check's cameras have no distortion: k1 and k2 must be 0")
    width, height = size_px
    right, down, forward = camera.camera_from_card
    pose = np.eye(4)
    pose[:3] = np.stack([-right, -down, forward, camera.position_mm], axis=1)
    return mi.load_dict({
        "type": "perspective", "fov_axis": "x", "fov": float(np.rad2deg(2 * np.arctan(width / 2 / camera.focal_px))),
        "principal_point_offset_x": -(camera.centre_px[0] + 0.5 - width / 2) / width,
        "principal_point_offset_y": -(camera.centre_px[1] + 0.5 - height / 2) / height,
        "near_clip": 10.0, "far_clip": 5000.0, "to_world": mi.ScalarTransform4f(pose),
        "film": {
            "type": "hdrfilm", "width": width, "height": height, "crop_offset_x": area[0], "crop_offset_y": area[1],
            "crop_width": area[2], "crop_height": area[3], "rfilter": {"type": "box"}, "pixel_format": "rgb",
            "component_format": "float32",
        },
        "sampler": {"type": "multijitter", "sample_count": PASS_SAMPLES},
    })  # fmt: skip


def render(scene: Any, view: Any, samples: int, seed: int = 0) -> tuple[FloatArray, FloatArray]:
    """Radiance per pixel (h, w, 3) float32 from about `samples` paths a pixel, from each of two independent halves.

    Their mean is the picture; half their difference is its noise. One thread, so that a seed gives one picture.
    """
    dr.set_thread_count(1)
    passes = max(-(-samples // (2 * PASS_SAMPLES)), 1)
    each = min(PASS_SAMPLES, -(-samples // 2))
    halves = []
    for half in range(2):
        total = np.zeros(1, np.float32)
        for k in range(passes):
            shot = mi.render(scene, sensor=view, spp=each, seed=1000 * seed + 2 * k + half)
            total = total + np.array(shot, dtype=np.float32)
        halves.append(np.asarray(total / passes, dtype=np.float32))
    return halves[0], halves[1]
