"""Two firmware versions compared: nothing that became worse is called the same, and nothing else is flagged."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import html5lib
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ventproof.compare.comparison import closing, compare, counted
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.page import html_of
from ventproof.compare.side import side_of
from ventproof.compare.trend import conclusion, trend
from ventproof.compare.trend_page import html_of_trend
from ventproof.compare.words import response, sentence
from ventproof.compare.write import write
from ventproof.log.plan import Plan, PlannedProfile, PlannedRun
from ventproof.log.run import VIRTUAL
from ventproof.terminal.comparison import show_comparison, show_trend
from ventproof.verdict.finding import Bounds, NotRun, Status, Verdict
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.evidence import Window

RAIN = "rain closes the vents"
SAME_DEMANDS = "its responses require the same"
VERDICTS = st.sampled_from(["pass", "fail", "inconclusive", "aborted"])


@pytest.fixture
def side(logged, finding):
    """Make a side of runs; each is a verdict, a response time, or a whole run."""

    def one(value, number, firmware):
        if isinstance(value, str):
            made = logged(verdict=value).run
        elif isinstance(value, (int, float)):
            window = Window(value - 0.15, value + 0.15)
            made = logged(findings=(finding(response_s=window),)).run
        else:
            return value
        return replace(made, firmware=firmware, digest=f"{firmware}-{number}")

    def make(*values, firmware="1.0"):
        return side_of(firmware, [one(value, number, firmware) for number, value in enumerate(values)])

    return make


@pytest.fixture
def compared(side):
    """Compare two lists of runs."""

    def make(base, candidate, limits=ShiftLimits(), confidence=0.95):  # noqa: B008 - a constant
        return compare(side(*base), side(*candidate, firmware="1.1"), limits, confidence)

    return make


def the_time(found):
    return next(one for one in found.shifts if one.measure == "time")


@pytest.fixture
def broken(side, logged, finding):
    """Compare firmware with one in which forty responses fail, and forty more come later, each by more."""
    demands = [f"reaches {number} % ± 2 % within 90 s" for number in range(80)]

    def runs(late_s, verdict):
        found = [
            finding(number=n, demand=said, response_s=Window(20 + late_s * n, 20.1 + late_s * n))
            for n, said in enumerate(demands[:40])
        ]
        found += [
            finding(number=40 + n, demand=said, status=Status(verdict)) for n, said in enumerate(demands[40:])
        ]
        return [logged(verdict=str(verdict), findings=tuple(found)).run] * 2

    def named(firmware, made):
        return side(*(replace(run, firmware=firmware, digest=f"{firmware}{n}") for n, run in enumerate(made)))

    base, candidate = named("1.0", runs(0, Verdict.PASS)), named("1.1", runs(1, Verdict.FAIL))
    return compare(base, candidate, ShiftLimits(time_s=0.5), 0.95)


def test_a_badly_broken_unit_fits_on_a_screen(broken, capsys):
    """By cause, one example each, the greatest first; the rest is counted, and can be had; the conclusion is last."""
    show_comparison(broken, verbose=False)
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert len(lines) < 24
    assert "worse  side_vent did not reach the required value in time: 40 verdicts in 1 profile" in lines
    assert "worse  side_vent responds up to 39.0 s later: 39 differences in 1 profile" in lines
    assert out.index("base:      pass (2 runs)") < out.index("candidate: fail (2 runs)")
    assert out.index("candidate: fail (2 runs)") < out.index("responds up to 39.0 s later")
    assert lines[-2] == "side_vent did not reach the required value in time."
    assert lines[-1] == closing(broken)
    show_comparison(broken, verbose=True)
    whole = capsys.readouterr().out
    assert all(f"side_vent reaches {number} % ± 2 % within 90 s" in whole for number in range(80))
    late = [
        float(line.split(" responds ")[1].split()[0]) for line in whole.splitlines() if "; responds " in line
    ]
    assert late == sorted(late, reverse=True)


@pytest.mark.parametrize("lines", ["20", "24", "60"])
def test_whatever_there_is_to_say_fits_on_the_terminal(broken, compared, capsys, monkeypatch, lines):
    """Many notes, and much that only one side has: less is shown, the rest is counted, values of a change stay."""
    for name, value in {"FORCE_COLOR": "1", "COLUMNS": "80", "LINES": lines, "TERM": "xterm"}.items():
        monkeypatch.setenv(name, value)
    (alone,) = compared(["pass"], [replace(broken.base.runs[0], profile="frost", findings=())]).lone[:1]
    crowded = replace(
        broken,
        faults=("a fault " * 20,) * 4,
        alarms=("something that differs " * 10,) * 9,
        lone=(alone,) * 30,
    )
    show_comparison(crowded, verbose=False)
    shown = [re.sub(r"\x1b\[[\d;]*m", "", line) for line in capsys.readouterr().out.splitlines()]
    assert len(shown) < max(24, int(lines))
    assert any("more notes: --verbose shows them" in line for line in shown) == (lines != "60")
    assert any("more: --verbose shows them" in line for line in shown)
    assert any(line.startswith("  candidate: fail (2 runs)") for line in shown)
    assert shown[-1].rstrip() == closing(broken)


@pytest.mark.parametrize("show", [show_comparison, show_trend], ids=["compare", "trend"])
def test_a_terminal_of_80_columns_is_not_overrun(broken, capsys, monkeypatch, show):
    """Lines go on below themselves or end with the screen, cells of the dashboard are whole, the conclusion is last."""
    for name, value in {"FORCE_COLOR": "1", "COLUMNS": "80", "TERM": "xterm"}.items():
        monkeypatch.setenv(name, value)
    runs = [*broken.base.runs, *broken.candidate.runs]
    found = broken if show is show_comparison else trend(side_of("both", runs), ShiftLimits(time_s=0.5))
    show(found, verbose=False)
    lines = [re.sub(r"\x1b\[[\d;]*m", "", line) for line in capsys.readouterr().out.splitlines()]
    assert max(map(len, lines)) <= 80
    assert len(lines) < (24 if show is show_comparison else 33)
    said = " ".join(" ".join(lines[-3:]).split())
    assert said.endswith(closing(broken) if show is show_comparison else conclusion(found))
    if show is show_trend:
        assert any(re.fullmatch(rf"{RAIN} +2 of 2 fail +2 pass *", line) for line in lines)


def test_what_explains_a_change_is_the_same_on_the_page(broken):
    """The page says the cause first, and has no picture where nothing changed, nor a box without content."""
    page = html_of(broken)
    assert '<p class="cause"><bdi>side_vent did not reach the required value in time.</bdi></p>' in page
    assert page.index('class="cause"') < page.index("Changed verdicts") < page.index("Differences")
    assert page.count('class="span"') == sum(one.meaning != "same" for one in broken.shifts)


def test_the_same_versions_have_a_page_without_empty_parts(compared):
    """Where nothing changed there is no heading for changes."""
    page = html_of(compared([21.0], [21.0]))
    assert ("Changed verdicts" in page, "Known of one side" in page, 'class="span"' in page) == (
        False,
        False,
        False,
    )


def test_a_chart_is_of_the_response_that_it_is_called_by(logged, finding):
    """What is inconclusive has no chart, and takes none from what became worse."""

    def run(firmware, *times):
        made = tuple(
            finding(signal=f"vent_{n}", response_s=Window(at_s - 0.15, at_s + 0.15))
            for n, at_s in enumerate(times)
        )
        return logged(firmware=firmware, digest=firmware, findings=made).run

    found = trend(side_of("all", [run("1", 21, 21, 30), run("2", 21.5, 27, 30)]), ShiftLimits())
    assert {one.compared.meaning for one in found.changes} == {"open", "worse"}
    page = html5lib.parse(html_of_trend(found), namespaceHTMLElements=False)
    charts = [
        (figure.find("figcaption/bdi").text, figure.find("{*}svg/{*}title").text)
        for figure in page.iter("figure")
    ]
    assert len(charts) == 1
    assert all(drawn.removesuffix(": 2 runs") in called and "vent_1" in called for called, drawn in charts)


@pytest.mark.parametrize("show", [show_comparison, show_trend], ids=["compare", "trend"])
def test_a_pipe_gets_whole_lines_without_decoration(broken, capsys, show):
    """No colour, no box, nothing that is wrapped or cut: a search for a response finds its line."""
    runs = [*broken.base.runs, *broken.candidate.runs]
    found = broken if show is show_comparison else trend(side_of("both", runs), ShiftLimits(time_s=0.5))
    show(found, verbose=True)
    out = capsys.readouterr().out
    assert not set(out) & set("\x1b─│┃━┏┌╭…")
    sentences = [sentence(one, found.confidence) for one in broken.shifts if one.meaning == "worse"]
    assert all(f"; {said} ({RAIN}: " in out for said in sentences)
    assert all(line == line.rstrip() for line in out.splitlines())


def test_the_page_is_html_to_a_strict_parser(broken):
    """html5lib, strict, implements the parsing rules of the HTML standard and stops at the first parse error."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html_of(broken))
    ids = [element.get("id") for element in tree.iter() if isinstance(element.tag, str) and element.get("id")]
    assert len(ids) == len(set(ids))


