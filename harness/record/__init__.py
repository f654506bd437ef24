"""The record: log, verification; everything a stranger is handed is made from the log alone."""
