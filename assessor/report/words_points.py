"""What a point count says, in words."""

from __future__ import annotations

from assessor.surface.points import Comparison, CountedFraction, PointCount

NAMES = {"coarse": "coarse stone (over 4.75 mm)", "visible": "all stone (from 2 mm)"}
MOST_COARSE = 0.45


def count_words(count: PointCount, *, unmarked: int) -> list[str]:
    """The fractions with their limits, and what weakens them."""
    lines = [f"{NAMES['coarse']}: {_fraction(count.coarse)}"]
    if count.visible is not None:
        lines.append(f"{NAMES['visible']}: {_fraction(count.visible)}")
    if count.unclear:
        lines.append(f"{count.unclear} points can't be told: the limits hold both ways they might have gone.")
    if unmarked:
        lines.append(
            f"{unmarked} points are not marked yet: finish the count, or it leans to where you began."
        )
    apart = f"{count.spacing_mm:.1f} mm apart" if count.spacing_mm else "as far apart as they were"
    lines.append(
        f"The limits take points as independent. Points {apart}: where stones are wider, the limits are too narrow for "
        "the floor around (for the picture itself they are right or on the safe side)."
    )
    if count.coarse.low90 > MOST_COARSE:
        lines.append(
            f"More than {MOST_COARSE:g} of coarse stone is more than cut concrete can show: count again."
        )
    return lines


def compared_words(name: str, told: tuple[float, float, float], how: Comparison) -> str:
    """Whether count and picture agree."""
    value, low, high = told
    head = f"{NAMES[name]}: the picture tells {value:.2f} ({low:.2f} to {high:.2f})"
    off = f"{how.difference:+.2f} ({how.low90:+.2f} to {how.high90:+.2f})"
    if how.agree:
        return f"{head}; they agree, count less picture is {off}."
    return f"{head}; they DIFFER, count less picture is {off}. Count once more; if it stays so, believe the count."


def _fraction(counted: CountedFraction) -> str:
    return (
        f"{counted.hits:g} of {counted.points} points = {counted.value:.2f} "
        f"(90 %: {counted.low90:.2f} to {counted.high90:.2f})"
    )
