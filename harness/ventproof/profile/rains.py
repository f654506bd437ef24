"""What each rain of a profile finds in its bucket, as far as the profile alone tells (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ventproof.profile.duration import step_spans, stimulus_times
from ventproof.profile.stimulus import Rainfall
from ventproof.profile.weather import EMPTY, rain_leaves, rain_of
from ventproof.weather.rain_gauge import Left
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ventproof.profile.model import Profile
    from ventproof_bench.benchfile.model import OutputSpec
    from ventproof_bench.benchfile.sensors import BucketSensor


class _Rained(NamedTuple):
    """A rain, what it found, and when it begins if every step takes its shortest time."""

    rainfall: Rainfall
    found: Left | None
    begins_s: float


def found_by_rains(
    profile: Profile, buckets: Mapping[str, BucketSensor]
) -> dict[tuple[int, int], Left | None]:
    """Return what is in the bucket when each rain begins, by its step and its place there, both from 0.

    None where it depends on how long the run takes: the rain before may then still fall, and give way.

    Args:
        profile: the profile.
        buckets: the buckets that its outputs stand for, by the profile's names.
    """
    found: dict[tuple[int, int], Left | None] = {}
    last: dict[str, _Rained] = {}
    began_s = 0.0
    for number, (step, (shortest_s, _)) in enumerate(zip(profile.steps, step_spans(profile), strict=True)):
        for index, (stimulus, (at_s, _)) in enumerate(zip(step.do, stimulus_times(step.do), strict=True)):
            if not isinstance(stimulus, Rainfall) or stimulus.rainfall not in buckets:
                continue
            name, begins_s = stimulus.rainfall, began_s + at_s
            left = _left(buckets[name], last.get(name), begins_s) if stimulus.filled is None else EMPTY
            found[number, index] = left
            last[name] = _Rained(stimulus, left, begins_s)
        began_s += shortest_s
    return found


def buckets_of(outputs: Mapping[str, OutputSpec], names: Mapping[str, str]) -> dict[str, BucketSensor]:
    """Return the buckets that a profile's outputs stand for, by the profile's names.

    Args:
        outputs: the bench's outputs.
        names: their names, by the profile's.
    """
    sensors = {name: output.sensor for name, at in names.items() if (output := outputs[at]).kind == "contact"}
    return {name: sensor.bucket for name, sensor in sensors.items() if sensor and sensor.bucket}


def _left(bucket: BucketSensor, before: _Rained | None, begins_s: float) -> Left | None:
    if before is None:
        return EMPTY
    if before.found is None:
        return None
    try:
        left = rain_leaves(bucket, before.rainfall, before.found)
        dry_s = begins_s - before.begins_s - float(rain_of(before.rainfall).duration_s)
    except (ValueError, FileError):  # a rain that cannot be is told of where it is checked
        return None
    return Left(left.fill) if dry_s >= left.blind_s else None
