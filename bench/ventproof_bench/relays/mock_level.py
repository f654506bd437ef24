"""Driver `mock-level`: a level at an analogue input of the mock unit in this process."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.evidence import Window
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.yamlfile.fields import FileModel, Name

if TYPE_CHECKING:
    from ventproof_bench.base.protocols import MockInputs


class MockLevelOptions(FileModel):
    """`wired:` of driver `mock-level`."""

    input: Name
    """The mock's analogue input that the level is put on."""


@final
class MockLevel:
    """A level that changes at once."""

    def __init__(self, inputs: MockInputs, name: str) -> None:
        self._inputs = inputs
        self._name = name

    async def open(self) -> None:
        """Nothing to open."""

    async def put(self, value: float) -> Window:
        """Put a level, mA or ohm, on the input now."""
        at_s = now_s()
        self._inputs.set_level(self._name, at_s, value)
        return Window(at_s, at_s)

    async def close(self) -> None:
        """Nothing to let go of."""


def _build(options: MockLevelOptions, wiring: Wiring) -> MockLevel:
    if wiring.inputs is None:
        raise ValueError(
            "driver 'mock-level' needs the mock unit in this process: a bus with `link: in-process`"
        )
    return MockLevel(wiring.inputs, options.input)


DRIVER: Final = Driver(
    name="mock-level",
    kind="level",
    clock="virtual",
    about="A level at an analogue input of the mock unit inside this process.",
    options=MockLevelOptions,
    build=_build,
    reads_back=True,
    place=lambda options: f"input {options.input} of the mock",
)
