"""`ventproof key`: a pair of keys to sign logs with."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("key")
@click.argument("name", type=click.Path(path_type=Path))
def key(name: Path) -> None:
    """Make a pair of keys: NAME.key signs logs, NAME.pub lets others check who signed.

    Keep NAME.key to yourself; anybody who has it signs as you. Hand NAME.pub to whoever reads your logs, and let
    them compare the fingerprint with you by another way, by telephone say. A passphrase is asked for on a terminal,
    or taken from the environment variable VENTPROOF_PASSPHRASE.
    """
    from harness.cli.signing import new_passphrase  # noqa: PLC0415 - with the slow import below
    from harness.record.keys import check_free, fingerprint, make_key  # noqa: PLC0415 - only this command needs it

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
