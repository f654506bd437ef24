"""`ventproof scheduler`, `worker` and `reopen`: what they refuse before anything listens or is driven."""

from __future__ import annotations

import pytest

from ventproof.campaign.fence import Fence
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.session.session import slug
from ventproof_bench.benchcheck.load import load_bench

REAL = SHIPPED_BENCH.with_name("mock-rtu.yaml")


@pytest.fixture
def fence(tmp_path):
    """The fence of the shipped bench on wires, out of use."""
    fence = Fence(tmp_path / "state" / slug(load_bench(REAL).model.bench))
    fence.put_out_of_use("job 1 began here, and it left no log: outputs may have moved")
    return fence


@pytest.mark.parametrize(
    "command", ["scheduler --listen 0.0.0.0:1", "worker bench-pc", "campaign x --scheduler lab"]
)
def test_others_are_let_in_with_certificates_alone(ended, tmp_path, command):
    """Each command says what to give."""
    (tmp_path / "x").write_text("campaign: night\n", encoding="utf-8")
    code, said = ended(command)
    assert code == 3
    assert "can be reached by others" in said
    assert "give --tls with a folder of ca.pem, cert.pem, key.pem" in said


def test_a_bench_in_virtual_time_needs_no_worker_of_its_own(ended):
    """The message says what to leave out."""
    code, said = ended(f"worker 127.0.0.1 --bench {SHIPPED_BENCH}")
    assert code == 3
    assert "any worker makes its runs; leave --bench out" in said


def test_a_worker_asks_whether_its_bench_is_clear(ended):
    """Where nobody can be asked, it is not started."""
    code, said = ended(f"worker 127.0.0.1 --bench {REAL} --state state")
    assert code == 3
    assert "no one is here to confirm that vents and drives are clear" in said


def test_a_bench_that_is_out_of_use_is_reopened_by_a_person_alone(fence, ended, ventproof):
    """Before that no worker holds it; the reason is shown each time."""
    code, said = ended(f"worker 127.0.0.1 --bench {REAL} --state state --confirm-clear")
    assert code == 3
    assert "is out of use: job 1 began here" in said
    assert "look at it, then give `ventproof reopen`" in said
    assert ended(f"reopen --bench {REAL} --state state")[0] == 3
    assert fence.out_of_use
    code, said, _ = ventproof("reopen", "--bench", REAL, "--state", "state", "--confirm-clear")
    assert (code, said.splitlines()[-1]) == (0, "campaigns may use it again")
    assert fence.out_of_use == ""
    assert ventproof("reopen", "--bench", REAL, "--state", "state")[1].endswith(" is in use\n")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ("--tls .", "--tls is for a lab: give it with --scheduler"),
        ("--scheduler 127.0.0.1 --jobs 2", "--jobs is for this computer: omit it, or omit --scheduler"),
    ],
)
@pytest.mark.parametrize("command", ["campaign x", "challenge", "explore x --bench x"])
def test_options_of_the_other_workforce_are_refused(ended, tmp_path, command, options, message):
    """`--tls` alone would say that something is encrypted; processes of this computer do nothing in a lab."""
    (tmp_path / "x").write_text("campaign: night\n", encoding="utf-8")
    code, said = ended(f"{command} {options}")
    assert code == 3
    assert message in said
