"""Runs as JSON for other programs. The models here are the published format: `ventproof schema results`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from ventproof.reference.schema import DIALECT
from ventproof.verdict.finding import NotRun, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof.rejudge.batch import Batch, Logged
    from ventproof.verdict.finding import Finding
    from ventproof_bench.base.evidence import Window
    from ventproof_bench.mock.faults.fault import GivenFault


Decided = Literal["pass", "fail", "inconclusive"]
Ended = Literal["pass", "fail", "inconclusive", "aborted"]
Stands = Literal[
    "contradicted",
    "broken",
    "unreadable",
    "fail",
    "aborted",
    "unconfirmed",
    "incomplete",
    "inconclusive",
    "pass",
]
Pair = tuple[float, float]

ATTRIBUTES: Final = {
    "requirement": "demand",
    "reason": "why",
    "time_margin_s": "slack_s",
    "possible_values": "seen",
    "last_reading": "stood",
    "purpose": "proves",
    "proves_nothing": "hollow",
}
"""Attributes of a finding by their published names, where these differ."""


class PublishedPart(BaseModel):
    """A part of a published format: each key is there and has its docs."""

    model_config = ConfigDict(
        frozen=True, use_attribute_docstrings=True, json_schema_serialization_defaults_required=True
    )


class Response(PublishedPart):
    """One response that a profile demands, and what was found."""

    step: int | None
    """Number of its step, the start state being 0; null for what is watched through the whole run."""
    step_name: str
    """What the profile calls the step."""
    number: Annotated[int, Field(ge=0)]
    """Its place among the responses of the step, from 0."""
    signal: str
    """The signal, as the profile names it."""
    unit: str
    """The signal's unit; `flag`, `state` or `count` where it has none."""
    kind: str
    """The profile's word for the kind of response; `always` for what is watched through the whole run."""
    requirement: str
    """The requirement, in one line."""
    verdict: Decided
    """What was found of it."""
    status: Status
    """How it ended: as `verdict`, or `not run`, which counts as inconclusive."""
    not_run: NotRun | None
    """Why it was not run: an earlier step did not pass, the run was aborted, the bench lost hold of its stimuli, or its
    own was never applied; null where it was."""
    reason: str
    """The reason, in a sentence."""
    margin: Pair | None
    """Worst and best margin that the evidence allows, in the signal's unit; negative is violated."""
    time_margin_s: Pair | None
    """Seconds left before the limit, worst and best; negative is too late."""
    response_time_s: Pair | None
    """Earliest and latest possible response time, s after the stimulus; null when a response is not certain."""
    possible_values: Pair | None
    """Lowest and highest value that the evidence allows while it was judged, in the signal's unit."""
    last_reading: float | None
    """The signal's last reading in the step, in its unit."""
    conformance: Annotated[float, Field(ge=0, le=1)] | None
    """Probability that the requirement was met, equal weights for all values that the readings allow."""
    purpose: str
    """What the response proves, as the profile states it."""
    proves_nothing: bool
    """The requirement is met but proves nothing: it may have been met before the stimulus."""


class EvidenceGaps(PublishedPart):
    """How often one bus brought no evidence."""

    bus: str
    """The bus, as the bench file names it."""
    counts: dict[str, Annotated[int, Field(ge=1)]]
    """How often, by the reason: timeout, exception, disconnected, mismatch, restart, withdrawn, void, or unread for a
    value whose registers held none."""


class MockFault(PublishedPart):
    """A fault that the mock unit had."""

    name: str
    """Its name; `ventproof explain NAME` explains it."""
    severity: float
    """How severe it was; 1 is usual."""


class Run(PublishedPart):
    """One run of a profile."""

    log: str
    """The log, as it was named."""
    digest: str
    """Digest of the log's last intact line, which stands for the whole log."""
    verdict: Ended
    """How it ended; an aborted run proves nothing beyond its responses."""
    status: Stands
    """How it stands, its evidence judged again: as `verdict`, or why it has none."""
    reason: str
    """Why it has no verdict; empty otherwise."""
    profile: str
    """The profile's name."""
    profile_sha256: str
    """Digest of the profile's text."""
    values_set: dict[str, str]
    """Values that were given for the run in place of the profile's own (`run --set`), by name."""
    bench: str
    """The bench file's name."""
    bench_sha256: str
    """Digest of the bench file's text."""
    faults: tuple[MockFault, ...] | None
    """Faults of the mock unit in the bench file; null where they are not known."""
    unit: str
    """Serial number of the unit under test; empty when not stated."""
    firmware: str
    """Its firmware version; empty when not stated."""
    operator: str
    """Who ran the test; empty when not stated."""
    started: str | None
    """Date and time, ISO 8601; null in virtual time."""
    clock: Literal["virtual", "wall"]
    """`virtual` for a mock inside the process, `wall` for real wires."""
    decision: Literal["guarded", "simple"]
    """The rule of decision."""
    repeat: Annotated[int, Field(ge=1)]
    """Which repeat it was."""
    seed: int
    """Of what is random on a virtual bench."""
    duration_s: float
    """Seconds from the first to the last line of the log."""
    selfcheck_sha256: str
    """Digest of the bench's self-check for this run; empty without one."""
    no_selfcheck: str
    """That no self-check stands behind it, in a sentence; empty with one, and in virtual time."""
    ventproof: str
    """Version of the ventproof that ran it."""
    responses: tuple[Response, ...]
    """The requirements, in the profile's order; of an aborted run as its evidence shows them."""
    gaps: tuple[EvidenceGaps, ...]
    """Which buses brought no evidence at times; empty when every reading came."""


