"""One rehearsal with one fault, and whether benchkit kept its promises in it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from benchkit.bench.load import Bench
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.faults import COMPUTER_FAULTS, account_path
from benchkit.drill.moments import Reference
from benchkit.engine.recovery import RECOVERED
from benchkit.errors import (
    BenchkitError,
    ConditionError,
    ErrorQueueError,
    InstrumentError,
    LimitError,
    LinkError,
    MakeSafeError,
    ProtectionError,
    RecordError,
    ReplyError,
)
from benchkit.fault_text import FaultText
from benchkit.record import Record
from benchkit.results.result import Result
from benchkit.sequence.load import Sequence as SequenceFile

__all__ = ["Row", "carry_out", "keyed", "take_reference"]

# The device, or the bench, is another one then; that its numbers are others is right. Only a sentinel can tell.
OF_DEVICE = frozenset({"drifts", "dies", "oscillates", "thermal-runaway", "path-shifts", "zero-shifts"})
# What stopped the run, most special first.
WALLS: tuple[tuple[type[BaseException], str], ...] = (
    (LimitError, "reading wall"),
    (ProtectionError, "protection read back"),
    (ReplyError, "reply refused"),
    (ErrorQueueError, "error queue"),
    (InstrumentError, "read back"),
    (LinkError, "link"),
    (ConditionError, "condition"),
    (RecordError, "record"),
    (MakeSafeError, "not verified safe"),
)
UNDER_POWER = ("biased", "driven")
# Making safe takes no longer than this.
TAKEN_DOWN_S = 30.0
NEVER = "drifts@message 999999999"


@dataclass(frozen=True)
class Row:
    """
    What became of one drill.

    Attributes:
        fault: As for `benchkit rehearse --fault`.
        came: Whether it came before the run ended.
        state: Bias state of the device when it came.
        point: Acknowledged points when the run ended.
        caught_by: Which wall, "retried" when something was begun again and the run went on to its end, "harmless" when it went on
            without, "" when the fault never came.
        to_safe_s: From a fault that came under power until nothing was energised; None: it came without power, or the run
            went on to its end. [s]
        reaction_s: The same from the first reading that showed it; None: none did. [s]
        outcome, message: As the record says.
        not_safe: What could not be verified off, as the person was told.
        ledger: Entries charged to benchkit.
        own_doing: Entries that are the fault's own doing.
        record: "sealed", "whole, not sealed", "none", or what is wrong with it.
        failures: Promises that were broken; empty: passed.
    """

    fault: str
    came: bool
    state: str
    point: int
    caught_by: str
    to_safe_s: float | None
    reaction_s: float | None
    outcome: str
    message: str
    not_safe: str
    ledger: tuple[str, ...]
    own_doing: tuple[str, ...]
    record: str
    failures: tuple[str, ...]

    def as_data(self) -> dict[str, Any]:
        return asdict(self)


class _Points:
    """Counts acknowledged points; implements benchkit.engine.Progress."""

    def __init__(self) -> None:
        self.done = 0

    def stage(self, text: str) -> None: ...

    def waiting(self, text: str) -> None: ...

    def point(self, done: int, skipped: int) -> None:
        self.done = done


def take_reference(sequence: SequenceFile, bench: Bench, folder: Path, unit: str, seed: int) -> Reference:
    """
    The rehearsal without a fault, against which moments are drawn and results are held.

    Raises:
        BenchkitError: It cannot be carried out, or does not run to its end: then a drill says nothing.
    """
    out = folder / "reference.h5"
    points = _Points()
    # A fault that never comes: for the count of messages.
    outcome = rehearse(sequence, bench, out, unit=unit, seed=seed, progress=points, faults=(NEVER,))
    if outcome.error is not None or outcome.outcome != "done":
        message = f"without a fault the rehearsal ends with: {outcome.message}; drills would say nothing"
        raise BenchkitError(message) from outcome.error
    account = json.loads(account_path(out).read_text(encoding="utf-8"))
    charged, _ = _ledger(out)
    if charged:
        raise BenchkitError(f"without a fault the ledger has entries already: {'; '.join(charged)}")
    return Reference(account["ended_s"], account["messages"], points.done, keyed(outcome.results))


def carry_out(
    sequence: SequenceFile, bench: Bench, fault: FaultText, reference: Reference, folder: Path, unit: str, seed: int
) -> Row:
    """
    One drill. What it leaves in `folder` is the caller's to remove.

    Raises nothing of its own: whatever comes out of the rehearsal is what the drill found.
    """
    out = folder / "drill.h5"
    points = _Points()
    outcome: CampaignOutcome | None = None
    error: BaseException | None = None
    try:
        outcome = rehearse(sequence, bench, out, unit=unit, seed=seed, progress=points, faults=(str(fault),))
        error = outcome.error
    except BenchkitError as raised:
        error = raised
    except Exception as raised:  # noqa: BLE001 - a fault in benchkit is what a drill is looking for
        error = raised
    failures: list[str] = []
    charged, own_doing = _ledger(out)
    failures += [f"ledger: {entry}" for entry in charged]
    if error is not None and not isinstance(error, BenchkitError):
        failures.append(f"a fault in benchkit: {type(error).__name__}: {error}")
    account = _account(out, fault)
    state, record_failures = _record_state(out, points.done, may_be_open=fault.name == "disk-full", began=outcome is not None)
    failures += record_failures
    if outcome is not None and not outcome.make_safe:
        failures += [f"nobody was told: {entry}" for entry in own_doing if entry.startswith("left energised")]
    completed = outcome is not None and outcome.outcome == "done"
    # A run that says that the device is outside its expectations has told the person; one that says all is well has not.
    if completed and outcome is not None and outcome.exit_code == 0 and fault.name not in OF_DEVICE:
        failures += _wrong_numbers(keyed(outcome.results), reference.results)
    came_s, shown_s, safe_s = account.get("came_s"), account.get("shown_s"), account.get("safe_s")
    # A device that had been taken down long before the run was stopped was not made safe by the stop.
    is_stopped = not completed and safe_s is not None and account["ended_s"] - safe_s < TAKEN_DOWN_S
    return Row(
        fault=str(fault),
        came=account["came"],
        state=account.get("state", ""),
        point=points.done,
        caught_by=_caught_by(account, error, completed, has_recovered=completed and _has_recovered(out)),
        to_safe_s=safe_s - came_s if is_stopped and came_s is not None and account["state"] in UNDER_POWER else None,
        reaction_s=safe_s - shown_s if is_stopped and shown_s is not None else None,
        outcome="not begun" if outcome is None else outcome.outcome,
        message=str(error) if outcome is None else outcome.message,
        not_safe="" if outcome is None else outcome.make_safe,
        ledger=tuple(charged),
        own_doing=tuple(own_doing),
        record=state,
        failures=tuple(failures),
    )


def keyed(results: Sequence[Result]) -> dict[str, tuple[float, float]]:
    """Values with their expanded uncertainty, by what they are; what has not both is left out."""
    return {
        f"{result.parameter} {result.qualifier} {result.measurement} {result.condition}": (
            result.value,
            result.expanded_uncertainty,
        )
        for result in results
        if math.isfinite(result.value) and math.isfinite(result.expanded_uncertainty)
    }


def _wrong_numbers(found: Mapping[str, tuple[float, float]], reference: Mapping[str, tuple[float, float]]) -> list[str]:
    """Numbers that a run to its end reports, and that are not those of the same device without the fault."""
    wrong = []
    for key, (value, uncertainty) in found.items():
        if key in reference and abs(value - reference[key][0]) > math.hypot(uncertainty, reference[key][1]):
            wrong.append(f"wrong number: {key}: {value:.6g} instead of {reference[key][0]:.6g}, U {uncertainty:.3g}")
    return wrong[:3]


def _ledger(out: Path) -> tuple[list[str], list[str]]:
    """Entries charged, and entries that are the fault's own doing."""
    path = out.with_suffix(".ledger.jsonl")
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    charged: list[str] = []
    own_doing: list[str] = []
    for entry in map(json.loads, lines):
        (own_doing if entry.get("by") else charged).append(f"{entry['what']}: {entry['detail']}")
    return charged, own_doing