def test_a_slower_response_is_a_regression_with_a_plain_sentence(compared):
    """The sentence says by how much, how sure, the limit, and what it came to."""
    found = compared([21.0, 21.2, 21.1, 20.9, 21.0], [27.1, 27.3, 27.0, 27.2, 27.1], ShiftLimits(time_s=5.0))
    assert found.outcome == "worse"
    said = the_time(found)
    assert response(said) == "rain begins: side_vent reaches 50 % ± 2 % within 30 s, holds 5 s"
    assert (
        sentence(said, 0.95)
        == "responds 6.1 s later (95 %: +5.6 to +6.6 s; limit 5.0 s): changed for the worse"
    )
    assert closing(found) == "1 measured difference worse in 1 profile"


def test_one_run_each_claims_no_more_than_polling_shows(compared):
    """With one run each there is no interval of confidence, and the sentence says what is known instead."""
    found = compared([21.0], [27.1], ShiftLimits(time_s=5.0))
    assert sentence(the_time(found), 0.95) == (
        "responds 6.1 s later (give or take 0.3 s, one run each; limit 5.0 s): changed for the worse"
    )
    assert the_time(found).adjusted is None
    assert "one run each: run-to-run variation is not included" in counted(found)[1]


@pytest.mark.parametrize(
    ("base", "candidate", "limit", "said"),
    [
        ([21.0], [21.2], None, "0.2 s later (give or take 0.3 s, one run each; limit 0.6 s): within the limit"),
        ([27.0], [21.0], 5.0, "6.0 s earlier (give or take 0.3 s, one run each; limit 5.0 s): changed for the better"),
        ([21.0], [21.5], None, "inconclusive; repeats do not help; poll faster"),
        ([21.0, 21.0], [21.8, 21.8], 0.6, "repeats do not help; poll faster"),
        ([21.0, 23.0], [21.5, 23.5], 2.0, "about 12 repeats on each side would probably tell"),
        ([21.0, 41.0], [21.5, 41.5], 1.0, "more than 1000 repeats on each side would probably tell"),
    ],
)  # fmt: skip
def test_what_is_said_of_a_shift(compared, base, candidate, limit, said):
    """Within the limit, better, or open with what would decide it."""
    found = compared(base, candidate, ShiftLimits(time_s=limit))
    assert sentence(the_time(found), 0.95).endswith(said)


