"""The live page's colours, checked by an independent implementation of WCAG 2.2's contrast ratio."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest
import wcag_contrast_ratio as contrast

import ventproof.page.app

CSS = (Path(ventproof.page.app.__file__).parent / "templates" / "live.css").read_text(encoding="utf-8")


def colours(dark):
    """Return the colours of the page by their names, red, green and blue from 0 to 1."""
    blocks = re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)
    named = {}
    for block in blocks[: 1 + dark]:
        named |= dict(re.findall(r"--(\w+): #([0-9a-f]+)", block))
    return {name: rgb(digits) for name, digits in named.items()}


def rgb(digits):
    wide = digits if len(digits) == 6 else "".join(2 * digit for digit in digits)
    return tuple(int(wide[at : at + 2], 16) / 255 for at in (0, 2, 4))


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_text_and_marks_stand_out(dark):
    """Success criterion 1.4.6 asks 7:1 of text, enhanced; 1.4.3 4.5:1 at least; 1.4.11 3:1 of marks."""
    named = colours(dark)
    for ground in ("paper", "wash", "warn"):
        assert contrast.rgb(named["ink"], named[ground]) >= 7, ground
    for text, ground in product(("soft", "pass", "fail", "open"), ("paper", "warn")):
        assert contrast.rgb(named[text], named[ground]) >= 4.5, (text, ground)
    assert contrast.rgb((1, 1, 1), named["stop"]) >= 4.5
    for mark, ground in product(("bar", "pass", "fail"), ("paper", "wash")):
        assert contrast.rgb(named[mark], named[ground]) >= 3, (mark, ground)
    assert contrast.rgb(named["bar"], named["band"]) >= 3
