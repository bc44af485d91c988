"""Flags: usable, but a person should know. Each has a stable code, a sentence and a remedy.

Codes go into stored results and never change; tests freeze them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing a reviewer should know about a photo or a capture."""

    code: str
    sentence: str
    remedy: str


FLAGS: dict[str, Flag] = {
    flag.code: flag
    for flag in (
        Flag(
            "bars-unchecked",
            "The print was not checked with a tape: every length may be off by a few percent.",
            "measure both check bars and give --measured-bars",
        ),
        Flag("soft", "The photo is slightly blurred.", "hold still and tap the card to focus"),
        Flag(
            "near-focus",
            "The photo is slightly blurred because the phone was very near.",
            "hold it 300-450 mm above the card and tap the card to focus",
        ),
        Flag("coarse-pixels", "The phone was rather far away.", "hold it 300-450 mm above the card"),
        Flag("tilted", "The phone was tilted more than 25 degrees.", "tilt 10-20 degrees"),
        Flag(
            "clipped", "Part of the card or floor is burnt out.", "tap the white paper to lower the exposure"
        ),
        Flag("dark", "The photo is dark, so noise is high.", "bring more even light, no flash"),
        Flag("glare", "A reflection lies on the card.", "shade the card"),
        Flag("card-wet", "The sheet looks wet or greyed.", "use a new dry sheet"),
        Flag("hard-shadow", "A hard shadow lies on the card or the floor.", "shade the whole card"),
        Flag("light-uneven", "The light falls off across the card.", "use daylight shade or a far lamp"),
        Flag("light-changed", "The light differs between the photos.", "keep lamps and people still"),
        Flag(
            "body-shadow",
            "A person's shadow lies on part of the card in one photo.",
            "step back so that your shadow stays off the card",
        ),
        Flag(
            "not-confirmed",
            "Four torch photos measure but cannot check themselves: the value is not confirmed.",
            "hold the torch on eight sides in turn",
        ),
        Flag(
            "no-dark-photo",
            "There is no photo without the torch, so the other light was worked out from the tabs' shadows.",
            "take one photo with the torch off, exposure still locked",
        ),
        Flag(
            "torch-unplaced",
            "No tab's shadow tells how high the torch was held: lay and rank only, no millimetres.",
            "fold the four tabs upright and keep them in the picture",
        ),
        Flag(
            "torch-left-out",
            "The torch photos of this spot could not be used (too coarse, too weak or relit); the sides stand alone.",
            "assess it with --kind torch to read why",
        ),
        Flag(
            "angles-left-out",
            "The photos from the sides could not be used; the torch stands alone.",
            "assess it with --kind angles to read why",
        ),
        Flag(
            "torch-weak",
            "The torch gives little of the light on the card.",
            "shade the spot or use a stronger lamp",
        ),
        Flag(
            "torch-steep",
            "Part of the floor is too steep for the torch: its heights read low there.",
            "use angles too: both kinds of one spot are joined",
        ),
        Flag(
            "shine",
            "Part of the window shines (sealer, damp or polish?): it is left out, and heights may still read high.",
            "test it with water drops, take the film off or let it dry, and shoot again",
        ),
        Flag(
            "torch-uneven",
            "The torch's light is too uneven for waves over 8 mm.",
            "hold the torch 35-50 cm away, aimed at the window",
        ),
        Flag(
            "kinds-disagree",
            "Torch and angles give different heights of one spot.",
            "check both check bars and shoot the spot again",
        ),
        Flag("card-bent", "The sheet is bent by more than 1 mm.", "weigh its corners"),
        Flag("few-markers", "Part of the card is hidden.", "keep feet and tools off the card"),
        Flag(
            "focal-unknown",
            "The photos carry no lens data, so the focal length was solved.",
            "send originals",
        ),
        Flag(
            "photo-resent",
            "A photo looks shrunk or packed anew on its way: fine detail or lens data may be lost.",
            "send the phone's own files at full size, not copies from a chat or a mail",
        ),
        Flag(
            "phone-relit",
            "The phone relit parts of the photo, so brightness and colour of the floor are less sure.",
            "switch HDR and scene optimiser off, or send the original photo",
        ),
        Flag(
            "phone-smoothed",
            "The phone smoothed the photo: fine texture may be wiped out, and a fine floor reads too smooth.",
            "switch noise reduction and beauty or night mode off, or bring more light",
        ),
        Flag(
            "lens-hazy",
            "The card's blacks look grey: a dusty or greasy lens, stray light, or weak ink.",
            "wipe the lens and shade it; if it stays, print a new sheet",
        ),
        Flag("card-worn", "The sheet looks worn or dirty.", "use a new sheet"),
        Flag(
            "at-most",
            "The texture is finer than this capture can see.",
            "take six photos at 15-20 degrees from 300-330 mm, in even shade",
        ),
        Flag(
            "patches-found",
            "Parts of the floor do not look like bare concrete.",
            "see the patches and make the test that each of them names",
        ),
        Flag(
            "floor-shines",
            "The whole window shines toward the light: sealer, polish or water.",
            "put a water drop on it and one on a freshly abraded spot beside it",
        ),
        Flag(
            "floor-damp",
            "The floor was damp: colour, shine and patches are those of a damp floor.",
            "let it dry as the product's data sheet says and shoot again",
        ),
        Flag(
            "floor-damp-likely",
            "Much of the window looks damp, which hides or imitates other patches.",
            "let it dry and shoot again; say --floor dry or damp if you know",
        ),
        Flag("few-valid", "Parts of the window could not be measured.", "shade the spot and shoot again"),
        Flag("halves-differ", "The two halves of the capture agree poorly.", "add two photos or shoot again"),
        Flag(
            "photos-dropped", "Some photos of this capture were not used.", "see the list of refused photos"
        ),
        Flag(
            "edge-strip",
            "An edge strip lay beside the spot: an estimate with a wider doubt, and no patches were looked for.",
            "use the window card wherever the whole sheet fits",
        ),
        Flag(
            "few-photos",
            "Too few photos were usable to measure (four do): this is an estimate, not a measurement.",
            "take four photos, one from each side, or hold a torch on eight sides in turn",
        ),
        Flag(
            "light-unread",
            "No tab's shadow tells where the light came from, so the estimate is wider.",
            "fold the four tabs upright and hold one light low, on one side",
        ),
        Flag(
            "estimate-wide",
            "The estimate is too wide to be of use.",
            "take two photos, phone still: torch low on one side, then on the opposite side",
        ),
        Flag(
            "estimate-strange",
            "The floor looks unlike everything that the estimate was trained on.",
            "measure it: four photos, one from each side, or a torch on eight sides",
        ),
        Flag(
            "light-along-lay",
            "The light runs along the lines of the texture and hides them.",
            "hold the torch so that it shines across the lines",
        ),
        Flag(
            "aggregate-implausible",
            "More coarse stone is seen than cut concrete can show (about 0.45 of the area).",
            "count points on the printed grid (assessor points)",
        ),
        Flag(
            "aggregate-uneven",
            "The stone shows unevenly over the window.",
            "look whether the machine cut evenly, and photograph more spots",
        ),
        Flag(
            "aggregate-unsure",
            "The stones cannot be told from the rest of the floor.",
            "count points on the printed grid (assessor points)",
        ),
        Flag(
            "aggregate-blurred",
            "The photo is too blurred to outline stones.",
            "hold still 300-450 mm above the card and tap the card to focus",
        ),
        Flag(
            "scale-order",
            "The scale's chips break the order of grades here: amplitude can't tell some of them apart.",
            "hold those chips on the floor and tell by eye and hand; check the chip set's edition",
        ),
        Flag(
            "scale-prior", "The grade scale is a prior, not measured on chips.", "photograph your own chips"
        ),
    )
}


def describe(codes: tuple[str, ...]) -> tuple[Flag, ...]:
    """Return the flags for `codes`, in the given order; an unknown code is a programmer's mistake."""
    return tuple(FLAGS[code] for code in codes)
