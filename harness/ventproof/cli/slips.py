"""What is wrong with the words of a command line, in one line that says what would be right."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence


def worded(error: click.ClickException) -> str:
    """Return what a mistyped command line is told: what is wrong; what would be right."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    said, mend = _said(error, context)
    if not mend and context is not None:
        mend = f"see `{context.command_path} --help`"
    return f"{said}; {mend}" if mend else said


def _said(error: click.ClickException, context: click.Context | None) -> tuple[str, str]:
    """Return what is wrong and, where it is known, what would be right."""
    if isinstance(error, click.MissingParameter):
        return _missing(error.param, context)
    if isinstance(error, click.BadParameter) and error.param is not None:
        return _bad(error.message, error.param, context)
    if isinstance(error, click.BadOptionUsage):
        return _misused(error)
    for what, name in (("option", "option_name"), ("command", "command_name")):
        if hasattr(error, name):
            return f"{getattr(error, name)}: there is no such {what}", _meant(
                getattr(error, name), error, context
            )
    if error.message.startswith("Got unexpected extra argument"):
        words = error.message.partition("(")[2].rstrip(")")
        return f"{words}: more than the command takes", _usage(context)
    return error.format_message().rstrip("."), ""


def _missing(param: click.Parameter | None, context: click.Context | None) -> tuple[str, str]:
    if isinstance(param, click.Option):
        about = (param.help or "").partition(".")[0]
        what = f" ({about[:1].lower()}{about[1:]})" if about else ""
        return f"{param.opts[-1]} is missing{what}", ""
    if param is not None and isinstance(param.type, click.Choice):
        return f"{_name(param, context)} is missing", f"write {_listed(param.type.choices)}"
    return f"{_name(param, context)} is missing", _usage(context)


def _bad(message: str, param: click.Parameter, context: click.Context | None) -> tuple[str, str]:
    name, kind = _name(param, context), param.type
    value = message.partition(" is not ")[0]
    if isinstance(kind, click.Choice):
        return f"{name}: {value} is not one of the words for this", f"write {_listed(kind.choices)}"
    if isinstance(kind, click.types.IntParamType | click.types.FloatParamType):
        number = "a whole number" if isinstance(kind, click.types.IntParamType) else "a number"
        outside = "is not in the range" in message
        return f"{name}: {value} {'is out of range' if outside else f'is not {number}'}", _number(
            kind, number
        )
    taken = re.fullmatch(r"\w+ '(.*)' is a (file|directory)\.", message)
    if taken:
        is_file = taken[2] == "file"
        return f"{name}: {taken[1]!r} is a {'file' if is_file else 'folder'}", (
            "name a folder" if is_file else "name a file"
        )
    return f"{name}: {message.rstrip('.')}", ""


def _number(kind: Any, number: str) -> str:  # noqa: ANN401 - click's types of ranges share no public base
    """Return which numbers an option takes."""
    low, high = getattr(kind, "min", None), getattr(kind, "max", None)
    if low is None:
        return "write one such as 1"
    if high is None:
        return f"write {number} of at least {low:g}"
    least, most = getattr(kind, "min_open", False), getattr(kind, "max_open", False)
    return f"write {number} {'above' if least else 'from'} {low:g} {'and below' if most else 'to'} {high:g}"


def _misused(error: click.BadOptionUsage) -> tuple[str, str]:
    name = error.option_name
    if "requires an argument" in error.message:
        return f"{name}: its value is missing", f"write `{name} VALUE`"
    if "does not take a value" in error.message:
        return f"{name}: takes no value", f"write `{name}`"
    return f"{name}: {error.message.rstrip('.')}", ""


def _name(param: click.Parameter | None, context: click.Context | None) -> str:
    if isinstance(param, click.Option):
        return param.opts[-1]
    return param.make_metavar(context).rstrip(".") if param is not None and context is not None else "a word"


def _usage(context: click.Context | None) -> str:
    if context is None:
        return ""
    return f"write `{context.command_path} {' '.join(context.command.collect_usage_pieces(context))}`"


def _meant(word: str, error: click.ClickException, context: click.Context | None) -> str:
    """Return the nearest option, or the nearest command of a group that learns its commands when they are called."""
    near = getattr(error, "possibilities", None)
    if not near and context is not None and isinstance(context.command, click.Group):
        near = get_close_matches(word, context.command.list_commands(context))
    return f"did you mean {near[0]!r}?" if near else ""


def _listed(words: Sequence[Any]) -> str:
    *others, last = map(str, words)
    return f"{', '.join(others)} or {last}" if others else last