class Unreadable(PublishedPart):
    """A file among the logs that is no log."""

    log: str
    """The file, as it was named."""
    reason: str
    """Why it is none."""


class Results(PublishedPart):
    """Runs of profiles with what was found, made from their logs."""

    format: Literal["ventproof results"] = "ventproof results"
    """What this is."""
    version: Literal[2] = 2
    """Version of this format. It rises when something that a reader may rely on changes; additions come without."""
    verdict: Ended
    """The worst that occurs among the runs: aborted, then fail, then inconclusive, then pass; aborted when
    planned runs are missing, or a file is not a log."""
    status: Stands
    """How the runs stand together: the worst that occurs among the runs and files, `contradicted` first; `incomplete`
    is said of a set alone, of which not all that was planned is here."""
    complete: bool
    """Whether all that was planned is here, as it was left."""
    set_notes: tuple[str, ...]
    """What there is to say of the set of logs, in sentences: what is missing, changed, twice here or of other plans."""
    runs: Annotated[tuple[Run, ...], Field(min_length=1)]
    """The runs, in the order in which their logs were named."""
    not_run: tuple[str, ...]
    """Names of the profiles of runs that were planned and are not here."""
    unreadable: tuple[Unreadable, ...]
    """Files that are not logs; their content is unknown."""


def results_json(batch: Batch) -> str:
    """Return the runs as a JSON document of the published format."""
    runs = tuple(_run(logged) for logged in batch.runs)
    lost = tuple({"log": encodable(one.log), "reason": encodable(one.reason)} for one in batch.lost)
    made = Results.model_validate(
        {
            "verdict": batch.verdict,
            "status": batch.standing,
            "runs": runs,
            "complete": not batch.whole.standing,
            "set_notes": tuple(map(encodable, batch.whole.says)),
            "not_run": tuple(map(encodable, dict.fromkeys(batch.whole.absent))),
            "unreadable": lost,
        }
    )
    return made.model_dump_json(indent=2) + "\n"


def _run(logged: Logged) -> Run:
    run = logged.run
    names = Run.model_fields.keys() - {
        "log",
        "status",
        "no_selfcheck",
        "ventproof",
        "responses",
        "gaps",
        "faults",
        "values_set",
    }
    return Run.model_validate(
        {
            **{name: encodable(getattr(run, name)) for name in names},
            "log": encodable(logged.log),
            "status": logged.standing,
            "no_selfcheck": run.unmeasured,
            "faults": mock_faults(run.faults),
            "values_set": dict(run.given),
            "ventproof": run.version,
            "responses": tuple(_response(finding) for finding in run.findings),
            "gaps": tuple({"bus": encodable(one.bus), "counts": one.counts} for one in logged.gaps),
        }
    )


def mock_faults(given: Iterable[GivenFault] | None) -> tuple[MockFault, ...] | None:
    """Return the faults of a mock unit as they are published."""
    if given is None:
        return None
    return tuple(MockFault(name=str(encodable(one.name)), severity=one.severity) for one in given)


def _response(finding: Finding) -> Response:
    names = Response.model_fields.keys() - {"verdict", "response_time_s"}
    return Response.model_validate(
        {
            **{name: encodable(getattr(finding, ATTRIBUTES.get(name, name))) for name in names},
            "verdict": str(finding.verdict),
            "response_time_s": _pair(finding.response_s),
        }
    )


def encodable(value: object) -> object:
    """Return a value that JSON can hold: names of files may carry halves of characters."""
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value


def _pair(window: Window | None) -> Pair | None:
    return None if window is None else (window.earliest_s, window.latest_s)


def results_schema() -> dict[str, Any]:
    """Return the published JSON Schema of results (draft 2020-12)."""
    return published_schema(Results, "ventproof results")


def published_schema(model: type[PublishedPart], title: str) -> dict[str, Any]:
    """Return the JSON Schema of a published format."""
    return {"$schema": DIALECT, **model.model_json_schema(mode="serialization"), "title": title}
