"""Errors a caller may meet. Each message is one clear sentence: what is wrong and what to do."""

from __future__ import annotations


class ToelineError(Exception):
    """Root of every error toeline raises on purpose; its text is fit to show to a user."""


class PhotoError(ToelineError):
    """The photo cannot be read or used."""


class CardError(ToelineError):
    """A card, a check-line length or a card file makes no sense."""


class CameraError(ToelineError):
    """A camera profile cannot be made, read or used."""


class DataFileError(ToelineError):
    """A file of the package's own figures is not what it should be; the text names the file and the line."""


class SettingsError(ToelineError):
    """What the user asked for contradicts itself or lies outside what can be."""


class CriteriaError(ToelineError):
    """An acceptance criteria file is wrong; the text names the file and the line."""


class RecordError(ToelineError):
    """The store refuses a change or finds itself damaged."""


class RubricError(ToelineError):
    """A scoring rubric or a roster is wrong; the text names the file and the line."""


class ReportError(ToelineError):
    """A report cannot be written."""


class ChartError(ToelineError):
    """A cause chart or a file of reference distributions contradicts itself; the text names the file and the entry."""


class JobEnded(ToelineError):
    """A job was ended before it gave anything: beyond its limits, or with its process; the text goes after its name."""


def told(error: BaseException, about: str) -> str:
    """One sentence for the user on an error that arose over ``about``, a file or a command."""
    match error:
        case JobEnded():
            return f"{about}: {error}"
        case ToelineError():
            return str(error)
        case OSError():
            return f"{error.filename or about} cannot be read or written ({error.strerror or error})."
    return f"an error of toeline's own at {about} ({type(error).__name__}: {error}); please report it."
