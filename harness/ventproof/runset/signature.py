"""The signature of a file that closes runs: a manifest, or the record of a rack or campaign."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Final, Literal, final

from pydantic import AfterValidator

from ventproof.log.names import has_signature, signature_path
from ventproof.log.signing import (
    UNNAMED,
    Hex32,
    Hex64,
    SigningKey,
    fingerprint,
    is_signed,
    write_signature,
)
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import printable
from ventproof_bench.yamlfile.fields import FileModel
from ventproof_bench.yamlfile.load import load_document

_DOMAIN: Final = "ventproof manifest signature 1"
"""It belongs to this use of a key alone, so that no signature made for anything else fits here."""


@final
class SignedManifest(FileModel):
    """The signature file of a manifest, or of the record of a rack or campaign: one JSON object."""

    format: Literal[1] = 1
    """Version of this kind of file."""
    sha256: Hex32
    """SHA-256 of the signed file, which says itself what it is."""
    signer: Annotated[str, AfterValidator(printable)]
    """Who signed, as they stated it; only the key proves anything."""
    public_key: Hex32
    """The public half of the key that signed, Ed25519."""
    signature: Hex64
    """The signature (RFC 8032) over `message`."""

    @property
    def message(self) -> bytes:
        """The signed bytes: four lines of text, and no line end after the last."""
        return f"{_DOMAIN}\n{self.sha256}\n{self.public_key}\n{self.signer}".encode()

    @property
    def genuine(self) -> bool:
        """Whether the key that is named here did sign what stands here; it says nothing of whose key it is."""
        return is_signed(bytes.fromhex(self.public_key), bytes.fromhex(self.signature), self.message)


def sign_closing(path: Path, content: bytes, key: SigningKey, signer: str = "") -> None:
    """Sign a file that closes runs and write the signature beside it; one that exists is never replaced.

    Args:
        path: a manifest, or the record of a rack or campaign.
        content: its bytes, as they were written or read.
        key: the signer's.
        signer: who signs, as they state it.

    Raises:
        RecordError: the signature cannot be written.
    """
    facts = SignedManifest(
        sha256=hashlib.sha256(content).hexdigest(),
        signer=signer,
        public_key=key.public.hex(),
        signature="0" * 128,
    )
    signed = facts.model_copy(update={"signature": key.sign(facts.message).hex()})
    write_signature(signature_path(path), signed)


def closing_signature(path: Path, content: bytes, owner: bytes | None) -> tuple[str, str]:
    """Return who signed a file that closes runs, as stated, and what is wrong with its signature; empty: nothing.

    Args:
        path: the file; its signature is beside it.
        content: its bytes.
        owner: public key of whoever must have signed it; None where anybody may.
    """
    try:
        signed = load_document(signature_path(path), SignedManifest).model
    except FileError as error:
        return "", f"its signature cannot be read: {error}"
    if not signed.genuine:
        return "", "its signature was not made with the key that it names, or was changed"
    if signed.sha256 != hashlib.sha256(content).hexdigest():
        return "", "it was changed since it was signed"
    if owner is not None and bytes.fromhex(signed.public_key) != owner:
        return "", f"it is signed by another key; the key asked for is {fingerprint(owner)}"
    return signed.signer or UNNAMED, ""


def require_unsigned(paths: Iterable[Path]) -> None:
    """Refuse to go on without a key where what closes runs, or stands, is signed: the whole would not be any more.

    Args:
        paths: of logs or of what closes them.

    Raises:
        FileError: one is signed.
    """
    signed = [path for path in paths if has_signature(path)]
    if signed:
        reason = "it is signed, and what is to come would not be"
        raise FileError([Problem(str(signed[0]), None, None, reason, "give --sign")])
