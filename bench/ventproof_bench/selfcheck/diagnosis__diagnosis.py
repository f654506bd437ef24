"""What is wrong with a hook-up, in sentences, from what answered when its outputs were exercised (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.answers import Exercised, Found, answered
from bench.misplaced import alike, listed, lost_and_found, moved_sentences, off_alike

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.hookup import Answer, HookUp
    from bench.wiring import BenchFile


def diagnose(file: BenchFile, exercised: Mapping[str, Exercised]) -> list[str]:
    """Return a sentence for each thing that is wrong; none when everything answered as the bench file says."""
    said, swapped = list[str](), set[str]()
    for one, two in _swapped(file, exercised):
        said.append(f"outputs {one!r} and {two!r} are swapped: each brings about what the other should")
        swapped |= {one, two}
    for one in exercised:
        if one not in swapped and (
            others := [two for two in exercised if _brings(file, exercised[one], two, one)]
        ):
            said.append(
                f"output {one!r} is on the wrong terminals: it brings about what {listed(others)} should, "
                "and nothing of its own"
            )
            swapped.add(one)
    explained = set[str]()  # signals of which a sentence tells already
    for name, tried in exercised.items():
        hookup = file.outputs[name].hookup
        if hookup is not None and name not in swapped:
            said += _of_output(file, hookup, tried, explained)
    return said


def _results(file: BenchFile, hookup: HookUp, tried: Exercised) -> dict[str, Found]:
    return {
        signal: answered(
            wanted,
            tried.before.values.get(signal),
            tried.after.values.get(signal),
            file.signals[signal].traits(signal).error,
        )
        for signal, wanted in hookup.answers.items()
    }


def _swapped(file: BenchFile, exercised: Mapping[str, Exercised]) -> Iterator[tuple[str, str]]:
    """Yield pairs of outputs each of which brings about the other's answers."""
    names = list(exercised)
    for i, one in enumerate(names):
        for two in names[i + 1 :]:
            if _brings(file, exercised[one], two, one) and _brings(file, exercised[two], one, two):
                yield one, two


def _brings(file: BenchFile, tried: Exercised, theirs: str, own: str) -> bool:
    """Whether an output brings about another's flags and none of its own."""
    mine, other = file.outputs[own].hookup, file.outputs[theirs].hookup
    if mine is None or other is None:
        return False
    only_mine = {s for s in mine.answers if s not in other.answers}
    only_other = {s for s in other.answers if s not in mine.answers}
    if not only_mine or not only_other:
        return False
    results = _results(file, mine, tried), _results(file, other, tried)
    return all(results[0][s].kind == "none" for s in only_mine) and any(
        results[1][s].kind == "right" for s in only_other
    )


def _of_output(file: BenchFile, hookup: HookUp, tried: Exercised, explained: set[str]) -> list[str]:
    """Return what is wrong with one output's answers; adds to `explained` the signals that the sentences tell of."""
    name, results = tried.output, _results(file, hookup, tried)
    wrong = {s: found for s, found in results.items() if found.kind != "right" and s not in explained}
    if not wrong:
        return []
    flags = {s for s in results if file.signals[s].unit == "flag"}
    if flags and all(results[s].kind == "backwards" for s in flags):
        text = (
            f"output {name!r} works the wrong way round: what should answer when it closes answers when it opens; "
            "the normally open contact is taken for the normally closed one, or `at_rest` in the bench file is wrong"
        )
        return [text]
    if all(found.kind == "none" for found in results.values()) and not tried.delays:
        return [f"nothing answers output {name!r}: a dead channel, a wire that is off, or the wrong terminal"]
    moved = lost_and_found(file, hookup, wrong, results, tried)
    said = moved_sentences(file, moved)
    explained |= alike(file, moved) if off_alike(moved) else set(moved)
    rest = {s: found for s, found in wrong.items() if s not in explained}
    right = [s for s in results if results[s].kind == "right"]
    still = [s for s, found in rest.items() if found.kind == "none"]
    if right and still and set(right) <= flags and all(s in still for s in results if s not in flags):
        said.append(
            f"output {name!r} is answered by {listed(right)}, but not by {listed(still)}: the unit sees the input and "
            "does not act on it; is the input, or its override, enabled in the unit?"
        )
        rest = {s: found for s, found in rest.items() if s not in still}
    alone = all(found.kind == "none" for found in results.values())
    if alone and len(rest) > 1:
        said.append(
            f"output {name!r} is answered by none of {listed(rest)}: it is on the wrong terminals, or they are read "
            "from wrong addresses"
        )
        rest = {}
    said += [_sentence(file, tried, s, hookup.answers[s], found, alone=alone) for s, found in rest.items()]
    explained |= {s for s in rest if rest[s].kind != "none"}
    return said


def _sentence(
    file: BenchFile, tried: Exercised, signal: str, wanted: Answer, found: Found, *, alone: bool
) -> str:
    name = tried.output
    before, after = tried.before.values.get(signal), tried.after.values.get(signal)
    if before is None or after is None:
        return f"{signal!r} cannot be read, so that nothing is known of its answer to output {name!r}"
    unit = file.signals[signal].unit
    reads = (
        f"{signal!r} reads {before:g} and then {after:g} {unit} where output {name!r} should bring {wanted}"
    )
    if found.kind == "none":
        wire = ", or the output is on the wrong terminals" if alone else ""
        return f"{reads}: it does not answer; wrong address or bit, or it is stuck in the unit{wire}"
    if found.kind in ("backwards", "mirrored"):
        return f"{reads}: it is reversed; open and closed are exchanged at its drive or its position sensor"
    if found.kind == "scaled":
        scale = file.signals[signal].scale / found.factor
        return f"{reads}: it is {found.factor:g} times what it should be; `scale: {scale:g}` would be right"
    return f"{reads}: it answers, but otherwise than the bench file says"
