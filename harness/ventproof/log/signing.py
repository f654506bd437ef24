"""A log's signature, in a small file beside it: what was signed, by which key, and whether the log still is that."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated, Final, Literal, final

from pydantic import AfterValidator, Field

from bench.document import load_document
from bench.errors import FileError, Problem, RecordError
from bench.fields import FileModel
from bench.stated import printable
from harness.record.keys import SigningKey, fingerprint, is_signed
from harness.record.read import LogCheck, check_log
from harness.record.whole import create_file

_DOMAIN: Final = "ventproof log signature 1"
_DIGITS: Final = 64

Hex32 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Hex64 = Annotated[str, Field(pattern="^[0-9a-f]{128}$")]


@final
class Signed(FileModel):
    """A signature file: one JSON object."""

    format: Literal[1] = 1
    """Version of this kind of file."""
    digest: Hex32
    """Digest of the log's last line."""
    lines: Annotated[int, Field(ge=1)]
    """How many lines the log has."""
    sha256: Hex32
    """SHA-256 of the whole file."""
    signer: Annotated[str, AfterValidator(printable)]
    """Who signed, as they stated it; only the key proves anything."""
    public_key: Hex32
    """The public half of the key that signed, Ed25519."""
    signature: Hex64
    """The signature (RFC 8032) over `message`."""

    @property
    def message(self) -> bytes:
        """The signed bytes: five lines of text that anybody can put together, and no line end after the last.

        The first line belongs to this use of a key alone, so that no signature made for anything else fits here.
        """
        facts = (self.digest, f"{self.lines}", self.sha256, self.public_key, self.signer)
        return "\n".join((_DOMAIN, *facts)).encode()

    @property
    def fingerprint(self) -> str:
        """The key's fingerprint, in groups that two people can compare by telephone."""
        return fingerprint(bytes.fromhex(self.public_key))

    @property
    def genuine(self) -> bool:
        """Whether the key that is named here did sign what stands here; it says nothing of whose key it is."""
        return is_signed(bytes.fromhex(self.public_key), bytes.fromhex(self.signature), self.message)

    def misfit(self, check: LogCheck) -> str:
        """Return what happened to the log since it was signed, in words; empty when nothing did.

        Args:
            check: of the log, with this signature's last line marked.
        """
        # In this order, since each line relies on the ones above: digests say something only where the chain holds,
        # and a marked line is there only if enough lines are.
        if check.broken_at is not None:
            return "it was changed since it was signed"
        if check.lines < self.lines:
            return f"lines were removed since it was signed: {self.lines} were signed, {check.lines} are left"
        if check.marked != self.digest:
            return "it was changed since it was signed, and chained anew"
        if check.lines > self.lines:
            return f"lines were added since it was signed: {self.lines} were signed, there are {check.lines}"
        if check.sha256 != self.sha256:
            return "what stands after its last line was changed since it was signed"
        return ""

    def wrong(self, log: Path) -> str:
        """Return what is wrong with this as the signature of a log, in a sentence; empty when nothing is.

        Raises:
            FileError: the log cannot be read.
        """
        if not self.genuine:
            return "The signature beside this log was not made with the key that it names."
        misfit = self.misfit(check_log(log, mark=self.lines))
        return misfit and f"The log is signed, but {misfit}."


def signature_path(log: Path) -> Path:
    """Return where a log's signature stands: `rain.jsonl.sig` beside `rain.jsonl`."""
    return log.with_name(f"{log.name}.sig")


def signature_of(log: Path) -> Signed | None:
    """Return a log's signature as it stands beside it, unchecked; None when there is none.

    `genuine` and `misfit` check it.

    Raises:
        FileError: the file beside the log cannot be read or is no signature.
    """
    path = signature_path(log)
    return load_document(path, Signed).model if os.path.lexists(path) else None


def whats_wrong(log: Path) -> str:
    """Return what is wrong with the signature beside a log, in a sentence; empty when nothing is, or there is none.

    Raises:
        FileError: the log cannot be read.
    """
    try:
        signed = signature_of(log)
    except FileError as error:
        return unreadable(error)
    return signed.wrong(log) if signed else ""


def unreadable(error: FileError) -> str:
    """Return what is said where a file lies beside a log that is no signature."""
    return f"The signature beside this log cannot be read: {error}."