def test_a_candidate_that_was_polled_worse_is_open_not_the_same(compared, logged, finding):
    """The limit is the base's: wide windows of the candidate must not widen it until everything fits."""
    late = logged(firmware="1.1", digest="late", findings=(finding(response_s=Window(21.0, 41.0)),)).run
    found = compared([21.0], [late])
    assert (the_time(found).shift.limit, the_time(found).meaning) == (pytest.approx(0.6), "open")
    assert found.outcome == "open"


def test_responses_without_a_time_are_not_left_out_silently(compared, logged, finding):
    """A candidate that sometimes never responds is not the same, however good the other times are."""
    never = logged(firmware="1.1", digest="n", findings=(finding(response_s=None),)).run
    found = compared([21.0, 21.1, 21.0], [21.0, 21.1, never])
    assert the_time(found).meaning == "open"
    assert "1 of the candidate's 3 runs have no known response time" in sentence(the_time(found), 0.95)


def test_less_margin_and_a_moved_position_count(compared, logged, finding):
    """A vent that stands elsewhere or keeps less margin is worse, one that gained margin by moving is not."""

    def runs(stood, margin, firmware):
        made = finding(response_s=None, stood=stood, margin=Bounds(margin, margin + 0.1))
        return [logged(firmware=firmware, digest=f"{firmware}{n}", findings=(made,)).run for n in range(3)]

    found = compared(runs(50.0, 1.9, "1.0"), runs(51.9, 0.1, "1.1"))
    assert {one.measure: one.meaning for one in found.shifts} == {"position": "worse", "margin": "worse"}
    assert "stands 1.9 % higher" in sentence(found.shifts[0], 0.95)
    assert "has 1.8 % less margin" in sentence(found.shifts[1], 0.95)
    back = compared(runs(51.9, 0.1, "1.0"), runs(50.0, 1.9, "1.1"))
    assert {one.measure: one.meaning for one in back.shifts} == {"position": "better", "margin": "better"}


