"""Where the command line begins; `python -m ventproof` is `ventproof`."""

from __future__ import annotations

import os
import signal
from typing import NoReturn


def main() -> NoReturn:
    """Import and run the command line; until it listens, nothing is open, and Ctrl-C ends it without a word."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    # A package that happens to be installed changes nothing of how files are read, and is not looked for.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from ventproof.cli import main as command_line  # noqa: PLC0415 - it imports what is slow

    command_line()


if __name__ == "__main__":
    main()
