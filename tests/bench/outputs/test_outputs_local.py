"""LocalOutputs in virtual time: rest states, windows, trains, and the way to safe."""

from collections.abc import Coroutine
from typing import Any

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.protocols import Contact
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.drivers.driver import find, names
from ventproof_bench.outputs.outputs import LocalOutputs


class _Terminals:
    """The mock's terminals: keeps what it was told."""

    def __init__(self) -> None:
        self.edges: list[tuple[str, float, bool]] = []

    def set_contact(self, name: str, now_s: float, *, closed: bool) -> None:
        self.edges.append((name, now_s, closed))

    @property
    def now(self) -> dict[str, bool]:
        return {name: closed for name, _, closed in self.edges}


def _outputs(terminals: _Terminals, **specs: dict[str, Any]) -> LocalOutputs:
    made = {
        name: ContactOutput.model_validate({"driver": "mock", "wired": {"input": name}} | spec)
        for name, spec in specs.items()
    }
    return LocalOutputs(made, buses={}, specs={}, inputs=terminals)


def _virtually(main: Coroutine[Any, Any, None]) -> None:
    run(main, virtual=True)


@pytest.mark.parametrize("at_rest", ["open", "closed"])
@pytest.mark.parametrize("safe", ["open", "closed"])
def test_a_contact_does_as_told_whatever_its_rest_state(at_rest, safe):
    """Normally open and normally closed relays both give the contact that was asked for, and the safe one."""

    async def main():
        terminals = _Terminals()
        bench = _outputs(terminals, rain={"at_rest": at_rest, "safe": safe})
        await bench.open()
        assert terminals.now == {"rain": safe == "closed"}
        for closed in (True, False, True):
            await bench.contact("rain", closed=closed)
            assert terminals.now == {"rain": closed}
        await bench.close()
        assert terminals.now == {"rain": safe == "closed"}
        await bench.close()

    _virtually(main())


@pytest.mark.parametrize(
    ("at_rest", "closed", "latest_s"),
    [("open", True, 0.023), ("open", False, 0.013), ("closed", True, 0.013), ("closed", False, 0.023)],
)
def test_the_window_ends_after_operate_or_release_and_bounce(at_rest, closed, latest_s):
    """Energising takes the operate time, letting go the release time, and the bounce comes on top of both."""

    async def main():
        bench = _outputs(
            _Terminals(),
            rain={"at_rest": at_rest, "operate": "20 ms", "release": "10 ms", "bounce": "3 ms"},
        )
        await bench.open()
        window = await bench.contact("rain", closed=closed)
        assert window.earliest_s == now_s()
        assert window.latest_s - window.earliest_s == pytest.approx(latest_s)

    _virtually(main())


def test_a_train_plays_at_absolute_deadlines():
    """Edges go out exactly when due on the virtual clock, however many there are."""

    async def main():
        terminals = _Terminals()
        bench = _outputs(terminals, cups={"operate": "1 ms", "release": "1 ms", "bounce": "0 ms"})
        await bench.open()
        terminals.edges.clear()
        start_s = now_s() + 1
        plan = pulse_plan(1000, closed_for_s=0.01, open_for_s=0.023)
        reports = await bench.train("cups", plan, start_s=start_s)
        assert [(at_s, closed) for _, at_s, closed in terminals.edges] == [
            (pytest.approx(start_s + edge.at_s, abs=1e-8), edge.closed) for edge in plan
        ]
        assert all(r.window == Window(r.window.earliest_s, r.window.earliest_s + 0.001) for r in reports)

    _virtually(main())


def test_a_train_too_fast_for_the_relay_is_refused_unplayed():
    """A pulse shorter than the relay's operate time plus bounce might never reach the contact."""

    async def main():
        terminals = _Terminals()
        bench = _outputs(terminals, cups={"operate": "8 ms", "bounce": "4 ms"})
        await bench.open()
        before = len(terminals.edges)
        with pytest.raises(DriverError, match=r"^output cups: edges 10 ms apart are too fast .* needs 14 ms"):
            await bench.train("cups", pulse_plan(2, closed_for_s=0.01, open_for_s=0.1), start_s=now_s())
        assert len(terminals.edges) == before

    _virtually(main())