def test_a_return_that_comes_earlier_is_no_gain(compared, logged, finding):
    """Vents that open again too early are as wrong as those that open too late."""

    def runs(after_s, firmware):
        made = finding(kind="returns", response_s=Window(after_s, after_s + 0.3), margin=None)
        return [logged(firmware=firmware, digest=f"{firmware}{n}", findings=(made,)).run for n in range(2)]

    assert compared(runs(60.0, "1.0"), runs(50.0, "1.1")).outcome == "worse"


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(base=st.lists(VERDICTS, min_size=1, max_size=4), candidate=st.lists(VERDICTS, min_size=1, max_size=4))
def test_no_verdict_that_flipped_is_overlooked(base, candidate, compared):
    """All passed before and not all now is worse whatever is mixed; no worse verdict than before is never worse."""
    found = compared(base, candidate)
    turns = {flip.turn for flip in found.flips}
    if set(base) == {"pass"}:
        assert ("worse" in turns) == (set(candidate) != {"pass"})
    if set(candidate) == {"pass"}:
        assert "worse" not in turns
    if "fail" in candidate and "fail" not in base:
        assert found.outcome == "worse"


def test_repeats_that_fail_more_often_are_worse_when_chance_does_not_explain_it(compared):
    """With fails on both sides Fisher's test decides: 1 of 10 against 8 of 10 is worse, against 2 of 10 it is not."""
    base = ["fail", *["pass"] * 9]
    worse = compared(base, ["fail"] * 8 + ["pass"] * 2)
    assert [flip.turn for flip in worse.flips] == ["worse"]
    assert worse.flips[0].base.verdicts == "1 of 10 fail, 9 of 10 pass"
    alike = compared(base, ["fail"] * 2 + ["pass"] * 8)
    assert (alike.flips, alike.never_passing) == ((), 1)
    assert "Not always passing, neither before nor now: 1 response." in counted(alike)
    assert closing(alike) == "nothing is worse; not always passing on either side: 1 response"


def lone(found):
    return [(one.profile, one.side, one.verdicts, one.open) for one in found.lone]


def test_what_one_side_lacks_is_a_class_of_its_own(compared, logged, finding):
    """A profile or a response that only the base has is no flip: nothing is said of the candidate, which is open."""
    two = [logged(digest="a").run, logged(digest="b", profile="frost").run]
    found = compared(two, ["pass"])
    assert (found.flips, found.outcome, lone(found)) == ((), "open", [("frost", "base", "pass", True)])
    both = logged(digest="a", findings=(finding(), finding(signal="roof_vent"))).run
    found = compared([both], ["pass"])
    assert (found.flips, found.outcome) == ((), "open")
    assert found.lone[0].response == "rain begins: roof_vent reaches 50 % ± 2 % within 30 s, holds 5 s"
    assert found.lone[0].why == "the candidate's profile does not require it"
    assert "Known of one side only: 1." in counted(found)


