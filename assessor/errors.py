"""Every error that a person can meet, each with a stable code, one sentence and one remedy.

    AssessorError
      PhotoError       one photo cannot be used; the rest of the batch goes on
        UnreadablePhoto  NotAnImage  PhotoTooLarge  SeveralFrames  UnsupportedColour
        CardNotFound  SeveralCards  CardMirrored  CardOnScreen
        FlashFired  ProcessedPhoto  PhotoShrunk  LensSwitched  ZoomUsed  OtherPhone
        TooFar  TooClose  TooOblique  TooBlurred  TooDark  Clipped  Glare  CardWet  CardWorn
      CaptureError     the photos of one spot cannot be measured together
        TooFewPhotos  MixedCameras  MixedCards  PoorGeometry  ViewsTooAlike
        LightMoved  HeightsDisagree  CardNotFlat
      SetupError       one of our own files is broken, found before any photo is read
        TableInvalid  SettingUnknown  ScaleInvalid
      InputError       the person asked for something that cannot be done
        NoPhotos  BadRange  BadBars  BadTruth  OutputNotWritable

Codes are stored in results and never change. The sentence says what was found and the limit, both with
units; the remedy is one thing a floor crew can do.
"""

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


class CaptureError(AssessorError):
    """The photos of one spot cannot be measured together; `refused` holds the photos refused before."""

    code = "capture-error"
    refused: tuple[PhotoError, ...] = ()


class TooFewPhotos(CaptureError):
    """Fewer usable photos than the capture kind needs."""

    code = "too-few-photos"
    remedy = "take four photos, one from each side of the card, 15 degrees off straight down"


class MixedCameras(CaptureError):
    """Photos of one capture come from different lenses, zooms or sizes."""

    code = "mixed-cameras"
    remedy = "shoot all photos of a spot with one phone, one lens, 1x zoom"


class MixedCards(CaptureError):
    """Photos of one capture show different cards."""

    code = "mixed-cards"
    remedy = "keep one spot with one card in one folder"


class PoorGeometry(CaptureError):
    """Cameras and card do not fit together."""

    code = "poor-geometry"
    remedy = "lay the card flat, weigh its corners, use 1x zoom and shoot the four photos again"


class ViewsTooAlike(CaptureError):
    """The phone did not move enough between photos."""

    code = "views-too-alike"
    remedy = "take one photo from each of the four sides, 15 degrees off straight down"


class LightMoved(CaptureError):
    """The light changed between the photos (flash, moving lamp, the photographer's shadow)."""

    code = "light-moved"
    remedy = "switch the flash off, keep lamps and people still, and shoot the four photos again"


class HeightsDisagree(CaptureError):
    """Two halves of the capture give different surfaces."""

    code = "heights-disagree"
    remedy = "shade the spot, hold still, tilt 10-15 degrees on coarse floors, and shoot again"


class CardNotFlat(CaptureError):
    """The sheet is bent more than the model can follow."""

    code = "card-not-flat"
    remedy = "weigh the sheet's corners or glue it to thin card, and shoot again"


class SetupError(AssessorError):
    """One of our own files is broken."""

    code = "setup-error"


class TableInvalid(SetupError):
    """A table of the package fails its checks."""

    code = "table-invalid"
    remedy = "install assessor again or mend the table named here"


class SettingUnknown(SetupError):
    """A settings file names something we do not have or cannot use."""

    code = "setting-unknown"
    remedy = "correct or remove that line"


class ScaleInvalid(SetupError):
    """A grade scale file fails its checks."""

    code = "scale-invalid"
    remedy = "correct the scale file or leave --scale out"


class InputError(AssessorError):
    """The person asked for something that cannot be done."""

    code = "input-error"


class NoPhotos(InputError):
    """No photo was found where the person pointed."""

    code = "no-photos"
    remedy = "name photos or a folder that holds them"


class BadRange(InputError):
    """A target range cannot be read."""

    code = "bad-range"
    remedy = "write the range as two grades, such as 3-5"


class BadBars(InputError):
    """Tape readings of the check bars are impossible."""

    code = "bad-bars"
    remedy = "measure both bars again: about 250 mm along and 180 mm across"


class BadTruth(InputError):
    """A truth table cannot be used."""

    code = "bad-truth"
    remedy = "correct that row; the README describes the format"


class OutputNotWritable(InputError):
    """Results cannot be written where asked."""

    code = "output-not-writable"
    remedy = "choose another folder with --out"
