"""`ventproof mock`: the mock unit and mock relay boards on real wires, until Ctrl-C."""

from __future__ import annotations

import os
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options

if TYPE_CHECKING:
    from contextlib import AsyncExitStack

    from ventproof_bench.mock.settings import MockSettings
    from ventproof_bench.mock.unit import MockUnit


_PIECE: Final = 4096


@click.command("mock")
@click.option(
    "--out",
    default=Path("/tmp/ventproof"),  # noqa: S108 - links and bench files that hold nothing secret
    type=click.Path(path_type=Path, file_okay=False),
    show_default=True,
    help="Folder for the pseudo-terminals' names and for the bench files.",
)
@click.option("--bench", type=click.Path(path_type=Path), help="Use the mock settings of this bench file.")
@click.option(
    "--as",
    "guise",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Serve a unit with the names, registers, unit id and relay board of this file, and a "
    "maker's list instead of bench files. For practice with `ventproof setup`.",
)
@options.faults("Give the unit a fault; `ventproof explain faults` lists them.")
@options.seed("Seed for the jitter of reply times.")
def mock(out: Path, bench: Path | None, guise: Path | None, faults: tuple[str, ...], seed: int) -> None:
    """Serve the mock unit and one relay board of each kind on pseudo-terminals and loopback sockets, until Ctrl-C.

    It shows each address and writes bench files. With --as it reads lines such as `roof open`, `roof 40 %` or `roof
    auto` from its standard input to operate a vent's hand switch, and shows which relay lamps are lit.
    """
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415

    if guise is not None and (bench is not None or faults):
        other = "--bench" if bench is not None else "--fault"
        hint = f"leave {other} out; settings and faults of a guise stand below `mock:` in its file"
        raise FileError([Problem("--as", None, None, f"cannot be had together with {other}", hint)])
    if guise is not None:
        _serve(out, lambda stack: _guised(guise, out, stack, seed))
        return
    settings = options.with_faults(options.bench_at(bench or options.SHIPPED_BENCH), faults).model.mock
    if settings is None:
        raise click.UsageError(f"{bench} has no `mock:` section to take the unit's settings from")
    _serve(out, lambda stack: _plain(settings, out, stack, seed))


def _serve(out: Path, begin: Callable[[AsyncExitStack], Awaitable[None]]) -> None:
    """Serve what `begin` opens until Ctrl-C."""
    import asyncio  # noqa: PLC0415 - only where something is served
    from contextlib import AsyncExitStack  # noqa: PLC0415

    from ventproof_bench.base.clock import run  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415

    async def main() -> None:
        async with AsyncExitStack() as stack:
            await begin(stack)
            click.echo("Ctrl-C ends it.")
            sys.stdout.flush()
            await asyncio.get_running_loop().create_future()

    try:
        run(main(), virtual=False)
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
    except (FileNotFoundError, PermissionError) as error:
        reason = f"{str(out)!r} cannot be used: {error.strerror}"
        raise FileError([Problem("--out", None, None, reason, "name a folder that you may write")]) from error


async def _plain(settings: MockSettings, out: Path, stack: AsyncExitStack, seed: int) -> None:
    """Serve the mock as it is, with a relay board of every kind."""
    from ventproof_bench.mock.wires.stand import serve  # noqa: PLC0415

    stand = await serve(settings, out, stack, seed=seed)
    click.echo("The mock unit and its relay boards listen here (one user a port):")
    for what, place in stand.places.items():
        click.echo(f"  {what:9} {place}")
    click.echo("Try, in another terminal:")
    for path in stand.bench_files:
        click.echo(
            f"  {sys.argv[0]} run profiles/weather/rain/rain-count.yaml --bench {path} --confirm-clear"
        )


async def _guised(path: Path, out: Path, stack: AsyncExitStack, seed: int) -> None:
    """Serve the mock in a guise, and obey the hand switches on standard input."""
    from ventproof_bench.mock.guise.serve import serve_guise  # noqa: PLC0415
    from ventproof_bench.mock.guise.settings import load_guise  # noqa: PLC0415

    guise = load_guise(path).model
    stand = await serve_guise(guise, out, stack, seed=seed, tell=_tell)
    click.echo(f"{guise.guise} listens here (one user a port), its relay board too:")
    for what, place in stand.places.items():
        click.echo(f"  {what:9} {place}")
    click.echo(f"Its maker's list of registers: {stand.makers_list}")
    vents = ", ".join(f"`{vent} open`" for vent in stand.unit.vents)
    click.echo(f"Hand switches: write {vents}, close, 40 % or auto, and Enter.")
    _obey(stand.unit, stack)


def _obey(unit: MockUnit, stack: AsyncExitStack) -> None:
    """Turn hand switches by the lines of standard input, as long as there is one."""
    import asyncio  # noqa: PLC0415 - as above

    from ventproof_bench.mock.guise.serve import turn_hand_switch  # noqa: PLC0415

    loop, typed = asyncio.get_running_loop(), bytearray()

    def heard() -> None:
        data = os.read(sys.stdin.fileno(), _PIECE)
        if not data:
            loop.remove_reader(sys.stdin)
        typed.extend(data)
        *lines, rest = typed.split(b"\n")
        typed[:] = rest
        for line in filter(None, (line.decode(errors="replace").strip() for line in lines)):
            try:
                _tell(turn_hand_switch(unit, line, loop.time()))
            except ValueError as error:
                click.echo(str(error), err=True)

    try:
        loop.add_reader(sys.stdin, heard)
    except (OSError, ValueError):
        return  # standard input is a file, or closed: nobody turns a switch there
    stack.callback(loop.remove_reader, sys.stdin)


def _tell(line: str) -> None:
    click.echo(line)
    sys.stdout.flush()
