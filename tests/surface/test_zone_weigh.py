"""Places that stand out of a zone: what is taken of each, and that weighing follows the fitted weights."""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.surface.segment import load_segmenter
from assessor.surface.zone_weigh import N_FEATURES, ZoneWeights, features_of, places, products


def test_products_are_the_features_and_every_pair_once() -> None:
    made = products(np.arange(1.0, N_FEATURES + 1))
    assert made.shape == (N_FEATURES + N_FEATURES * (N_FEATURES + 1) // 2,)
    assert made[0] == 1 and made[N_FEATURES] == 1 and made[-1] == N_FEATURES**2


def test_a_weight_on_one_feature_decides_alone() -> None:
    terms = len(products(np.zeros(N_FEATURES)))
    weights = np.zeros(terms)
    weights[0] = 2.0
    zero, one = np.zeros(N_FEATURES), np.ones(N_FEATURES)
    told = ZoneWeights(zero, one, np.zeros(terms), np.ones(terms), weights, 0.5, 0.2, 0.8)
    features = zero.copy()
    features[0] = 1.5
    assert told.likely(features) == pytest.approx(1 / (1 + math.exp(-3.5)))


def test_a_place_is_described_by_what_lies_in_and_around_it() -> None:
    outside = np.zeros((80, 90), np.float32)
    outside[30:40, 50:62] = 7.0
    field = 0.1 * np.sin(np.arange(7200.0)).reshape(80, 90)
    field[30:40, 50:62] -= 0.5
    valid = np.ones(outside.shape, bool)
    (place,) = places(outside, valid, 50)
    made = features_of(place, outside, 0 * outside + 0.5, {"a": field, "b": 0 * field, "c": 0 * field}, valid)
    assert made is not None and made.shape == (N_FEATURES,)
    assert made[0] == 7 and made[2] == pytest.approx(math.log(120))
    assert made[6] == pytest.approx(0.5, abs=0.05) and made[8] == 0
    assert not places(outside, valid, 200)


def test_the_packaged_model_lists_more_than_it_shows() -> None:
    zone = load_segmenter("overview-surface").zone
    assert zone is not None and 0 < zone.listed < zone.shown < 1
