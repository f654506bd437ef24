"""How the test of a rack ended: each place by its logs, and the record that closes them all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.log.names import has_signature, logs_in, plain_path, signature_path
from ventproof.log.read import LogCheck, check_log
from ventproof.log.run import ABORTED
from ventproof.rack.before import last_attempts
from ventproof.runset.rack_record import RACK, RackedLog, RackedPlace, write_rack_record
from ventproof.runset.signature import closing_signature, require_unsigned, sign_closing
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ventproof.log.signing import SigningKey
    from ventproof.rack.follow import PlaceProgress
    from ventproof.runset.rack_record import RackRecord


def place_ended(one: PlaceProgress, folder: Path) -> RackedPlace:
    """Return how a place ended; an exit code that its logs do not show is no verdict, and is taken back.

    Args:
        one: the place.
        folder: of the rack's logs.
    """
    place, logs, checks = one.place, list[RackedLog](), list[LogCheck]()
    for path in logs_in(place.folder):
        try:
            check = check_log(path)
            name = plain_path(path).relative_to(folder).as_posix()
            logs.append(RackedLog(name, check.sha256, check.outcome))
            checks.append(check)
        except FileError as error:
            one.remark = one.remark or str(error)
    outcomes = [check.outcome for check in last_attempts(checks)]
    if one.code in _SHOWN_BY and (one.remark or not shows(one.code, outcomes, place.runs)):
        shown = ", ".join(outcomes) or "none"
        said = f"its run ended with exit code {one.code}, and its logs of {place.runs} planned runs show: {shown}"
        one.remark = one.remark or said
        one.code = EXIT_BENCH
    return RackedPlace(
        place=place.name,
        unit=place.unit,
        firmware=place.firmware,
        planned=place.runs,
        code=one.code,
        remark=one.remark,
        logs=tuple(logs),
    )


_SHOWN_BY: Final = {
    EXIT_PASS: {"pass"},
    EXIT_FAIL: {"fail"},
    EXIT_INCONCLUSIVE: {"inconclusive"},
    EXIT_ACCEPTED: {"fail"},
}
"""Exit codes that are verdicts, each with what must be among the outcomes."""


def shows(code: int, outcomes: Sequence[str], planned: int) -> bool:
    """Return whether an exit code is what outcomes of runs show.

    Args:
        code: of a verdict.
        outcomes: of the last attempt at each run.
        planned: how many runs there are.
    """
    every = len(outcomes) == planned and ABORTED not in outcomes
    return every and _SHOWN_BY[code] <= set(outcomes) and (code != EXIT_PASS or set(outcomes) == {"pass"})


def close_rack(folder: Path, record: RackRecord, key: SigningKey | None, operator: str) -> None:
    """Write the record of a rack and sign it, unless what stands there says and proves the same.

    Args:
        folder: of the rack's logs.
        record: what it is to say.
        key: signs it; None: nothing signs it.
        operator: in whose name.

    Raises:
        FileError: it cannot be written, or a signature would be lost.
        RecordError: its signature cannot be written.
    """
    path = folder / RACK
    same = path.exists() and path.read_bytes() == record.content
    if same and (key is None or _signed_with(path, record.content, key)):
        return
    if key is None:
        require_unsigned([path])
    signature_path(path).unlink(missing_ok=True)
    if not same:
        write_rack_record(path, record, replaces=True)
    if key is not None:
        sign_closing(path, record.content, key, operator)


def _signed_with(path: Path, content: bytes, key: SigningKey) -> bool:
    if not has_signature(path):
        return False
    _, wrong = closing_signature(path, content, key.public)
    return not wrong
