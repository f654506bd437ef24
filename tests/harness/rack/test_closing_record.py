"""The record that closes a rack: what says the same stays as it is, and no signature is lost unasked."""

from __future__ import annotations

import pytest

from ventproof.log.signing import load_signing_key, make_key
from ventproof.rack.closing import close_rack
from ventproof.runset.rack_record import RackedPlace, RackRecord
from ventproof.runset.signature import closing_signature
from ventproof_bench.base.errors import FileError


def record_of(code):
    """Return the record of a rack of one place."""
    place = RackedPlace(place="left", unit="V-1", firmware="", planned=1, code=code, remark="", logs=())
    return RackRecord("bay 2", (place,))


@pytest.fixture
def signed(tmp_path):
    """A rack's folder with a signed record, and the key."""
    make_key(tmp_path / "anna.key", tmp_path / "anna.pub")
    key = load_signing_key(tmp_path / "anna.key", "")
    close_rack(tmp_path, record_of(0), key, "Anna Falk")
    return tmp_path, key


def left(folder):
    """Return what stands there, file by file."""
    return {path.name: (path.read_bytes(), path.stat().st_ino) for path in folder.glob("rack.json*")}


@pytest.mark.parametrize("again", [False, True])
def test_a_record_that_says_the_same_keeps_its_signature(signed, again):
    """With the key or without it neither file is written again."""
    folder, key = signed
    before = left(folder)
    close_rack(folder, record_of(0), key if again else None, "Bert Lund")
    assert left(folder) == before
    assert len(before) == 2


def test_a_signed_record_that_changes_is_refused_without_a_key(signed):
    """What stood there still stands; with the key it is replaced and signed."""
    folder, key = signed
    before = left(folder)
    with pytest.raises(FileError, match=r"rack\.json: it is signed, .*; give --sign"):
        close_rack(folder, record_of(1), None, "")
    assert left(folder) == before
    close_rack(folder, record_of(1), key, "Anna Falk")
    assert closing_signature(folder / "rack.json", record_of(1).content, key.public) == ("Anna Falk", "")


def test_a_signature_that_does_not_fit_is_made_again(signed):
    """With the key, of a record that says the same; no name is told as that."""
    folder, key = signed
    (folder / "rack.json.sig").write_text("{}", encoding="utf-8")
    close_rack(folder, record_of(0), key, "")
    signer = closing_signature(folder / "rack.json", record_of(0).content, key.public)
    assert signer == ("an unnamed signer", "")
