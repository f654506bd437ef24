"""Explain (topics to YAML)."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from textwrap import dedent, indent
from typing import TYPE_CHECKING, Any, Final, final

from pydantic import BaseModel

from ventproof.papers.acceptance import AcceptanceFile
from ventproof.papers.waivers import WaiversFile
from ventproof.profile.model import Profile
from ventproof.reference.schema import MODELS, docs_of, drivers, families, models_in
from ventproof.runset.campaign import CampaignFile
from ventproof.runset.rack_file import RackFile
from ventproof.table.model import OverrideTable
from ventproof.verdict.old_names import renamed_keys
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.quantities import UNITS, Dimension, Quantity, canonical_symbol
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.drivers.driver import find, names
from ventproof_bench.yamlfile.fields import Written
from ventproof_bench.yamlfile.tree import Alias, Items, Node, Table, as_data, grow_tree
from ventproof_bench.yamlfile.value_errors import near

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from pydantic.fields import FieldInfo

    from ventproof_bench.mock.faults.fault import Fault


@final
@dataclass(frozen=True, slots=True)
class Topic:
    """A word with its meaning and, where they help, a list and an example."""

    text: str
    example: str = ""
    rows: str = ""


_WHOLE: Final = ("profile", "bench", "table")
"""The words whose example is a whole file, to begin one's own with."""


@cache
def topics() -> Mapping[str, Topic]:
    """Return the words that are no keys, with their meaning."""
    tree, _ = grow_tree((files("ventproof.reference") / "topics.yaml").read_text(encoding="utf-8"))
    assert tree is not None
    told = {word: Topic(**entry) for word, entry in as_data(tree).items()}
    told |= {word: replace(told[word], example=whole_text(word)) for word in _WHOLE}
    rows = {"units": _units(), "drivers": _drivers(), "faults": _faults()}
    return told | {word: replace(told[word], rows="\n".join(some)) for word, some in rows.items()}


def whole_text(kind: str) -> str:
    """Return the text of a whole profile, bench or table; they fit each other."""
    return (files("ventproof.reference") / "examples" / f"whole-{kind}.yaml").read_text(encoding="utf-8")


def _units() -> Iterator[str]:
    for dimension in Dimension:
        symbols = [u.symbol for u in UNITS.values() if u.dimension is dimension]
        yield f"{dimension}: {', '.join(symbols) or 'a bare number'}"


def _drivers() -> Iterator[str]:
    for name in names():
        try:
            driver = find(name)
        except ValueError as error:
            yield f"{name}: {error}"
            continue
        words = ", ".join(field.alias or key for key, field in driver.options.model_fields.items())
        yield f"{name} ({driver.kind}): {driver.about}\n  wired: {words}"


def _faults() -> Iterator[str]:
    from ventproof_bench.mock.faults.catalogue import CATALOGUE  # noqa: PLC0415 - as above
    from ventproof_bench.mock.faults.fault import FAMILIES  # noqa: PLC0415 - only where they are listed

    for family in FAMILIES:
        yield f"\n{family}"
        for fault in (fault for fault in CATALOGUE.values() if fault.family == family):
            yield f"{fault.name}: {fault.about}"
            yield from (f"  {row}" for row in _told_of(fault))


@cache
def fault_topics() -> Mapping[str, Topic]:
    """Return the faults by name; they are too many to be listed among the words."""
    from ventproof_bench.mock.faults.catalogue import CATALOGUE  # noqa: PLC0415 - only where they are explained

    return {
        name: Topic(
            f"a fault that the mock unit can be given. {fault.about}",
            f"--fault {name}=2" if fault.severity else f"--fault {name}",
            "\n".join(_told_of(fault)),
        )
        for name, fault in CATALOGUE.items()
    }


def _told_of(fault: Fault) -> Iterator[str]:
    yield f"Severity: {fault.severity or 'none, it is there or not'}."
    if fault.needs:
        yield f"For a unit with {fault.needs} only."
    if fault.undecided:
        yield f"A run with it has no verdict: {fault.undecided}."
    if fault.equivalent:
        yield f"No test can tell: {fault.equivalent}"


EXAMPLES: Final = (
    "profile.yaml",
    "bench-wires.yaml",
    "bench-in-process.yaml",
    "bench-vents.yaml",
    "bench-people.yaml",
    "table.yaml",
    "acceptance.yaml",
    "waivers.yaml",
    "campaign.yaml",
    "rack.yaml",
)
_MOST_LINES = 7


@final
@dataclass(frozen=True, slots=True)
class Meaning:
    """What a key means at one place of a file; `kinds` are those of the family that the place is, if it is one."""

    where: str
    text: str
    kinds: tuple[str, ...] = ()


def words() -> list[str]:
    """Return every word that can be explained, sorted."""
    return sorted({*keys(), *topics(), *(kind.word for family in families() for kind in family.kinds)})


