"""Every error that a person can meet, each with a stable code, one sentence and one remedy.

    AssessorError
      PhotoError       one photo cannot be used; the rest of the batch goes on
        UnreadablePhoto  NotAnImage  PhotoTooLarge  SeveralFrames  UnsupportedColour  UnreadableVideo  VideoUnsuitable
        CardNotFound  SeveralCards  CardMirrored  CardOnScreen
        FlashFired  ProcessedPhoto  PhotoShrunk  LensSwitched  ZoomUsed  OtherPhone
        TooFar  TooClose  TooOblique  TooBlurred  TooDark  Clipped  Glare  CardWet  CardWorn
        NoSheet  NotTied  OverviewMisfit
      CaptureError     the photos of one spot cannot be measured together
        TooFewPhotos  MixedCameras  MixedCards  PoorGeometry  ViewsTooAlike
        LightMoved  HeightsDisagree  CardNotFlat  KindUnclear  SpotsDiffer
        TorchTooWeak  TorchesAlike  TorchesUnseen  PhoneRelit  TooCoarseForTorch
        NoOverview
      SetupError       one of our own files is broken, found before any photo is read
        TableInvalid  SettingUnknown  ScaleInvalid  ModelUnusable
      InputError       the person asked for something that cannot be done
        NoPhotos  BadRange  BadBars  BadCount  BadGrid  BadDrops  BadZone  BadTag  BadTruth  ChipsUnusable
        OutputNotWritable
        NoJob  BadEntry  GateClosed  NotBlind  RecordDamaged  StoreUnusable  BackupInvalid

Codes are stored in results and never change. The sentence says what was found and the limit, both with
units; the remedy is one thing a floor crew can do.
"""

from __future__ import annotations

from assessor.errors_job import (
    BackupInvalid,
    BadEntry,
    GateClosed,
    NoJob,
    NotBlind,
    RecordDamaged,
    StoreUnusable,
)
from assessor.errors_photo import (
    AssessorError,
    CardMirrored,
    CardNotFound,
    CardOnScreen,
    CardWet,
    CardWorn,
    Clipped,
    FlashFired,
    Glare,
    InputError,
    LensSwitched,
    NoSheet,
    NotAnImage,
    NotTied,
    OtherPhone,
    OverviewMisfit,
    PhotoError,
    PhotoShrunk,
    PhotoTooLarge,
    ProcessedPhoto,
    SeveralCards,
    SeveralFrames,
    TooBlurred,
    TooClose,
    TooDark,
    TooFar,
    TooOblique,
    UnreadablePhoto,
    UnreadableVideo,
    UnsupportedColour,
    VideoUnsuitable,
    ZoomUsed,
)

__all__ = [
    "AssessorError",
    "BackupInvalid",
    "BadBars",
    "BadCount",
    "BadDrops",
    "BadEntry",
    "BadGrid",
    "BadRange",
    "BadTag",
    "BadTruth",
    "BadZone",
    "CaptureError",
    "CardMirrored",
    "CardNotFlat",
    "CardNotFound",
    "CardOnScreen",
    "CardWet",
    "CardWorn",
    "ChipsUnusable",
    "Clipped",
    "FlashFired",
    "GateClosed",
    "Glare",
    "HeightsDisagree",
    "InputError",
    "KindUnclear",
    "LensSwitched",
    "LightMoved",
    "MixedCameras",
    "MixedCards",
    "ModelUnusable",
    "NoJob",
    "NoOverview",
    "NoPhotos",
    "NoSheet",
    "NotAnImage",
    "NotBlind",
    "NotTied",
    "OtherPhone",
    "OutputNotWritable",
    "OverviewMisfit",
    "PhoneRelit",
    "PhotoError",
    "PhotoShrunk",
    "PhotoTooLarge",
    "PoorGeometry",
    "ProcessedPhoto",
    "RecordDamaged",
    "ScaleInvalid",
    "SettingUnknown",
    "SetupError",
    "SeveralCards",
    "SeveralFrames",
    "SpotsDiffer",
    "StoreUnusable",
    "TableInvalid",
    "TooBlurred",
    "TooClose",
    "TooCoarseForTorch",
    "TooDark",
    "TooFar",
    "TooFewPhotos",
    "TooOblique",
    "TorchTooWeak",
    "TorchesAlike",
    "TorchesUnseen",
    "UnreadablePhoto",
    "UnreadableVideo",
    "UnsupportedColour",
    "VideoUnsuitable",
    "ViewsTooAlike",
    "ZoomUsed",
]


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


