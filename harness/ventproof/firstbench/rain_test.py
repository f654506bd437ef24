"""A first rain test, fitted to what the unit did when the rain contact was closed once (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from ventproof.draft.emit import profile_text
from ventproof.firstbench.bench_text import quantity
from ventproof.firstbench.movement import limit_s
from ventproof.profile.model import Profile
from ventproof.verdict.text import number_text
from ventproof_bench.base.quantities import span_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.firstbench.bench_text import FirstBench, FirstSignal
    from ventproof.firstbench.responses import MovedSignal

TOLERANCES_PERCENT: Final = (2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
"""From what a vent is usually held to (common practice, no source) to what a quick vent on a slow line asks for."""
_WHOLE_PERCENT: Final = 100.0
_HOLDS_S: Final = 10.0
_RESTS_S: Final = 5.0
"""Held so long it stands well within its tolerance; on its way through the edge there would be no margin."""
_COMES_TO_REST_S: Final = 90.0
"""Not a limit of the unit: it may have just lost its supply, and look for its ends before it opens."""
_ABOUT: Final = (
    "The vents stand open. Rain begins: each vent must go to the position where it went when this bench was set up, "
    "and when the rain has ended it must come back. The positions and times are those that the unit showed once, with "
    "a margin: they state that it still does so. Replace them by the requirements of your unit's specification."
)


def rain_test(bench: FirstBench, tolerance_percent: float = TOLERANCES_PERCENT[0]) -> str:
    """Return the text of a profile that the unit passes if it does again what it did while the bench was set up.

    Args:
        bench: a bench whose rain contact was closed and opened once; at least one signal answered.
        tolerance_percent: how far from where it went a vent may stand, % open.

    Raises:
        ValueError: no signal that answered can be demanded.
    """
    moved = {
        one.name: (one, bench.answers[one.name])
        for one in bench.signals
        if one.unit in {"%", "flag"} and one.name in bench.answering
    }
    if not moved:
        raise ValueError("no flag and no vent responded to the rain contact: nothing can be required")
    settings = {one.listed.name: one for one in bench.settings}
    vents = {name: pair for name, pair in moved.items() if pair[0].unit == "%"}
    start: dict[str, Any] = {
        "set": {bench.rain: "open"},
        "write": {name: f"{number_text(one.warm)} {one.unit}" for name, one in settings.items()},
        "until": [_at_rest(*pair, tolerance_percent) for pair in (vents or moved).values()],
    }
    needs = {
        "outputs": {bench.rain: "contact", **{name: one.unit for name, one in settings.items()}},
        "signals": {name: signal.unit for name, (signal, _) in moved.items()},
    }
    steps = _steps(bench.rain, list(moved.values()), tolerance_percent)
    profile = {"profile": "first rain test", "about": _ABOUT, "needs": needs, "start": start, "steps": steps}
    return profile_text(Profile.model_validate(profile))


def _steps(
    rain: str, moved: Sequence[tuple[FirstSignal, MovedSignal]], tolerance: float
) -> list[dict[str, Any]]:
    """Return the steps: rain begins, and ends; the second demands what came back, if anything did."""
    begins = [_answers(signal, did, tolerance) for signal, did in moved]
    ends = [_comes_back(signal, did, tolerance) for signal, did in moved if did.came_back]
    steps: list[dict[str, Any]] = [{"step": "rain begins", "do": [{"close": rain}], "expect": begins}]
    if ends:
        steps.append({"step": "rain ends", "do": [{"open": rain}], "expect": ends})
    return steps


def tolerances_percent(bench: FirstBench) -> tuple[float, ...]:
    """Return the tolerances that may be decidable on a bench, the smallest first; the last always stands.

    Between two readings, the older a refresh interval old, a vent goes on: half of that way no reading can tell, and
    on a busy computer readings come late, so that twice as much is taken.
    """
    blind = max(
        (
            _WHOLE_PERCENT * (bench.poll_every_s + one.refreshed_every_s) / one.full_travel_s + one.step
            for one in bench.signals
            if one.full_travel_s
        ),
        default=0.0,
    )
    return tuple(one for one in TOLERANCES_PERCENT if one >= blind) or TOLERANCES_PERCENT[-1:]


def _at_rest(signal: FirstSignal, did: MovedSignal, tolerance: float) -> dict[str, Any]:
    within_s = limit_s(max(signal.full_travel_s or 0.0, did.back_stood_s)) + _COMES_TO_REST_S
    if signal.unit == "flag":
        return {"signal": signal.name, "equals": _flag(did.before), "within": span_text(within_s)}
    return {**_band(signal, did.before, within_s, tolerance), "holds": span_text(_RESTS_S)}


def _answers(signal: FirstSignal, did: MovedSignal, tolerance: float) -> dict[str, Any]:
    if signal.unit == "flag":
        within = span_text(limit_s(did.first_s or 0.0))
        return {"signal": signal.name, "equals": _flag(did.held), "within": within}
    return {**_band(signal, did.held, limit_s(did.stood_s), tolerance), "holds": span_text(_HOLDS_S)}


def _comes_back(signal: FirstSignal, did: MovedSignal, tolerance: float) -> dict[str, Any]:
    if signal.unit == "flag":
        within = span_text(limit_s(did.back_first_s or 0.0))
        return {"signal": signal.name, "equals": _flag(did.after), "within": within}
    return {**_band(signal, did.after, limit_s(did.back_stood_s), tolerance), "holds": span_text(_RESTS_S)}


def _band(signal: FirstSignal, value: float, within_s: float, tolerance: float) -> dict[str, Any]:
    return {
        "signal": signal.name,
        "reaches": quantity(value, signal),
        "tolerance": f"{number_text(max(tolerance, 2 * signal.step))} %",
        "within": span_text(within_s),
    }


def _flag(value: float) -> str:
    return "on" if value else "off"
