"""The words that are no keys: terms of the bench, the evidence and the verdict, each with a short example."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final, final

from bench.drivers import find, names
from bench.units import UNITS, Dimension

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.mock.fault import Fault


@final
@dataclass(frozen=True, slots=True)
class Topic:
    """A word with its meaning and, where they help, a list and an example."""

    text: str
    example: str = ""
    rows: str = ""


_REFERENCE: Final = Topic(
    "many manuals count registers from 1 and put the table's digit in front (reference number 40001 "
    "is the first "
    "holding register); on the wire they are counted from 0 (address 0). Taking one for the other reads the "
    "neighbour: off by one. Write `reference:` for the manual's number or `table:` and `address:` "
    "for the wire's; "
    "ventproof refuses an address that looks like a reference number until you confirm it.",
    "reference: 40001      # the same register as\ntable: holding\naddress: 0",
)
_EVIDENCE: Final = Topic(
    "what the bench saw, as intervals: each reading was taken at some moment between its request "
    "and its reply, may be "
    "older by `refreshed_every`, and is right to half its resolution plus its accuracy.",
)
_TOPICS: Final[dict[str, Topic]] = {
    "bench": Topic(
        "what the unit is wired to: buses, outputs and signals, as a bench file describes them. "
        "`ventproof run PROFILE --bench FILE` uses one."
    ),
    "files": Topic(
        "profiles, bench files and override tables are YAML in UTF-8: `key: value`, indented with spaces, one "
        "document a file. Text "
        "that begins with %, @, ` or a bracket, or holds ': ', goes in double quotes. `on` and 010 "
        "are text, true "
        "and 5 are not. Lists begin each item with '- '.",
        'unit: "%"\nstates: {closed: 0, first: 1}',
    ),
    "output": Topic(
        "something the bench does to the unit: a contact that opens and closes, or a value that is written.",
        "rain: {driver: mock, wired: {input: rain}}",
    ),
    "signal": Topic(
        "something the bench reads from the unit: a vent position, a flag, a state, a counter.",
        'roof_vent: {bus: unit, table: input, address: 0, scale: 0.1, unit: "%", full_travel: 28 s}',
    ),
    "flag": Topic(
        "a signal that is on or off; `equals:` takes on or off, an interlock must be one.",
        "{signal: rain_override, equals: on, within: 3 s}",
    ),
    "state": Topic(
        "a signal whose numbers have names, which the bench file gives below `states:`.",
        "{signal: stage, equals: second, within: 5 s}",
    ),
    "count": Topic(
        "a signal that only goes up, one for each event; `counts:` takes how many more it must read.",
        "{signal: rain_count, counts: 3, within: 5 s}",
    ),
    "override": Topic(
        "the unit's weather rule: on this condition these vents go to these positions, whatever the "
        "temperature wants."
    ),
    "condition": Topic(
        "what must be so, in an override table, for an override to begin once its entry delay is over.",
        "when:\n  - {contact: rain, debounce: 50 ms}",
    ),
    "table": Topic(
        "an override table: every weather override of a unit, with its conditions, delays, positions and deadlines. "
        "It says what the unit is held to. `ventproof draft TABLE` writes profiles from it, `ventproof trace TABLE "
        "PROFILES` finds lines that no profile proves. In a bench file `table:` is something else, see below."
    ),
    "profile": Topic(
        "a test: bring the unit to a known state, apply stimuli, state the responses that must follow. `do` and "
        "`expect` list what there is of each; `ventproof check PROFILE --bench FILE` says what is wrong or missing."
    ),
    "stimulus": Topic("what is applied to the unit in a step.", "do:\n  - close: rain"),
    "response": Topic(
        "what must be observed, with tolerance and timing; times count from the stimulus.",
        "{signal: roof_vent, reaches: 5 %, tolerance: 2 %, within: 35 s, holds: 20 s}",
    ),
    "weather": Topic(
        "rain into a tipping bucket (`rainfall`), wind on cups (`wind`), values at the terminals (`write`: a "
        "temperature, the direction of a vane), and sensors that fail (`fail`, `mend`). It goes on beside the "
        "steps. The bench file says which sensor an output stands for; `ventproof check PROFILE --bench FILE` "
        "tells the tips and the pulses.",
        "do:\n  - {rainfall: bucket, storm: {shape: II, depth: 40 mm}, faster: 60, label: storm}\n"
        "  - {wind: cups, speed: 8 m/s, turbulence: {intensity: 20 %}}",
    ),
    "loss of bus": Topic(
        "a sensor with a bus of its own is cut off by a contact in its line: declare it as a plain contact, and open "
        "and close it. The bus over which the bench reads the unit falls silent with `idle`; what the unit did "
        "meanwhile nobody saw, only what it shows afterwards.",
        "outputs:\n  sensor_line: {driver: coil, wired: {bus: board, coil: 4}, at_rest: closed, safe: closed}\n"
        "# and in the profile\ndo:\n  - {open: sensor_line, label: lost}",
    ),
    "verdict": Topic(
        "pass, fail or inconclusive. A bench that fails gives no verdict at all. A pass on the bench does not "
        "replace commissioning on site."
    ),
    "pass": Topic(
        "the verdict where the unit did right whatever the readings leave open; on the limit is still a pass."
    ),
    "fail": Topic(
        "the verdict where the unit did wrong whatever the readings leave open. A step that fails ends "
        "the run."
    ),
    "inconclusive": Topic(
        "the verdict where the readings cannot decide: the unit may have done right or wrong. It is neither a "
        "pass nor a fail; the record says what would decide it, such as a shorter `poll_every`, a finer signal, "
        "a wider tolerance, or a declared `full_travel`."
    ),
    "aborted": Topic(
        "a run that did not come to its end, by Ctrl-C, a fault of the bench or a loss of power: it has no "
        "verdict, whatever its steps had shown so far, and is never a pass."
    ),
    "margin": Topic(
        "how far a response was from the edge of its verdict, in the signal's unit and in seconds: "
        "the worst that the "
        "readings leave possible.",
        "reached 5.3 % where 5 % ± 2 % is wanted: 1.6 % left, readings being right to 0.1 %",
    ),
    "envelope": Topic(
        "the band in which the true value must have been at every moment: between two readings a "
        "vent moves no "
        "faster than `full_travel` allows. Verdicts are given on the envelope, not on the readings.",
        "full_travel: 28 s      # the shortest time from one end to the other",
    ),
    "guarded": Topic(
        "the usual decision rule. A reading is a little off, a little old, and says nothing of the time until the "
        "next one; guarded allows for that. Pass: whatever the vent really did between and around the readings, "
        "the unit did right. Fail: whatever it did, the unit did wrong. Inconclusive: it may have been either.",
        "decision: guarded\n# 5 % ± 2 % is wanted, readings are right to 0.3 %:\n"
        "# 6.6 % passes, 7.4 % fails, 6.9 % cannot be told",
    ),
    "simple": Topic(
        "the decision rule of a person with a stopwatch: readings are taken as they stand, so a reading just "
        "inside the limit passes though the vent may be just outside; the record says so.",
        "decision: simple",
    ),
    "record": Topic(
        "the run's log and what is made from it; each line is chained to the one before by SHA-256."
    ),
    "fault": Topic("a named wrong behaviour that the mock unit can be given, with a severity; see `faults`."),
    "seed": Topic(
        "the number that all chance of a run is drawn from, such as the jitter of the mock's replies: the same "
        "profile, bench and seed in virtual time give the same log. `--seed` sets it."
    ),
    "use": Topic(
        "`--use NAME=BENCH_NAME` takes the bench's output or signal BENCH_NAME where a profile says NAME, so "
        "that one profile serves benches that name things otherwise.",
        "--use roof_vent=ridge_left",
    ),
    "digest": Topic(
        "the SHA-256 of a file, as the record states it for the profile and the bench file: any change of the "
        "file, however small, gives another."
    ),
    "relay": Topic(
        "what opens and closes a contact of the bench. Its coil is on or off; whether the contact is then open "
        "or closed depends on how it is wired, see `at_rest`. `ventproof explain driver` lists what can drive one."
    ),
    "holding": Topic(
        "the table of 16-bit registers that can be read and written; 4xxxx in reference numbers.",
        "table: holding\naddress: 0            # reference: 40001",
    ),
    "discrete": Topic(
        "the table of single bits that can only be read; 1xxxx in reference numbers. `coil` is the one that can "
        "be written, 0xxxx; `input` and `holding` hold registers of 16 bits.",
        "table: discrete\naddress: 0            # reference: 10001\ntype: bit",
    ),
    "input register": Topic(
        "an entry of the table of 16-bit registers that can only be read; 3xxxx in reference numbers.",
        "table: input\naddress: 0            # reference: 30001",
    ),
    "evidence": _EVIDENCE,
    "window": Topic(
        "a span of time in which something surely happened, its exact moment being unknown: a stimulus between "
        "the command and the latest that the contact can have moved, a reading between its request and its "
        "reply. Nothing is taken for an instant."
    ),
    "sample": Topic(
        "one reading of a signal: the value, and the window of time in which the unit took it; it may be older by "
        "`refreshed_every`, and is right to half its resolution plus its accuracy."
    ),
    "gap": Topic("a span of time in which a bus brought no usable reply; nothing is proved by silence."),
    "off-by-one": _REFERENCE,
    "reference number": _REFERENCE,
    "contact": Topic(
        "two wires that see each other (closed) or do not (open). Whether the relay's coil is on is "
        "another matter: "
        "`at_rest` says what the contact is while the coil is off.",
        "at_rest: open      # a normally open contact\nsafe: open",
    ),
    "safe state": Topic(
        "what the bench leaves behind on every way out, Ctrl-C and a killed program included. "
        "Without power only "
        "`at_rest` holds, so the two should be the same.",
        "at_rest: open\nsafe: open",
    ),
    "virtual time": Topic(
        "with the mock inside this process time jumps to the next event, so that minutes take "
        "milliseconds and every "
        "run is the same. It cannot wait for real wires, so the two do not mix.",
        "link: in-process",
    ),
    "caution": Topic(
        "vents and drives move without warning and crush. Keep people clear and guards in place; "
        "isolate and lock out "
        "before touching. Low-voltage signal circuits only; mains work is for licensed people. "
        "Local codes and the "
        "maker's instructions come first."
    ),
    "$name": Topic(
        "stands for the entry of that name below `values:`; anywhere in a profile where one value is wanted.",
        "values:\n  roof_rain: 5 %\n# and further down\nreaches: $roof_rain",
    ),
}


_WHOLE: Final = ("profile", "bench", "table")
"""The words whose example is a whole file, to begin one's own with."""


