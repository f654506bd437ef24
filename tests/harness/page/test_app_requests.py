"""Who may ask the page's server for what: keys, names, origins, and what the browser is told to refuse."""

from __future__ import annotations

import asyncio
import http.client
import json
import re
import socket
import ssl
import threading
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from urllib.parse import urlencode

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from ventproof.page.app import LivePages
from ventproof.page.batches import Batches
from ventproof.page.keys import Address, Door
from ventproof.page.server import check_certificate, server_of
from ventproof_bench.base.errors import FileError

pytestmark = [pytest.mark.wire, pytest.mark.lasting]
KEY = "first-key"


class Served:
    """A page's server in a thread of its own."""

    def __init__(self, address, loop, batches, said):
        self.address, self.loop, self.batches, self.said = address, loop, batches, said
        self.origin = address.origins[0]

    def ask(self, method, path, body="", **headers):
        """Return status, headers and body of an answer."""
        with closing(http.client.HTTPConnection("127.0.0.1", self.address.port, timeout=20)) as connection:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()

    def post(self, path, message, **headers):
        """Send a message as the page does."""
        return self.ask("POST", path, json.dumps(message), **{"Origin": self.origin} | headers)

    def enter(self, key, **form):
        """Come in with a key; returns the cookie, or None."""
        body = urlencode({"key": key, "name": "roof"} | form, doseq=True)
        status, headers, _ = self.ask("POST", "/enter", body, Origin=self.origin)
        return headers["Set-Cookie"].split(";")[0] if status == 303 else None

    def tell(self, ident, news):
        """Add a piece of news."""
        self.loop.call_soon_threadsafe(self.batches.add, ident, news)

    def stream(self, cookie, count, **headers):
        """Return the first messages of the stream, with their places."""
        with closing(http.client.HTTPConnection("127.0.0.1", self.address.port, timeout=20)) as connection:
            connection.request("GET", "/events", headers={"Cookie": cookie} | headers)
            answer = connection.getresponse()
            assert answer.getheader("Content-Type").startswith("text/event-stream")
            found = []
            while len(found) < count:
                line = answer.readline().decode()
                if line.startswith("id: "):
                    found.append((line[4:-1], json.loads(answer.readline()[6:])))
            return found


@contextmanager
def serving(cert=None):
    sock = socket.create_server(("127.0.0.1", 0))
    address = Address(ip_address("127.0.0.1"), sock.getsockname()[1], tls=cert is not None)
    said, up = [], threading.Event()
    found = {}

    async def main():
        found["batches"] = Batches()
        found["server"] = server_of(
            LivePages(address, Door(KEY, ["roof", "cabinet"]), found["batches"], said.append).app(), cert
        )
        found["loop"] = asyncio.get_running_loop()
        up.set()
        await found["server"].serve(sockets=[sock])

    thread = threading.Thread(target=asyncio.run, args=[main()])
    thread.start()
    up.wait()
    try:
        yield Served(address, found["loop"], found["batches"], said)
    finally:
        found["loop"].call_soon_threadsafe(found["batches"].end)
        found["server"].should_exit = True
        thread.join()


@pytest.fixture
def served():
    """Serve a page that nobody has opened."""
    with serving() as one:
        yield one


def test_a_key_opens_the_page_once(served):
    """The first guest gets a cookie that scripts cannot read and other sites cannot use; the second gets nothing."""
    status, _, form = served.ask("GET", f"/?key={KEY}")
    assert (status, 'action="/enter"' in form) == (200, True)
    status, headers, _ = served.ask("POST", "/enter", f"key={KEY}&name=roof", Origin=served.origin)
    assert status == 303
    cookie = headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert served.enter(KEY) is None
    assert "seen by <b><bdi>roof" in served.ask("GET", "/", Cookie=cookie.split(";")[0])[2]


def test_looking_at_a_link_uses_no_key_up(served):
    """A messenger that fetches a preview of the link leaves the key as it was."""
    for _ in range(3):
        served.ask("GET", f"/?key={KEY}")
    assert served.enter(KEY)


@pytest.mark.parametrize("key", ["", "x", KEY + "x", KEY.upper(), "ключ", "\0"])
def test_a_wrong_key_opens_nothing(served, key):
    """Nor does any token that was made up."""
    assert served.enter(key) is None
    for path in ("/", "/events"):
        assert served.ask("GET", path, Cookie=f"ventproof-{served.address.port}=guess")[0] == 403
    for path in ("/stop", "/answer", "/key"):
        assert served.post(path, {"prompt": 1, "who": "roof", "text": "on"})[0] == 403
    assert served.said == []


def test_another_phone_gets_a_key_of_its_own(served):
    """A guest can show a code for one more; the code before it, unused, opens nothing any more."""
    cookie = served.enter(KEY)
    keys = []
    for _ in range(2):
        status, _, body = served.post("/key", {}, Cookie=cookie)
        assert status == 200
        assert json.loads(body)["svg"].startswith("<svg")
        keys.append(re.search("key=(.*)", json.loads(body)["url"])[1])
    assert served.enter(keys[0]) is None
    assert served.enter(keys[1]) not in {None, cookie}


@pytest.mark.parametrize("host", ["bench.example", "127.0.0.1", "127.0.0.1:1", "localhost", "[::1]:80"])
def test_other_names_for_this_machine_are_refused(served, host):
    """A name of somebody else's that was made to lead here gets nothing, not even the form."""
    cookie = served.enter(KEY)
    status, _, body = served.ask("GET", "/", Host=host, Cookie=cookie)
    assert (status, "<html" in body) == (403, False)
    assert served.ask("POST", "/stop", "{}", Host=host, Origin=served.origin, Cookie=cookie)[0] == 403
    assert served.said == [{"entered": "roof"}]


