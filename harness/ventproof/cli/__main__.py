"""`python -m harness.cli` is `ventproof`."""

from harness.cli import main

main()