@cache
def topics() -> Mapping[str, Topic]:
    """Return the words that are no keys, with their meaning."""
    whole = {word: replace(_TOPICS[word], example=whole_text(word)) for word in _WHOLE}
    return {**_TOPICS, **whole, "units": _units(), "drivers": _drivers(), "faults": _faults()}


def whole_text(kind: str) -> str:
    """Return the text of a whole profile, bench or table; they fit each other."""
    return (files("harness.profile") / "examples" / f"whole-{kind}.yaml").read_text(encoding="utf-8")


def _units() -> Topic:
    rows = []
    for dimension in Dimension:
        symbols = [u.symbol for u in UNITS.values() if u.dimension is dimension]
        rows.append(f"{dimension}: {', '.join(symbols) or 'a bare number'}")
    text = (
        "a quantity is a number and a unit; values that are read or written are kept in the unit "
        "named first here, "
        "times in s. `flag`, `count` and `state` are units of values that have none."
    )
    return Topic(text, rows="\n".join(rows))


def _drivers() -> Topic:
    rows = []
    for name in names():
        try:
            driver = find(name)
        except ValueError as error:
            rows.append(f"{name}: {error}")
            continue
        words = ", ".join(field.alias or key for key, field in driver.options.model_fields.items())
        rows.append(f"{name} ({driver.kind}): {driver.about}\n  wired: {words}")
    text = "an output names the driver that moves its hardware, and below `wired:` where that hardware is."
    return Topic(text, rows="\n".join(rows))


