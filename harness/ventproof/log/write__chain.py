"""The hash chain of a log: each line carries a digest over the digest before it and its own text (pure)."""

from __future__ import annotations

import hashlib
import re
from typing import Final

GENESIS: Final = "0" * 64
"""What stands for the digest before the first line."""

# The digest stands last and is cut off as bytes, never by decoding the line and writing it again: two JSON writers
# need not agree on a number's digits or on the order of keys, so a digest over a second text would prove nothing.
_SEAL = re.compile(rb',"chain":"([0-9a-f]{64})"\}\Z')


def link(previous: str, body: bytes) -> str:
    """Return the SHA-256 digest over the previous digest (64 hex digits) and a line's text without its own digest."""
    # Invariant: the previous digest has a fixed length, so no other split of the bytes gives the same input.
    return hashlib.sha256(previous.encode("ascii") + body).hexdigest()


def seal(body: bytes, previous: str) -> tuple[bytes, str]:
    """Return a line's JSON object with its digest added as the last member, and that digest.

    Args:
        body: the line as a JSON object, UTF-8, without line end.
        previous: digest of the line before, or `GENESIS`.
    """
    digest = link(previous, body)
    # `body` ends with the brace that closes the object; a body without members would give `{,`, and no line is without.
    return body[:-1] + b',"chain":"' + digest.encode("ascii") + b'"}', digest


def unseal(line: bytes) -> tuple[bytes, str] | None:
    """Return a line's text without its digest, and the digest; None when the line carries none."""
    match = _SEAL.search(line)
    if match is None:
        return None
    return line[: match.start()] + b"}", match[1].decode("ascii")
