"""Sign, key."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_PASS
from ventproof_bench.base.text import stated

if TYPE_CHECKING:
    from ventproof.log.signing import SigningKey


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
    from ventproof.log.signing import is_protected, load_signing_key, readable_by_others  # noqa: PLC0415 - slow

    passphrase = os.environ.get(PASSPHRASE, "")
    if not passphrase and is_protected(path) and sys.stdin.isatty():
        passphrase = click.prompt(f"Passphrase of {path}", hide_input=True, err=True)
    key = load_signing_key(path, passphrase)
    if readable_by_others(path):
        click.echo(f"{path}: other accounts can read this private key; chmod 600 {path}", err=True)
    return key


@click.command("sign")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--key",
    required=True,
    type=click.Path(path_type=Path),
    help="Your private key; `ventproof key` makes one.",
)
@click.option("--signer", default="", help="Your name, as the signature shall state it.")
def sign(logs: tuple[Path, ...], key: Path, signer: str) -> int:
    """Sign LOGS (files or folders): each gets its signature in a small file beside it, LOG.sig.

    An aborted log can be signed, a broken one cannot. In folders, what is signed already is left as it is. A manifest
    is signed with the last of the logs that it lists.
    """
    from ventproof.log.present import left_unsigned  # noqa: PLC0415
    from ventproof.log.signing import sign_log, sign_manifest, signature_path  # noqa: PLC0415

    name = stated(signer, "--signer")
    every = options.log_paths(logs)
    paths = [path for path in every if path in logs or not signature_path(path).exists()]
    own = signing_key(key)
    for path in paths:
        signed = sign_log(path, own, name)
        click.echo(f"{path}: signed, {signed.lines} lines, digest {signed.digest}")
    manifests = left_unsigned(every)
    for path in manifests:
        sign_manifest(path, own, name)
        click.echo(f"{path}: signed")
    if not (paths or manifests):
        click.echo("nothing to sign: every log there is signed already")
    return EXIT_PASS


@click.command("key")
@click.argument("name", type=click.Path(path_type=Path))
def key(name: Path) -> None:
    """Make a pair of keys: NAME.key signs logs, NAME.pub lets others check who signed.

    Keep NAME.key to yourself; anybody who has it signs as you. Hand NAME.pub to whoever reads your logs, and let
    them compare the fingerprint with you by another way, by telephone say. A passphrase is asked for on a terminal,
    or taken from the environment variable VENTPROOF_PASSPHRASE.
    """
    from ventproof.log.signing import check_free, fingerprint, make_key  # noqa: PLC0415 - only this command needs it

    private, public = name.with_name(f"{name.name}.key"), name.with_name(f"{name.name}.pub")
    check_free(private, public)
    passphrase = new_passphrase()
    made = make_key(private, public, passphrase)
    kept = (
        "protected by its passphrase"
        if passphrase
        else "WITHOUT a passphrase: who reads the file signs as you"
    )
    click.echo(f"{private}: signs logs; keep it to yourself ({kept})")
    click.echo(f"{public}: checks who signed; hand it to whoever reads your logs")
    click.echo(f"fingerprint {fingerprint(made.public)}")
