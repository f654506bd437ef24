"""`ventproof archive`: logs in a thirtieth of their space."""

from __future__ import annotations

from pathlib import Path

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_INPUT, EXIT_PASS
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.text import harmless, number_of

_MB = 1e6


@click.command("archive")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--unpack", is_flag=True, help="Put the original logs back in the place of their archives.")
def archive(logs: tuple[Path, ...], *, unpack: bool) -> int:
    """Compress LOGS (files or folders) in place: NAME.jsonl becomes NAME.jsonl.zst.

    An archive gives the original bytes back, or an error. Every command that reads logs reads archives, and signatures
    stay valid. A log is deleted only after its archive was unpacked and compared with it. Logs with a broken chain, and
    logs that are being written, stay as they are.

    \b
    Exit code 0: every log is archived, or unpacked.
              3: some are not, and stay as they are.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.log.names import ARCHIVED, PLAIN  # noqa: PLC0415 - slow
    from ventproof.runset.stored import archive_log, unpack_log  # noqa: PLC0415

    paths = options.log_paths(logs)
    store, word = (unpack_log, "unpacked") if unpack else (archive_log, "archived")
    done = PLAIN if unpack else f"{PLAIN}{ARCHIVED}"
    todo = [path for path in paths if not path.name.endswith(done)]
    stored, freed_mb = 0, 0.0
    for path in todo:
        try:
            one = store(path)
        except FileError as error:
            click.echo(harmless(str(error)), err=True)
            continue
        before_mb, after_mb = one.before_bytes / _MB, one.after_bytes / _MB
        click.echo(harmless(f"{one.path}: {before_mb:.2f} MB, now {after_mb:.2f} MB"))
        stored, freed_mb = stored + 1, freed_mb + before_mb - after_mb
    already = f"; {len(paths) - len(todo)} already {word}" if len(todo) < len(paths) else ""
    space = f"{freed_mb:.2f} MB freed" if freed_mb >= 0 else f"{-freed_mb:.2f} MB more"
    click.echo(f"{number_of(stored, 'log')} {word}: {space}{already}")
    return EXIT_PASS if stored == len(todo) else EXIT_INPUT
