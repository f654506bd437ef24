"""Loading one YAML file into a model; everything that is wrong in it is found at once and placed by line."""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Generic, TypeVar, final

import yaml
from pydantic import BaseModel, ValidationError

from ventproof_bench.base.errors import FileError, Problem, StructureError
from ventproof_bench.base.files import NotRegularError, open_regular
from ventproof_bench.yamlfile.renames import Renames, rename
from ventproof_bench.yamlfile.rest import places_of, take_out, words_of
from ventproof_bench.yamlfile.syntax_errors import word_yaml_error
from ventproof_bench.yamlfile.tree import (
    Node,
    Path,
    Table,
    TreeError,
    YamlFault,
    as_data,
    grow_tree,
    node_at,
    put_values,
    spot,
)
from ventproof_bench.yamlfile.value_errors import PathFault, word_errors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping


LARGEST_BYTES = 1_000_000
_KINDS = {
    "rack": "rack file",  # first: what it says for all its places has keys of other kinds
    "profile": "profile",
    "bench": "bench file",
    "table": "override table",
    "guise": "guise of the mock",
    "acceptance": "acceptance file",
    "waivers": "waivers file",
    "campaign": "campaign file",
}
"""Each kind of file by the key at its top that says so."""

_NO_RENAMES: Renames = {}

M_co = TypeVar("M_co", bound=BaseModel, covariant=True)
P = TypeVar("P", bound=BaseModel)

# YAML 1.2 chapter 5.1, characters that a YAML text may not hold.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufffe\uffff]")
_NEWLINE = re.compile("\r\n|[\r\n\x85\u2028\u2029]")


@final
@dataclass(frozen=True, slots=True)
class Loaded(Generic[M_co]):
    """A file that was loaded and found right.

    Attributes:
        model: what the file says.
        path: the path as the user gave it.
        text: the file's exact text; its UTF-8 encoding is the file byte for byte.
        digest: SHA-256 of the file, in hexadecimal.
        notes: things that are allowed but that the author should know.
        renamed: names of an older version that were read as the new ones.
        given: values that were given in place of those of the file, by name; `text` and `digest` are with them.
        file_digest: SHA-256 of the file itself, where values were given; empty otherwise.
        attached: texts of the files that it names and that belong to it, by the names it gives them.
        lacks: parts of the file that are wrong and were left out, so that the rest can be checked; of a file that is
            right, none.
    """

    model: M_co
    path: str
    text: str
    digest: str
    notes: tuple[Problem, ...]
    tree: Node
    attached: Mapping[str, str] = field(default_factory=dict)
    lacks: tuple[Path, ...] = ()
    renamed: tuple[Problem, ...] = ()
    given: Mapping[str, str] = field(default_factory=dict)
    file_digest: str = ""

    def locate(self, path: Path) -> tuple[int, int]:
        """Return the 1-based line and column of a path, or of its deepest part that exists."""
        place = spot(self.tree, path)
        return place.line, place.column

    def with_notes(self, notes: Iterable[Problem]) -> Loaded[M_co]:
        """Return the same file with these notes."""
        return replace(self, notes=tuple(in_file_order(notes)))

    def problem(self, path: Path, reason: str, hint: str = "", *, at_key: bool = False) -> Problem:
        """Return a problem placed at a path of keys and indices in this file."""
        return _located(self.path, self.tree, PathFault(path, reason, hint, at_key))

    def part(self, path: Path, model: type[P]) -> tuple[P | None, list[Problem]]:
        """Read the part of the file at `path` as another model; returns it or what is wrong with it.

        A part that is not written counts as an empty mapping.
        """
        node = node_at(self.tree, path)
        made, faults = _validate(as_data(node) if node is not None else {}, model)
        return made, [
            _located(self.path, self.tree, PathFault((*path, *f.path), f.reason, f.hint, f.at_key))
            for f in faults
        ]


def load_document(path: str | FilePath, model: type[P], *, values_key: str | None = None) -> Loaded[P]:
    """Load a YAML file as `model`.

    Args:
        path: the file, as the user named it.
        model: the pydantic model of its top level.
        values_key: key of a mapping at the top whose entries `$name` stands for, where the format has one.

    Raises:
        FileError: the file cannot be read or something in it is wrong; every fault found, in file order.
    """
    name = str(path)
    return read_document(name, _decode(name, _read_bytes(name)), model, values_key=values_key)


