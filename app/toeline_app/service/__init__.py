"""What has toeline measure, score, record and report for the app; pages only show what it gives."""
