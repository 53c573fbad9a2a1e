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
    """A cause chart or a yardstick file contradicts itself; the text names the file and the entry."""
