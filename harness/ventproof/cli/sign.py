"""Sign, key, bundle."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options
from ventproof.cli.report import judging_told
from ventproof.verdict.finding import EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless, stated

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


def signing_key(path: Path, *, shared: bool = False) -> SigningKey:
    """Load a private key; its passphrase, where it has one, is asked for on a terminal.

    Args:
        path: its file.
        shared: processes that begin later load it, too, and are not asked again.

    Raises:
        FileError: the file cannot be read, holds no private key that can sign here, or has another passphrase.
    """
    from ventproof.log.signing import is_protected, load_signing_key, readable_by_others  # noqa: PLC0415 - slow

    passphrase = os.environ.get(PASSPHRASE, "")
    if not passphrase and is_protected(path) and sys.stdin.isatty():
        passphrase = click.prompt(f"Passphrase of {path}", hide_input=True, err=True)
    key = load_signing_key(path, passphrase)
    if shared and passphrase:
        os.environ[PASSPHRASE] = passphrase
    if readable_by_others(path):
        options.tell_once(f"{path}: other accounts can read this private key; chmod 600 {path}")
    return key


@click.command("sign")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--key",
    required=True,
    type=click.Path(path_type=Path),
    help="Your private key; `ventproof key` makes one.",
)
@click.option("--signer", default="", help="Your name, as stated in the signature.")
def sign(logs: tuple[Path, ...], key: Path, signer: str) -> int:
    """Sign LOGS (files or folders). Each signature is a small file next to its log: LOG.sig.

    An aborted log can be signed, a broken one cannot. Signed logs in folders are not signed again. A manifest, and the
    record of a rack or campaign, is signed with the last of its logs.
    """
    from ventproof.log.names import signature_path  # noqa: PLC0415
    from ventproof.log.signing import sign_log  # noqa: PLC0415
    from ventproof.runset.present import left_unsigned  # noqa: PLC0415
    from ventproof.runset.signature import sign_closing  # noqa: PLC0415

    name = stated(signer, "--signer")
    every = options.log_paths(logs)
    paths = [path for path in every if path in logs or not signature_path(path).exists()]
    own = signing_key(key)
    for path in paths:
        signed = sign_log(path, own, name)
        click.echo(f"{path}: signed, {signed.lines} lines, digest {signed.digest}")
    closing = left_unsigned(every)
    for path, content in closing.items():
        sign_closing(path, content, own, name)
        click.echo(f"{path}: signed")
    if not (paths or closing):
        click.echo("nothing to sign: every log there is signed already")
    return EXIT_PASS


@click.command("bundle")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.zip",
    help="Bundle to write. An existing file is never overwritten.",
)
def bundle(logs: tuple[Path, ...], out: Path) -> int:
    """Put LOGS (files or folders) and all that belongs to them into one file to hand over.

    The bundle holds the logs, their signatures and manifests, a report, and the fingerprints of the signing keys. It is
    a ZIP archive that any program can unpack; `ventproof verify FILE.zip` checks it unopened.

    \b
    Exit code 0: the bundle is written and every log is confirmed, whatever the verdicts.
              2: the same, but planned runs are missing.
              3: a file is not a log, or the bundle cannot be written.
              4: a log contradicts its own evidence, was changed, or cannot be judged again.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.cli.report import code_of_cover  # noqa: PLC0415 - only this command needs it
    from ventproof.draft.traceability import table_section  # noqa: PLC0415
    from ventproof.log.signing import UNNAMED, check_free, signers  # noqa: PLC0415
    from ventproof.report.write import write_report  # noqa: PLC0415
    from ventproof.runset.bundle import LOGS, REPORT, write_bundle  # noqa: PLC0415
    from ventproof.runset.present import belonging  # noqa: PLC0415

    if out.suffix.lower() != ".zip":
        raise FileError([Problem(str(out), None, None, "a bundle is a ZIP archive", "end its name in .zip")])
    check_free(out)
    paths, choice = options.log_paths(logs), options.choice_of(logs)
    inside, keys = belonging(paths, choice), signers(paths)
    above = os.path.commonpath([path.resolve().parent for path in inside])
    files = {f"{LOGS}/{path.resolve().relative_to(above).as_posix()}": path for path in inside}
    with TemporaryDirectory(prefix="ventproof-") as made:
        with judging_told() as told:
            cover = write_report(paths, Path(made) / REPORT, choice, table_section, told=told).cover
        pages = {page.relative_to(made).as_posix(): page for page in Path(made).rglob("*.html")}
        write_bundle(out, {**files, **pages}, keys)
    click.echo(harmless(f"{out}: {len(paths)} logs, {cover.standing}: {cover.title}. {cover.says}"))
    for alarm in cover.alarms:
        click.echo(harmless(f"! {alarm}"))
    for one in keys:
        click.echo(harmless(f"signed by {one.name or UNNAMED}, key {one.fingerprint}"))
    if not keys:
        click.echo("nothing in it is signed: who can write logs can write others; see `ventproof sign`")
    return code_of_cover(cover)


@click.command("key")
@click.argument("name", type=click.Path(path_type=Path))
def key(name: Path) -> None:
    """Make a key pair: NAME.key signs logs, NAME.pub checks signatures.

    Keep NAME.key private: its holder can sign as you. Give NAME.pub to the readers of your logs, and compare the
    fingerprint through another channel, such as by phone. A passphrase is asked for on a terminal, or read from the
    environment variable VENTPROOF_PASSPHRASE.
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
    click.echo(f"{public}: checks who signed; give it to the readers of your logs")
    click.echo(f"fingerprint {fingerprint(made.public)}")
