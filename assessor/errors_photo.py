"""The bases of all errors, and those of single photos and videos; read the tree in `errors`, which hands them on."""

from __future__ import annotations

from typing import ClassVar


class AssessorError(Exception):
    """Base of all errors a user can meet; `str()` gives file, finding and remedy as one sentence."""

    code: ClassVar[str] = "assessor-error"
    remedy: ClassVar[str] = "please report this"

    def __init__(self, found: str, *, file: str | None = None) -> None:
        self.found = found
        self.file = file
        super().__init__(found)

    def with_file(self, file: str) -> AssessorError:
        """Return the same finding with the file it belongs to (the first file named wins)."""
        return type(self)(self.found, file=self.file or file)

    def __reduce__(self) -> tuple[object, ...]:
        # Worker processes send errors home by pickle; the default forgets keyword arguments.
        return _rebuild, (type(self), self.found, self.file)

    def __str__(self) -> str:
        where = f"{self.file}: " if self.file else ""
        return f"{where}{self.found}; {self.remedy}."


def _rebuild(kind: type[AssessorError], found: str, file: str | None) -> AssessorError:
    return kind(found, file=file)


class InputError(AssessorError):
    """The person asked for something that cannot be done."""

    code = "input-error"


class PhotoError(AssessorError):
    """One photo cannot be used."""

    code = "photo-error"


class UnreadablePhoto(PhotoError):
    """The file is an image by name or header but cannot be decoded whole."""

    code = "unreadable-photo"
    remedy = "copy it again from the phone"


class NotAnImage(PhotoError):
    """The file holds no photo in a format we read."""

    code = "not-an-image"
    remedy = "give JPEG, PNG or HEIC photos"


class PhotoTooLarge(PhotoError):
    """The file has more bytes or pixels than we accept."""

    code = "photo-too-large"
    remedy = "send the phone's ordinary photo, not a panorama or a scan"


class SeveralFrames(PhotoError):
    """The file is an animation or a burst."""

    code = "several-frames"
    remedy = "switch off live or burst mode and send still photos"


class UnsupportedColour(PhotoError):
    """The colours are coded for print or for HDR screens, so brightness cannot be turned into reflectance."""

    code = "unsupported-colour"
    remedy = "send the phone's ordinary photo, with HDR output off"


class CardNotFound(PhotoError):
    """Too few markers were read."""

    code = "card-not-found"
    remedy = "lay the card flat, step so that the whole sheet fills the frame, and shoot again"


class SeveralCards(PhotoError):
    """Two cards lie in one photo."""

    code = "several-cards"
    remedy = "leave one card in view and shoot again"


class CardMirrored(PhotoError):
    """The card reads only in the mirror image."""

    code = "card-mirrored"
    remedy = "use the rear camera with mirroring off"


class CardOnScreen(PhotoError):
    """The photo was taken of a display, not of a floor."""

    code = "card-on-screen"
    remedy = "send the original photo, not a photo of a screen"


class FlashFired(PhotoError):
    """The flash fired, so the light moved with the phone."""

    code = "flash-fired"
    remedy = "switch the flash off, bring even light instead, and shoot again"


class ProcessedPhoto(PhotoError):
    """The phone or an app redrew the photo: portrait blur, panorama or document scan."""

    code = "processed-photo"
    remedy = "use the ordinary photo mode (no portrait, panorama or scan) and shoot again"


class PhotoShrunk(PhotoError):
    """Not enough pixels per millimetre, because the photo was shrunk after it was taken."""

    code = "photo-shrunk"
    remedy = "send the phone's own file at full size, not a copy from a chat or a mail"


class LensSwitched(PhotoError):
    """The phone took this photo with another lens than the rest of the spot."""

    code = "lens-switched"
    remedy = "hold the phone at least 300 mm above the card or switch automatic macro off, and shoot again"


class ZoomUsed(PhotoError):
    """This photo was zoomed, cropped or saved at another size than the rest of the spot."""

    code = "zoom-used"
    remedy = "use 1x zoom and one photo size, crop nothing, and shoot again"


class OtherPhone(PhotoError):
    """This photo comes from another phone than the rest of the spot."""

    code = "other-phone"
    remedy = "shoot all photos of a spot with one phone"


class TooFar(PhotoError):
    """Not enough pixels per millimetre."""

    code = "too-far"
    remedy = "hold the phone 300-450 mm above the card at 1x zoom"


class TooClose(PhotoError):
    """The main camera cannot focus or the card leaves the frame."""

    code = "too-close"
    remedy = "hold the phone 300-450 mm above the card at 1x zoom"


class TooOblique(PhotoError):
    """The camera looks too flat over the floor."""

    code = "too-oblique"
    remedy = "tilt the phone 10-20 degrees from straight down"


class TooBlurred(PhotoError):
    """Focus or motion blur, measured on the card's own edges."""

    code = "too-blurred"
    remedy = "tap the card to focus, hold still and shoot again"


class TooDark(PhotoError):
    """The paper white is so dark that noise hides the texture."""

    code = "too-dark"
    remedy = "bring more even light (no flash) and shoot again"


class Clipped(PhotoError):
    """The paper or the floor is burnt out."""

    code = "clipped"
    remedy = "tap the white paper to lower the exposure and shoot again"


class Glare(PhotoError):
    """A reflection lies on the card."""

    code = "glare"
    remedy = "shade the card from the lamp or sun and shoot again"


class CardWet(PhotoError):
    """The sheet is wet or greyed."""

    code = "card-wet"
    remedy = "use a new dry sheet"


class CardWorn(PhotoError):
    """The sheet is worn, dirty or faded."""

    code = "card-worn"
    remedy = "use a new sheet"


class UnreadableVideo(PhotoError):
    """The file is no video we can decode."""

    code = "unreadable-video"
    remedy = "send the phone's own file (H.264 or HEVC, 1080p to 4K), not a copy from a messenger"


class VideoUnsuitable(PhotoError):
    """A video that holds no usable sweep."""

    code = "video-unsuitable"
    remedy = "film about ten seconds straight down while somebody walks the torch once round the card"


class NoSheet(PhotoError):
    """No zone sheet and no card can be read in this overview photo."""

    code = "no-sheet"
    remedy = "stand nearer, so that one sheet lies whole in the picture, two if you can"


class NotTied(PhotoError):
    """The sheets in this overview photo are in no other photo, so its place in the zone is not known."""

    code = "not-tied"
    remedy = "take one more photo that shows a sheet of this one and a sheet of the others"


class OverviewMisfit(PhotoError):
    """The sheets in this overview photo do not lie as they do in the others."""

    code = "overview-misfit"
    remedy = "leave the sheets where they lie until the last photo, flat, and shoot this one again at 1x zoom"