@pytest.mark.parametrize(
    ("verdict", "outcome"), [("fail", "open"), ("inconclusive", "open"), ("pass", "same")]
)
def test_what_only_the_candidate_has_is_neither_better_nor_worse(compared, logged, finding, verdict, outcome):
    """There is nothing to compare it with; where it does not pass it is not passed over."""
    new = logged(digest="a", profile="frost", verdict=verdict).run
    found = compared(["pass"], ["pass", new])
    assert (found.flips, found.outcome, lone(found)) == (
        (),
        outcome,
        [("frost", "candidate", verdict, verdict != "pass")],
    )
    more = logged(digest="a", findings=(finding(), finding(signal="roof_vent", status=Status(verdict)))).run
    found = compared(["pass"], [more])
    assert (found.flips, found.outcome, len(found.lone)) == ((), outcome, 1)


HOLLOW = {"hollow": True, "response_s": Window(0.0, 0.3)}
UNSEEN = {
    "status": Status.INCONCLUSIVE,
    "margin": None,
    "slack_s": None,
    "response_s": None,
    "seen": None,
    "stood": None,
}


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        pytest.param(
            ({"status": Status.FAIL}, HOLLOW), (["open"], [], "open"), id="a fail, then a hollow pass"
        ),
        pytest.param(({}, HOLLOW), ([], ["base"], "open"), id="a pass, then a hollow pass"),
        pytest.param((HOLLOW, {}), ([], ["candidate"], "same"), id="a hollow pass, then a pass"),
        pytest.param((HOLLOW, HOLLOW), ([], [], "same"), id="hollow passes"),
        pytest.param((UNSEEN, {}), ([], ["candidate"], "same"), id="nothing seen, then a pass"),
        pytest.param((UNSEEN, HOLLOW), (["open"], [], "open"), id="nothing seen, then a hollow pass"),
        pytest.param(
            (HOLLOW, {"status": Status.FAIL}), (["worse"], [], "worse"), id="a hollow pass, then a fail"
        ),
        pytest.param(({}, UNSEEN), (["worse"], [], "worse"), id="a pass, then nothing seen"),
    ],
)
def test_what_shows_nothing_takes_no_part_in_better(compared, logged, finding, fields, told):
    """A pass whose demand held before, and a verdict without evidence, are never what became better, nor shift."""

    def run(fields, digest):
        made = finding(**fields)
        return logged(digest=digest, verdict=str(made.verdict), findings=(made,)).run

    base, candidate = fields
    found = compared([run(base, "a")], [run(candidate, "b")])
    assert told == (
        [flip.turn for flip in found.flips],
        [one.side for one in found.lone],
        found.outcome,
    )
    assert {one.meaning for one in found.shifts} <= {"same"}


def test_like_versions_that_scatter_are_not_called_worse(logged, finding):
    """Of 200 comparisons of like versions, three runs each and ten responses, at most 5 % call any worse: 0 here."""
    rng = random.Random(11)

    def runs(firmware):
        times = [[20 + rng.gauss(0, 0.5) for _ in range(10)] for _ in range(3)]
        return [
            logged(
                firmware=firmware,
                digest=f"{firmware}-{n}",
                findings=tuple(
                    finding(
                        number=k, signal=f"vent_{k}", margin=None, response_s=Window(at_s - 0.05, at_s + 0.05)
                    )
                    for k, at_s in enumerate(row)
                ),
            ).run
            for n, row in enumerate(times)
        ]

    ended = [
        compare(side_of("1", runs("1")), side_of("2", runs("2")), ShiftLimits()).outcome for _ in range(200)
    ]
    assert ended.count("worse") <= 10


def test_repeats_that_show_something_are_what_became_better(compared, logged, finding):
    """Of several runs those that show something decide; a hollow one among them does no harm."""

    def run(digest, **fields):
        made = finding(**fields)
        return logged(digest=digest, verdict=str(made.verdict), findings=(made,)).run

    base = [run("a", status=Status.FAIL), run("b", **HOLLOW)]
    found = compared(base, [run("c"), run("d", **HOLLOW)])
    assert [flip.turn for flip in found.flips] == ["better"]


