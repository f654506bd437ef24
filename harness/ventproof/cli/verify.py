"""`ventproof verify`: is a log whole and unchanged, how did its run end, and who says so?"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Final

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_BENCH, EXIT_INPUT, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless

_DIGITS: Final = 64
_FEWEST_DIGITS: Final = 16
"""What a run's table shows of a digest."""


@click.command("verify")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--key",
    type=click.Path(path_type=Path),
    help="Public key of whoever must have signed the logs.",
)
@click.option(
    "--digest",
    metavar="HEX",
    help="The log's digest as it was noted down when it was written; its first 16 digits will do.",
)
def verify(logs: tuple[Path, ...], key: Path | None, digest: str | None) -> int:
    """Check the hash chain of LOGS (files or folders), and their signatures.

    The chain shows a change by accident, or by somebody who does not know it; whoever knows it can write a new one.
    A signature checked with --key, or a digest that was kept elsewhere, shows that too. Of several logs each has a
    line, and the last line counts them.

    \b
    Exit code 0: every log is intact and complete, whatever its verdict, and signed and noted as was asked for.
              3: a file is no log, or its first line was changed, which comes to the same.
              4: a run was aborted, a chain is broken, or a signature or digest is missing or wrong.
    Of several logs the highest of these.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.log.signing import (  # noqa: PLC0415
        load_public_key,
        verified,
    )

    paths = options.log_paths(logs)
    noted = _noted(digest, len(paths))
    owner = None if key is None else load_public_key(key)
    if len(paths) == 1:
        sentences, right = verified(paths[0], owner, noted)
        for sentence in sentences:
            _say(sentence)
        return EXIT_PASS if right else EXIT_BENCH
    codes: Counter[int] = Counter()
    for path in paths:
        try:
            sentences, right = verified(path, owner, noted)
            code = EXIT_PASS if right else EXIT_BENCH
        except FileError as error:
            sentences, code = [str(problem) for problem in error.problems], EXIT_INPUT
        _say("; ".join(sentence.strip() for sentence in sentences))
        codes[code] += 1
    kinds = ((EXIT_PASS, "in order"), (EXIT_BENCH, "not in order"), (EXIT_INPUT, "no log"))
    click.echo(
        f"{len(paths)} files: " + ", ".join(f"{codes[code]} {said}" for code, said in kinds if codes[code])
    )
    return max(codes)


def _say(sentence: str) -> None:
    """Print what there is to say; a file's name must not make a line as if another log had been found intact."""
    click.echo(harmless(sentence).replace("\n", "\N{REPLACEMENT CHARACTER}"))


def _noted(digest: str | None, logs: int) -> str:
    """Return the digest that the log must have, in small letters; empty when none was given."""
    if digest is None:
        return ""
    noted = digest.strip().removesuffix("…").lower()
    if not re.fullmatch(f"[0-9a-f]{{{_FEWEST_DIGITS},{_DIGITS}}}", noted):
        reason = f"{digest!r} is not a digest: {_FEWEST_DIGITS} to {_DIGITS} digits from 0 to 9 and a to f"
        raise FileError([Problem("--digest", None, None, reason, "give it as the run's table showed it")])
    if logs != 1:
        hint = "give that log alone"
        raise FileError(
            [Problem("--digest", None, None, f"a digest is of one log, and {logs} are named", hint)]
        )
    return noted
