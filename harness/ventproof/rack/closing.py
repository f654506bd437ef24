"""How the test of a rack ended: each place by its logs, the waivers of all, and the record that closes it."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Final

from ventproof.log.names import has_signature, log_at, logs_in, plain_path, signature_path
from ventproof.log.read import LogCheck, check_log, read_log
from ventproof.log.run import ABORTED
from ventproof.rack.before import last_attempts
from ventproof.rejudge.again import run_told
from ventproof.runset.rack_record import RACK, RackedLog, RackedPlace, write_rack_record
from ventproof.runset.signature import closing_signature, require_unsigned, sign_closing
from ventproof.session.waived import WaivedRuns, waivable_of
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from ventproof.log.run import RunRecord
    from ventproof.log.signing import SigningKey
    from ventproof.rack.follow import PlaceProgress
    from ventproof.rack.ready import ReadyPlace
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


def of_waivers(folder: Path, ready: Sequence[ReadyPlace], ended: Sequence[RackedPlace]) -> Iterator[str]:
    """Yield what waivers cannot accept, which accept too much, and which no place needs, where all was run.

    Args:
        folder: of the rack's logs.
        ready: the places as they were before.
        ended: how their tests ended.
    """
    today = local_now().date()
    files = {one.session.waivers.digest: one.session.waivers for one in ready if one.session.waivers}
    for digest, waivers in files.items():
        its, whole = WaivedRuns(waivers.model.waivers), True
        for place, test in zip(ready, ended, strict=True):
            if place.session.waivers is None or place.session.waivers.digest != digest:
                continue
            profiles = {one.model.profile: one.model for one in place.suite}
            records = last_attempts([*_records(folder, test)])
            whole = whole and len(records) == test.planned
            for record in (one for one in records if one.profile in profiles):
                its.take(
                    record.profile, waivable_of(record, profiles[record.profile], today), record.findings
                )
        for line in its.warnings(whole=whole):
            yield f"{waivers.path}: {line}" if len(files) > 1 else line


def _records(folder: Path, ended: RackedPlace) -> Iterator[RunRecord]:
    for log in ended.logs:
        path = log_at(folder / log.log)
        with suppress(FileError):  # whoever judges the log says what is wrong with it
            yield run_told(read_log(path), str(path))


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
