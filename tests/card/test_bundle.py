"""The adjustment's derivatives and steps against finite differences and the unreduced solution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.bundle import Bundle, BundleState, CameraSettings
from assessor.card.layout import card_layout
from assessor.values import FloatArray, PrintScale
from tests.card.phones import ALL, shoot, sightings_by
from tests.card.sightings import SERIAL, Print, exifs, sightings_of, usual_cameras

BARS = PrintScale(1.02, 0.985, 0.002, 0.002, True)
OWN = 30  # parameters a photo: 4 + 6 of rolling + 14 of bends + 6 of the pose


def make_bundle(size_px: tuple[int, int] = (4000, 3000)) -> Bundle:
    rng = np.random.default_rng(0)
    sightings = sightings_of(usual_cameras(rng), Print(), rng, size_px=size_px)
    return Bundle(sightings, exifs(4), card_layout(SERIAL), BARS, CameraSettings())


@pytest.fixture(scope="module")
def bundle() -> Bundle:
    return make_bundle()


def bent_state(bundle: Bundle) -> BundleState:
    """A state away from every zero, so that no derivative is tested where it vanishes."""
    start = bundle.start()
    rng = np.random.default_rng(4)
    shared = np.array([0.02, 0.05, -0.03, 0.01, 0.8, -0.3, 0.5])
    sizes = [0.004, 8, 8, 0.05, *[0.3] * 3, *[1e-3] * 3, *[0.1] * 14]
    photo = rng.normal(0, 1, start.photo.shape) * sizes
    return replace(start, shared=shared, photo=photo, cockle=rng.normal(0, 0.3, start.cockle.shape))


def moved(state: BundleState, index: int, step: float) -> BundleState:
    """The state with one of all parameters moved; turns act from the left."""
    if index < 7:
        return replace(state, shared=state.shared + step * np.eye(7)[index])
    p, k = divmod(index - 7, OWN)
    if k < 24:
        photo = state.photo.copy()
        photo[p, k] += step
        return replace(state, photo=photo)
    if k >= 27:
        shifts = state.shifts.copy()
        shifts[p, k - 27] += step
        return replace(state, shifts=shifts)
    c, s = np.cos(step), np.sin(step)
    a, b = (k - 23) % 3, (k - 22) % 3
    turn = np.eye(3)
    turn[[a, b], [a, b]] = c
    turn[a, b], turn[b, a] = -s, s
    rotations = state.rotations.copy()
    rotations[p] = turn @ rotations[p]
    return replace(state, rotations=rotations)


def whole_jacobian(bundle: Bundle, state: BundleState) -> FloatArray:
    """(N, 2, all parameters) from the columns that each photo touches."""
    jac = bundle.linearise(state)[1]
    whole = np.zeros((*jac.shape[:2], bundle.n_parameters))
    for p in range(len(bundle.sightings)):
        rows = np.flatnonzero(bundle.photo == p)
        whole[rows[:, None, None], np.arange(2)[:, None], bundle.columns(p)] = jac[rows]
    return whole


@pytest.mark.parametrize("size_px", [(4000, 3000), (3000, 4000)], ids=["lying", "upright"])
def test_derivatives_are_those_of_finite_differences(size_px: tuple[int, int]) -> None:
    bundle = make_bundle(size_px)
    state = bent_state(bundle)
    jac = whole_jacobian(bundle, state)
    step = 1e-5
    for index in range(bundle.n_parameters):
        ahead, back = (bundle.linearise(moved(state, index, s))[0] for s in (step, -step))
        numeric = (ahead - back) / (2 * step)
        # That a frame's own turn (1e-3) also turns what other parameters do is left out.
        allowed = 5e-3 * np.abs(numeric).max()
        np.testing.assert_allclose(jac[:, :, index], numeric, atol=allowed, err_msg=str(index))
        assert np.abs(numeric).max() > 1e-3  # every parameter moves some corner


def test_derivative_by_the_corners_own_height(bundle: Bundle) -> None:
    state = bent_state(bundle)
    step = 1e-4
    ahead, back = (bundle.linearise(replace(state, cockle=state.cockle + s))[0] for s in (step, -step))
    expected = (ahead - back) / (2 * step)
    # What the height moves by turning within the frame (1e-3) is left out.
    np.testing.assert_allclose(bundle.linearise(state)[2], expected, atol=2e-3 * np.abs(expected).max())


def test_eliminating_the_corner_heights_is_the_full_solution(bundle: Bundle) -> None:
    """The Schur complement's step equals that of all parameters solved at once."""
    state = (
        bundle.start()
    )  # corner heights zero, so that the plain least-squares step below has no more terms
    residual, _, jac_z = bundle.linearise(state)
    normal = bundle.normal_equations(state)
    norm = np.hypot(*residual.T)
    spread = np.maximum(bundle.sd_px, 1.4826 * np.median(norm) / 1.18)
    weight = np.sqrt(np.minimum(1, 3 * spread / norm)) / spread
    heights = np.zeros((*jac_z.shape, bundle.n_corners))
    heights[np.arange(len(jac_z)), :, bundle.corner] = jac_z
    whole = np.concatenate([whole_jacobian(bundle, state), heights], 2)
    full = (whole * weight[:, None, None]).reshape(2 * len(jac_z), -1)
    per_photo = [*bundle.sd_photo, *[np.inf] * 6]
    sds = np.array([*bundle.sd_shared, *per_photo * 4, *[bundle.sd_cockle] * bundle.n_corners])
    step = -np.linalg.solve(
        full.T @ full + np.diag(1 / sds**2), full.T @ (residual * weight[:, None]).ravel()
    )
    reduced = -np.linalg.solve(normal.matrix, normal.gradient)
    np.testing.assert_allclose(reduced, step[: bundle.n_parameters], rtol=1e-4, atol=1e-7)
    np.testing.assert_allclose(
        -normal.z_step - normal.shared @ reduced, step[bundle.n_parameters :], rtol=1e-4, atol=1e-7
    )


def test_the_solution_is_a_minimum(bundle: Bundle) -> None:
    """At the end the gradient is nothing against the curvature, from a start that was far away."""
    state, normal = bundle.solve()
    assert np.abs(normal.gradient / np.sqrt(np.diag(normal.matrix))).max() < 0.05
    start = bundle.normal_equations(bundle.start())
    assert np.abs(start.gradient / np.sqrt(np.diag(start.matrix))).max() > 10
    assert np.isfinite(state.photo).all()


def test_cameras_put_the_corners_where_the_adjustment_does() -> None:
    """Camera.project, which has rolling and bends as one cubic, repeats the fitted corners."""
    rng = np.random.default_rng(3)
    sightings = sightings_by(shoot(rng, ALL), ALL, rng)
    bundle = Bundle(sightings, exifs(4), card_layout(SERIAL), PrintScale(checked=True), CameraSettings())
    state, normal = bundle.solve()
    points = bundle.points_mm(state)
    for p, camera in enumerate(bundle.cameras(state)):
        rows = bundle.photo == p
        model = normal.residual[rows] + bundle.seen_px[rows]
        assert np.abs(camera.project(points[rows]) - model).max() < 0.01
        plain = replace(camera, warp=None).project(points[rows])
        assert np.abs(plain - model).max() > 0.2