def read_document(path: str, text: str, model: type[P], *, values_key: str | None = None) -> Loaded[P]:
    """Read the text of a file as `model`, as `load_document` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return checked_document(path, text, model, lambda _: (), values_key=values_key)


def load_checked(
    path: str | FilePath,
    model: type[P],
    check: Callable[[Loaded[P]], Iterable[Problem]],
    *,
    values_key: str | None = None,
    renames: Renames = _NO_RENAMES,
) -> Loaded[P]:
    """Load a YAML file as `load_document` does, and check it as `checked_document` does.

    Raises:
        FileError: the file cannot be read or something in it is wrong; every fault found, in file order.
    """
    name = str(path)
    text = _decode(name, _read_bytes(name))
    return checked_document(name, text, model, check, values_key=values_key, renames=renames)


def checked_document(
    path: str,
    text: str,
    model: type[P],
    check: Callable[[Loaded[P]], Iterable[Problem]],
    *,
    values_key: str | None = None,
    renames: Renames = _NO_RENAMES,
) -> Loaded[P]:
    """Read the text of a file as `model`, and check what a model alone cannot know.

    Where its structure is wrong, the parts that are right are checked all the same, so that one round tells every slip.

    Args:
        path: only names it in messages.
        text: the file.
        model: the pydantic model of its top level.
        check: yields what is wrong with a file of a right structure; with `lacks`, nothing that follows from these.
        values_key: as of `load_document`.
        renames: names of an older version that are read as well.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    tree, faults = _grow(path, text)
    _check_kind(path, tree, model)
    if values_key is not None:
        faults.extend(put_values(tree, values_key))
    clashes, renamed = rename(tree, renames)
    problems = [_placed(path, fault) for fault in (*faults, *clashes)]
    made, path_faults = _validate(as_data(tree), model)
    problems.extend(_located(path, tree, fault) for fault in path_faults)
    odd = {(problem.line, problem.column) for problem in problems}
    lacks: dict[Path, Node] = {}
    while made is None:
        parts = take_out(tree, (fault.path for fault in path_faults))
        if not parts:
            raise StructureError(in_file_order(problems))
        lacks |= parts
        made, path_faults = _validate(as_data(tree), model)
    digest = hashlib.sha256(text.encode()).hexdigest()
    told = tuple(in_file_order(_placed(path, note) for note in renamed))
    loaded = Loaded(made, path, text, digest, notes=(), tree=tree, lacks=tuple(lacks), renamed=told)
    odd |= places_of(tree, (word for part, node in lacks.items() for word in words_of(part, node)))
    problems += [one for one in check(loaded) if (one.line, one.column) not in odd]
    if problems:
        raise FileError(in_file_order(problems))
    return loaded


def read_attached(path: FilePath, kind: str) -> str:
    """Return the text of a file that another one names.

    Args:
        path: the file.
        kind: what it should be, for messages: `CSV`.

    Raises:
        FileError: it cannot be read.
    """
    return _decode(str(path), _read_bytes(str(path), kind), kind)


def kind_of(path: str | FilePath) -> str:
    """Return which kind of file this is, `profile`, `bench` or `table`: the first that is a key at its top.

    Raises:
        FileError: the file cannot be read, or has none of these keys.
    """
    name = str(path)
    tree, _ = _grow(name, _decode(name, _read_bytes(name)))
    keys = tree.entries if isinstance(tree, Table) else {}
    found = next((kind for kind in _KINDS if kind in keys), None)
    if found is None:
        hint = f"a file shows its kind by one of the keys {', '.join(_KINDS)} at its top"
        raise FileError([Problem(name, 1, 1, "unknown kind of file", hint)])
    return found