def test_responses_that_were_not_run_are_marked(compared, logged, finding):
    """They flipped too, but the reader is to see what stopped them first."""
    left = finding(
        signal="roof_vent", status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP, why=NotRun.EARLIER_STEP.text
    )
    base = logged(digest="a", findings=(finding(), finding(signal="roof_vent"))).run
    new = logged(digest="b", verdict="fail", findings=(finding(status=Status.FAIL), left)).run
    assert [(flip.turn, flip.not_run) for flip in compared([base], [new]).flips] == [
        ("worse", False),
        ("worse", True),
    ]


def test_of_repeats_the_worst_is_told(compared, logged, finding):
    """What came to no verdict never hides a fail, nor does a pass; of fails the one farthest beyond its limit."""
    left = finding(status=Status.NOT_RUN, not_run=NotRun.EARLIER_STEP, why=NotRun.EARLIER_STEP.text)
    near, far = (
        finding(status=Status.FAIL, why=why, margin=Bounds(-beyond, 0.0))
        for why, beyond in (("near", 1.0), ("far", 9.0))
    )

    def runs(*found):
        return [
            logged(digest=f"{n}", verdict=str(one.verdict), findings=(one,)).run
            for n, one in enumerate(found)
        ]

    (flip,) = compared(["pass"], runs(near, far, left, finding())).flips
    assert (flip.base.why, flip.candidate.why, flip.candidate.worst) == ("in the band", "far", "fail")
    assert flip.candidate.verdicts == "2 of 4 fail, 1 of 4 inconclusive, 1 of 4 pass"
    (flip,) = compared(["pass"], runs(finding(), left)).flips
    assert (flip.candidate.why, flip.candidate.worst) == (NotRun.EARLIER_STEP.text, "inconclusive")
    assert flip.cause == "not run, because an earlier step did not pass"


@pytest.mark.parametrize(
    ("fields", "alarm"),
    [
        ({"unit": "GH-8"}, "the sides have different units: GH-7 and GH-8"),
        ({"bench_sha256": "cc" * 32}, f"the sides have different bench files: {'bb' * 6} and {'cc' * 6}"),
        ({"decision": "simple"}, "the sides have different decision rules: guarded and simple"),
        ({"clock": "virtual"}, "the sides have different clocks: wall and virtual"),
        ({"firmware": "1.0"}, "both sides state the same firmware: 1.0"),
        ({"profile_sha256": "dd" * 32}, f"the profile {RAIN!r} is not the same text on both sides: {SAME_DEMANDS}"),
    ],
)  # fmt: skip
def test_sides_that_differ_in_more_than_the_firmware_are_told(compared, logged, fields, alarm):
    """A reader must know that the benches, rules or texts differ before believing a shift."""
    new = logged(**{"firmware": "1.1", "digest": "n", **fields}).run
    assert compared(["pass"], [new]).alarms == (alarm,)


def test_a_loosened_limit_is_told(compared, logged, finding):
    """A candidate that passes since its profile demands less is not called the same without a word."""
    loose = logged(
        firmware="1.1", digest="n", profile_sha256="dd" * 32, findings=(finding(demand="reaches 50 %"),)
    ).run
    (alarm,) = compared(["pass"], [loose]).alarms
    assert "'reaches 50 % ± 2 % within 30 s, holds 5 s' became 'reaches 50 %'" in alarm


def test_the_same_run_counts_once(logged):
    """A log given twice, and a virtual run repeated with its seed, are no further evidence."""
    run = logged().run
    assert len(side_of("a", [run, run]).runs) == 1
    virtual = replace(run, clock="virtual")
    again = replace(virtual, digest="another", repeat=2)
    other = replace(again, seed=1)
    made = side_of("a", [virtual, again, other])
    assert (len(made.runs), made.repeated) == (2, 1)


def test_identical_versions_are_seldom_flagged_as_a_family(side):
    """Of 200 comparisons of like versions, ten scattering responses each, at most 5 % flag anything: 0 here."""
    rng = random.Random(11)
    flagged = 0
    for _ in range(200):
        worse = False
        for _ in range(10):
            sides = [[21 + rng.gauss(0, 0.4) for _ in range(4)] for _ in range(2)]
            found = compare(side(*sides[0]), side(*sides[1], firmware="1.1"), ShiftLimits(), 0.95)
            worse |= found.outcome == "worse"
        flagged += worse
    assert flagged <= 10


