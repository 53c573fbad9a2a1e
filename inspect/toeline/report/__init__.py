"""Reports of one inspection: PDF for the file, HTML for a screen, CSV and JSON for other programs."""

from toeline.report.content import ReportContent, report_content
from toeline.report.html import html_report
from toeline.report.pdf import pdf_report, write_report
from toeline.report.table import CSV_COLUMNS, csv_rows, csv_text, guard_cell
from toeline.report.typeset import Paper

__all__ = [
    "CSV_COLUMNS",
    "Paper",
    "ReportContent",
    "csv_rows",
    "csv_text",
    "guard_cell",
    "html_report",
    "pdf_report",
    "report_content",
    "write_report",
]