def sign_log(log: Path, key: SigningKey, signer: str = "", *, digest: str = "") -> Signed:
    """Sign a log, an aborted one too, and write the signature beside it; one that exists is never replaced.

    Args:
        log: the log.
        key: the signer's.
        signer: who signs, as they state it.
        digest: what the log's digest must be, where the caller wrote it; empty: whatever it is.

    Raises:
        FileError: the log cannot be read, its chain is broken, or it is signed already.
        RecordError: it is not the log that the caller wrote, or the signature cannot be written.
    """
    path = signature_path(log)
    if os.path.lexists(path):
        hint = "a signature is never replaced; to check it: ventproof verify"
        raise FileError([Problem(str(log), None, None, f"is signed already, see {path.name}", hint)])
    check = check_log(log)
    if check.broken_at is not None:
        reason = f"its chain is broken ({check.reason}): it is not signed"
        raise FileError([Problem(str(log), check.broken_at, None, reason)])
    # Between writing and signing somebody may have changed it: a key must not vouch for that.
    if digest and check.digest != digest:
        raise RecordError(f"{log} is not what was written: somebody changed it meanwhile; it is not signed")
    # The signature is no part of the message, so that zeros may stand in its place until it is made.
    facts = Signed(
        digest=check.digest,
        lines=check.lines,
        sha256=check.sha256,
        signer=signer,
        public_key=key.public.hex(),
        signature="0" * 128,
    )
    signed = facts.model_copy(update={"signature": key.sign(facts.message).hex()})
    text = json.dumps(signed.model_dump(), ensure_ascii=False, indent=2) + "\n"
    try:
        create_file(path, text.encode())
    except OSError as error:
        raise RecordError(f"the signature {path} cannot be written: {error.strerror}") from error
    return signed


def verified(path: Path, owner: bytes | None, noted: str) -> tuple[list[str], bool]:
    """Return what there is to say of a log's chain and signature, and whether it is all right.

    Args:
        path: the log.
        owner: public key of whoever must have signed it; None where anybody may, or nobody.
        noted: its digest, or the first digits of it, as noted elsewhere; empty where it was not.

    Raises:
        FileError: the file is no log, or its signature file cannot be read.
    """
    signed = signature_of(path)
    check = check_log(path, mark=signed.lines if signed else 0)
    told, right = _state(check)
    said = [f"{path}{told}"]
    if noted and not check.digest.startswith(noted):
        said.append("  digest: NOT the one given: this is another log, or it was changed and chained anew")
        right = False
    elif noted:
        said.append(
            f"  digest: as given{'' if len(noted) == _DIGITS else f', in its first {len(noted)} digits'}"
        )
    if signed is not None or owner is not None:
        sentence, proper = _signature(signed, check, owner)
        said.append(f"  signature: {sentence}")
        said.extend([f"  key: {signed.fingerprint}"] if signed else [])
        right = right and proper
    return said, right


def _state(check: LogCheck) -> tuple[str, bool]:
    if check.broken_at is not None:
        return f":{check.broken_at}: broken: {check.reason}; {check.lines} lines before it are intact", False
    if not check.closed:
        return (
            f": intact as far as it goes ({check.lines} lines), but its closing line is missing: "
            f"the run died or the log was cut; it counts as aborted, digest {check.digest}"
        ), False
    return (
        f": intact, {check.lines} lines, {check.outcome}, digest {check.digest}",
        check.outcome != "aborted",
    )


def _signature(signed: Signed | None, check: LogCheck, owner: bytes | None) -> tuple[str, bool]:
    """Return what there is to say of a log's signature, and whether it is right."""
    if signed is None:
        return "MISSING: the log is not signed", False
    misfit = signed.misfit(check)
    if misfit:
        return f"WRONG for this log: {misfit}", False
    if not signed.genuine:
        return "FALSE: it was not made by the key that it names, or its file was changed", False
    by = f"by {signed.signer or 'nobody named'}"
    if owner is None:
        return f"fits, {by}; that the key is theirs is NOT proven without --key", True
    if bytes.fromhex(signed.public_key) != owner:
        return f"by ANOTHER KEY, {by}; the key asked for is {fingerprint(owner)}", False
    return f"right, {by}", True
