"""How the history's tables came to be, step by step; one of an older ventproof is brought up when it is opened."""

from typing import Final

NEWEST: Final = "0004"
"""The revision that this ventproof reads and writes."""
