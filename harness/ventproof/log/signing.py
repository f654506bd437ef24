"""Ed25519 keys, signatures."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, final

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import AfterValidator, Field

from ventproof.log.names import signature_path
from ventproof.log.read import LogCheck, check_log
from ventproof_bench.base.errors import FileError, Problem, RecordError
from ventproof_bench.base.files import create_file, open_regular
from ventproof_bench.base.text import printable
from ventproof_bench.yamlfile.fields import FileModel
from ventproof_bench.yamlfile.load import load_document

_LARGEST_BYTES: Final = 65_536
_OWNER_ONLY: Final = 0o600
_OTHERS: Final = 0o077
_SPKI_HEAD: Final = bytes.fromhex("302a300506032b6570032100")
"""What stands before the 32 bytes of an Ed25519 public key in its DER form (RFC 8410, 4)."""


UNNAMED: Final = "an unnamed signer"
"""Who signed a log or what closes logs, where the signature states no name."""


@final
class SigningKey:
    """A private key; it is only ever asked to sign."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public = key.public_key().public_bytes_raw()

    def sign(self, message: bytes) -> bytes:
        """Return the 64 bytes of the signature; the same for the same key and message, always."""
        return self._key.sign(message)


def is_signed(public: bytes, signature: bytes, message: bytes) -> bool:
    """Return whether the owner of a public key (32 bytes) signed a message."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def fingerprint(public: bytes) -> str:
    """Return the SHA-256 of a public key's DER form, in 16 groups of four digits that can be read aloud.

    `openssl pkey -pubin -in NAME.pub -outform DER | sha256sum` gives the same digits.

    Args:
        public: the 32 bytes of the key.
    """
    digits = hashlib.sha256(_SPKI_HEAD + public).hexdigest()
    return " ".join(digits[at : at + 4] for at in range(0, len(digits), 4))


def check_free(*paths: Path) -> None:
    """Refuse to replace a file.

    Raises:
        FileError: one of them exists.
    """
    hint = "choose another name"
    taken = [
        Problem(str(path), None, None, "exists already", hint) for path in paths if os.path.lexists(path)
    ]
    if taken:
        raise FileError(taken)


def make_key(private: Path, public: Path, passphrase: str = "") -> SigningKey:
    """Make a new pair of keys and write both files; a file that exists is never replaced.

    Args:
        private: file for the private key; only its owner may read it.
        public: file for the public key.
        passphrase: what protects the private key; empty: nothing does.

    Raises:
        FileError: a file exists already or cannot be written.
    """
    check_free(private, public)
    key = Ed25519PrivateKey.generate()
    protection = (
        serialization.BestAvailableEncryption(_secret(passphrase))
        if passphrase
        else serialization.NoEncryption()
    )
    pem = serialization.Encoding.PEM
    _create(private, key.private_bytes(pem, serialization.PrivateFormat.PKCS8, protection), _OWNER_ONLY)
    spki = serialization.PublicFormat.SubjectPublicKeyInfo
    _create(public, key.public_key().public_bytes(pem, spki), 0o644)
    return SigningKey(key)


def _create(path: Path, content: bytes, mode: int) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        create_file(path, content, mode)
    except OSError as error:
        raise FileError(
            [Problem(str(path), None, None, f"cannot write the key: {error.strerror}")]
        ) from error


def is_protected(path: Path) -> bool:
    """Return whether a private key takes a passphrase.

    Raises:
        FileError: the file cannot be read.
    """
    return b"BEGIN ENCRYPTED PRIVATE KEY" in _read(path)


def load_signing_key(path: Path, passphrase: str = "") -> SigningKey:
    """Load a private key; a passphrase that it does not need is left alone.

    Raises:
        FileError: the file cannot be read, holds no private key that can sign here, or has another passphrase.
    """
    content, protected = _read(path), is_protected(path)
    if b"BEGIN PUBLIC KEY" in content:
        hint = "give the .key file that was made with it"
        raise _refused(path, "this is a public key: it signs nothing", hint)
    if protected and not passphrase:
        raise _refused(path, "this key is protected by a passphrase", "give it, or set VENTPROOF_PASSPHRASE")
    try:
        key = serialization.load_pem_private_key(content, _secret(passphrase) if protected else None)
    except (TypeError, ValueError, UnsupportedAlgorithm):
        if protected:
            raise _refused(path, "the passphrase is wrong, or the file was changed") from None
        raise _refused(
            path, "this is not a private key in PEM form", "make one: ventproof key NAME"
        ) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise _refused(path, "this key is of another kind than Ed25519", "make one: ventproof key NAME")
    return SigningKey(key)


def _secret(passphrase: str) -> bytes:
    return passphrase.encode("utf-8", "surrogateescape")  # as typed, whatever the terminal's encoding


def load_public_key(path: Path) -> bytes:
    """Return the 32 bytes of a public key.

    Raises:
        FileError: the file cannot be read or holds no public key that logs are signed with.
    """
    content = _read(path)
    if b"PRIVATE KEY" in content:
        hint = "give the .pub file that was made with it, and keep this one to yourself"
        raise _refused(path, "this is a private key", hint)
    try:
        key = serialization.load_pem_public_key(content)
    except (ValueError, UnsupportedAlgorithm):
        hint = "give the .pub file that `ventproof key` wrote"
        raise _refused(path, "this is not a public key in PEM form", hint) from None
    if not isinstance(key, Ed25519PublicKey):
        raise _refused(path, "this key is of another kind than Ed25519", "logs are signed with no other")
    return key.public_bytes_raw()


def readable_by_others(path: Path) -> bool:
    """Return whether other accounts of this machine may read or change a private key's file."""
    return bool(path.stat().st_mode & _OTHERS)