def grouped() -> dict[str, list[str]]:
    """Return every word below a heading that says what it is or where it stands; one of several places is in each."""
    kinds = {family.many: [kind.word for kind in family.kinds] for family in families()}
    told = {word for many in ("stimuli", "responses", "conditions") for word in kinds[many]}
    places: dict[str, set[str]] = {}
    for key, meanings in keys().items():
        for meaning in meanings:
            file = "mock" if meaning.where.startswith("bench file: mock") else meaning.where.partition(":")[0]
            places.setdefault(file, set()).add(key)
    return {
        "Profile: what a step does": kinds["stimuli"],
        "Profile: what must follow": kinds["responses"],
        "Profile: other keys": sorted(places["profile"] - told),
        "Bench file: kinds of bus": kinds["buses"],
        "Bench file: kinds of output, and what drives them": list(
            dict.fromkeys((*kinds["outputs"], *kinds["drivers"]))
        ),
        "Bench file: keys": sorted(places["bench file"]),
        "Bench file: keys of the mock unit": sorted(places["mock"]),
        "Override table: conditions": kinds["conditions"],
        "Override table: other keys": sorted(places["override table"] - told),
        "Acceptance file: keys": sorted(places["acceptance file"]),
        "Waivers file: keys": sorted(places["waivers file"]),
        "Campaign file: keys": sorted(places["campaign file"]),
        "Rack file: keys": sorted(places["rack file"]),
        "Terms": sorted(topics()),
    }


def explain(word: str) -> str:
    """Return what a word of the files means, with an example.

    Raises:
        FileError: no such word; names the nearest one.
    """
    wanted = " ".join(word.split()).strip("`: ").lower()
    found = [*_kinds(wanted), *(part for part in (_topic(wanted), _key(wanted)) if part)]
    if not found and (meant := _meant(wanted)):
        return f"{wanted}: see `{meant}`.\n\n{explain(meant)}"
    if not found:
        reason = f"{word!r} is not a word of the files"
        meant = near(wanted, [*words(), *fault_topics(), *sought()])
        hint = f"did you mean {meant!r}?" if meant else "`ventproof explain` without a word lists them all"
        raise FileError([Problem("explain", None, None, reason, hint)])
    found += [family.listing() for family in families() if wanted in family.listed_by]
    shown = (f"Example:\n{indent(example, '    ')}" for example in examples(wanted) if wanted in keys())
    return "\n\n".join([*found, *shown])


@cache
def sought() -> Mapping[str, str]:
    """Return the words that people look for, each with the word that explains it."""
    tree, _ = grow_tree((files("ventproof.reference") / "sought.yaml").read_text(encoding="utf-8"))
    assert tree is not None
    return {str(other): word for word, others in as_data(tree).items() for other in others}


def _meant(word: str) -> str | None:
    """Return the word that explains another one: the same with other joints, or what it is called here."""
    joined = {known.translate(_JOINTS): known for known in [*words(), *fault_topics()]}
    older = [(old, new) for old, new in renamed_keys() if new in keys()]
    leads = {known.translate(_JOINTS): word for known, word in (*older, *sought().items())}
    plain = word.translate(_JOINTS)
    return joined.get(plain) or leads.get(plain)


_JOINTS: Final = str.maketrans("-_", "  ")


def _kinds(word: str) -> Iterator[str]:
    for family in families():
        for kind in family.kinds:
            if kind.word == word:
                form = family.form.format(word).removesuffix(" -")
                yield f"`{form}` is a kind of {family.name} ({family.file})\n{indent(kind.told(), '    ')}"


def _topic(word: str) -> str:
    topic = topics().get(word) or fault_topics().get(word)
    if topic is None:
        return ""
    rows = f"\n{indent(topic.rows.rstrip(), '  ')}" if topic.rows else ""
    example = f"\n\nExample:\n{indent(topic.example.rstrip(), '    ')}" if topic.example else ""
    return f"{word}: {topic.text}{rows}{example}"


def _key(word: str) -> str:
    """Return what a key means wherever it is no word of a kind, which is told already."""
    texts: dict[str, dict[str, list[str]]] = {}
    for meaning in keys().get(word, ()):
        if word not in meaning.kinds:
            places = texts.setdefault(meaning.text, {})
            places.setdefault(meaning.where, []).extend(meaning.kinds)
    said = []
    for text, places in texts.items():
        where = "; ".join(_neighbours(_where(place, kinds) for place, kinds in places.items()))
        said.append(f"`{word}:` in {where}\n    {text}")
    return "\n".join(said)


_BELOW: Final = re.compile(r"(?P<head>[^:]+: (?!every )\w+)(?P<mark>,? )(?P<tail>.+)")


def _neighbours(places: Iterable[str]) -> Iterator[str]:
    """Yield places in words, those below the same key or of the same family together: `boards, set_at, tripped`."""
    heads: dict[str, list[str]] = {}
    for place in places:
        below = _BELOW.fullmatch(place)
        head, tails = (below["head"] + below["mark"], [below["tail"]]) if below else (place, [])
        heads.setdefault(head, []).extend(tails)
    return (head + ", ".join(tails) for head, tails in heads.items())


