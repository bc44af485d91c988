"""Errors of the job record; read the tree in `errors`, which hands them on."""

from __future__ import annotations

from assessor.errors_photo import InputError


class NoJob(InputError):
    """There is no such job, zone, spot or capture in the record."""

    code = "no-such-job"
    remedy = "see what is there with `assessor job list` and `assessor job show`"


class BadEntry(InputError):
    """What was entered does not fit the record."""

    code = "bad-entry"
    remedy = "correct it and enter it again; nothing was written"


class GateClosed(InputError):
    """A step that has to come first is missing."""

    code = "gate-closed"
    remedy = "do and enter that step first; nothing was written"


class NotBlind(InputError):
    """The reader has already seen what the tool suggests for this spot."""

    code = "not-blind"
    remedy = "have another person read the chip at this spot"


class RecordDamaged(InputError):
    """The job record is not what was once written."""

    code = "record-damaged"
    remedy = "stop, keep the files as they are, and restore the last backup with `assessor restore`"


class StoreUnusable(InputError):
    """The job store cannot be opened or written."""

    code = "store-unusable"
    remedy = "check the place, its free space and its rights, then run it again; nothing was lost"


class BackupInvalid(InputError):
    """A backup file is not whole, or does not fit here."""

    code = "backup-invalid"
    remedy = "use another backup file, and an empty place to restore to"