def test_a_page_shows_a_comparison_and_escapes_what_files_hold(compared, logged, finding, tmp_path):
    """Text from files stays text; the sentence and the verdict stand on the page."""
    nasty = '<script>alert("x")</script>'
    new = logged(
        firmware=nasty, digest="n", verdict="fail", findings=(finding(why=nasty, status=Status.FAIL),)
    ).run
    page = html_of(compared(["pass"], [new]))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "responds 0.0 s later" in page
    write(compared([21.0], [27.1]), tmp_path / "c.html")
    assert "1 measured difference worse in 1 profile" in (tmp_path / "c.html").read_text(encoding="utf-8")
    with pytest.raises(
        FileError,
        match=r"c\.pdf: no comparison can be written as \.pdf; end its name in \.html, \.md or \.json",
    ):
        write(compared([21.0], [27.1]), tmp_path / "c.pdf")


@pytest.mark.parametrize(
    ("base", "candidate", "turns"),
    [
        (["fail", *["pass"] * 4], ["fail"], ["open"]),
        (["fail", *["pass"] * 4], ["pass"], ["better"]),
        (["fail", *["pass"] * 4], ["fail"] * 5, ["worse"]),
        (["fail", "pass"], ["fail", "pass"], []),
    ],
)
def test_too_few_runs_never_show_that_flaky_responses_are_the_same(compared, base, candidate, turns):
    """Where one run of five failed, one that fails says nothing; five that fail say that it is worse."""
    assert [flip.turn for flip in compared(base, candidate).flips] == turns


def test_jitter_of_polling_alone_is_no_change(compared, logged, finding):
    """A window without any width does not make a limit without any: 2 ms later is the same, 200 ms is not."""
    base, jitter, slower = (
        [logged(findings=(finding(response_s=Window(s, s), margin=Bounds(m, m)),)).run]
        for s, m in ((0.088, 0.3), (0.09, 0.298), (0.288, 0.2))
    )
    assert (compared(base, jitter).outcome, compared(base, slower).outcome) == ("same", "worse")


def test_what_had_failed_before_a_candidate_was_aborted_is_told(compared, logged, finding):
    """Beside why it was aborted, which alone would hide it."""
    found = (finding(status=Status.FAIL),)
    (flip,) = compared(["pass"], [logged(verdict="aborted", findings=found).run]).flips
    assert flip.candidate.why == (
        "the bus fell silent; failed: side_vent did not reach the required value in time"
    )


def test_the_same_log_once_whole_and_once_continued_by_others_is_two_runs(logged):
    """A broken log carries the digest of its last intact line, and must not hide behind the whole one."""
    runs = [logged(verdict=verdict).run for verdict in ("pass", "aborted")]
    assert [run.verdict for run in side_of("1.0", runs).runs] == ["pass", "aborted"]


def test_planned_runs_that_a_side_lacks_are_told_first(logged):
    """A side that holds one run of three says so before anything is compared."""
    plan = Plan(profiles=(PlannedProfile("rain closes the vents", "aa" * 32),), repeats=3, firmware="2.3")
    old = side_of("2.3", [logged(digest="a", firmware="2.3", place=PlannedRun(plan, 2)).run])
    new = side_of("2.4", [logged(digest="b", firmware="2.4").run])
    (alarm, *_) = compare(old, new, ShiftLimits()).alarms
    assert alarm.startswith("2.3: 2 of 3 planned runs are not here, of plan ")
    assert alarm.endswith(": rain closes the vents, repeat 1 of 3; rain closes the vents, repeat 3 of 3")
    assert trend(old, ShiftLimits()).alarms[0] == alarm.removeprefix("2.3: ")


def test_a_comparison_of_the_mock_says_that_it_tells_nothing_of_a_real_unit(compared, logged):
    """Both sides in virtual time: what differs is the mock, and a reader must know."""
    new = logged(firmware="1.1", digest="n", clock="virtual").run
    old = logged(firmware="1.0", digest="o", clock="virtual").run
    assert compared([old], [new]).alarms == (VIRTUAL,)
