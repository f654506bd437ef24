"""Inputs for the fuzzer: what ships, what commands leave behind, and what becomes of both when it is changed.

Text is changed by its tokens and lines, logs and bundles also with their chain and their list made anew, so that a
change is seen behind them; histories by their cells. Anything is changed by its bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import random
import re
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import zstandard

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.log.archive import frames_of, lines_of

NUMBERS: Final = (
    *("0", "-1", "1", "1e308", "-1e308", "1e-308", "1e999", ".nan", ".inf", "0x7f", "1_000", "2147483648"),
    *("18446744073709551616", "65535", "65536", "0.1", "99999999999999999999999999", "1e12", "1e13", "-0.0"),
    *(
        "100 years",
        "1e308 min",
        "0 s",
        "NaN",
        "Infinity",
        "true",
        "null",
        "~",
        "''",
        "[]",
        "{}",
        "''''",
        "٣",
        "½",
    ),
)
ODD: Final = (
    *(
        "\x00",
        "\ufeff",
        "\u2028",
        "\u202e",
        "\ud7ff",
        "é",
        "🌧",
        "&a",
        "*a",
        "<<: *a",
        "!!python/object",
        "|",
        ">",
    ),
    *(
        "- ",
        "? ",
        ": ",
        "#",
        "%YAML 1.1\n---\n",
        "...",
        "---\n",
        "\t",
        "\r\n",
        "\x85",
        '"',
        "'",
        "\\",
        "../",
        "/dev/zero",
    ),
    *("$value", "$", "{", "}", "[", "]", ",", "\x1b[31m", "A" * 300, "[" * 60, "{a: " * 40),
)
_TOKEN: Final = re.compile(r"\w+|\s+|[^\w\s]")
_NUMBER: Final = re.compile(r"(?<![\w.])\d{1,9}(?:\.\d{1,9})?(?![\w.])")
_VALUE: Final = re.compile(r"(\b\w+): *([^\s,{}\[\]#][^,{}\[\]#\n]*)")
_SEQ: Final = re.compile(rb'^\{"seq":-?\d+')
_SEAL: Final = re.compile(rb',"chain":"[0-9a-f]{64}"\}\Z')

Change = Callable[[bytes, random.Random, list[bytes]], bytes]


def by_bytes(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change a few bytes, or cut, double, or cross with another input."""
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 4, 16))):
        at, size = chance.randint(0, len(changed)), chance.choice((1, 2, 8, 64, 512))
        match chance.randrange(6):
            case 0:
                changed[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del changed[at : at + size]
            case 2:
                changed[at:at] = changed[at : at + size]
            case 3:
                changed[at:at] = chance.randbytes(min(size, 8))
            case 4:
                del changed[at:]
            case _:
                other = chance.choice(others)
                begin = chance.randint(0, len(other))
                changed[at:at] = other[begin : begin + size]
    return bytes(changed)


def by_tokens(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change words, numbers and lines of a text, with those of others."""
    text = data.decode("utf-8", "replace")
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        text = chance.choice((_a_token, _a_token, _a_line))(text, chance, others)
    return text.encode("utf-8", "surrogatepass")


def by_values(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change a number a little, or give a key the value that it has elsewhere: most of it is still accepted."""
    text = data.decode("utf-8", "replace")
    for _ in range(chance.choice((1, 1, 2, 4))):
        if chance.random() < 0.5 and (numbers := list(_NUMBER.finditer(text))):
            one = chance.choice(numbers)
            value = float(one[0]) * chance.choice((0.1, 0.5, 0.9, 1.1, 2, 10)) + chance.choice(
                (0, 0, 0, 1, -1)
            )
            text = f"{text[: one.start()]}{value:g}{text[one.end() :]}"
        elif values := list(_VALUE.finditer(text)):
            one = chance.choice(values)
            elsewhere = [text, *(other.decode("utf-8", "replace") for other in chance.choices(others, k=2))]
            like = [found[2] for told in elsewhere for found in _VALUE.finditer(told) if found[1] == one[1]]
            text = f"{text[: one.start(2)]}{chance.choice(like)}{text[one.end(2) :]}"
    return text.encode("utf-8", "surrogatepass")


def _a_token(text: str, chance: random.Random, others: list[bytes]) -> str:
    tokens = _TOKEN.findall(text)
    if not tokens:
        return chance.choice(ODD)
    at = chance.randrange(len(tokens))
    match chance.randrange(6):
        case 0:
            tokens[at] = chance.choice(NUMBERS)
        case 1:
            tokens[at] = chance.choice(ODD)
        case 2:
            tokens[at] = chance.choice(tokens)
        case 3:
            del tokens[at]
        case 4:
            foreign = _TOKEN.findall(chance.choice(others).decode("utf-8", "replace")[:20_000])
            tokens[at] = chance.choice(foreign) if foreign else ""
        case _:
            numbers = [place for place, token in enumerate(tokens) if token[0].isdigit()]
            tokens[chance.choice(numbers) if numbers else at] = chance.choice(NUMBERS)
    return "".join(tokens)


def _a_line(text: str, chance: random.Random, others: list[bytes]) -> str:
    lines = text.splitlines(keepends=True) or [""]
    at = chance.randrange(len(lines))
    match chance.randrange(5):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, chance.choice(lines))
        case 2:
            lines[at] = chance.choice((" ", "  ", "    ", "- ")) + lines[at]
        case 3:
            lines[at] = lines[at].lstrip()
        case _:
            foreign = chance.choice(others).decode("utf-8", "replace").splitlines(keepends=True) or [""]
            lines.insert(at, chance.choice(foreign))
    return "".join(lines)


def _in_json(value: Any, chance: random.Random) -> Any:  # noqa: PLR0911 - one for each kind of change
    """Change one thing somewhere in what JSON holds."""
    if isinstance(value, dict) and value and chance.random() < 0.9:
        key = chance.choice(list(value))
        if chance.random() < 0.08:
            return {k: v for k, v in value.items() if k != key}
        if chance.random() < 0.05:
            return {**value, chance.choice(("x", "", "seq", "event")): 1}
        return {**value, key: _in_json(value[key], chance)}
    if isinstance(value, list) and value and chance.random() < 0.9:
        at = chance.randrange(len(value))
        if chance.random() < 0.1:
            return value[:at] + value[at + 1 :]
        if chance.random() < 0.1:
            return value[:at] + value[at : at + 1] + value[at:]
        return [*value[:at], _in_json(value[at], chance), *value[at + 1 :]]
    if isinstance(value, str) and value and chance.random() < 0.6:
        return by_tokens(value.encode(), chance, [b"x"]).decode("utf-8", "replace")
    numbers = (0, -1, 1, 1e308, 1e-300, 2**63, 2**64, 1e15, 0.5, -0.0, 65536)
    return chance.choice(
        (*numbers, None, True, False, "", "x", "/etc/passwd", "../x", [], {}, [[]], {"a": 1})
    )


def by_json(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change what a JSON file says, not how it is written."""
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return by_bytes(data, chance, others)
    for _ in range(chance.choice((1, 1, 2))):
        value = _in_json(value, chance)
    return json.dumps(value, ensure_ascii=False, indent=1).encode("utf-8", "backslashreplace") + b"\n"


def by_events(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change what lines of a log say, drop, double or swap lines, and chain all of it anew."""
    lines = [_SEAL.sub(b"}", line) for line in data.split(b"\n") if line.strip()]
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        if not lines:
            break
        at = chance.choice((0, len(lines) - 1, chance.randrange(len(lines)), chance.randrange(len(lines))))
        match chance.randrange(8):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, chance.choice(lines))
            case 2:
                foreign = [line for line in chance.choice(others).split(b"\n") if line.startswith(b"{")] or [
                    b"{}"
                ]
                lines.insert(at, _SEAL.sub(b"}", chance.choice(foreign)))
            case _:
                with suppress(ValueError, RecursionError):
                    said = _in_json(json.loads(lines[at]), chance)
                    lines[at] = json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode(
                        "utf-8", "backslashreplace"
                    )
    return sealed(lines, renumbered=chance.random() < 0.9)


def sealed(lines: list[bytes], *, renumbered: bool = True) -> bytes:
    """Return lines of a log, chained."""
    digest, whole = "0" * 64, []
    for number, line in enumerate(lines):
        body = _SEQ.sub(b'{"seq":%d' % number, line) if renumbered else line
        digest = hashlib.sha256(digest.encode() + body).hexdigest()
        whole.append(body[:-1] + b',"chain":"' + digest.encode() + b'"}\n')
    return b"".join(whole)


def by_frames(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change what an archive holds, its digests made anew or not, and compress all of it again."""
    try:
        lines = list(lines_of(io.BytesIO(data)))
        if chance.random() < 0.7:
            return b"".join(frames_of(by_events(b"".join(lines), chance, [b"{}"]).splitlines(keepends=True)))
        held = zstandard.ZstdDecompressor().stream_reader(data, read_across_frames=True).read()
    except Exception:  # noqa: BLE001 - another change broke it
        return by_bytes(data, chance, others)
    return zstandard.compress(chance.choice((by_tokens, by_bytes))(held, chance, [held]))


def by_members(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change a file of a bundle, or its name, and list all of them anew."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = {one: archive.read(one) for one in archive.namelist() if one != "contents.json"}
            contents = dict(json.loads(archive.read("contents.json")))
    except Exception:  # noqa: BLE001 - another change broke it
        return by_bytes(data, chance, others)
    name = chance.choice(list(members) or ["x"])
    change = (
        by_events if name.endswith(".jsonl") else by_json if name.endswith((".sig", ".json")) else by_bytes
    )
    members[name] = change(members.get(name, b""), chance, others)
    if chance.random() < 0.2:
        odd = (
            "logs/../x.jsonl",
            "logs/a\x00.jsonl",
            "/etc/x.jsonl",
            "logs/x.jsonl",
            "logs//x.jsonl",
            "report.html",
        )
        members[chance.choice(odd)] = members.pop(name)
    contents["files"] = [
        {"name": one, "bytes": len(what), "sha256": hashlib.sha256(what).hexdigest()}
        for one, what in sorted(members.items())
    ]
    if chance.random() < 0.2:
        contents = _in_json(contents, chance)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for one, what in {**members, "contents.json": json.dumps(contents).encode()}.items():
            archive.writestr(zipfile.ZipInfo(one), what)
    return made.getvalue()


def by_cells(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """Change cells of a history."""
    database = sqlite3.connect(":memory:")
    try:
        database.deserialize(data[:18] + b"\1\1" + data[20:])  # no write-ahead log, which memory has not
        tables = [row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        table = chance.choice([name for name in tables if not name.startswith("sqlite_")])
        column = chance.choice([row[1] for row in database.execute(f"PRAGMA table_info({table})")])
        value = _in_json(chance.choice(("x", 1.5, 3, None)), chance)
        value = json.dumps(value) if isinstance(value, list | dict) else value
        value = value if not isinstance(value, int) or abs(value) < 2**63 else float(value)
        database.execute("PRAGMA foreign_keys = OFF")
        with suppress(sqlite3.IntegrityError):
            database.execute(f"UPDATE {table} SET {column} = ?", (value,))
        database.commit()
        return database.serialize()
    except (sqlite3.Error, IndexError, OverflowError, MemoryError, UnicodeError):
        return by_bytes(data, chance, others)
    finally:
        database.close()


CHANGES: Final[dict[str, tuple[Change, ...]]] = {
    "profile": (by_values, by_values, by_values, by_tokens, by_tokens, by_bytes),
    "bench": (by_values, by_values, by_values, by_tokens, by_tokens, by_bytes),
    "table": (by_values, by_values, by_values, by_tokens, by_tokens, by_bytes),
    "guise": (by_values, by_values, by_tokens, by_bytes),
    "campaign": (by_values, by_values, by_tokens, by_bytes),
    "rack": (by_values, by_values, by_tokens, by_bytes),
    "series": (by_values, by_values, by_tokens, by_bytes),
    "log": (by_events, by_events, by_events, by_bytes),
    "archive": (by_frames, by_frames, by_bytes),
    "key": (by_tokens, by_bytes),
    "signature": (by_json, by_json, by_tokens, by_bytes),
    "manifest": (by_json, by_json, by_bytes),
    "journal": (by_json, by_json, by_bytes),
    "history": (by_cells, by_cells, by_bytes),
    "bundle": (by_members, by_members, by_bytes),
    "frames": (by_bytes,),
}
"""How inputs of a kind are changed; a change that stands there twice is made twice as often."""


CAMPAIGN: Final = """
campaign: night
profiles: [rain.yaml, again.yaml]
benches:
  - {file: seldom.yaml, units: [GH-8], profiles: [rain.yaml]}
firmware: ["2.3", "2.4"]
units: [GH-7]
faults: [none, slow_debounce=2]
seeds: [0, 7]
repeats: 2
"""
RACK: Final = """
rack: bay
profiles: [rain.yaml]
firmware: "3.1"
places:
  left: {unit: V-1, bench: seldom.yaml}
  right: {unit: V-2, bench: tcp.yaml, firmware: "3.2", map: {rain: rain}}
"""
"""Of files in the fuzzer's folder."""


def shipped_inputs(series_profile: Path) -> dict[str, list[bytes]]:
    """Return what ships, by kind, and files that name some of it."""
    tables = sorted(SHIPPED_BENCH.parent.glob("*-overrides.yaml"))
    benches = [path for path in SHIPPED_BENCH.parent.glob("*.yaml") if path not in tables]
    profiles = [path for path in SHIPPED.parent.rglob("*.yaml") if path.name != series_profile.name]
    return {
        "profile": [path.read_bytes() for path in sorted(profiles)],
        "bench": [path.read_bytes() for path in sorted(benches)],
        "table": [path.read_bytes() for path in tables],
        "guise": [path.read_bytes() for path in sorted((SHIPPED_BENCH.parent / "guises").glob("*.yaml"))],
        "series": [path.read_bytes() for path in sorted((SHIPPED / "rain" / "series").glob("*.csv"))],
        "campaign": [CAMPAIGN.encode()],
        "rack": [RACK.encode()],
        "frames": [bytes(range(64))],
    }
