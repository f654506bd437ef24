"""Driver `mock`: a contact at the terminals of the mock unit in this process."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.evidence import Window
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.yamlfile.fields import FileModel, Name

if TYPE_CHECKING:
    from ventproof_bench.base.protocols import MockInputs


_FASTEST_EDGE_S: Final = 0.0001


class MockOptions(FileModel):
    """`wired:` of driver `mock`."""

    input: Name
    """The mock's input that the contact is wired to."""


@final
class MockContact:
    """A relay whose contact is wired to the mock; it switches at once."""

    def __init__(self, inputs: MockInputs, name: str, *, at_rest_closed: bool) -> None:
        self._inputs = inputs
        self._name = name
        self._at_rest_closed = at_rest_closed

    async def open(self) -> None:
        """Nothing to open."""

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Move the contact now."""
        at_s = now_s()
        self._inputs.set_contact(self._name, at_s, closed=on != self._at_rest_closed)
        return Window(at_s, at_s)

    async def close(self) -> None:
        """Nothing to let go of."""


def _build(options: MockOptions, wiring: Wiring) -> MockContact:
    if wiring.inputs is None:
        raise ValueError("driver 'mock' needs the mock unit in this process: a bus with `link: in-process`")
    at_rest_closed = wiring.output.kind == "contact" and wiring.output.at_rest == "closed"
    return MockContact(wiring.inputs, options.input, at_rest_closed=at_rest_closed)


DRIVER: Final = Driver(
    name="mock",
    kind="contact",
    clock="virtual",
    about="A contact wired to an input of the mock unit inside this process.",
    options=MockOptions,
    build=_build,
    reads_back=True,
    fastest_edge_s=lambda _, __: _FASTEST_EDGE_S,
    place=lambda options: f"input {options.input} of the mock",
)