def test_unknown_names_are_answered_with_the_nearest():
    """An output that is not there is named, with the one that may have been meant."""

    async def main():
        bench = _outputs(_Terminals(), rain={})
        with pytest.raises(DriverError, match=r"^there is no contact 'rian'; did you mean 'rain'\?$"):
            await bench.contact("rian", closed=True)

    _virtually(main())


def test_drivers_are_found_by_name():
    """Every driver that is listed can be found under its own name; a slip gets the nearest one."""
    assert [find(name).name for name in names()] == names()
    assert {"coil", "control-line", "frames", "mock", "register", "scpi"} <= set(names())
    with pytest.raises(ValueError, match=r"^'coill' is not a driver; did you mean 'coil'\?$"):
        find("coill")


@pytest.mark.parametrize(
    ("wired", "driver", "reason"),
    [
        ({"input": "rain"}, "mokc", r"^output rain: 'mokc' is not a driver; did you mean 'mock'\?$"),
        (
            {"bus": "unit", "address": 0, "table": "holding"},
            "register",
            "serves `kind: register`, not `kind: contact`",
        ),
    ],
)
def test_an_output_that_cannot_be_built_is_named(wired, driver, reason):
    """The output's name stands before what is wrong with it."""
    spec = ContactOutput(driver=driver, wired=wired)
    with pytest.raises(ValueError, match=reason):
        LocalOutputs({"rain": spec}, buses={}, specs={}, inputs=_Terminals())


class _Flaky:
    """A contact that fails on the commands numbered in `fails`, counted from 1."""

    def __init__(self, fails: set[int], takes_s: float = 0.0) -> None:
        self.commands: list[bool] = []
        self._fails = fails
        self._takes_s = takes_s

    async def open(self) -> None:
        pass

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        self.commands.append(on)
        if len(self.commands) in self._fails:
            raise DriverError("no answer")
        return Window(now_s(), now_s() + self._takes_s)

    async def close(self) -> None:
        pass


def _with_contact(bench: LocalOutputs, name: str, contact: Contact) -> None:
    line = bench._contacts[name]
    bench._contacts[name] = type(line)(line.spec, contact, line.fastest_edge_s)


def test_one_missed_edge_leaves_a_hole_and_the_train_goes_on():
    """An edge that nothing proves has no window, and the record says why; the edges after it keep theirs."""

    async def main():
        bench = _outputs(_Terminals(), cups={})
        _with_contact(bench, "cups", flaky := _Flaky({3}))
        await bench.open()
        reports = await bench.train("cups", pulse_plan(3, closed_for_s=0.1, open_for_s=0.1), start_s=now_s())
        assert [r.window is None for r in reports] == [False, True, False, False, False, False]
        assert flaky.commands == [False, True, False, True, False, True, False]
        assert bench.notes == ["an edge is not confirmed to have left the bench: no answer"]

    _virtually(main())


@pytest.mark.parametrize("fails", [{3, 4}, {7}])
def test_a_train_that_leaves_the_contact_unknown_is_an_error(fails):
    """Two missed edges in a row, or a missed last one, are a broken output and no noise."""

    async def main():
        bench = _outputs(_Terminals(), cups={})
        _with_contact(bench, "cups", _Flaky(fails))
        await bench.open()
        with pytest.raises(DriverError, match=rf"^edge {max(fails) - 1} of 6 failed: no answer$"):
            await bench.train("cups", pulse_plan(3, closed_for_s=0.1, open_for_s=0.1), start_s=now_s())

    _virtually(main())


def test_make_safe_tries_every_output():
    """One output that fails does not keep the others from their safe state, and its error is raised."""

    async def main():
        terminals = _Terminals()
        bench = _outputs(terminals, rain={}, flood={}, wind={})
        _with_contact(bench, "flood", _Flaky({2}))
        await bench.open()
        await bench.contact("wind", closed=True)
        await bench.contact("rain", closed=True)
        with pytest.raises(DriverError, match=r"^no answer$"):
            await bench.make_safe()
        assert terminals.now == {"rain": False, "wind": False}

    _virtually(main())
