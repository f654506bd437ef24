"""`ventproof verify`: is a log whole and unchanged, how did its run end, and who says so?"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_BENCH, EXIT_INCONCLUSIVE, EXIT_INPUT, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from ventproof.log.signing import VerifiedLog
    from ventproof.runset.completeness import PresentLog


_DIGITS: Final = 64
_FEWEST_DIGITS: Final = 16
"""What a run's table shows of a digest."""


@click.command("verify")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--key",
    type=click.Path(path_type=Path),
    help="Public key of the expected signer.",
)
@click.option(
    "--digest",
    metavar="HEX",
    help="Digest of the log, noted when it was written; the first 16 digits suffice.",
)
def verify(logs: tuple[Path, ...], key: Path | None, digest: str | None) -> int:
    """Check the hash chain of LOGS (files, folders or bundles), and their signatures.

    The chain shows accidental changes. Someone who knows the method can write a new chain; a signature checked with
    --key, or a digest noted elsewhere, shows this too. Planned runs without a log come first, then one line a log, then
    the count.

    \b
    Exit code 0: every log is unchanged and complete, whatever its verdict; requested signatures and digests match.
              2: the same, but planned runs are missing.
              3: a file is not a log: it cannot be read, its first line was changed, or it is a damaged archive.
              4: a run was aborted and not made again, a chain is broken, a signature or digest is missing or wrong,
                 or a log is not the one that the manifest lists.
    With several logs: the highest of these.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.log.signing import load_public_key, verified  # noqa: PLC0415
    from ventproof.runset.present import checked_set, present_log  # noqa: PLC0415

    paths = options.log_paths(logs, bundles=True)
    noted = _noted(digest, len(paths))
    owner = None if key is None else load_public_key(key)
    told: list[tuple[str, ...]] = []
    checked: list[VerifiedLog] = []
    runs: list[PresentLog] = []
    for path in paths:
        try:
            found = verified(path, owner, noted)
        except FileError as error:
            if len(paths) == 1:
                raise
            told.append(tuple(str(problem) for problem in error.problems))
            continue
        told.append(found.sentences)
        checked.append(found)
        runs += [] if found.check.is_check else [present_log(path, found.check)]
    whole = checked_set(runs, options.choice_of(logs), owner)
    for sentence in (*whole.says, *whole.whole):
        _say(sentence)
    counts = Counter(_order(one, whole.superseded) for one in checked)
    counts[_NO_LOG] = len(told) - len(checked)
    _tell(told, counts)
    return max(_CODES[whole.standing], *(_ORDERS[order] for order, count in counts.items() if count))


_NO_LOG: Final = "no log"
_ORDERS: Final = {
    "in order": EXIT_PASS,
    "aborted and made again": EXIT_PASS,
    "not in order": EXIT_BENCH,
    _NO_LOG: EXIT_INPUT,
}
"""How files stand, each with its exit code."""


def _order(found: VerifiedLog, again: Collection[str]) -> str:
    """Return how a log stands; `again` has the digests of those that were aborted and whose run was made again."""
    from ventproof.log.run import ABORTED  # noqa: PLC0415 - slow

    if not found.unchanged:
        return "not in order"
    if found.check.outcome != ABORTED:
        return "in order"
    return "aborted and made again" if found.check.digest in again else "not in order"


_CODES: Final = {"": EXIT_PASS, "incomplete": EXIT_INCONCLUSIVE, "broken": EXIT_BENCH}
"""Exit codes for how a set of logs stands."""


def _tell(told: Sequence[Sequence[str]], counts: Counter[str]) -> None:
    """Print what there is to say of each log: of one all of it, of several a line each and their count."""
    if len(told) == 1:
        for sentence in told[0]:
            _say(sentence)
        return
    for sentences in told:
        _say("; ".join(sentence.strip() for sentence in sentences))
    click.echo(f"{len(told)} files: {', '.join(f'{counts[one]} {one}' for one in _ORDERS if counts[one])}")


def _say(sentence: str) -> None:
    """Print what there is to say; a file's name must not make a line as if another log had been found intact."""
    click.echo(harmless(options.as_named(sentence)).replace("\n", "\N{REPLACEMENT CHARACTER}"))


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
