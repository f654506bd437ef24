"""`ventproof mock`: the mock unit and mock relay boards on real wires, until Ctrl-C."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ventproof.cli import options


@click.command("mock")
@click.option(
    "--at",
    default=Path("/tmp/ventproof"),  # noqa: S108 - links and bench files that hold nothing secret
    type=click.Path(path_type=Path, file_okay=False),
    show_default=True,
    help="Folder for the pseudo-terminals' names and for the bench files.",
)
@click.option(
    "--bench", type=click.Path(path_type=Path), help="Take the mock's settings from this bench file."
)
@options.faults("Give the unit a fault; `ventproof explain faults` lists them.")
@options.seed("Seed for the jitter of replies.")
def mock(at: Path, bench: Path | None, faults: tuple[str, ...], seed: int) -> None:
    """Serve the mock unit and a relay board of every kind on pseudo-terminals and loopback sockets, until Ctrl-C.

    It prints where each listens and writes bench files for them.
    """
    import asyncio  # noqa: PLC0415 - only where something is served
    from contextlib import AsyncExitStack  # noqa: PLC0415

    from ventproof_bench.base.clock import run  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic and pymodbus are slow to import
    from ventproof_bench.mock.wires.stand import serve  # noqa: PLC0415

    settings = options.with_faults(load_bench(bench or options.SHIPPED_BENCH), faults).model.mock
    if settings is None:
        raise click.UsageError(f"{bench} has no `mock:` section to take the unit's settings from")

    async def main() -> None:
        async with AsyncExitStack() as stack:
            stand = await serve(settings, at, stack, seed=seed)
            click.echo("The mock unit and its relay boards listen here (one user a port):")
            for what, place in stand.places.items():
                click.echo(f"  {what:9} {place}")
            click.echo("Try, in another terminal:")
            for path in stand.bench_files:
                click.echo(f"  {sys.argv[0]} run profiles/weather/rain-count.yaml --bench {path} --clear")
            click.echo("Ctrl-C ends it.")
            await asyncio.get_running_loop().create_future()

    try:
        run(main(), virtual=False)
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
    except (FileNotFoundError, PermissionError) as error:
        reason = f"{str(at)!r} cannot be used: {error.strerror}"
        raise FileError([Problem("--at", None, None, reason, "name a folder that you may write")]) from error
