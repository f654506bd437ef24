"""Keys on the command line: where their passphrases come from, and what is said of them."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from harness.record.keys import SigningKey

PASSPHRASE: Final = "VENTPROOF_PASSPHRASE"  # noqa: S105 - the name of a variable, no secret
"""Environment variable with the passphrase of a private key, for scripts."""


def new_passphrase() -> str:
    """Return the passphrase for a new key; empty: none."""
    if PASSPHRASE in os.environ or not sys.stdin.isatty():
        return os.environ.get(PASSPHRASE, "")
    text = "Passphrase for the private key (Enter: none)"
    said: str = click.prompt(
        text, default="", show_default=False, hide_input=True, confirmation_prompt=True, err=True
    )
    return said


def signing_key(path: Path) -> SigningKey:
    """Load a private key; its passphrase, where it has one, is asked for on a terminal.

    Raises:
        FileError: the file cannot be read, holds no private key that can sign here, or has another passphrase.
    """
    from harness.record.keys import is_protected, load_signing_key, readable_by_others  # noqa: PLC0415 - slow

    passphrase = os.environ.get(PASSPHRASE, "")
    if not passphrase and is_protected(path) and sys.stdin.isatty():
        passphrase = click.prompt(f"Passphrase of {path}", hide_input=True, err=True)
    key = load_signing_key(path, passphrase)
    if readable_by_others(path):
        click.echo(f"{path}: other accounts can read this private key; chmod 600 {path}", err=True)
    return key
