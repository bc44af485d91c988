"""Water drops as a crew reads them: the same words on the page, in the picture and in the terminal."""

from __future__ import annotations

from assessor.report.schema_drops import DropRowRecord, DropsRecord, PhotoDropRecord
from assessor.surface.separating import separating_test

POROSITY = {"porous": "takes water", "dense": "holds water", "cannot-tell": "can't tell"}
SHAPE = {"bead": "bead", "film": "film", "flat": "flat or damp mark", "cannot-tell": "can't tell"}
REPELS = {
    "repels": "REPELS WATER",
    "none-found": "nothing found that repels water",
    "cannot-tell": "CAN'T TELL",
}
LIMITS = (
    "Time tells how porous the floor is, never whether anything lies on it: bare dense concrete holds a drop too.",
    "Much that spoils a bond lets water through: dust, laitance, some curing compounds and cleaners. A round without a"
    " bead proves nothing; the pull-off test that the data sheet asks for decides.",
    "Bead and width from photos were tried on photos made by a computer only, never yet on a real drop.",
)


def cautions() -> tuple[str, ...]:
    """What to mind with water on a floor."""
    told = separating_test("water-drop").caution or ""
    return tuple(f"{part.strip(' .')}." for part in told.split(". ") if part.strip(" ."))


def time_words(row: DropRowRecord) -> str:
    """The time as noted."""
    if row.seconds_to_absorb is not None:
        return f"gone after {row.seconds_to_absorb:g} s"
    return f"still there after {row.not_absorbed_after_s:g} s"


def width_words(drop: PhotoDropRecord) -> str:
    """Width and, where told, contact angle, with 90 % intervals."""
    words = f"{drop.width_mm:.1f} ± {1.645 * drop.u_width_mm:.1f} mm wide"
    if drop.angle is not None:
        words += f", contact angle {drop.angle.deg:.0f} ± {1.645 * drop.angle.u_deg:.0f}°"
    return words


def drop_name(row: DropRowRecord) -> str:
    """Spot, and whether it is the control."""
    return f"{row.spot} control" if row.control else row.spot


def lines(record: DropsRecord) -> list[str]:
    """The whole round for the terminal, a line each."""
    told = [f"{record.job}: water drops by {record.who}, {record.when:%Y-%m-%d %H:%M}"]
    if record.rendered:
        told.append("RENDERED PHOTOS among these: made by a computer, no real floor")
    told.append(record.count_words)
    for row in record.drops:
        head = f"{drop_name(row)}: {time_words(row)}: {POROSITY[row.porosity]}; {SHAPE[row.shape]}"
        if row.repels is None:
            told.append(head)
            continue
        told.append(f"{head}; {REPELS[row.repels]}: {row.repels_why}.")
        told.append(f"    Next: {row.next_step}")
    for photo in record.photos:
        told += [f"not used: {why}" for why in (photo.refused, photo.before_refused) if why]
        for drop in photo.drops:
            name = drop.matched or "not matched"
            told.append(f"{photo.file}: {name}: {SHAPE[drop.shape]}, {width_words(drop)}; {drop.why}")
        told += [f"{photo.file}: {name}: {why}" for name, why in photo.unmatched.items()]
        told += [f"{photo.file}: {note}" for note in photo.notes]
    told += [*record.notes, *(f"Mind: {caution}" for caution in record.cautions)]
    return told
