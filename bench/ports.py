"""Serial ports of the outputs: opened once, shared by the outputs of one board, never left to hang."""

from typing import final


@final
class Ports:
    """Every port of a bench, by name."""
