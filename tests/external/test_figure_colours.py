"""Figure colours against published values: contrast on any page, and hues that colour-blind people tell apart."""

from __future__ import annotations

from itertools import combinations

import pytest

from ventproof.figures.drawing import BLUE, GREEN, RED


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it (W3C Recommendation, 'relative luminance')."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_its_published_extremes():
    """Black on white is 21:1 (WCAG 2.2); #767676 on white is the known limit of 4.5:1 (value from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("colour", [BLUE, GREEN, RED])
@pytest.mark.parametrize("page", ["#ffffff", "#1b1b1b"])
def test_every_hue_stands_out_on_light_and_dark_pages(colour, page):
    """WCAG 2.2, success criterion 1.4.11: graphical objects need a contrast of 3:1 at least."""
    assert contrast(colour, page) >= 3


def test_the_hues_are_those_of_a_published_set():
    """Blue, bluish green and vermilion of Okabe and Ito's set for colour-blind readers, as RGB (values from memory)."""
    rgb = [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (BLUE, GREEN, RED)]
    assert rgb == [(0, 114, 178), (0, 158, 115), (213, 94, 0)]
    assert all(one != other for one, other in combinations(rgb, 2))
