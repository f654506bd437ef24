"""`ventproof sign`: fix what logs say, in one's own name."""

from __future__ import annotations

from pathlib import Path

import click

from bench.stated import stated
from harness.cli import options
from harness.judge.verdict import EXIT_PASS


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

    An aborted log can be signed, a broken one cannot. In folders, what is signed already is left as it is.
    """
    from harness.cli.signing import signing_key  # noqa: PLC0415
    from harness.record.signature import sign_log, signature_path  # noqa: PLC0415

    name = stated(signer, "--signer")
    paths = [path for path in options.log_paths(logs) if path in logs or not signature_path(path).exists()]
    own = signing_key(key)
    for path in paths:
        signed = sign_log(path, own, name)
        click.echo(f"{path}: signed, {signed.lines} lines, digest {signed.digest}")
    if not paths:
        click.echo("nothing to sign: every log there is signed already")
    return EXIT_PASS
