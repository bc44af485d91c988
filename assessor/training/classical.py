"""The classical baseline: band energies and simple statistics of the window, and boosted trees from scikit-learn.

Kept beside the network so that a table can say what the network is worth.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torch import Tensor

from assessor.training.fit import Batch
from assessor.training.network import band_energies
from assessor.training.noise import blur
from assessor.values import FloatArray

SCALES_PX = (1.0, 2.0, 4.0, 8.0, 16.0)
LEVELS = (0.01, 0.1, 0.5, 0.9, 0.99)


def classical_features(batch: Batch) -> Tensor:
    """(batch, n) numbers: energies by octave, by direction and scale, quantiles, light and photo as they are."""
    image = batch.image.float()
    parts = [band_energies(image), batch.light, batch.photo]
    first = image[:, :1]
    for sd in SCALES_PX:
        band = blur(first, sd) - blur(first, 2 * sd)
        gx = band[..., :, 1:] - band[..., :, :-1]
        gy = band[..., 1:, :] - band[..., :-1, :]
        ex, ey = (gx**2).mean((1, 2, 3)), (gy**2).mean((1, 2, 3))
        deviation = band.std((2, 3))
        parts.append(torch.stack([torch.log(ex + 1e-8), torch.log(ey + 1e-8)], 1))
        parts.append((band**3).mean((2, 3)) / (deviation**3 + 1e-9))
        parts.append((band**4).mean((2, 3)) / (deviation**4 + 1e-9))
    flat = first[..., ::3, ::3].flatten(1)
    parts.append(torch.quantile(flat, torch.tensor(LEVELS, device=flat.device), dim=1).T)
    colour = image[:, -1:] if image.shape[1] > 2 else image[:, 1:2]
    both = torch.stack([first[:, 0], colour[:, 0]], 1)[..., ::2, ::2].flatten(2)
    both = both - both.mean(2, keepdim=True)
    cross = (both[:, 0] * both[:, 1]).mean(1) / (both[:, 0].std(1) * both[:, 1].std(1) + 1e-6)
    parts.append(cross[:, None])
    return torch.cat(parts, 1)


def fit_classical(features: FloatArray, log2_sq: FloatArray, *, seed: int = 1) -> Any:
    """Boosted trees on log2 Sq (scikit-learn's histogram gradient boosting)."""
    from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415 - the train extra only

    model = HistGradientBoostingRegressor(
        max_iter=600, learning_rate=0.06, max_leaf_nodes=31, l2_regularization=1.0, random_state=seed
    )
    return model.fit(np.asarray(features), np.asarray(log2_sq))
