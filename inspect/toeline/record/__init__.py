"""The inspector's record: inspections kept with their photos, chained so that a later change is evident."""

from toeline.record.backup import BackupReport, verify_backup
from toeline.record.checking import CheckReport, Finding
from toeline.record.models import (
    Decision,
    DecisionKind,
    Erasure,
    Identity,
    Inspection,
    NewDecision,
    Page,
    StoredPhoto,
    Summary,
    Tidied,
    TrendPoint,
)
from toeline.record.search import Filters
from toeline.record.store import Store, default_store, settings_digest

__all__ = [
    "BackupReport",
    "CheckReport",
    "Decision",
    "DecisionKind",
    "Erasure",
    "Filters",
    "Finding",
    "Identity",
    "Inspection",
    "NewDecision",
    "Page",
    "Store",
    "StoredPhoto",
    "Summary",
    "Tidied",
    "TrendPoint",
    "default_store",
    "settings_digest",
    "verify_backup",
]
