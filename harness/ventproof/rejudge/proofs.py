"""What a log shows of the override table that it pins (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from ventproof.log.events import IdleBegin, StimulusApplied
from ventproof.oracle.played import Watched, as_played, weather_of
from ventproof.oracle.proofs import shown
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import read_table
from ventproof.verdict.finding import Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.case.case import Case
    from ventproof.log.events import Event
    from ventproof.oracle.played import PlayedRun
    from ventproof.oracle.proofs import Shown
    from ventproof.profile.bind import Bound
    from ventproof.profile.model import Profile
    from ventproof.profile.stimulus import Stimulus
    from ventproof.table.model import OverrideTable


_OUTPUT_KEYS = ("close", "open", "pulse", "write", "rainfall", "wind", "fail", "restore")


@lru_cache(maxsize=4)
def pinned_table(text: str) -> OverrideTable:
    """Return the table of a log's first line; the logs of a suite have the same one.

    Raises:
        FileError: it cannot be read.
    """
    return read_table("override table in the log", text).model


def shown_by(events: Sequence[Event], bound: Bound, case: Case, table: OverrideTable) -> tuple[Shown, ...]:
    """Return what a run shows of each line that its profile claims.

    Args:
        events: of its log.
        bound: what was tested on what.
        case: the case after all of the log's evidence.
        table: the table that the unit is held to.
    """
    claimed = case.profile.proves
    return shown(table, played_by(events, bound, case, table), claimed) if claimed else ()


def played_by(events: Sequence[Event], bound: Bound, case: Case, table: OverrideTable) -> PlayedRun:
    """Return what a run applied to the unit and decided of it, by the bench's names."""
    profile = _wired(case.profile, {**bound.outputs, **bound.vents}, bound.signals)
    timed: list[tuple[float, Stimulus]] = []
    edges: list[WeatherChange] = []
    for event in events:
        match event:
            case StimulusApplied(of=of, edges=reports) if of is not None and of.step and reports:
                edges += _edges(bound.outputs.get(event.output, event.output), event)
            case StimulusApplied(of=of, window=window) if of is not None and of.step and window is not None:
                timed.append((window.earliest_s, profile.steps[of.step - 1].do[of.stimulus]))
            case IdleBegin(step=step, stimulus=number, window=window):
                timed.append((window.earliest_s, profile.steps[step - 1].do[number]))
    watched = [
        Watched(profile.steps[item.step - 1].expect[item.number], item.watch.stimulus.latest_s)
        for item in case.items
        if item.step and item.watch is not None and item.ruling is not None and _decided(item.ruling.verdict)
    ]
    return as_played(profile, table, timed, (*edges, *weather_of(timed, table)), watched)


def _decided(verdict: Verdict) -> bool:
    return verdict is not Verdict.INCONCLUSIVE


def _edges(output: str, event: StimulusApplied) -> Iterator[WeatherChange]:
    for edge in event.edges:
        if (window := edge.window) is not None:
            late_s = window.latest_s - window.earliest_s
            yield WeatherChange(window.earliest_s, "contact", output, float(edge.closed), late_s)


def _wired(profile: Profile, outputs: Mapping[str, str], signals: Mapping[str, str]) -> Profile:
    """Return a profile with the bench's names, which are those of its table."""
    if all(name == at for names in (outputs, signals) for name, at in names.items()):
        return profile

    def response(its: Any) -> Any:  # noqa: ANN401 - any kind of response
        return its.model_copy(update={"signal": signals.get(its.signal, its.signal)})

    def stimulus(its: Any) -> Any:  # noqa: ANN401 - any kind of stimulus
        keys = [key for key in _OUTPUT_KEYS if hasattr(its, key)]
        return its.model_copy(update={key: outputs.get(getattr(its, key), getattr(its, key)) for key in keys})

    start = profile.start.model_copy(
        update={
            "set": {outputs.get(name, name): state for name, state in profile.start.set.items()},
            "write": {outputs.get(name, name): value for name, value in profile.start.write.items()},
            "until": [response(its) for its in profile.start.until],
        }
    )
    steps = [
        step.model_copy(
            update={
                "do": [stimulus(its) for its in step.do],
                "expect": [response(its) for its in step.expect],
            }
        )
        for step in profile.steps
    ]
    return profile.model_copy(update={"start": start, "steps": steps})