def _read(path: Path) -> bytes:
    try:
        with open_regular(path) as file:
            return file.read(_LARGEST_BYTES)
    except OSError as error:
        raise _refused(path, f"cannot read the key: {error.strerror}") from error


def _refused(path: Path, reason: str, hint: str = "") -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])


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
            return "it was changed after signing, and its chain was rewritten"
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
            return "The signature file of this log was not made with the key that it names."
        misfit = self.misfit(check_log(log, mark=self.lines))
        return misfit and f"The log is signed, but {misfit}."


def signature_of(log: Path) -> Signed | None:
    """Return a log's signature as it stands beside it, unchecked; None when there is none.

    `genuine` and `misfit` check it.

    Raises:
        FileError: the file beside the log cannot be read or is no signature.
    """
    path = signature_path(log)
    return load_document(path, Signed).model if os.path.lexists(path) else None


@final
@dataclass(frozen=True, slots=True)
class Signer:
    """Who signed a log: the fingerprint of the key, and the name that they stated."""

    fingerprint: str
    name: str


def signers(logs: Iterable[Path]) -> tuple[Signer, ...]:
    """Return who signed some logs, each key and name once; what is no signature is left out."""
    found: dict[Signer, None] = {}
    for log in logs:
        with suppress(FileError):
            if signed := signature_of(log):
                found[Signer(signed.fingerprint, signed.signer)] = None
    return tuple(found)


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
    return f"The signature file of this log cannot be read: {error}."


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
        raise RecordError(f"{log} is not what was written: it was changed in between; it is not signed")
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
    write_signature(path, signed)
    return signed


def write_signature(path: Path, signed: FileModel) -> None:
    """Write a signature file; one that exists is never replaced.

    Raises:
        RecordError: it cannot be written.
    """
    text = json.dumps(signed.model_dump(), ensure_ascii=False, indent=2) + "\n"
    try:
        create_file(path, text.encode())
    except OSError as error:
        raise RecordError(f"the signature {path} cannot be written: {error.strerror}") from error


@final
@dataclass(frozen=True, slots=True)
class VerifiedLog:
    """What there is to say of a log's chain and signature.

    Attributes:
        sentences: in order; the first is of the chain.
        unchanged: whether its chain is intact as far as it goes, and signature and digest are right, if asked for.
        check: of the log.
    """

    sentences: tuple[str, ...]
    unchanged: bool
    check: LogCheck


def verified(path: Path, owner: bytes | None, noted: str) -> VerifiedLog:
    """Return what there is to say of a log's chain and signature.

    Args:
        path: the log.
        owner: public key of whoever must have signed it; None where anybody may, or nobody.
        noted: its digest, or the first digits of it, as noted elsewhere; empty where it was not.

    Raises:
        FileError: the file is no log.
    """
    try:
        signed, illegible = signature_of(path), ""
    except FileError as error:
        signed, illegible = None, f"CANNOT BE READ: {'; '.join(map(str, error.problems))}"
    check = check_log(path, mark=signed.lines if signed else 0)
    said, unchanged = [f"{path}{_state(check)}"], check.broken_at is None
    if noted and not check.digest.startswith(noted):
        said.append(
            "  digest: NOT the one given: this is another log, or it was changed and its chain rewritten"
        )
        unchanged = False
    elif noted:
        said.append(
            f"  digest: as given{'' if len(noted) == _DIGITS else f', in its first {len(noted)} digits'}"
        )
    if signed is not None or owner is not None or illegible:
        sentence, proper = (illegible, False) if illegible else _signature(signed, check, owner)
        said.append(f"  signature: {sentence}")
        said.extend([f"  key: {signed.fingerprint}"] if signed else [])
        unchanged = unchanged and proper
    return VerifiedLog(tuple(said), unchanged, check)


def _state(check: LogCheck) -> str:
    if check.broken_at is not None:
        return f":{check.broken_at}: broken: {check.reason}; {check.lines} lines before it are intact"
    if not check.closed:
        return (
            f": intact as far as it goes ({check.lines} lines), but its closing line is missing: "
            f"the run died or the log was cut; it counts as aborted, digest {check.digest}"
        )
    return f": intact, {check.lines} lines, {check.outcome}, digest {check.digest}"


def _signature(signed: Signed | None, check: LogCheck, owner: bytes | None) -> tuple[str, bool]:
    """Return what there is to say of a log's signature, and whether it is right."""
    if signed is None:
        return "MISSING: the log is not signed", False
    misfit = signed.misfit(check)
    if misfit:
        return f"WRONG for this log: {misfit}", False
    if not signed.genuine:
        return "FALSE: it was not made by the key that it names, or its file was changed", False
    by = f"by {signed.signer or UNNAMED}"
    if owner is None:
        return f"fits, {by}; that the key is theirs is NOT proven without --key", True
    if bytes.fromhex(signed.public_key) != owner:
        return f"by ANOTHER KEY, {by}; the key asked for is {fingerprint(owner)}", False
    return f"right, {by}", True
