"""The first bench file is right as it is written, and says where each fact comes from."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.case.decidable import checked
from ventproof.firstbench.bench_text import FirstBench, FirstRelay, FirstSetting, FirstSignal, bench_text
from ventproof.firstbench.codings import Coding
from ventproof.firstbench.makers_list import read_list
from ventproof.firstbench.rain_test import rain_test
from ventproof.firstbench.responses import MovedSignal
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof_bench.benchcheck.load import read_bench

LIST = """Ridge vent position,30121
Wall vent: position,30122
Room temperature,30125
Rain alarm,10009
Status word,30200.3
Rain pulses,30131
Room temperature simulated,40301
"""
RIDGE, WALL, ROOM, ALARM, STATUS, PULSES, SIMULATED = read_list(LIST, "list.csv")
BUSES = {"unit": {"link": "rtu", "port": "/dev/serial/by-id/adapter-3", "baud": 9600, "parity": "even"}}


def moved(before, held, *, after=None, first_s=2.1, stood_s=20.0, back_s=31.0):
    """What a signal did, from the few facts that matter."""
    after = before if after is None else after
    return MovedSignal(
        before=before,
        held=held,
        after=after,
        first_s=first_s,
        stood_s=stood_s,
        back_first_s=back_s,
        back_stood_s=60.0,
    )


SIGNALS = (
    FirstSignal(
        listed=RIDGE, coding=Coding("u16", scale=0.5), unit="%", full_travel_s=27.0, refreshed_every_s=0.21
    ),
    FirstSignal(
        listed=WALL, coding=Coding("f32", "low-first"), unit="%", full_travel_s=36.0, refreshed_every_s=0.21
    ),
    FirstSignal(listed=ROOM, coding=Coding("s16", scale=0.1), unit="°C", refreshed_every_s=0.21),
    FirstSignal(listed=ALARM, coding=Coding("bit"), unit="flag", keeps_for_s=1.0, refreshed_every_s=0.21),
    FirstSignal(listed=STATUS, coding=Coding("bit"), unit="flag", keeps_for_s=1.0, refreshed_every_s=0.21),
    FirstSignal(listed=PULSES, coding=Coding("u32"), unit="count", refreshed_every_s=0.21),
)
ANSWERS = {
    "ridge_vent_position": moved(92.0, 8.0),
    "wall_vent_position": moved(88.0, 45.0),
    "room_temperature": moved(30.0, 30.0, first_s=None),
    "rain_alarm": moved(0.0, 1.0),
    "status_word": moved(0.0, 0.0, first_s=None),
    "rain_pulses": moved(7.0, 8.0, after=8.0),
}
FIRST = FirstBench(
    title='A table: "the first"',
    buses=BUSES,
    unit_id=17,
    signals=SIGNALS,
    settings=(FirstSetting(listed=SIMULATED, coding=Coding("s16", scale=0.1), unit="°C", warm=30.0),),
    relays=(
        FirstRelay(
            name="rain", driver="coil", wired={"bus": "unit", "unit_id": 40, "coil": 1}, lamp="2 (green)"
        ),
        FirstRelay(
            name="supply", driver="coil", wired={"bus": "unit", "unit_id": 40, "coil": 2}, closed_at_rest=True
        ),
    ),
    rain="rain",
    answers=ANSWERS,
    poll_every_s=0.5,
)


def test_the_file_says_what_was_found():
    """Place, coding and facts of each signal; relays as they are wired; the hook-up that was seen."""
    model = read_bench("bench.yaml", bench_text(FIRST)).model
    wall = model.registers["wall_vent_position"]
    assert (wall.unit_id, wall.table, wall.address, wall.type, wall.word_order) == (
        17,
        "input",
        121,
        "f32",
        "low-first",
    )
    assert (wall.full_travel, wall.refreshed_every) == (36.0, 0.21)
    assert (model.registers["status_word"].address, model.registers["status_word"].bit) == (199, 3)
    assert (model.outputs["supply"].at_rest, model.outputs["supply"].safe) == ("closed", "closed")
    rain = model.outputs["rain"]
    assert rain.counted_by == "rain_pulses"
    assert {name: str(said) for name, said in rain.hookup.answers.items()} == {
        "ridge_vent_position": "92 % to 8 %",
        "wall_vent_position": "88 % to 45 %",
        "rain_alarm": "on",
        "status_word": "stays",
    }
    assert str(rain.hookup.first["room_temperature_simulated"]) == "30 °C"
    assert rain.hookup.settles > 60
    left = {name for name, signal in model.registers.items() if signal.selfcheck == "leave"}
    assert left == {"room_temperature", "status_word"}


def test_comments_say_where_each_fact_comes_from():
    """The maker's own name and line, the lamp, and a caution where a value falls while its vent opens."""
    signals = (replace(SIGNALS[0], falls=True), *SIGNALS[1:])
    text = bench_text(replace(FIRST, signals=signals))
    assert "# Wall vent: position, line 2 of the maker's list" in text
    assert "# lamp 2 (green) of the board" in text
    assert text.count("CAUTION: it falls while its vent opens") == 1


