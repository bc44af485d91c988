"""A user's own measured captures as training data: photos of spots whose Sq the tool has measured from other photos.

Nothing else here is real. What was measured in 0.8-25 mm is the truth; lay and the helper targets are left open (NaN)
and cost nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch

from assessor.texture.look import Look, given, quarter_turns
from assessor.training.fit import Batch


def own_batches(
    seen: Sequence[tuple[tuple[Look, ...], float]], photos: int, size: int, device: str
) -> list[Batch]:
    """Batches of looks with their measured log2 Sq; photos: 1 or 2 a look. Too few are repeated to fill one."""
    own = [(looks, truth) for looks, truth in seen if len(looks) == photos]
    if not own:
        return []
    rows = [own[k % len(own)] for k in range(-(-len(own) // size) * size)]
    return [_batch(rows[start : start + size], device) for start in range(0, len(rows), size)]


def _batch(rows: Sequence[tuple[tuple[Look, ...], float]], device: str) -> Batch:
    parts = [given(looks, *quarter_turns(looks[0].azimuth_deg)) for looks, _ in rows]
    image, light, photo = (torch.tensor(np.stack(side), device=device) for side in zip(*parts, strict=True))
    n = len(rows)
    return Batch(
        image.half(),
        light,
        photo,
        torch.tensor([truth for _, truth in rows], dtype=torch.float32, device=device),
        torch.full((n, 2), float("nan"), device=device),
        torch.full((n, 3), float("nan"), device=device),
        torch.zeros(n, 3, *image.shape[-2:], dtype=torch.half, device=device),
    )