def _faults() -> Topic:
    from bench.mock.fault import FAMILIES  # noqa: PLC0415 - only where they are listed
    from bench.mock.faults import CATALOGUE  # noqa: PLC0415 - as above

    rows = []
    for family in FAMILIES:
        rows.append(f"\n{family}")
        for fault in (fault for fault in CATALOGUE.values() if fault.family == family):
            rows += [f"{fault.name}: {fault.about}", *(f"  {row}" for row in _told_of(fault))]
    text = (
        "wrong behaviours that the mock unit can be given, by `--fault NAME=SEVERITY` or in the bench file; a "
        "severity is more than 0 and at most 1000, and 1 unless stated."
    )
    return Topic(text, "--fault entry_late=2", "\n".join(rows))


@cache
def fault_topics() -> Mapping[str, Topic]:
    """Return the faults by name; they are too many to be listed among the words."""
    from bench.mock.faults import CATALOGUE  # noqa: PLC0415 - only where they are explained

    return {
        name: Topic(
            f"a fault that the mock unit can be given. {fault.about}",
            f"--fault {name}=2" if fault.severity else f"--fault {name}",
            "\n".join(_told_of(fault)),
        )
        for name, fault in CATALOGUE.items()
    }


def _told_of(fault: Fault) -> Iterator[str]:
    yield f"Severity: {fault.severity or 'none, it is there or not'}."
    if fault.needs:
        yield f"For a unit with {fault.needs} only."
    if fault.undecided:
        yield f"A run with it has no verdict: {fault.undecided}."
    if fault.equivalent:
        yield f"No test can tell: {fault.equivalent}"