@pytest.mark.parametrize("origin", ["http://bench.example", "null", "https://127.0.0.1", ""])
def test_other_origins_are_refused(served, origin):
    """Another site's page can neither stop the run nor answer nor listen, even with the guest's cookie."""
    cookie = served.enter(KEY)
    for path in ("/stop", "/answer", "/key", "/enter"):
        assert served.ask("POST", path, "{}", Origin=origin, Cookie=cookie)[0] == 403
    assert served.ask("GET", "/events", Origin=origin, Cookie=cookie)[0] == 403
    assert served.ask("POST", "/stop", "{}", Cookie=cookie)[0] == 403
    assert served.said == [{"entered": "roof"}]


def test_every_answer_tells_browsers_what_to_refuse(served):
    """Nothing runs or loads but what is ours, nobody frames the page, and nothing is shared across origins."""
    cookie = served.enter(KEY)
    policies = []
    for path in ("/", "/", "/nothing", "/?key=x"):
        headers = served.ask("GET", path, Cookie=cookie)[1]
        assert "Access-Control-Allow-Origin" not in headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        policies.append(headers["Content-Security-Policy"])
        assert policies[-1].startswith("default-src 'none'; base-uri 'none'; frame-ancestors 'none'")
    assert "connect-src 'self'" in policies[0]
    assert "unsafe" not in policies[0]
    nonces = [re.search("script-src 'nonce-(.*?)'", policy)[1] for policy in policies[:2]]
    assert nonces[0] != nonces[1], "a nonce is used once"


def test_a_guest_answers_for_whom_it_said(served):
    """Answers go on with the prompt's number and person; for somebody else, or without sense, they do not."""
    cookie = served.enter(KEY, **{"for": ["roof", "stranger"]})
    assert served.post("/answer", {"prompt": 3, "who": "roof", "text": " 35\n"}, Cookie=cookie)[0] == 202
    for who in ("cabinet", "stranger"):
        assert served.post("/answer", {"prompt": 3, "who": who, "text": "on"}, Cookie=cookie)[0] == 403
    for wrong in (
        [],
        {},
        {"prompt": "3", "who": "roof", "text": "on"},
        {"prompt": 3, "who": "roof", "text": 5},
    ):
        assert served.post("/answer", wrong, Cookie=cookie)[0] == 400
    assert served.ask("POST", "/answer", "x" * 9000, Origin=served.origin, Cookie=cookie)[0] == 400
    assert served.said[1:] == [{"answer": 3, "text": "35", "who": "roof"}]


def test_a_stop_names_its_guest(served):
    """The bench learns who came in and who stopped."""
    cookie = served.enter(KEY)
    assert served.post("/stop", {}, Cookie=cookie)[0] == 202
    assert served.said == [{"entered": "roof"}, {"stop": True, "who": "roof"}]


def test_a_stream_goes_on_where_a_page_was(served):
    """With the last place everything after it comes, once; without one all of it comes together."""
    cookie = served.enter(KEY)
    for seq in range(1, 6):
        served.tell((1, seq), {"t": seq, "now": {"roof_vent": f"{seq} %"}})
    whole = served.stream(cookie, 1)[0]
    assert whole[0] == "1.5"
    assert whole[1]["now"] == {"roof_vent": "5 %"}
    after = served.stream(cookie, 3, **{"Last-Event-ID": "1.2"})
    assert [place for place, _ in after] == ["1.3", "1.4", "1.5"]
    assert served.stream(cookie, 1, **{"Last-Event-ID": "9.9"})[0][1]["reset"] is True


@pytest.fixture
def cert(tmp_path):
    """Write a certificate for the loopback address, with its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "bench")])
    day = timedelta(days=1)
    builder = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
    builder = builder.not_valid_before(datetime.now(UTC) - day).not_valid_after(datetime.now(UTC) + day)
    made = builder.add_extension(
        x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False
    ).sign(key, hashes.SHA256())
    plain = serialization.NoEncryption()
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    path = tmp_path / "bench.pem"
    path.write_bytes(pem + made.public_bytes(serialization.Encoding.PEM))
    return path


def test_with_a_certificate_the_page_speaks_tls(cert):
    """A browser that trusts the certificate gets in, and the cookie never leaves over plain HTTP."""
    check_certificate(cert)
    trusting = ssl.create_default_context(cafile=cert)
    with serving(str(cert)) as served:
        assert served.address.url.startswith("https://127.0.0.1:")
        where = "127.0.0.1", served.address.port
        with closing(http.client.HTTPSConnection(*where, timeout=20, context=trusting)) as connection:
            connection.request("POST", "/enter", f"key={KEY}&name=roof", {"Origin": served.origin})
            answer = connection.getresponse()
            assert answer.status == 303
            assert "Secure" in answer.getheader("Set-Cookie")


def test_a_file_without_certificate_is_refused(tmp_path):
    """A missing file, text, and a certificate without its key are one clear error each."""
    (tmp_path / "text.pem").write_text("no certificate", encoding="utf-8")
    for name in ("text.pem", "missing.pem"):
        with pytest.raises(FileError, match=r"--cert: no certificate with its key .*; name a PEM file"):
            check_certificate(tmp_path / name)
