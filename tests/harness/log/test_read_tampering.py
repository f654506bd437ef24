"""Tampering with a real log: whatever is done at whatever line is found, by the chain or by the signature."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import check_log
from ventproof.log.signing import make_key, sign_log
from ventproof.log.write import GENESIS, seal, unseal
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench


@pytest.fixture(scope="module")
def signed(tmp_path_factory):
    """A log of a real run, most of its polls left out, with its signature: (path, lines, signature)."""
    folder = tmp_path_factory.mktemp("tampering")
    session = Session(bench=load_bench(SHIPPED_BENCH), out=folder)
    log = session.run(load_profile(shipped_path("rain-contact-bounce-ignored")), SilentView()).log
    lines = log.read_bytes().splitlines(keepends=True)
    lines = chained_anew(
        [line for at, line in enumerate(lines) if b'"event":"poll"' not in line or at % 16 == 0]
    )
    log.write_bytes(b"".join(lines))
    return log, lines, sign_log(log, make_key(folder / "own.key", folder / "own.pub"), "Ida Holm")


def byte_changed(lines, at):
    middle = len(lines[at]) // 3
    line = lines[at][:middle] + bytes([lines[at][middle] ^ 1]) + lines[at][middle + 1 :]
    return [*lines[:at], line, *lines[at + 1 :]]


def removed(lines, at):
    return [*lines[:at], *lines[at + 1 :]]


def added(lines, at):
    """Put a line before `at` that follows from the line before it."""
    digest = unseal(lines[at - 1][:-1])[1] if at else GENESIS
    line, _ = seal(b'{"seq":%d,"t":0.0,"event":"note","text":"all is well"}' % at, digest)
    return [*lines[:at], line + b"\n", *lines[at:]]


def swapped(lines, at):
    """Swap a line with the next, the last with the first."""
    other = (at + 1) % len(lines)
    order = list(lines)
    order[at], order[other] = order[other], order[at]
    return order


def doubled(lines, at):
    return [*lines[: at + 1], *lines[at:]]


def cut_off(lines, at):
    return lines[:at]


def torn(lines, at):
    return [*lines[:at], lines[at][:-2]]


WAYS = [byte_changed, removed, added, swapped, doubled, cut_off, torn]


def chained_anew(lines):
    """Give every line the place and the digest that it needs, as somebody would who knows how."""
    digest, chained = GENESIS, []
    for seq, line in enumerate(lines):
        _, _, rest = unseal(line[:-1])[0].partition(b",")
        sealed, digest = seal(b'{"seq":%d,' % seq + rest, digest)
        chained.append(sealed + b"\n")
    return chained


def standing(path, lines, signature):
    """Return what the chain and what the signature has to say."""
    path.write_bytes(b"".join(lines))
    try:
        check = check_log(path, mark=signature.lines)
    except FileError as error:
        return str(error), str(error)
    return check.reason or ("" if check.closed else "aborted"), signature.misfit(check)


def test_the_log_as_it_was_written_is_whole_and_signed(signed, tmp_path):
    """What follows is not found for nothing."""
    _, lines, signature = signed
    assert signature.genuine
    assert standing(tmp_path / "log.jsonl", lines, signature) == ("", "")


@pytest.mark.parametrize("tamper", WAYS, ids=lambda way: way.__name__)
def test_every_change_at_every_line_is_found_by_the_chain(tamper, signed, tmp_path):
    """One byte changed, a line removed, added, moved or doubled, or the end cut off: at no line does it go unseen."""
    _, lines, signature = signed
    unseen = []
    for at in range(len(lines)):
        chain, _ = standing(tmp_path / "log.jsonl", tamper(lines, at), signature)
        unseen += [at] if not chain else []
    assert not unseen


@pytest.mark.parametrize("tamper", [removed, added, swapped, doubled, cut_off], ids=lambda way: way.__name__)
def test_a_log_that_was_chained_anew_is_found_by_its_signature(tamper, signed, tmp_path):
    """Whoever writes the whole chain anew, from any line on, cannot write the signature anew."""
    _, lines, signature = signed
    unseen = []
    for at in range(len(lines)):
        _, misfit = standing(tmp_path / "log.jsonl", chained_anew(tamper(lines, at)), signature)
        unseen += [at] if not misfit else []
    assert not unseen


def test_a_verdict_rewritten_with_its_chain_is_found_by_the_signature_alone(signed, tmp_path):
    """The chain of a log that lies is whole; what was signed is another log."""
    _, lines, signature = signed
    lying = chained_anew([line.replace(b'"pass"', b'"fail"') for line in lines])
    chain, misfit = standing(tmp_path / "log.jsonl", lying, signature)
    assert (chain, misfit) == ("", "it was changed after signing, and its chain was rewritten")


def test_the_words_tell_what_was_done_at_the_end(signed, tmp_path):
    """Lines added, lines removed and bytes after the last line are told apart."""
    log, lines, _ = signed
    path = tmp_path / "aborted.jsonl"
    path.write_bytes(b"".join(lines[:9]))
    signature = sign_log(path, make_key(tmp_path / "a.key", tmp_path / "a.pub"))
    assert log.exists()
    for kept, said in (
        (lines[:10], "lines were added since it was signed: 9 were signed, there are 10"),
        (lines[:8], "lines were removed since it was signed: 9 were signed, 8 are left"),
        ([*lines[:9], b'{"seq":9,'], "what stands after its last line was changed since it was signed"),
        (lines[:9], ""),
    ):
        assert standing(path, kept, signature)[1] == said
