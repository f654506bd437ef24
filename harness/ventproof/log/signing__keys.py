"""Keys that sign logs: Ed25519 (RFC 8032) in the usual PEM files (RFC 5958, RFC 8410), and their fingerprints."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Final, final

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from bench.errors import FileError, Problem
from harness.record.whole import create_file

_LARGEST_BYTES: Final = 65_536
_OWNER_ONLY: Final = 0o600
_OTHERS: Final = 0o077
_SPKI_HEAD: Final = bytes.fromhex("302a300506032b6570032100")
"""What stands before the 32 bytes of an Ed25519 public key in its DER form (RFC 8410, 4)."""


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
        with path.open("rb") as file:
            return file.read(_LARGEST_BYTES)
    except OSError as error:
        raise _refused(path, f"cannot read the key: {error.strerror}") from error


def _refused(path: Path, reason: str, hint: str = "") -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])
