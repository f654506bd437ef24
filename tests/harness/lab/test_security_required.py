"""Who may talk to a lab: this computer, or whoever has a certificate of the lab's own authority."""

from __future__ import annotations

import datetime as dt

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from lab_jobs import Lab

from ventproof.lab.executor import LabExecutor
from ventproof.lab.security import CERTIFICATE_FILES, LabAddress, lab_address
from ventproof_bench.base.errors import BenchError, FileError

pytestmark = [pytest.mark.wire, pytest.mark.lasting]  # the engine keeps its threads


def _certificate(name, key, issuer, signed_by, *, authority=False):
    now = dt.datetime.now(dt.UTC)
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer or subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
    )
    return made.sign(signed_by, hashes.SHA256())


def certificates(folder):
    """Write an authority, and a certificate of it with its key, as a computer of a lab has them."""
    folder.mkdir()
    authority, own = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    root = _certificate("lab", authority, None, authority, authority=True)
    leaf = _certificate("bench", own, root.subject, authority)
    pem = serialization.Encoding.PEM
    key = own.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    for name, content in zip(
        CERTIFICATE_FILES, (root.public_bytes(pem), leaf.public_bytes(pem), key), strict=True
    ):
        (folder / name).write_bytes(content)
    return folder


@pytest.mark.parametrize(
    "text", ["192.0.2.7", "0.0.0.0:8786", "bench-pc:8786", "[2001:db8::7]:8786", "2001:db8::7"]
)
def test_what_others_reach_needs_certificates(text):
    """Whoever connects can run any program there; a name may lead anywhere."""
    with pytest.raises(FileError, match=r"can be reached by others.*; give --tls with a folder of ca\.pem"):
        lab_address(text, "--scheduler", None)


@pytest.mark.parametrize(
    ("text", "url"),
    [
        ("127.0.0.1", "tcp://127.0.0.1:8786"),
        ("127.8.9.1:99", "tcp://127.8.9.1:99"),
        ("localhost:99", "tcp://localhost:99"),
        ("[::1]:99", "tcp://[::1]:99"),
        ("::1", "tcp://[::1]:8786"),
    ],
)
def test_loopback_needs_none(text, url):
    """An address without a port has the usual one."""
    assert lab_address(text, "--scheduler", None).url == url


@pytest.mark.parametrize(
    "text", ["", ":8786", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:65536", "tcp://127.0.0.1:1", "a b"]
)
def test_what_is_no_address_is_refused(text):
    """The message says how to write one."""
    with pytest.raises(FileError, match=r"is not an address; write HOST:PORT"):
        lab_address(text, "--scheduler", None)


def test_a_missing_certificate_is_named(tmp_path):
    """With what belongs there."""
    folder = certificates(tmp_path / "tls")
    (folder / "key.pem").unlink()
    with pytest.raises(FileError, match=r"holds no key\.pem; put there: the lab's authority"):
        lab_address("192.0.2.7", "--scheduler", folder)


def test_a_scheduler_with_certificates_answers_only_those_of_its_authority(tmp_path):
    """Another authority's certificate and no certificate are turned away; the lab's own is not."""
    own, strange = certificates(tmp_path / "own"), certificates(tmp_path / "strange")
    with Lab(tmp_path, "--tls", own) as lab:
        for refused in (lab_address(lab.address, "", strange), lab_address(lab.address, "", None)):
            with pytest.raises(BenchError, match="no scheduler answers at"):
                _reach(refused)
        _reach(lab_address(lab.address, "--scheduler", own))
        assert LabAddress("192.0.2.7", 1, own).security.require_encryption is True


def _reach(address):
    with LabExecutor(address, answers_within_s=1.0) as workers:
        assert list(workers.stopped(print)) == []
