"""Readings taken in blocks say what readings taken one by one say, to the last digit."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import judge_campaign as campaign
import pytest
from judge_contacts import contacts_case
from judge_jumps import jumps_case

from ventproof.deciders import formulas as f
from ventproof.drives.formulas import AgreesFormula
from ventproof.envelope.spans import Block
from ventproof.judge import trace as trace_module
from ventproof.judge.agreement import SignalPair
from ventproof.judge.contrast import Role
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

POLL_S = 0.05


class _Counting(SignalTrace):
    """Counts the readings that were taken in blocks while a watch was open."""

    together = 0

    def _leap(self, block: Block) -> int:
        watched = bool(self._watches)
        done = super()._leap(block)
        _Counting.together += done * watched
        return done


def _dense(one: Any, r: random.Random) -> Iterator[Sample | Gap]:
    """Poll a case's truth often enough for long stretches to be quiet."""
    step, start = r.choice([0.1, 0.5]), one.truth.ts[0]
    shake, drops = r.choice([0.0, 0.3]), r.choice([0.0, 0.002])
    for i in range(int(60 / POLL_S)):
        begin = start + i * POLL_S + r.uniform(0, shake) * POLL_S
        if r.random() < drops:
            yield Gap("unit", begin, begin + 0.01, r.choice(["timeout", "restart"]))
        else:
            value = one.truth.at(begin)
            if one.traits.unit == "%":
                value = round(value / step) * step
            elif one.traits.wraps_at:
                value = (value + 90) % one.traits.wraps_at
            yield Sample(float(value), begin, begin + 0.005)


def _case(seed: int, r: random.Random) -> Any:
    one = campaign.case(seed)
    if r.random() < 0.7:
        one = replace(one, evidence=list(_dense(one, r)), traits=_read_at_once(one.traits, r))
    return one


def _read_at_once(traits: SignalTraits, r: random.Random) -> SignalTraits:
    error = 0.0 if traits.unit != "%" else 0.25 + 1e-9
    return replace(traits, error=error, refreshed_every_s=r.choice([0.0, 0.0, 0.2]))


def _parts(evidence: list[Sample | Gap], cuts: set[int]) -> Iterator[tuple[int, list[Sample] | Gap]]:
    run: list[Sample] = []
    for index, item in enumerate(evidence):
        if run and (index in cuts or isinstance(item, Gap)):
            yield index - len(run), run
            run = []
        if isinstance(item, Gap):
            yield index, item
        else:
            run.append(item)
    if run:
        yield len(evidence) - len(run), run


def _soon_after(one: Any) -> int:
    """Return the first item of the evidence after the stimulus, at which a live run opens the watch."""
    begins = (x.from_s if isinstance(x, Gap) else x.requested_s for x in one.evidence)
    return next((i for i, begin_s in enumerate(begins) if begin_s > one.stimulus.latest_s), 0)


def _follow(trace: SignalTrace, sample: Sample) -> None:
    """Take a reading as a run in virtual time does."""
    if trace.puts_by(sample.value, sample.requested_s, sample.replied_s):
        _Counting.together += 1
    else:
        trace.follow(sample)


def play(one: Any, rule: Rule, cuts: set[int], *, blocks: bool, follows: bool = False) -> Any:
    """Feed a case, opening its watch at the first cut after the stimulus; return all that it says, and when."""
    decided_s = None
    trace = _Counting(one.traits)
    trace.remember_from(one.stimulus.earliest_s)
    watch = None
    try:
        for index, part in _parts(one.evidence, cuts):
            now_s = part.to_s if isinstance(part, Gap) else part[0].replied_s
            if watch is None and index in cuts and now_s > one.stimulus.latest_s:
                watch = trace.watch(one.formula, one.stimulus, rule, role=Role.PROOF)
            if isinstance(part, Gap):
                trace.gap(part)
            elif blocks:
                columns = zip(*((x.value, x.requested_s, x.replied_s) for x in part), strict=True)
                trace.observe_block(Block.of(*columns))
            else:
                for sample in part:
                    _follow(trace, sample) if follows else trace.observe(sample)
                    if watch is not None and watch.ruling is not None and decided_s is None:
                        decided_s = sample.replied_s
        trace.settle()
        watch = watch or trace.watch(one.formula, one.stimulus, rule, role=Role.PROOF)
        finding = watch.close(one.stimulus.latest_s + 80)
        return finding, trace.arrived[-60:], trace.bounds_at(one.stimulus.latest_s + 20), decided_s
    except (EvidenceError, ValueError) as error:
        return repr(error)