def test_the_rain_test_fits_the_bench_and_can_be_decided_on_it():
    """It binds, nothing of it is undecidable, and it demands what was seen with room to spare."""
    bench = read_bench("bench.yaml", bench_text(FIRST))
    bound = checked(bind(read_profile("rain.yaml", rain_test(FIRST)), bench, {}))
    assert not bound.undecidable
    model = bound.profile.model
    begins, ends = model.steps
    assert [(one.signal, one.within) for one in begins.expect] == [
        ("ridge_vent_position", 24.0),
        ("wall_vent_position", 24.0),
        ("rain_alarm", 5.0),
    ]
    assert [one.within for one in ends.expect] == [68.0, 68.0, 37.0]


def test_a_vent_that_did_not_come_back_is_not_demanded_to():
    """What was not seen once is not taken for what the unit does."""
    answers = ANSWERS | {"wall_vent_position": moved(88.0, 45.0, after=45.0)}
    profile = read_profile("rain.yaml", rain_test(replace(FIRST, answers=answers))).model
    assert [one.signal for one in profile.steps[1].expect] == ["ridge_vent_position", "rain_alarm"]


def test_without_an_answer_there_is_no_rain_test():
    """Nothing could be demanded of anything."""
    answers = {name: moved(did.before, did.before, first_s=None) for name, did in ANSWERS.items()}
    with pytest.raises(ValueError, match="nothing can be required"):
        rain_test(replace(FIRST, answers=answers))


@given(
    title=st.text(min_size=1, max_size=60).filter(str.isprintable),
    label=st.text(min_size=1, max_size=60).filter(lambda text: text.isprintable() and text.strip()),
    lamp=st.text(max_size=20).filter(str.isprintable),
)
def test_whatever_is_answered_makes_a_file_that_can_be_read(title, label, lamp):
    """Quotes, colons, comment signs and other scripts in a title, a label or a lamp break nothing."""
    signals = (replace(SIGNALS[0], listed=replace(RIDGE, label=label)), *SIGNALS[1:])
    relays = (replace(FIRST.relays[0], lamp=lamp), FIRST.relays[1])
    text = bench_text(replace(FIRST, title=title, signals=signals, relays=relays))
    assert read_bench("bench.yaml", text).model.bench == title


def test_a_temperature_that_answered_the_setting_is_not_said_to_answer_nothing():
    """It rose when the vents were opened; the file says by what."""
    text = bench_text(replace(FIRST, opened=("room_temperature",)))
    room = text[text.index("  room_temperature:") :]
    assert "selfcheck: leave  # it answered room_temperature_simulated, which has no `hookup:` yet" in room


def test_flags_that_answer_alike_are_left_out_of_the_self_check_and_told():
    """Crossed they would answer so too: no self-check may call either of them fine."""
    bench = replace(FIRST, answers=ANSWERS | {"status_word": moved(0.0, 1.0)})
    assert bench.alike == {"rain_alarm", "status_word"}
    model = read_bench("bench.yaml", bench_text(bench)).model
    assert model.registers["rain_alarm"].selfcheck == "leave"
    assert model.registers["status_word"].selfcheck == "leave"
    assert {"rain_alarm", "status_word"} <= model.outputs["rain"].hookup.answers.keys()
    assert "# it answers as status_word: crossed, they would answer so too" in bench_text(bench)


def test_flags_that_answer_one_at_once_and_one_late_are_told_apart_by_when():
    """A raw input beside the override that it starts: each is judged, and none is left out."""
    late, soon = (replace(moved(0.0, 1.0), first_s=s) for s in (2.3, 0.3))
    bench = replace(FIRST, answers=ANSWERS | {"rain_alarm": late, "status_word": soon})
    assert not bench.alike
    answers = read_bench("bench.yaml", bench_text(bench)).model.outputs["rain"].hookup.answers
    assert (str(answers["rain_alarm"]), str(answers["status_word"])) == ("on after 1 s", "on within 1 s")
    near = replace(bench, answers=bench.answers | {"status_word": replace(soon, first_s=1.2)})
    assert near.answering["status_word"] == "on"


def test_a_flag_that_answers_alone_is_judged():
    """Nothing that is read would answer as it does."""
    assert not FIRST.alike
