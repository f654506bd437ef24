"""`python -m ventproof.cli` is `ventproof`."""

from __future__ import annotations

from ventproof.cli import main

main()
