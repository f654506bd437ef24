"""Key files and signature files: written once, kept from others, and refused with one clear error when wrong."""

from __future__ import annotations

import json
import stat

import pytest

from ventproof.log.names import signature_path
from ventproof.log.read import check_log
from ventproof.log.signing import (
    is_protected,
    load_public_key,
    load_signing_key,
    make_key,
    readable_by_others,
    sign_log,
    signature_of,
)
from ventproof.log.write import RecordLog
from ventproof_bench.base.errors import FileError, RecordError


@pytest.fixture
def log(tmp_path):
    """A small whole log."""
    with RecordLog(tmp_path / "a.jsonl") as written:
        written.write("run_begin", 0.0, {})
        written.write("run_end", 1.0, {"verdict": "pass"})
    return written.path


@pytest.fixture
def key(tmp_path):
    """A key of one's own."""
    return make_key(tmp_path / "own.key", tmp_path / "own.pub")


def test_a_private_key_is_for_its_owner_alone(tmp_path, key):
    """The file has mode 600, and one that others can read is told."""
    private = tmp_path / "own.key"
    assert stat.S_IMODE(private.stat().st_mode) == 0o600
    assert not readable_by_others(private)
    private.chmod(0o640)
    assert readable_by_others(private)
    assert load_signing_key(private).public == load_public_key(tmp_path / "own.pub") == key.public


def test_a_key_is_never_replaced(tmp_path, key):
    """Neither half of an older pair is lost to a new one of the same name."""
    content = (tmp_path / "own.key").read_bytes()
    (tmp_path / "own.pub").unlink()
    with pytest.raises(FileError, match=r"own\.key: exists already; choose another name$"):
        make_key(tmp_path / "own.key", tmp_path / "own.pub")
    assert (tmp_path / "own.key").read_bytes() == content
    assert not (tmp_path / "own.pub").exists()
    assert key.public


def test_a_passphrase_protects_a_private_key(tmp_path):
    """Without it, or with another, the key does not sign; the passphrase is nowhere in the file."""
    path = tmp_path / "own.key"
    made = make_key(path, tmp_path / "own.pub", "Föhn im Haus 7")
    assert is_protected(path)
    assert load_signing_key(path, "Föhn im Haus 7").public == made.public
    with pytest.raises(FileError, match=r"own\.key: this key is protected by a passphrase; give it, or set"):
        load_signing_key(path)
    with pytest.raises(FileError, match=r"own\.key: the passphrase is wrong, or the file was changed$"):
        load_signing_key(path, "Föhn im Haus 8")


def test_a_passphrase_that_is_not_needed_is_left_alone(tmp_path, key):
    """One environment serves keys with and without."""
    assert load_signing_key(tmp_path / "own.key", "unneeded").public == key.public


def test_what_is_no_key_is_refused(tmp_path, key, log):
    """The wrong half, a log and a missing file each get one clear error."""
    assert key.public
    for path, message in (
        (tmp_path / "own.pub", r"own\.pub: this is a public key: it signs nothing; give the \.key file"),
        (log, r"a\.jsonl: this is not a private key in PEM form; make one: ventproof key NAME$"),
        (tmp_path / "none.key", r"none\.key: cannot read the key: No such file or directory$"),
    ):
        with pytest.raises(FileError, match=message):
            load_signing_key(path)
    for path, message in (
        (tmp_path / "own.key", r"own\.key: this is a private key; give the \.pub file"),
        (log, r"a\.jsonl: this is not a public key in PEM form; give the \.pub file"),
    ):
        with pytest.raises(FileError, match=message):
            load_public_key(path)


def test_a_signature_is_read_back_as_it_was_made(log, key):
    """It names the log's digest, lines and bytes, the signer and the key; the same key signs the same, always."""
    assert signature_of(log) is None
    signed = sign_log(log, key, 'Jörg "der Grüne" Ø')
    assert signature_of(log) == signed
    assert (signed.lines, signed.signer) == (2, 'Jörg "der Grüne" Ø')
    assert signed.genuine
    assert signed.misfit(check_log(log, mark=2)) == ""
    first = signature_path(log).read_bytes()
    signature_path(log).unlink()
    sign_log(log, key, 'Jörg "der Grüne" Ø')
    assert signature_path(log).read_bytes() == first


def test_a_signature_is_never_replaced(log, key):
    """Whoever signed first stays the one who signed."""
    sign_log(log, key)
    with pytest.raises(
        FileError, match=r"a\.jsonl: is signed already, see a\.jsonl\.sig; a signature is never"
    ):
        sign_log(log, key)


def test_a_broken_log_is_not_signed_and_an_aborted_one_is(log, key):
    """A signature fixes what a log says; of a broken chain nobody knows what it says."""
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[0] + b"{}\n")
    with pytest.raises(
        FileError, match=r"a\.jsonl:2: its chain is broken \(it carries no digest\): it is not"
    ):
        sign_log(log, key)
    log.write_bytes(lines[0])
    assert sign_log(log, key).lines == 1


def test_a_log_that_was_changed_under_its_writer_is_not_signed(log, key):
    """Who wrote a log signs what was written, not what somebody made of it."""
    with pytest.raises(RecordError, match=r"a\.jsonl is not what was written: .* it is not signed$"):
        sign_log(log, key, digest="0" * 64)
    assert signature_of(log) is None


@pytest.mark.parametrize("field", ["digest", "lines", "sha256", "signer", "public_key", "signature"])
def test_every_field_of_a_signature_is_signed(field, log, key, tmp_path):
    """Whichever is changed, the signature is not genuine any more."""
    signed = sign_log(log, key, "Ida Holm")
    other = make_key(tmp_path / "other.key", tmp_path / "other.pub")
    changed = {
        "lines": 3,
        "signer": "Eva Lind",
        "public_key": other.public.hex(),
        "signature": ("1" if signed.signature[0] == "0" else "0") + signed.signature[1:],
    }.get(field, "0" * 64)
    assert signed.genuine
    assert not signed.model_copy(update={field: changed}).genuine


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"digest": "12"}, r"a\.jsonl\.sig:3:13: '12' "),
        ({"lines": 0}, r"a\.jsonl\.sig:4:12: 0 must be at least 1$"),
        (
            {"signer": "Ida\nHolm"},
            r"a\.jsonl\.sig:6:13: 'Ida\\nHolm' holds '\\n', which is not a printable character$",
        ),
        ({"format": 2}, r"a\.jsonl\.sig:2:13: 2 is not one of the words for this; known: 1$"),
        ({"colour": "red"}, r"a\.jsonl\.sig:9:3: "),
    ],
)
def test_a_wrong_signature_file_is_told_by_line_and_column(change, message, log, key):
    """One clear error each."""
    signed = sign_log(log, key, "Ida Holm")
    signature_path(log).write_text(json.dumps(signed.model_dump() | change, indent=2), encoding="utf-8")
    with pytest.raises(FileError, match=message):
        signature_of(log)


def test_half_characters_are_written_and_read_without_harm(tmp_path):
    """What no UTF-8 holds, from bytes of another encoding say, breaks neither the log nor who shows it."""
    with RecordLog(tmp_path / "b.jsonl") as log:
        log.write("run_begin", 0.0, {"operator": "Bj\udcf6rn"})
    assert b"Bj\\udcf6rn" in log.path.read_bytes()
    check = check_log(log.path)
    assert (check.lines, check.broken_at, check.digest) == (1, None, log.digest)
