"""What to mind around vents and drives; screens and records say it in the same words."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    (
        "Vents and drives move without warning and crush. Keep people clear of them and guards in place; isolate and"
        " lock out before touching anything."
    ),
    "Low-voltage signal circuits only: mains work is for licensed people.",
    "Local codes and the maker's instructions come first.",
    "A pass on the bench does not replace commissioning on site.",
)
