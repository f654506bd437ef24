"""Tolerances that are finer than their signal can be read: no reading, however good, could show a pass."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.profile import model

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.document import Loaded
    from bench.errors import Problem
    from bench.units import Quantity
    from bench.wiring import BenchFile
    from bench.yamltree import Path
    from harness.profile.model import Profile, ResponseCommon

_ROUNDING: Final = 1e-9


def responses(profile: Profile) -> Iterator[tuple[Path, ResponseCommon]]:
    """Yield every response of a profile with its path, those of the start first."""
    for index, response in enumerate(profile.start.until):
        yield ("start", "until", index), response
    for number, step in enumerate(profile.steps):
        for index, response in enumerate(step.expect):
            yield ("steps", number, "expect", index), response


def fineness_problems(
    profile: Loaded[Profile], bench: Loaded[BenchFile], names: Mapping[str, str]
) -> Iterator[Problem]:
    """Yield a problem for each tolerance within which a reading of its signal cannot be.

    A reading is right to `error`, half the resolution plus the accuracy. A band needs that on either side of its
    middle; of a difference between two readings each may be off by it, so `unchanged` needs twice as much.

    Args:
        profile: the profile.
        bench: a bench that has all that the profile needs.
        names: the bench's signal names, by the profile's.
    """
    for path, name, tolerance, readings in _tolerances(profile.model):
        signal = bench.model.signals[names[name]]
        error = signal.traits(names[name]).error
        if tolerance.value < readings * error - _ROUNDING:
            line, _ = bench.locate(("signals", names[name]))
            reason = f"tolerance {tolerance.text} is finer than {names[name]!r} can be read"
            of_two = ", and this takes two readings" if readings > 1 else ""
            hint = f"write at least {readings * error:.4g} {signal.unit}, or read it finer"
            where = f"resolution and accuracy, {bench.path} line {line}"
            yield profile.problem(
                (*path, "tolerance"),
                f"{reason} (± {error:.4g} {signal.unit}{of_two}): this can never pass for certain",
                f"{hint} ({where})",
            )


def _tolerances(profile: Profile) -> Iterator[tuple[Path, str, Quantity, int]]:
    """Yield the path, signal and tolerance of all that keeps to a band, and how many readings it compares."""
    for path, response in responses(profile):
        match response:
            case model.Reaches() | model.Stays() | model.Returns():
                yield path, response.signal, response.tolerance, 1
            case model.Unchanged(unchanged=model.Span(tolerance=tolerance)) if tolerance is not None:
                yield (*path, "unchanged"), response.signal, tolerance, 2
    for index, invariant in enumerate(profile.always):
        if invariant.tolerance is not None:
            yield ("always", index), invariant.signal, invariant.tolerance, 1