@pytest.mark.parametrize("least", [24, 2])
def test_blocks_say_what_readings_one_by_one_say(least: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """All kinds, both rules, gaps, restarts, jitter, any size of block: the same finding or the same error."""
    monkeypatch.setattr(trace_module, "_LEAST", least)
    monkeypatch.setattr(_Counting, "together", 0)
    kinds = set()
    for seed in range(75):
        r = random.Random(seed)
        one, rule = _case(seed, r), r.choice(list(Rule))
        often = r.choice([20, 150, 1000])
        cuts = {i for i in range(len(one.evidence)) if r.random() < 1 / often} | {_soon_after(one)}
        kinds.add(type(one.formula))
        singly = play(one, rule, cuts, blocks=False)
        assert play(one, rule, cuts, blocks=True)[:-1] == singly[:-1], (seed, rule, one.formula)
    assert len(kinds) == 10
    assert _Counting.together > 1000


@pytest.mark.parametrize(("draw", "together"), [(contacts_case, 1000), (jumps_case, 1000)])
def test_blocks_say_the_same_of_what_is_reckoned(
    draw: Any, together: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By drive contacts, or by the unit with jumps: where it stands for long it is taken together, and found alike."""
    monkeypatch.setattr(trace_module, "_LEAST", 2)
    monkeypatch.setattr(_Counting, "together", 0)
    for seed in range(40):
        r = random.Random(seed)
        one = draw(seed, 20.0)
        if draw is jumps_case:
            one = replace(one, evidence=list(_dense(one, r)), traits=_read_at_once(one.traits, r))
        cuts = {i for i in range(len(one.evidence)) if r.random() < 1 / 300} | {_soon_after(one)}
        singly = play(one, Rule.GUARDED, cuts, blocks=False)
        assert play(one, Rule.GUARDED, cuts, blocks=True)[:-1] == singly[:-1], (seed, one.formula)
    assert _Counting.together > together


def _standing(one: Any, r: random.Random) -> Any:
    """Let what is read stand between a few steps; more of it than of a true drive stays put."""
    evidence: list[Sample | Gap] = []
    for item in one.evidence:
        last = evidence[-1] if evidence else None
        if isinstance(item, Sample) and isinstance(last, Sample) and r.random() < 0.99:
            near = one.traits.unit != "%" or abs(item.value - last.value) < 0.2
            item = item._replace(value=last.value) if near else item  # noqa: PLW2901 - the reading as it is shown
        evidence.append(item)
    return replace(one, evidence=evidence)


@pytest.mark.parametrize("draw", [_case, contacts_case, jumps_case])
def test_what_is_put_by_delays_no_ruling(draw: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings of a signal that stands are put by: each ruling comes with the reading that it came with, the same."""
    monkeypatch.setattr(trace_module, "_LEAST", 4)
    monkeypatch.setattr(trace_module, "_STANDS", 2)
    monkeypatch.setattr(_Counting, "together", 0)
    decided = 0
    for seed in range(150 if draw is _case else 60):
        r = random.Random(seed)
        one = draw(seed, r) if draw is _case else draw(seed, 20.0)
        if draw is jumps_case:
            one = replace(one, evidence=list(_dense(one, r)), traits=_read_at_once(one.traits, r))
        one, rule = _standing(one, r), r.choice(list(Rule)) if draw is _case else Rule.GUARDED
        cuts = {i for i in range(len(one.evidence)) if r.random() < 1 / 300} | {_soon_after(one)}
        singly = play(one, rule, cuts, blocks=False)
        assert play(one, rule, cuts, blocks=False, follows=True) == singly, (seed, rule, one.formula)
        decided += not isinstance(singly, str) and singly[-1] is not None
    assert decided > 20
    assert _Counting.together > 1000


@pytest.mark.parametrize("follows", [False, True])
def test_signals_that_are_judged_together_are_not_put_by(*, follows: bool) -> None:
    """Whether one agrees with the other both must say: the ruling comes with the first reading after the span."""
    traits = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0)
    pair = SignalTrace(traits), SignalTrace(replace(traits, name="told"))
    watch = SignalPair(*pair).watch(AgreesFormula(2.0, 0.0, 30.0), Window(1.0, 1.0))
    for at_s in (0.1 * i for i in range(400)):
        if watch.ruling is not None:
            break
        for trace in pair:
            sample = Sample(50.0, at_s, at_s + 0.005)
            _follow(trace, sample) if follows else trace.observe(sample)
    assert 31.0 <= at_s < 31.4


def test_a_reading_that_comes_later_than_those_put_by_is_taken_at_once() -> None:
    """Between readings farther apart a flag may have changed twice: nothing is known that was not said of these."""
    traits = SignalTraits(name="rain", unit="flag", keeps_for_s=1.0)
    trace = SignalTrace(traits)
    for at_s in (0.1 * i for i in range(100)):
        _follow(trace, Sample(0.0, at_s, at_s + 0.005))
    assert trace.puts_by(0.0, 10.0, 10.005)
    assert not trace.puts_by(0.0, 11.5, 11.505)
    assert not trace.puts_by(0.0, 10.1, 10.3)
    assert not trace.puts_by(1.0, 10.1, 10.105)


def test_a_contradiction_inside_a_block_is_found_at_its_reading() -> None:
    """The error names the same two readings, and what came before them was taken."""
    traits = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0)
    values = [50.0] * 500 + [60.0] + [50.0] * 500
    t = [i * 0.1 for i in range(len(values))]
    errors = []
    for blocks in (True, False):
        trace = SignalTrace(traits)
        watch = trace.watch(f.StaysFormula(40.0, 70.0, None), Window(0.0, 0.0))
        feed = trace.observe_block if blocks else lambda block, trace=trace: [*map(trace.observe, block)]
        with pytest.raises(EvidenceError, match=r"50 % .* and then 60 %") as caught:
            feed(Block.of(values, t, t))
        errors.append((str(caught.value), watch.seen.count))
    assert errors[0] == errors[1]


def test_a_block_whose_readings_are_out_of_order_is_refused() -> None:
    """Time that runs backwards is a mistake of the caller, as it is with single readings."""
    trace = SignalTrace(SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0))
    t = [i * 0.1 for i in range(200)]
    t[150] = 3.0
    with pytest.raises(ValueError, match="in the order of their polls"):
        trace.observe_block(Block.of([50.0] * 200, t, t))


def test_a_trace_without_a_watch_remembers_no_more_than_it_must() -> None:
    """Blocks long past are forgotten unless somebody asked for them."""
    trace = SignalTrace(SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0))
    for hour in range(5):
        t = [(hour * 36000 + i) * 0.1 for i in range(36000)]
        trace.observe_block(Block.of([50.0] * len(t), t, t))
    assert len(trace.arrived) < 20_000
    trace.remember_from(17_000.0)
    t = [18_000.0 + i * 0.1 for i in range(1000)]
    trace.observe_block(Block.of([50.0] * len(t), t, t))
    watch = trace.watch(f.StaysFormula(40.0, 60.0, 90.0), Window(18_001.0, 18_001.0))
    assert watch.ruling is not None
    assert watch.ruling.verdict is Verdict.PASS
