"""`ventproof setup`: a guided first bench, from the first question to the first verdict."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ventproof.cli import options
from ventproof.cli.suite import load_suite

if TYPE_CHECKING:
    from ventproof.setup.walk import HookUpTried


@click.command("setup")
@click.argument("bench", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--answer",
    "pairs",
    multiple=True,
    metavar="KEY=VALUE",
    help="Answer a question in advance; each question shows its key. May be given more than once.",
)
@click.option(
    "--answers",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Read answers from this file, for example from an earlier setup.",
)
@options.folder("--out", "records", "Folder for the logs of the trials.")
@click.option(
    "--any-path", is_flag=True, help="Let the file of answers name a maker's list outside its own folder."
)
@options.CLEAR
def setup(
    bench: Path, pairs: tuple[str, ...], answers: Path | None, out: Path, any_path: bool, clear: bool
) -> int:
    """Set up a first bench in a dialogue: bench file BENCH, wiring check and a first rain test.

    You need: the unit and the relay board connected and powered, and the maker's list of registers. Nothing is written
    to the unit unless you name a setting. No relay is switched before you confirm that vents and drives are clear.
    Leave with Ctrl-C; the same command continues. The answers are kept in the folder of BENCH. Without a terminal,
    each unanswered question takes its proposal.

    \b
    Exit code 0: the bench file is written, and the trials passed.
              1, 2: as those of `run` and `selfcheck --wiring`.
              3: an answer is wrong.
              4: the bench failed.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.setup.asking import NobodyAsked  # noqa: PLC0415
    from ventproof.setup.dialogue import Dialogue, SetupAsker, SetupFile, SetupLeft, given_by, given_by_option  # noqa: PLC0415
    from ventproof.setup.walk import Trials, set_up  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415
    from ventproof_bench.base.text import harmless  # noqa: PLC0415
    from ventproof_bench.yamlfile.load import load_document  # noqa: PLC0415

    if bench.suffix not in {".yaml", ".yml"}:
        hint = f"write {bench.with_suffix('.yaml')}"
        raise FileError([Problem(str(bench), None, None, "a bench file's name ends in .yaml", hint)])
    given = given_by(load_document(answers, SetupFile), any_path=any_path) if answers else {}
    asker: SetupAsker
    if sys.stdin.isatty() and sys.stdout.isatty():
        from ventproof.terminal.asking import TerminalAsker  # noqa: PLC0415

        asker = TerminalAsker()
    else:
        asker = NobodyAsked(lambda text: click.echo(harmless(text)))
    click.echo(options.CAUTION, err=True)
    dialogue = Dialogue(bench, asker, given | given_by_option(pairs))
    trials = Trials(
        hookup=lambda path: _hookup(path, out),
        run=lambda profile, path: _run(profile, path, out),
        ledger=options.ledger(out),
    )
    try:
        code = set_up(bench, dialogue, trials, clear=clear)
    except SetupLeft as left:
        raise click.Abort from left
    for key in dialogue.unused():
        click.echo(f"no question asked for the answer {key}", err=True)
    return code


def _hookup(bench: Path, out: Path) -> HookUpTried:
    from ventproof.cli.selfcheck import shown  # noqa: PLC0415
    from ventproof.session.selfcheck import selfcheck  # noqa: PLC0415
    from ventproof.setup.walk import HookUpTried  # noqa: PLC0415
    from ventproof.terminal.progress import checking  # noqa: PLC0415

    loaded = options.bench_at(bench)
    with checking(loaded.model, whole=False) as begins:
        result = selfcheck(loaded, out, kind="unit", begins=begins, ledger=options.ledger(out))
    return HookUpTried(shown(loaded.model, result), result.result, result.log)


def _run(profile: Path, bench: Path, out: Path) -> int:
    from ventproof.cli.run import run_suite  # noqa: PLC0415
    from ventproof.history.enter import keeper_of  # noqa: PLC0415
    from ventproof.session.repeats import repeats_for  # noqa: PLC0415
    from ventproof.session.session import Session  # noqa: PLC0415

    loaded = options.bench_at(bench)
    session = Session(bench=loaded, out=out, keeper=keeper_of(None, out), ledger=options.ledger(out))
    suite = load_suite([profile], session)
    return run_suite(session, suite, repeats_for(None, None, 95.0), (), quiet=False)