class TorchTooWeak(CaptureError):
    """The torch gives too little of the light on the floor for slopes to be told from noise."""

    code = "torch-too-weak"
    remedy = "shade the spot or use a stronger lamp, and shoot again"


class TorchesAlike(CaptureError):
    """The torch stood on too few sides."""

    code = "torches-alike"
    remedy = "hold the torch low on eight sides of the card in turn, four at the least"


class TorchesUnseen(CaptureError):
    """No tab's shadow tells where the torch stood."""

    code = "torches-unseen"
    remedy = "fold the four tabs upright, keep them in the picture, and shoot again"


class PhoneRelit(CaptureError):
    """The phone brightened dark parts of the photos by themselves, which no curve can undo."""

    code = "phone-relit"
    remedy = "switch HDR and scene enhancement off, or use another camera app, and shoot again"


class TooCoarseForTorch(CaptureError):
    """Most of the floor lies in shadow or is steeper than shading can tell."""

    code = "too-coarse-for-torch"
    remedy = "use angles: four photos from four sides, 15 degrees off straight down, in even light"


class KindUnclear(CaptureError):
    """The photos fit no capture kind."""

    code = "kind-unclear"
    remedy = "shoot one kind as the guide shows, or name it with --kind"


class SpotsDiffer(CaptureError):
    """The photos show different spots of the floor."""

    code = "spots-differ"
    remedy = "put the photos of each spot into a folder of its own"


class CardNotFlat(CaptureError):
    """The sheet is bent more than the model can follow."""

    code = "card-not-flat"
    remedy = "weigh the sheet's corners or glue it to thin card, and shoot again"


class NoOverview(CaptureError):
    """No overview photo of the zone can be used."""

    code = "no-overview"
    remedy = (
        "lay two or more zone sheets flat on the floor and shoot from standing height with one in every photo"
    )


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


class ModelUnusable(SetupError):
    """A packaged model of the estimate is missing or broken."""

    code = "model-unusable"
    remedy = "install the program again, whole"


class ScaleInvalid(SetupError):
    """A grade scale file fails its checks."""

    code = "scale-invalid"
    remedy = "correct the scale file or leave --scale out"


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


class ChipsUnusable(InputError):
    """Photos of chips do not make a grade scale."""

    code = "chips-unusable"
    remedy = "photograph every chip at least five times under the chip sheet, one folder a capture"


class BadZone(InputError):
    """The zone's size or the sheets' numbers cannot be read."""

    code = "bad-zone"
    remedy = "write the size in metres, such as 4x3, and sheets as 1-6 (there are 24)"


class BadTag(InputError):
    """A tag's code is damaged, or no tag of ours."""

    code = "bad-tag"
    remedy = "lay a clean tag beside the card and shoot again, or file the photos by hand"


class BadDrops(InputError):
    """A record of water drops cannot be used."""

    code = "bad-drops"
    remedy = "correct the record; `assessor drops --example` prints one to copy"


class BadCount(InputError):
    """A point count cannot be read."""

    code = "bad-count"
    remedy = "write it as stones/points, such as 34/100, or name the JSON file that the counting page saved"


class BadGrid(InputError):
    """The grid of a point count cannot be read."""

    code = "bad-grid"
    remedy = "write it as rows x columns, such as 10x10"


class BadTruth(InputError):
    """A truth table cannot be used."""

    code = "bad-truth"
    remedy = "correct that row; the README describes the format"


class OutputNotWritable(InputError):
    """Results cannot be written where asked."""

    code = "output-not-writable"
    remedy = "choose another folder with --out"
