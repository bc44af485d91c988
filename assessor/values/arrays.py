"""What arrays are called, and how they are made read-only."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
BoolArray = NDArray[np.bool_]
U8Array = NDArray[np.uint8]
Kind = Literal["single", "angles", "torch", "fused", "overview"]
Bound = Literal["value", "upper"]


def freeze(array: NDArray[Any] | None) -> None:
    """Make an array read-only in place (values are shared between stages)."""
    if array is not None:
        array.flags.writeable = False
