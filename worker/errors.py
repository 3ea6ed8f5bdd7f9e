"""Every error that a user can meet.

MaskwrightError                 the root; carries what went wrong, where, and how to mend it
├── ArtworkError                the artwork can't be read, or is too large, too small or hostile
├── FabProfileError             the fab profile is wrong: names file, key and mend
├── PatchMapError               a patch map is wrong: names file, place and mend
├── PhotographError             a photograph can't be read into readings: says why and how to take it
├── CouponError                 no coupon can be laid out for this fab profile and pitch
├── PredictionError             a finish can't be predicted from what is known
├── ReadingFileError            a file of readings can't be read: names file, row, column and mend
├── BoardError                  the board's shape can't be made: names the entry and the mend
├── PanelError                  the panel can't be laid out, or its file can't be read: names the entry and the mend
├── ProofError                  the fabrication files, read back, don't show the layers: a fault of the program
├── ReturnedFileError           a fabrication file can't be read, or not matched with its layer without a guess
├── CircuitError                a circuit's files can't be read, or not used without a guess: names file and mend
├── ManifestError               the manifest of a collection is wrong: names file, place and mend
├── CollectionArchiveError      the archive of a collection can't be unpacked, or unpacks to too much
├── SettingsError               a setting is unknown, malformed or contradicts another
├── OverrideError               a pin, forbid or max_finishes that can't apply to this artwork and fab
├── ImpossiblePlaceError        `allowed` and `frozen` leave no finish that may stand at a place
├── ArrayError                  an array handed to the engine has the wrong shape, type or range
├── NotFoundError               no such job, fab or file for this owner
├── ExpiredError                the result was given up: its time, or its room, was over
├── ConflictError               the thing changed since it was read, or exists with other content
├── TooLargeError               the upload is over the limit
├── QueueFullError              the owner has as many jobs waiting as the service lets one have
├── StoreFullError              an upload would leave too little free space on the service's disk
├── AccessError                 the key is missing or wrong, or there is none where one is needed
├── CancelledError              the job was cancelled by its owner
├── BackupError                 a backup is not one, is damaged, or is of a later version
├── StorageError                the store can't take or give the bytes (full, away, damaged)
└── UnavailableError            a part of the service is away for now
"""

from __future__ import annotations

MOST_LETTERS = 1000
"""Of what is wrong, and of the mend: a message quotes files of strangers, and is read by a person."""


def fit_to_show(text: str) -> str:
    """A text for a message: what can't be printed is escaped, what is too long is cut in its middle."""
    if len(text) > MOST_LETTERS:
        text = f"{text[: MOST_LETTERS - 300]} ... {text[-290:]}"
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)


class MaskwrightError(Exception):
    """A failure that the user can understand and mend.

    Attributes
    ----------
    code : str
        Stable machine name, one per class.
    what : str
        What is wrong and where, with the value that was wrong.
    mend : str
        What to do about it.
    setting : str or None
        The one setting, or field, that it is about; where nothing else is said, `about` of its class.
    """

    code = "internal"
    about: str | None = None

    def __init__(self, what: str, *, mend: str, setting: str | None = None) -> None:
        self.what = fit_to_show(what)
        self.mend = fit_to_show(mend)
        self.setting = self.about if setting is None else setting
        super().__init__(f"{self.what} {self.mend}")

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.what, self.mend, self.setting))


def _rebuild(kind: type[MaskwrightError], what: str, mend: str, setting: str | None) -> MaskwrightError:
    error = kind(what, mend=mend)
    error.setting = setting
    return error


class ArtworkError(MaskwrightError):
    """The artwork can't be read, or is too large, too small or hostile."""

    code = "artwork"


class FabProfileError(MaskwrightError):
    """The fab profile is wrong: the message names file, key and mend."""

    code = "fab-profile"


class PatchMapError(MaskwrightError):
    """A patch map is wrong: the message names file, place and mend."""

    code = "patch-map"