def _where(place: str, kinds: list[str]) -> str:
    """Return a place in words; of a family, which of its kinds."""
    family = next((f for f in families() if place == f"{f.file}: {f.many}"), None)
    if family is None:
        return place
    every = {kind.word for kind in family.kinds} == set(kinds)
    return f"{family.file}: every {family.name}" if every else f"{place} {', '.join(dict.fromkeys(kinds))}"


@cache
def keys() -> Mapping[str, list[Meaning]]:
    """Return every key of the files with what it means at each of its places."""
    found: dict[str, list[Meaning]] = {}
    places: list[tuple[str, Any]] = [("profile", Profile), ("bench file", BenchFile)]
    places += [("override table", OverrideTable)]
    places += [("acceptance file", AcceptanceFile), ("waivers file", WaiversFile), ("rack file", RackFile)]
    places += [("campaign file", CampaignFile)]
    places += [("", driver.options) for driver in drivers()]
    for where, kind in places:
        for key, meaning in _keys(kind, where):
            known = found.setdefault(key, [])
            if meaning not in known:
                known.append(meaning)
    return found


def _keys(kind: Any, where: str) -> Iterator[tuple[str, Meaning]]:  # noqa: ANN401 - an annotation
    for model, _ in models_in(kind):
        family = next((f for f in families() if f.holds(model)), None)
        here = f"{family.file}: {family.many}" if family else where
        kinds = family.holds(model) if family else ()
        for name, field in model.model_fields.items():
            key = field.alias or name
            text = " ".join(docs_of(model).get(name, "").split())
            yield key, Meaning(here, text + _default(field), kinds)
            below = f"{here} {', '.join(kinds)}" if kinds else f"{here}{', ' if ':' in here else ': '}{key}"
            yield from _keys(field.annotation, below)


def _default(field: FieldInfo) -> str:
    value = field.default
    if isinstance(value, bool):
        return f" Unless stated: {str(value).lower()}."
    if isinstance(value, int | float):
        return f" Unless stated: {value:g}{_unit(field)}."
    if isinstance(value, str | Quantity) and value != "":
        return f" Unless stated: {value}."
    return ""


def _unit(field: FieldInfo) -> str:
    """Return the unit in which a quantity that is kept as a number is kept."""
    for said in field.metadata:
        if isinstance(said, Written) and said.dimension is not None:
            return f" {canonical_symbol(said.dimension)}"
    return ""


def examples(word: str) -> list[str]:
    """Return at most one example of a key from each kind of file, cut out of the example files."""
    found: dict[str, str] = {}
    for file in EXAMPLES:
        kind = _kind(file)
        line = _first_lines(file).get(word)
        if kind not in found and line is not None:
            found[kind] = _cut(example_text(file), line)
    return list(found.values())


def _kind(file: str) -> str:
    return file.removesuffix(".yaml").partition("-")[0]


@cache
def _first_lines(file: str) -> Mapping[str, int]:
    """Return the line of the first use of every key in an example file."""
    tree, _ = grow_tree(example_text(file))
    assert tree is not None
    lines: dict[str, int] = {}
    for key, line in _used(MODELS[_kind(file)], tree):
        lines.setdefault(key, line)
    return lines


def example_text(file: str) -> str:
    """Return the text of one of the example files."""
    return (files("ventproof.reference") / "examples" / file).read_text(encoding="utf-8")


def _used(kind: Any, node: Node) -> Iterator[tuple[str, int]]:  # noqa: ANN401 - an annotation
    """Yield the keys that a tree uses as `kind` means them, with their lines; names are no keys."""
    if isinstance(node, Alias):
        node = node.target
    if isinstance(node, Items):
        for child in node.children:
            yield from _used(kind, child)
        return
    if not isinstance(node, Table):
        return
    model = next((m for m, _ in models_in(kind) if _fits(m, node)), None)
    if model is None:
        for entry in node.entries.values():
            yield from _used(kind, entry.node)
        return
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    for key, entry in node.entries.items():
        yield key, entry.line
        if key == "wired" and isinstance(entry.node, Table):
            yield from ((word, inner.line) for word, inner in entry.node.entries.items())
        yield from _used(fields[key].annotation, entry.node)


def _fits(model: type[BaseModel], table: Table) -> bool:
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    needed = {key for key, field in fields.items() if field.is_required()}
    return needed <= table.entries.keys() <= fields.keys()


def _cut(text: str, line: int) -> str:
    """Return a line with the deeper lines below it."""
    lines = text.splitlines()
    first = lines[line - 1]
    depth = len(first) - len(first.lstrip())
    taken = [first]
    for following in lines[line:]:
        if len(following) - len(following.lstrip()) <= depth:
            break
        if len(taken) == _MOST_LINES:
            taken.append(" " * (depth + 2) + "…")
            break
        taken.append(following)
    return dedent("\n".join(taken))
