"""The command line. A command is imported only when it is called."""

from __future__ import annotations

import importlib
import io
import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Final, NoReturn

import click

from ventproof.verdict.finding import EXIT_BENCH, EXIT_INPUT, EXIT_INTERRUPTED, EXIT_PASS
from ventproof.verdict.old_names import OPTIONS
from ventproof_bench.base.interrupts import deafen, listen

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

TRACEBACK: Final = "VENTPROOF_TRACEBACK"
"""Environment variable with which an error of ventproof's own shows where it happened."""

HISTORY_VARIABLE: Final = "VENTPROOF_HISTORY"
"""Environment variable that says where the history is kept."""

HISTORY_FILE: Final = "records/history.sqlite"
"""Where the commands that read the history look for it, unless told."""

_SECTIONS: Final = {
    "Test a unit": {
        "demo:demo": "Run the shipped suite against the mock inside this process.",
        "check:check": "Check profiles, bench files and override tables.",
        "setup:setup": "Set up a first bench in a dialogue, and run a first rain test.",
        "tools:wiring": "Draw the wiring of a bench on a sheet.",
        "tools:read": "Show live readings of signals and registers.",
        "tools:switch": "Switch one contact once; show which signals respond.",
        "selfcheck:selfcheck": "Measure a bench; check the wiring of a unit.",
        "run:run": "Run profiles on a bench and write their logs.",
        "rack:rack": "Test several units on benches of their own at the same time.",
        "judge:judge": "Re-judge a log without a bench.",
    },
    "Keep records and compare firmware": {
        "report:report": "Write a report of logs for people or for CI.",
        "history:history": "List, export or browse past runs.",
        "compare:compare": "Compare two firmware versions.",
        "compare:trend": "Compare each response over all firmware versions.",
        "verify:verify": "Check logs for changes, and their signatures.",
        "archive:archive": "Compress logs; give the original bytes back.",
        "sign:sign": "Sign logs so that rewriting is detected.",
        "sign:bundle": "Pack logs, signatures and report into one file.",
        "sign:key": "Make a key pair for signatures.",
    },
    "Check the test suite": {
        "draft:draft": "Draft profiles from an override table.",
        "draft:trace": "Show the profiles for each rule of the table.",
        "challenge:challenge": "Count the faults that a suite detects.",
        "explore:explore": "Search random weather for violations of the table.",
    },
    "Run campaigns": {
        "campaign:campaign": "Run every combination of profiles, units, firmware and seeds.",
        "lab:scheduler": "Hand out the runs of campaigns to other computers.",
        "lab:worker": "Make runs of campaigns on this computer.",
        "lab:reopen": "Let campaigns use a bench again after a lost run.",
    },
    "Try and look up": {
        "mock:mock": "Serve the mock unit and mock relay boards on real wires.",
        "explain:explain": "Explain a word of the files, with an example.",
        "explain:schema": "Print the JSON Schema of a kind of file, for editors.",
    },
}
"""Where each command stands, `module:command` in this package, and what it does."""

_MODULES: Final = {
    place.partition(":")[2]: place.partition(":")[0] for section in _SECTIONS.values() for place in section
}


class _Commands(click.Group):
    """A group that knows its commands by name and imports one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _MODULES:
            return None
        module = importlib.import_module(f"{__name__}.{_MODULES[cmd_name]}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name, command, rest = super().resolve_command(ctx, args)
        return name, command, list(_options_now(rest, OPTIONS.get(name or "", {})))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        width = max(map(len, _MODULES))
        for heading, commands in _SECTIONS.items():
            with formatter.section(heading):
                rows = [(f"{place.partition(':')[2]:{width}}", about) for place, about in commands.items()]
                formatter.write_dl(rows)


def _options_now(words: list[str], names: Mapping[str, str]) -> Iterator[str]:
    """Yield the words of a command line with the options as they are called now, and warn of old names."""
    for number, word in enumerate(words):
        if word == "--":
            yield from words[number:]
            return
        option, equals, value = word.partition("=")
        if option in names:
            _say(f"warning: `{option}` is now `{names[option]}`; a later version refuses the old name")
        yield f"{names.get(option, option)}{equals}{value}"


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(package_name="ventproof")
def ventproof() -> None:
    """Prove that a greenhouse climate controller's weather overrides move the vents as they must.

    \b
    Exit codes:
      0 all pass
      1 something failed
      2 nothing failed, something is inconclusive
      3 a file or argument is wrong, nothing was switched
      4 the bench failed or a run was aborted
      5 every fail is an accepted deviation (`--waivers`), the rest passed
      130 interrupted, outputs safe
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks


def main(caller: object = None) -> NoReturn:
    """Run the command line; every error leaves as one clear message and an exit code.

    Args:
        caller: what of ventproof called it, for the command to find in its context; None: a person did.
    """
    listen()
    try:
        code = _run(caller)
    except KeyboardInterrupt:
        code = EXIT_INTERRUPTED  # on its way out already
    deafen()  # the outcome is known, and what is left is Python's own
    sys.exit(code)


def _run(caller: object = None) -> int:
    _show_what_can_be_shown()
    try:
        code = ventproof.main(prog_name="ventproof", standalone_mode=False, obj=caller)
    except click.exceptions.Abort as abort:
        return _said(str(abort.__cause__ or "") or "interrupted", EXIT_INTERRUPTED)
    except click.ClickException as error:
        from ventproof.cli.slips import worded  # noqa: PLC0415 - only on the way out

        return _said(worded(error), EXIT_INPUT)
    except BrokenPipeError:
        _hang_up()
        return EXIT_BENCH  # nobody reads, so nobody can be told how it ended: never a pass
    except Exception as error:
        if TRACEBACK in os.environ:
            raise
        return _said_of(error)
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _hang_up()
    except OSError as error:
        _hang_up()
        return _said_of(error)
    return code or EXIT_PASS


def _show_what_can_be_shown() -> None:
    """Let a terminal that has no ± show the rest."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _said_of(error: Exception) -> int:
    from ventproof_bench.base.errors import BenchError, FileError  # noqa: PLC0415 - only on the way out

    if isinstance(error, FileError):
        return _said(str(error), EXIT_INPUT)
    if isinstance(error, BenchError):
        return _said(str(error), EXIT_BENCH)
    if isinstance(error, OSError):  # of what cannot be done without: its output, its libraries
        where = f": {error.filename}" if error.filename else ""
        return _said(f"the system refused it ({error.strerror or error}){where}", EXIT_BENCH)
    said = f"{type(error).__name__}: {error}"
    return _said(f"ventproof itself failed ({said}); set {TRACEBACK}=1 to see where", EXIT_BENCH)


def _hang_up() -> None:
    """Point standard output nowhere, so that Python's own flush at exit cannot fail again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _said(message: str, code: int) -> int:
    """Say why the program ends, and return its exit code."""
    _say(message)
    return code


def _say(message: str) -> None:
    from ventproof_bench.base.text import harmless  # noqa: PLC0415 - only on the way out

    with suppress(OSError):  # the exit code still tells
        click.echo(harmless(message), err=True)
