"""How the history's tables came to be, step by step; one of an older ventproof is brought up when it is opened."""

from typing import Final

KNOWN: Final = ("0001", "0002", "0003", "0004", "0005", "0006")
"""The revisions, in order."""

NEWEST: Final = KNOWN[-1]
"""The revision that this ventproof reads and writes."""
