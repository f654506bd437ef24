"""A bench file with another mock unit: the text says what is run."""

from __future__ import annotations

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.benchcheck.load import load_bench, read_bench, with_faults


def test_the_text_of_a_faulty_bench_says_its_faults():
    """Read again, the text gives the same bench, faults included, and everything outside the mock stays as written."""
    bench = load_bench(SHIPPED_BENCH)
    faulty = with_faults(bench, {"ignores_rain": 1.0})
    again = read_bench("copy.yaml", faulty.text)
    assert again.model.mock.faults == {"ignores_rain": 1.0}
    assert again.model == faulty.model
    assert again.digest == faulty.digest != bench.digest
    head = bench.text[: bench.text.index("\nmock:")]
    assert faulty.text.startswith(head)
    healthy = again.model.mock.model_copy(update={"faults": {}})
    assert healthy == bench.model.mock


def test_no_fault_leaves_the_bench_as_it_is():
    """Without a fault nothing is rewritten."""
    bench = load_bench(SHIPPED_BENCH)
    assert with_faults(bench, {}) is bench
