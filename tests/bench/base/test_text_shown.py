"""Names that a person states, and what a screen may show of what others wrote."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.text import control_in, harmless, printable, stated

ESCAPES = ["\x1b[2J", "\x9b31m", "\x07", "\x08", "\r", "\u202e", "\ud83c"]


@pytest.mark.parametrize("text", ESCAPES, ids=ascii)
def test_what_a_terminal_would_obey_is_found_and_replaced(text):
    """Colours, cursor moves, bells, overwriting, text turned about and halves of characters are shown as U+FFFD."""
    assert control_in(f"a{text}b") == f"U+{ord(text[0]):04X}"
    assert harmless(f"a{text}b") == f"a\ufffd{text[1:]}b"


@pytest.mark.parametrize("text", ["", "5 °C ± 2 %\n\tzwei", "Käthe 7 → Ø", "温室"])
def test_plain_text_of_any_language_is_left_as_it_is(text):
    """Line ends and tabs too."""
    assert control_in(text) is None
    assert harmless(text) == text


@given(st.text())
def test_what_was_made_harmless_holds_nothing_harmful(text):
    """Whatever the text, once is enough."""
    assert control_in(harmless(text)) is None


@pytest.mark.parametrize("text", [*ESCAPES, "two\nlines", "a\tb"], ids=ascii)
def test_a_stated_name_is_one_line_of_printable_text(text):
    """Anything else is an argument error that shows the character."""
    assert printable("Åsa Vik, 2. Schicht") == "Åsa Vik, 2. Schicht"
    with pytest.raises(
        FileError, match=r"^--operator: .* which is not a printable character; write it on one line"
    ):
        stated(text, "--operator")
