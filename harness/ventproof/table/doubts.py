"""What a table can say and hardly means: told as notes, all at once (pure)."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Final

from ventproof.table.limits import limit_doubts, side_doubts
from ventproof.table.lines import span_said
from ventproof.table.model import FailedCondition, JoinedCondition, OverrideTable, WindCondition

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.load import Loaded


_LONG_ENTRY_S: Final = 300.0
"""Weather that has lasted for so long has done its harm."""


def doubts(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a note for everything that is possible and unlikely to be meant."""
    yield from _idle(table)
    yield from _indistinct(table)
    yield from _not_closed(table)
    yield from _delays(table)
    yield from _lee(table)
    yield from _needless(table)
    yield from _overtaken(table)
    yield from limit_doubts(table)
    yield from side_doubts(table)


def _idle(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Sensors that no override waits for, and vents that none moves."""
    model = table.model
    conditions = [c for override in model.overrides.values() for c in override.conditions]
    watched = {c.failed for c in conditions if isinstance(c, FailedCondition)}
    for name in model.sensors:
        if name not in watched:
            yield table.problem(("sensors", name), f"no override begins when {name!r} fails", at_key=True)
    moved = {
        vent for override in model.overrides.values() for vent in (*override.positions, *override.limits)
    }
    for name in model.vents:
        if name not in moved:
            yield table.problem(("vents", name), f"no override moves vent {name!r}", at_key=True)


def _indistinct(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Yield a note for each two positions of a vent that its tolerance cannot tell apart."""
    for vent_name, vent in table.model.vents.items():
        stands = [
            (name, override.positions[vent_name], ("overrides", name, "positions", vent_name))
            for name, override in table.model.overrides.items()
            if vent_name in override.positions
        ]
        for (one, at, _), (other, there, path) in combinations(stands, 2):
            if 0 < abs(at.value - there.value) < 2 * vent.tolerance.value:
                reason = (
                    f"vent {vent_name!r} stands at {there.text} in {other!r} and at {at.text} in {one!r}: with a"
                    f" tolerance of {vent.tolerance.text} they cannot be distinguished"
                )
                yield table.problem(path, reason)


def _not_closed(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """An override that only closes moves no vent that normally stands below its position."""
    for name, override in table.model.overrides.items():
        if not override.only_close:
            continue
        for vent, position in override.positions.items():
            opens = table.model.vents[vent].open
            if opens.value <= position.value:
                reason = (
                    f"{name!r} only closes, and never moves vent {vent!r}: it normally stands at {opens.text}"
                )
                hint = f"write a position below {opens.text}"
                yield table.problem(("overrides", name, "positions", vent), reason, hint)


def _delays(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        path = ("overrides", name)
        if override.is_alarm:
            continue
        entry_s, release_s, by_s = override.entry_delay, override.release_delay, override.delay_tolerance
        if entry_s > _LONG_ENTRY_S:
            reason = f"the vents stay open for the first {span_said(entry_s)} of {name!r}"
            hint = "delays of minutes are usual on release; an entry delay is seconds"
            yield table.problem((*path, "entry_delay"), reason, hint)
        if release_s < entry_s:
            reason = (
                f"{name!r} ends after {span_said(release_s)} and begins after {span_said(entry_s)}: a condition that"
                " flickers never begins it, and ends it at once"
            )
            yield table.problem((*path, "release_delay"), reason, "write at least the entry delay")
        for key, span_s in (("entry_delay", entry_s), ("release_delay", release_s)):
            if 0 < span_s <= by_s:
                reason = f"{span_said(span_s)} ± {span_said(by_s)} can be no delay at all"
                yield table.problem((*path, key), reason, f"write more than {span_said(by_s)}, or 0 s")


def _lee(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    for name, override in table.model.overrides.items():
        for vent, position in override.leeward.items():
            windward = override.positions[vent]
            if position.value < windward.value:
                reason = f"vent {vent!r} stands at {position.text} away from the wind and at {windward.text} facing it"
                hint = "exchange the two"
                yield table.problem(("overrides", name, "leeward", vent), reason, hint)


def _needless(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """Conditions that must hold together add nothing where one of them calls for the override by itself."""
    for name, override in table.model.overrides.items():
        for number, alternative in enumerate(override.when):
            if isinstance(alternative, JoinedCondition) and any(
                its in override.when for its in alternative.all
            ):
                reason = f"these conditions never decide: one of them calls for {name!r} by itself"
                path = ("overrides", name, "when", number)
                yield table.problem(path, reason, "leave them out, or the single one")


def _overtaken(table: Loaded[OverrideTable]) -> Iterator[Problem]:
    """A mean over a long time that begins no lower than one over a short time never comes first."""
    for name, override in table.model.overrides.items():
        winds = [(n, its) for n, its in enumerate(override.when) if isinstance(its, WindCondition)]
        for pair in combinations(winds, 2):
            (_, short), (number, long) = sorted(pair, key=lambda its: its[1].averaged_over)
            if short.wind != long.wind or not (short.rising and long.rising):
                continue
            if long.begins_at.value >= short.begins_at.value and long.ends_at.value >= short.ends_at.value:
                reason = (
                    f"the mean over {span_said(long.averaged_over)} never decides: that over"
                    f" {span_said(short.averaged_over)} is beyond {short.begins_at.text} before"
                )
                hint = f"write a value below {short.begins_at.text}"
                yield table.problem(("overrides", name, "when", number), reason, hint)
