"""`ventproof key`, `sign`, `run --sign` and `verify`: the words of each, and their exit codes."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH

COUNT = shipped_path("rain-count")


@pytest.fixture
def signed(ventproof, tmp_path):
    """A log signed when its run was over, by the key `anna`."""
    ventproof("key", "anna")
    code, _, _ = ventproof(
        "run", COUNT, "--bench", SHIPPED_BENCH, "--operator", "Anna Falk", "--sign", "anna.key"
    )
    assert code == 0
    (log,) = (tmp_path / "records").glob("*.jsonl")
    return log


def test_a_key_is_made_with_a_fingerprint_to_read_aloud(ventproof, tmp_path):
    """Both files are there, what each is for is said, and a second call replaces nothing."""
    code, out, _ = ventproof("key", "lab/anna")
    assert code == 0
    assert "WITHOUT a passphrase" in out
    assert re.search(r"^fingerprint( [0-9a-f]{4}){16}$", out, re.MULTILINE)
    assert sorted(path.name for path in (tmp_path / "lab").iterdir()) == ["anna.key", "anna.pub"]
    code, _, err = ventproof("key", "lab/anna")
    assert code == 3
    assert err.startswith("lab/anna.key: exists already; choose another name\n")


def test_a_passphrase_comes_from_the_environment_in_scripts(ventproof, monkeypatch, signed):
    """With the right one the key signs; without or with a wrong one nothing is signed, or run."""
    monkeypatch.setenv("VENTPROOF_PASSPHRASE", "open sesame")
    assert "protected by its passphrase" in ventproof("key", "bo")[1]
    signed.with_name(f"{signed.name}.sig").unlink()
    for value, said in (("wrong", "the passphrase is wrong"), ("", "protected by a passphrase")):
        monkeypatch.setenv("VENTPROOF_PASSPHRASE", value)
        for words in (["sign", signed], ["run", COUNT, "--bench", SHIPPED_BENCH, "--out", "none"]):
            option = "--key" if words[0] == "sign" else "--sign"
            code, _, err = ventproof(*words, option, "bo.key")
            assert (code, said in err) == (3, True)
    assert not signed.parent.with_name("none").exists()
    monkeypatch.setenv("VENTPROOF_PASSPHRASE", "open sesame")
    assert ventproof("sign", signed, "--key", "bo.key")[0] == 0


def test_a_run_can_sign_its_log_in_the_operator_s_name(ventproof, signed):
    """Whoever has the public key alone can tell; whoever has none is told that nothing is proven."""
    code, out, _ = ventproof("verify", signed, "--key", "anna.pub")
    assert (code, "  signature: right, by Anna Falk\n  key: " in out) == (0, True)
    code, out, _ = ventproof("verify", signed)
    assert code == 0
    assert "  signature: fits, by Anna Falk; that the key is theirs is NOT proven without --key\n" in out


def test_a_missing_foreign_false_illegible_or_outlived_signature_is_told(ventproof, signed):
    """Each has its words, and exit code 4."""
    ventproof("key", "eve")
    code, out, _ = ventproof("verify", signed, "--key", "eve.pub")
    assert (code, "  signature: by ANOTHER KEY, by Anna Falk; the key asked for is " in out) == (4, True)
    beside = signed.with_name(f"{signed.name}.sig")
    right = beside.read_text(encoding="utf-8")
    beside.write_text(right.replace("Anna", "Enna"), encoding="utf-8")
    for option in ([], ["--key", "anna.pub"]):
        code, out, _ = ventproof("verify", signed, *option)
        assert (code, "  signature: FALSE: it was not made by the key that it names" in out) == (4, True)
    beside.write_text(right[:-9], encoding="utf-8")
    code, out, _ = ventproof("verify", signed)
    assert (code, out.count("intact, "), "  signature: CANNOT BE READ: " in out) == (4, 1, True)
    beside.write_text(right, encoding="utf-8")
    content = signed.read_bytes()
    signed.write_bytes(content[: content.rindex(b"\n", 0, -1) + 1])
    code, out, _ = ventproof("verify", signed)
    assert (code, "  signature: WRONG for this log: lines were removed since it was signed" in out) == (
        4,
        True,
    )
    signed.write_bytes(content)
    beside.unlink()
    code, out, _ = ventproof("verify", signed, "--key", "anna.pub")
    assert (code, "  signature: MISSING: the log is not signed\n" in out) == (4, True)
    assert "signature" not in ventproof("verify", signed)[1]


def test_what_is_signed_in_a_folder_is_left_and_a_named_log_is_refused(ventproof, signed):
    """Signing a folder again is no error; signing a log again is one."""
    code, out, _ = ventproof("sign", "records", "--key", "anna.key")
    assert (code, out) == (0, "nothing to sign: every log there is signed already\n")
    code, _, err = ventproof("sign", signed, "--key", "anna.key")
    assert (code, "is signed already" in err) == (3, True)


def test_a_digest_that_was_noted_down_finds_a_log_that_was_written_anew(ventproof, signed):
    """The table shows 16 digits; they will do, all 64 too, and others are found."""
    digest = re.search(rb'"chain":"([0-9a-f]{64})"}\n\Z', signed.read_bytes())[1].decode()
    for given, said in (
        (digest.upper(), "as given\n"),
        (f"{digest[:16]}…", "as given, in its first 16 digits\n"),
    ):
        code, out, _ = ventproof("verify", signed, "--digest", given)
        assert (code, f"  digest: {said}" in out) == (0, True)
    code, out, _ = ventproof("verify", signed, "--digest", "0" * 64)
    assert (code, "  digest: NOT the one given" in out) == (4, True)
    other = signed.with_name("other.jsonl")
    other.write_bytes(signed.read_bytes())
    for words, said in (
        ([signed, "--digest", digest[:15]], f"--digest: '{digest[:15]}' is not a digest"),
        ([signed, other, "--digest", digest], "--digest: a digest is of one log, and 2 are named"),
    ):
        code, _, err = ventproof("verify", *words)
        assert (code, err.startswith(said)) == (3, True)


def test_verify_gives_each_of_several_logs_a_line_and_counts_them(ventproof, signed):
    """What can be verified is; each file has its line, and the exit code is that of the worst."""
    (signed.parent / "a.jsonl").write_bytes(b"")
    code, out, err = ventproof("verify", "records", "--key", "anna.pub")
    empty, whole, counted = out.splitlines()
    assert (code, err) == (3, "")
    assert empty == "records/a.jsonl: the log is empty: the run died before its first line"
    assert whole.startswith(f"{signed.relative_to(signed.parents[1])}: intact, ")
    assert "; signature: right, by Anna Falk; key: " in whole
    assert counted == "2 files: 1 in order, 1 no log"
    (signed.parent / "b.jsonl").write_bytes(
        signed.read_bytes().replace(b'"event":"poll"', b'"event":"pull"', 1)
    )
    code, out, _ = ventproof("verify", "records")
    assert (code, out.splitlines()[-1]) == (4, "3 files: 1 in order, 1 not in order, 1 no log")


def test_a_name_that_is_no_text_is_refused_before_anything_runs(tmp_path):
    """An operator's name in bytes of another encoding is an argument error, and no log is written."""
    words = ["run", COUNT, "--bench", SHIPPED_BENCH, "--operator", b"Bj\xf6rn"]
    done = subprocess.run(
        [sys.executable, "-m", "ventproof", *words],
        capture_output=True,
        check=False,
        cwd=tmp_path,
        env=os.environ | {"PYTHONUTF8": "1", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert done.returncode == 3
    assert done.stderr.startswith(
        b"--operator: 'Bj\\udcf6rn' holds '\\udcf6', which is not a printable character;"
    )
    assert not (tmp_path / "records").exists()


def test_what_was_done_is_shown_when_a_later_log_cannot_be_written(ventproof, tmp_path):
    """Repeats that ran keep their table; the exit code is that of a failed bench, not of a wrong argument."""
    log = "every-closure-of-the-rain-contact-is-counted.jsonl"
    out = tmp_path
    while len(bytes(out / log)) < 4095:  # the longest path that Linux takes: the next log's is longer
        out /= "d" * min(200, 4095 - len(bytes(out / log)) - 1)
    code, shown, _ = ventproof("run", COUNT, "--bench", SHIPPED_BENCH, "--repeat", "3", "--out", out)
    assert code == 4
    assert "1 run: 1 pass" in shown
    assert re.search(r"aborted: .*: cannot create the log: File name too long\n", shown)


def test_no_name_of_a_file_makes_a_line_of_its_own(ventproof, signed):
    """A log named over two lines would otherwise show another as intact."""
    named = signed.with_name("x\ngood.jsonl: intact, 852 lines, pass.jsonl")
    named.write_bytes(signed.read_bytes())
    code, out, _ = ventproof("verify", named)
    assert (code, out.count("\n")) == (0, 1)
    assert "x\N{REPLACEMENT CHARACTER}good.jsonl" in out