def _check_kind(path: str, tree: Node, model: type[BaseModel]) -> None:
    """Refuse a file of another kind at once: each of its keys would be wrong."""
    keys = tree.entries if isinstance(tree, Table) else {}
    wanted = next((key for key in _KINDS if key in model.model_fields), None)
    said = next((key for key in _KINDS if key in keys), None)
    if wanted is None or said is None or wanted in keys:
        return
    entry = keys[said]
    reason = f"expected {_a(_KINDS[wanted])}, found {_a(_KINDS[said])}"
    raise FileError([Problem(path, entry.line, entry.column, reason)])


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def in_file_order(problems: Iterable[Problem]) -> list[Problem]:
    """Return problems sorted by place, the first one said of each place."""
    first: dict[tuple[str, int, int], Problem] = {}
    for problem in problems:
        first.setdefault((problem.file, problem.line or 0, problem.column or 0), problem)
    return [first[place] for place in sorted(first)]


def _placed(path: str, fault: YamlFault) -> Problem:
    return Problem(path, fault.line, fault.column, fault.reason, fault.hint)


def _located(path: str, tree: Node, fault: PathFault) -> Problem:
    place = spot(tree, fault.path, at_key=fault.at_key)
    hint = "; ".join(part for part in (fault.hint, place.via) if part)
    return Problem(path, place.line, place.column, fault.reason, hint)


def _validate(data: object, model: type[P]) -> tuple[P | None, list[PathFault]]:
    # JSON is the one strict mode that takes a list for a tuple; a quoted number stays text in it.
    text = json.dumps(data)
    try:
        return model.model_validate_json(text, strict=True, by_alias=True, by_name=False), []
    except ValidationError as error:
        return None, word_errors(error, model)


def _whole(path: str, reason: str, hint: str = "") -> FileError:
    return FileError([Problem(path, None, None, reason, hint)])


def _read_bytes(path: str, kind: str = "YAML") -> bytes:
    try:
        with open_regular(FilePath(path)) as file:
            size_bytes = os.fstat(file.fileno()).st_size
            if size_bytes > LARGEST_BYTES:
                raise _whole(
                    path,
                    f"the file is {size_bytes / 1e6:.1f} MB long",
                    f"at most {LARGEST_BYTES / 1e6:.0f} MB is read; is it the right file?",
                )
            return file.read(LARGEST_BYTES + 1)
    except IsADirectoryError:
        raise _whole(path, "this is a directory", f"name a {kind} file in it") from None
    except NotRegularError:
        raise _whole(path, "this is not a regular file", f"name a {kind} file") from None
    except FileNotFoundError:
        raise _whole(path, "there is no such file", "check the path") from None
    except PermissionError:
        raise _whole(path, "the file may not be read", "check its permissions") from None
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _whole(path, f"the file cannot be read: {said}", "check the path") from None


def _decode(path: str, data: bytes, kind: str = "YAML") -> str:
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise FileError([Problem(path, 1, 1, "the file is UTF-16", "save it as UTF-8")])
    zero = data.find(b"\0")
    if zero >= 0:
        reason = f"byte {zero + 1} is zero: this is not a text file"
        raise FileError([Problem(path, data.count(b"\n", 0, zero) + 1, None, reason, f"name a {kind} file")])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        reason = f"byte {error.start + 1} (0x{data[error.start]:02X}) is not UTF-8"
        raise FileError([Problem(path, line, None, reason, "save the file as UTF-8")]) from None


def _grow(path: str, text: str) -> tuple[Node, list[YamlFault]]:
    text = text.removeprefix("\ufeff")
    odd = _UNPRINTABLE.search(text)
    if odd:
        before = _NEWLINE.split(text[: odd.start()])
        reason = f"the character U+{ord(odd[0]):04X} cannot stand in a YAML file"
        raise FileError([Problem(path, len(before), len(before[-1]) + 1, reason, "delete it")])
    try:
        tree, faults = grow_tree(text)
    except TreeError as error:
        raise FileError([_placed(path, error.fault)]) from None
    except yaml.YAMLError as error:
        raise FileError([_placed(path, word_yaml_error(error, text))]) from None
    if tree is None:
        raise FileError([Problem(path, 1, 1, "the file holds nothing", "see `ventproof explain files`")])
    if not isinstance(tree, Table):
        raise FileError(
            [
                Problem(
                    path, tree.line, tree.column, "the file must be a mapping of keys", "write `key: value`"
                )
            ]
        )
    return tree, faults