class PhotographError(MaskwrightError):
    """A photograph can't be read into readings: the message says why, and what to change when taking it."""

    code = "photograph"


class CouponError(MaskwrightError):
    """No coupon can be laid out for this fab profile and pitch."""

    code = "coupon"


class PredictionError(MaskwrightError):
    """A finish can't be predicted from what is known."""

    code = "prediction"


class ReadingFileError(MaskwrightError):
    """A file of readings can't be read, or not without a guess: the message names file, row, column and mend."""

    code = "reading-file"


class BoardError(MaskwrightError):
    """The board's shape can't be made, or its file can't be read: the message names the entry and the mend."""

    code = "board"
    about = "board"


class PanelError(MaskwrightError):
    """The panel can't be laid out, or its file can't be read: the message names the entry and the mend."""

    code = "panel"


class ProofError(MaskwrightError):
    """The fabrication files, read back by another reader, don't show the layers that they were made of."""

    code = "proof"


class ReturnedFileError(MaskwrightError):
    """A fabrication file can't be read, or not be matched with its layer without a guess."""

    code = "returned-file"


class CircuitError(MaskwrightError):
    """A circuit's files can't be read, or not be used without a guess.

    unknown : names of the files that don't say what they are, where that is the fault: pictures of them help the user.
    """

    code = "circuit"
    about = "circuit"
    unknown: tuple[str, ...] = ()


class ManifestError(MaskwrightError):
    """The manifest of a collection is wrong: names file, place and mend."""

    code = "manifest"
    about = "manifest"


class CollectionArchiveError(MaskwrightError):
    """The archive of a collection can't be unpacked, or unpacks to too much."""

    code = "collection-archive"
    about = "archive"


class SettingsError(MaskwrightError):
    """A setting is unknown, malformed or contradicts another."""

    code = "settings"


class OverrideError(MaskwrightError):
    """A pin, forbid or max_finishes that can't apply to this artwork and fab."""

    code = "override"


class ImpossiblePlaceError(MaskwrightError):
    """`allowed` and `frozen` leave no finish that may stand at a place.

    cells : rows and columns of a dither's cells where that is so, where they are known.
    """

    code = "impossible-place"
    cells: tuple[tuple[int, int], ...] = ()


class ArrayError(MaskwrightError):
    """An array handed to the engine has the wrong shape, type or range."""

    code = "array"


class NotFoundError(MaskwrightError):
    """No such job, fab or file for this owner."""

    code = "not-found"


class ExpiredError(MaskwrightError):
    """The result was given up, by the policy of whoever runs the service."""

    code = "expired"


class ConflictError(MaskwrightError):
    """The thing changed since it was read, or exists with other content."""

    code = "conflict"


class TooLargeError(MaskwrightError):
    """The upload is over the limit."""

    code = "too-large"


class QueueFullError(MaskwrightError):
    """The owner has as many jobs waiting as the service lets one have.

    Attributes
    ----------
    retry_seconds : int
        After so long there should be room again, as fast as the owner's jobs have been leaving the queue.
    """

    code = "queue-full"

    def __init__(self, what: str, *, mend: str, retry_seconds: int = 60) -> None:
        super().__init__(what, mend=mend)
        self.retry_seconds = retry_seconds


class StoreFullError(MaskwrightError):
    """An upload would leave too little free space on the service's disk."""

    code = "store-full"


class AccessError(MaskwrightError):
    """The key is missing or wrong, or there is none where one is needed."""

    code = "access"


class CancelledError(MaskwrightError):
    """The job was cancelled by its owner."""

    code = "cancelled"


class BackupError(MaskwrightError):
    """A backup is not one, is damaged, or is of a later version than this program."""

    code = "backup"


class StorageError(MaskwrightError):
    """The store can't take or give the bytes: full, away or damaged."""

    code = "storage"


class UnavailableError(MaskwrightError):
    """A part of the service is away for now; the same call may work later."""

    code = "unavailable"
