"""Plain words: no sentence that a person reads holds a quaint one, each with what is written instead."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from source import modules, none_of

ROOT = Path(__file__).parents[2]

INSTEAD = {
    r"let(s|ting)? go": "release",
    r"owe[sd]?": "must",
    "anew": "again, restart",
    "told|says (nothing|what|that it)": "reported, shown",
    "so (many|much|long)": "a number",
    "for certain|surely|rightly": "known, confirmed",
    "nobody|whoever|everybody": "no person, the person who",
    "meanwhile": "in that time",
    "in peace": "unchanged",
    "borne out": "confirmed",
    "brings? about": "cause",
    "comes? to|came to": "reach, result in",
    r"(?<!there )(?<!here )is no (?!longer)\w+": "is not a ...",
    "wanted": "expected",
    "demand(s|ed)?": "require",
    "held to": "required",
    "otherwise than": "not as",
    "leaves? (open|possible)|left open|cannot (be )?tell|cannot be told": "inconclusive",
    "everything that|all that the": "all",
    "one and the same": "share",
    "beside": "together with",
    "alike": "the same",
    "mend(s|ed|ing)?": "repair, restore",
    "the truth|as it stands|stood|yesterday": "state, stay",
    r"flip(s|ped)?": "change",
    "course": "trajectory",
}
"""What is not written, and what is: ASD-STE100's one word, one meaning, and plain verbs of today (from memory)."""

BANNED = re.compile(rf"\b({'|'.join(INSTEAD)})\b", re.IGNORECASE)

QUERIES = re.compile(r"\b(SELECT|INSERT|CREATE) ")


def _explained(node):
    """Return the docstrings that people read too: a command's help, and what `explain` says of a file's keys."""
    if isinstance(node, ast.FunctionDef) and any("command" in ast.dump(d) for d in node.decorator_list):
        return {id(part.value) for part in node.body[:1] if isinstance(part, ast.Expr)}
    if isinstance(node, ast.ClassDef) and any("Model" in ast.dump(base) for base in node.bases):
        keys = zip(node.body, node.body[1:], strict=False)
        return {
            id(doc.value) for key, doc in keys if isinstance(key, ast.AnnAssign) and isinstance(doc, ast.Expr)
        }
    return set()


def _read_by_people(tree):
    """Yield (line, text) of each string in code that people read: messages, help, and what `explain` says."""
    skipped = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(node, ast.Assert):
            skipped |= {id(part) for part in ast.walk(node)}
        elif isinstance(body, list):
            skipped |= {id(part.value) for part in body if isinstance(part, ast.Expr)} - _explained(node)
    for node in ast.walk(tree):
        text = node.value if isinstance(node, ast.Constant) and id(node) not in skipped else None
        if isinstance(text, str) and " " in text and not QUERIES.search(text):
            yield node.lineno, text


def test_what_people_read_is_in_plain_words():
    """Messages, help and explanations hold no word of the list."""
    none_of(
        f"{module.place}:{line}: {match[0]!r} in {' '.join(text.split())[:90]!r}"
        for module in modules()
        for line, text in _read_by_people(module.tree)
        for match in BANNED.finditer(text)
    )


def test_shipped_files_are_in_plain_words():
    """So are the profiles and bench files, which people read first, and the explanations with their examples."""
    none_of(
        f"{path.relative_to(ROOT)}:{number}: {match[0]!r}"
        for folder in ("profiles", "bench/files", "harness/ventproof/reference")
        for path in sorted((ROOT / folder).rglob("*.yaml"))
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        for match in BANNED.finditer(line)
    )


def test_the_page_for_contributors_is_in_plain_words():
    """It too, but for names of the code, which stand between backquotes."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    prose = re.sub(r"```.*?```|`[^`]*`", lambda code: re.sub(r"[^\n]", "_", code[0]), text, flags=re.DOTALL)
    none_of(
        f"DEVELOPERS.md:{number}: {match[0]!r}"
        for number, line in enumerate(prose.splitlines(), 1)
        for match in BANNED.finditer(line)
    )
