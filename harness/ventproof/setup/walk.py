"""The guided first bench, from the first question to the first verdict."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.case.decidable import checked
from ventproof.firstbench.bench_text import UNIT_BUS, FirstBench, FirstSetting
from ventproof.firstbench.rain_test import rain_test, tolerances_percent
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.setup.asking import AUTOMATIC, NO, YES, Clearance, a_number, one_of, some_text, yes_or_no
from ventproof.setup.connection import connect
from ventproof.setup.dialogue import Dialogue, SetupQuestion, StepBack
from ventproof.setup.registers import find_out, find_setting
from ventproof.setup.relays import Clicker, find_board, loaded
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import create_file

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from ventproof.firstbench.makers_list import ListedValue
    from ventproof.setup.connection import Connection
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded

_BY_ITSELF: Final = "stand"
_WRITTEN: Final = "written"
_RUN_ENDS: Final = {
    0: "all passed",
    1: "something failed",
    2: "nothing failed, and not everything could be judged",
    4: "it was interrupted; there is no verdict",
}
_HOOKUP_ENDS: Final = {
    "fine": "wiring correct: each judged output gives its declared response",
    "partial": "no wiring error found; not everything could be judged",
    "worse": "wiring errors found; the messages above name the lines to check",
    "failed": "it was interrupted; nothing was judged",
}


@final
@dataclass(frozen=True, slots=True)
class HookUpTried:
    """How the trial of a hook-up ended.

    Attributes:
        code: its exit code.
        result: its result.
        log: its log.
    """

    code: int
    result: Literal["fine", "worse", "partial", "failed"]
    log: Path


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Trials:
    """What a finished bench file is tried with.

    Attributes:
        hookup: tries how the unit is hooked up to a bench.
        run: runs a profile on a bench; returns an exit code.
        ledger: where the operations of relays are added up as they are clicked; None: nowhere.
    """

    hookup: Callable[[Path], HookUpTried]
    run: Callable[[Path, Path], int]
    ledger: Path | None = None


def set_up(bench: Path, dialogue: Dialogue, trials: Trials, *, clear: bool) -> int:
    """Ask, look, click, write a bench file and a first rain test, and try both.

    Args:
        bench: the bench file; it is written once, and never replaced.
        dialogue: whoever is asked.
        trials: what the bench file is tried with.
        clear: vents and drives are clear of people and guarded: do not ask.

    Returns:
        The exit code of the first trial that did not pass, else 0.

    Raises:
        FileError: an answer will not do, or a file exists already.
        BenchError: the bench failed.
        SetupLeft: the operator left; what was answered is kept.
    """
    kept = dialogue.begin()
    if bench.exists() and not dialogue.kept(_WRITTEN):
        hint = "name another; a setup writes a new bench file"
        raise FileError([Problem(str(bench), None, None, "exists already", hint)])
    if kept:
        dialogue.asker.say(f"Going on where this was left: {kept} answers are kept in {dialogue.path}.")
    clearance = Clearance(dialogue, clear=clear)
    while True:
        try:
            return _Walk(bench, dialogue, trials, clearance).go()
        except StepBack:
            dialogue.back()


@final
class _Walk:
    """One way through all questions; those that are answered already are not asked."""

    def __init__(self, bench: Path, dialogue: Dialogue, trials: Trials, clearance: Clearance) -> None:
        self._path = bench
        self._dialogue = dialogue
        self._trials = trials
        self._clearance = clearance
        self._profile = bench.with_name(f"{bench.stem}-rain.yaml")

    def go(self) -> int:
        """Walk it."""
        if not (self._dialogue.kept(_WRITTEN) and self._path.exists()):
            self._write(self._described())
        return self._tried()

    def _described(self) -> FirstBench:
        title = self._ask("bench", "What shall this bench be called?", "First bench")
        connection = connect(self._dialogue)
        likely = next((one for one in connection.units if not one.switches), connection.units[0])
        unit_id = int(
            self._dialogue.ask(
                SetupQuestion(
                    key="unit_id",
                    text="Which of them is the unit under test?",
                    default=str(likely.unit_id),
                    choices={str(one.unit_id): connection.about(one.unit_id) for one in connection.units},
                    check=a_number(0, 255),
                    by_number=False,
                )
            )
        )
        registers = find_out(self._dialogue, connection, unit_id)
        self._until_automatic()
        board = find_board(self._dialogue, connection, unit_id)
        settings = self._settings(connection, unit_id, registers.settings)
        bare = FirstBench(
            title=title,
            buses={UNIT_BUS: connection.declared},
            unit_id=unit_id,
            signals=registers.signals,
            settings=settings,
        )
        return Clicker(self._dialogue, bare, board, self._clearance, self._trials.ledger).learn()

    def _ask(self, key: str, text: str, default: str) -> str:
        return self._dialogue.ask(SetupQuestion(key=key, text=text, default=default, check=some_text))

    def _settings(
        self, connection: Connection, unit_id: int, known: Mapping[str, ListedValue]
    ) -> tuple[FirstSetting, ...]:
        warm = self._warm(known)
        if warm not in known:
            return ()
        return (find_setting(self._dialogue, connection, unit_id, known[warm], list(known.values())),)

    def _warm(self, settings: Mapping[str, ListedValue]) -> str:
        choices = {name: f"the bench writes this setting: {value.label}" for name, value in settings.items()}
        warm = [name for name, value in settings.items() if value.unit == "°C" or "temp" in name]
        return self._dialogue.ask(
            SetupQuestion(
                key="warm",
                text="Before it rains the vents must stand open: only then is it seen what rain does. What opens them?",
                default=(warm or [_BY_ITSELF])[0],
                choices={**choices, _BY_ITSELF: "they stand open by themselves: I have set the unit so"},
                check=one_of((*choices, _BY_ITSELF)),
            )
        )

    def _until_automatic(self) -> None:
        """Have hand switches turned back before the first relay is clicked; that vents then open shows it."""

        def turned() -> str:
            text = "Turn every hand switch of the vents to automatic; then press Enter."
            self._dialogue.asker.wait(text, lambda: "", lambda: True)
            return YES

        self._dialogue.measured(AUTOMATIC, turned)

    def _write(self, bench: FirstBench) -> None:
        self._dialogue.asker.say(
            "Writing the bench file and the rain test, as sharp as this bench can decide."
        )
        made = loaded(bench)
        text = made.text
        bench = replace(bench, poll_every_s=made.model.buses[UNIT_BUS].poll_every)
        profile = _decidable(bench, made) if bench.answering else ""
        self._create(self._path, text)
        if profile:
            self._create(self._profile, profile)
        self._dialogue.measured(_WRITTEN, lambda: self._path.name)
        self._dialogue.asker.say(f"Written: {self._path}" + (f" and {self._profile}" if profile else ""))
        if bench.alike:
            labels = " and ".join(one.listed.label for one in bench.signals if one.name in bench.alike)
            self._dialogue.asker.say(
                f"{labels} give the same response to the rain contact: if the maker's list has them crossed, "
                "this test cannot show it. The self-check excludes them."
            )
        if not profile:
            self._dialogue.asker.say("No signal responds to the rain contact, so there is no rain test yet.")

    @staticmethod
    def _create(path: Path, text: str) -> None:
        try:
            create_file(path, text.encode())
        except FileExistsError:
            hint = "move it away; a setup never replaces a file"
            raise FileError([Problem(str(path), None, None, "exists already", hint)]) from None
        except OSError as error:
            raise FileError(
                [Problem(str(path), None, None, f"cannot be written: {error.strerror}")]
            ) from error

    def _tried(self) -> int:
        codes, ends, check = list[int](), list[str](), ""
        if self._profile.exists() and self._yes(
            "rain_test", f"Run the first rain test, {self._profile}, now? It takes two to four minutes."
        ):
            self._clearance.confirm()
            codes.append(self._trials.run(self._profile, self._path))
            ends.append(f"The rain test: {_RUN_ENDS[codes[-1]]}.")
        if self._yes(
            "selfcheck", "Check the wiring now, one output after the other? It takes about two minutes."
        ):
            self._clearance.confirm()
            tried = self._trials.hookup(self._path)
            codes.append(tried.code)
            ends.append(f"The wiring: {_HOOKUP_ENDS[tried.result]}.")
            check = "" if tried.result == "failed" else f" --selfcheck {tried.log}"
        for said in ends:
            self._dialogue.asker.say(said)
        self._dialogue.asker.say(
            f"Next: `ventproof run {self._profile} --bench {self._path}{check}`, and profiles of your own."
        )
        return next(filter(None, codes), 0)

    def _yes(self, key: str, text: str) -> bool:
        question = SetupQuestion(
            key=key, text=text, default="yes", choices={"yes": "", "no": ""}, check=yes_or_no
        )
        return self._dialogue.ask(question) != NO


def _decidable(bench: FirstBench, made: Loaded[BenchFile]) -> str:
    """Return the rain test with the smallest tolerance that can be decided on the bench."""
    texts = [rain_test(bench, tolerance) for tolerance in tolerances_percent(bench)]
    for text in texts:
        if not checked(bind(read_profile("the rain test", text), made, {})).undecidable:
            return text
    return texts[-1]
