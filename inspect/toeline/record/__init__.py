"""The inspector's record: inspections kept with their photos, chained so that a later change is evident."""

from toeline.record.backup import BackupReport, verify_backup
from toeline.record.checking import CheckReport, Finding
from toeline.record.continuity import Kept
from toeline.record.database import default_store
from toeline.record.models import (
    Decision,
    DecisionKind,
    Erasure,
    Head,
    Hit,
    Identity,
    Inspection,
    NewDecision,
    NewTest,
    Page,
    StoredPhoto,
    Summary,
    Tidied,
    TrendPoint,
    Weld,
    WeldTest,
)
from toeline.record.receipt import Receipt
from toeline.record.search import Filters
from toeline.record.store import Store

__all__ = [
    "BackupReport",
    "CheckReport",
    "Decision",
    "DecisionKind",
    "Erasure",
    "Filters",
    "Finding",
    "Head",
    "Hit",
    "Identity",
    "Inspection",
    "Kept",
    "NewDecision",
    "NewTest",
    "Page",
    "Receipt",
    "Store",
    "StoredPhoto",
    "Summary",
    "Tidied",
    "TrendPoint",
    "Weld",
    "WeldTest",
    "default_store",
    "verify_backup",
]
