"""From readings to verdicts: pure functions and small state machines that decide responses on evidence."""