def _account(out: Path, fault: FaultText) -> dict[str, Any]:
    if fault.name in COMPUTER_FAULTS:
        return {"came": True, "trips": []}
    path = account_path(out)
    if not path.exists():
        return {"came": False, "trips": []}
    account: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    row = account["faults"][0]
    return {**row, "came": row["came_s"] is not None, "ended_s": account["ended_s"]}


def _record_state(out: Path, acknowledged: int, *, may_be_open: bool, began: bool) -> tuple[str, list[str]]:
    """Opens, is sealed, and holds every acknowledged point."""
    if not out.exists():
        # Refused before anything was energised: there is nothing to record.
        return ("none", ["the run began and left no record"] if began else [])
    try:
        with Record.open(out) as record:
            held, sealed = len(record.points()), record.is_sealed
    except Exception as error:  # noqa: BLE001 - a record that cannot be opened is a finding, whatever the reason
        return f"does not open: {error}", [f"record does not open: {error}"]
    failures = []
    # One more than acknowledged: the reading that hit a wall is kept, and marked.
    if not acknowledged <= held <= acknowledged + 1:
        failures.append(f"record holds {held} points, {acknowledged} were acknowledged")
    if not sealed and not may_be_open:
        failures.append("record is not sealed")
    return ("sealed" if sealed else "whole, not sealed"), failures


def _has_recovered(out: Path) -> bool:
    with Record.open(out) as record:
        return bool((record.events()["kind"] == RECOVERED).any())


def _caught_by(account: Mapping[str, Any], error: BaseException | None, completed: bool, *, has_recovered: bool) -> str:
    if not account["came"]:
        return ""
    if completed:
        return "retried" if has_recovered else "harmless"
    if account["trips"]:
        return "instrument protection"
    for kind, name in WALLS:
        if isinstance(error, kind):
            return name
    return "benchkit's own fault" if error is not None else "interrupted"
