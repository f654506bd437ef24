"""Signatures against RFC 8032, keys against RFC 8410, and a second implementation that shares no code (libsodium)."""

from __future__ import annotations

import base64
import hashlib

import pytest
from nacl.exceptions import BadSignatureError
from nacl.signing import SigningKey as SodiumSigningKey
from nacl.signing import VerifyKey

from ventproof.log.signing import (
    fingerprint,
    is_signed,
    load_public_key,
    load_signing_key,
    make_key,
    sign_log,
)
from ventproof.log.write import RecordLog
from ventproof_bench.base.errors import FileError

# RFC 8032, 7.1: secret key, public key, message, signature (TEST 1, 2, 3 and SHA(abc)); typed from memory, and no
# slip could make them agree.
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
            "d25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
            "387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
            "4a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        hashlib.sha512(b"abc").hexdigest(),
        (
            "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e030"
            "3dca179c138ac17ad9bef1177331a704"
        ),
    ),
]

# RFC 8410, 10.1 and 10.3: a public key and the private key that belongs to it; typed from memory, likewise.
PUBLIC = "MCowBQYDK2VwAyEAGb9ECWmEzf6FQbrBZ9w7lshQhqowtrbLDFw4rXAxZuE="
PRIVATE = "MC4CAQAwBQYDK2VwBCIEINTuctv5E1hK1bbY8fdp+K06/nwoy/HU++CXqI9EdVhC"


def pem(path, label, content):
    path.write_text(f"-----BEGIN {label} KEY-----\n{content}\n-----END {label} KEY-----\n", encoding="ascii")
    return path


def from_secret(path, secret):
    """A key file with a given secret key, in the form of RFC 8410, 7."""
    der = bytes.fromhex("302e020100300506032b657004220420" + secret)
    return load_signing_key(pem(path, "PRIVATE", base64.b64encode(der).decode()))


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_signatures_are_those_of_rfc_8032(secret, public, message, signature, tmp_path):
    """The same key and message give the published public key and signature, and that signature is taken for right."""
    key = from_secret(tmp_path / "a.key", secret)
    assert key.public.hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    assert is_signed(key.public, bytes.fromhex(signature), bytes.fromhex(message))
    assert not is_signed(key.public, bytes.fromhex(signature), bytes.fromhex(message) + b"\0")


def test_a_signature_has_no_second_form():
    """RFC 8032, 5.1.7 and 8.4: S plus the group's order solves the equation as well, and must be refused."""
    _, public, message, signature = VECTORS[1]
    order = 2**252 + 27742317777372353535851937790883648493
    half, s = bytes.fromhex(signature)[:32], int.from_bytes(bytes.fromhex(signature)[32:], "little")
    other = half + (s + order).to_bytes(32, "little")
    assert not is_signed(bytes.fromhex(public), other, bytes.fromhex(message))


def test_key_files_are_those_of_rfc_8410(tmp_path):
    """The published pair is read, and belongs together."""
    public = load_public_key(pem(tmp_path / "a.pub", "PUBLIC", PUBLIC))
    assert load_signing_key(pem(tmp_path / "a.key", "PRIVATE", PRIVATE)).public == public


def test_the_fingerprint_is_the_digest_of_the_published_form_of_a_key():
    """SHA-256 over the DER form (SubjectPublicKeyInfo), as RFC 7469, 2.4 takes it: any tool finds the same digits."""
    digits = hashlib.sha256(base64.b64decode(PUBLIC)).hexdigest()
    said = fingerprint(base64.b64decode(PUBLIC)[-32:])
    assert said.replace(" ", "") == digits
    assert [len(group) for group in said.split()] == [4] * 16


def test_another_implementation_takes_our_signatures_and_we_take_its(tmp_path):
    """PyNaCl (libsodium) verifies a signed log from the signature file's own words, and we verify what it signs."""
    with RecordLog(tmp_path / "a.jsonl") as log:
        log.write("run_begin", 0.0, {"unit": "Blåbär 3"})
        log.write("run_end", 1.0, {"verdict": "fail"})
    signed = sign_log(tmp_path / "a.jsonl", make_key(tmp_path / "a.key", tmp_path / "a.pub"), "Åsa Vik")
    content = (tmp_path / "a.jsonl").read_bytes()
    words = ("ventproof log signature 1", log.digest, "2", hashlib.sha256(content).hexdigest())
    message = "\n".join((*words, signed.public_key, "Åsa Vik")).encode()
    sodium = VerifyKey(bytes.fromhex(signed.public_key))
    assert sodium.verify(message, bytes.fromhex(signed.signature)) == message
    with pytest.raises(BadSignatureError, match="Signature was forged or corrupt"):
        sodium.verify(message + b".", bytes.fromhex(signed.signature))
    theirs = SodiumSigningKey(bytes(range(32)))
    assert is_signed(bytes(theirs.verify_key), theirs.sign(b"vents closed").signature, b"vents closed")


def test_a_key_of_another_kind_is_refused(tmp_path):
    """An elliptic curve key of RFC 5915's kind in the same wrapping does not sign here."""
    # P-256 public key of RFC 6979, A.2.5, as SubjectPublicKeyInfo (RFC 5480, 2).
    point = (
        "04" + "60fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb6"
        "7903fe1008b8bc99a41ae9e95628bc64f2f1b20c2d7e9f5177a3c294d4462299"
    )
    der = bytes.fromhex("3059301306072a8648ce3d020106082a8648ce3d030107034200" + point)
    with pytest.raises(FileError, match=r"a\.pub: this key is of another kind than Ed25519; logs are signed"):
        load_public_key(pem(tmp_path / "a.pub", "PUBLIC", base64.b64encode(der).decode()))
