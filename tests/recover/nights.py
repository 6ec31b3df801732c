"""
Nights with trouble: rehearsals with transient faults, each held against the same night without them.

A number is wrong when it is further from the undisturbed one than both expanded uncertainties allow. Noise of a reading is drawn
anew when a ladder is measured again, so equal to the last bit is not to be expected.
"""

from __future__ import annotations

import json
import math
import random
from dataclasses import dataclass
from pathlib import Path

from benchkit.bench.load import Bench
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.drill.one import keyed
from benchkit.engine.recovery import RECOVERED
from benchkit.record import Record
from benchkit.sequence.load import Sequence

__all__ = ["PLACES", "TRANSIENT", "Night", "Undisturbed", "draw", "night", "undisturbed"]

UNIT = "L07-W1-01"
READERS = ("output_meter", "drain_supply", "gate_supply", "detector_voltmeter", "reference_voltmeter", "case_voltmeter")
ALL = (*READERS, "rf_source", "rf_switch")
# Of the drill list: those that pass by themselves, and where they can be in kd14_short.
PLACES = {"late": READERS, "half-answer": READERS, "reset": ALL, "power-cycled": ALL, "restarts": ALL}
TRANSIENT = tuple(PLACES)


@dataclass(frozen=True)
class Undisturbed:
    """`results`: as keyed() gives them. `messages`, `points`: how many there were."""

    results: dict[str, tuple[float, float]]
    messages: int
    points: int


@dataclass(frozen=True)
class Night:
    """
    Attributes:
        failures: Promises that were broken; empty: it completed, or ended safe and can be gone on with, and every number it
            gives is right.
        again: How often something was begun again.
    """

    outcome: CampaignOutcome
    again: int
    failures: tuple[str, ...]

    @property
    def is_complete(self) -> bool:
        return self.outcome.outcome == "done"


def undisturbed(sequence: Sequence, bench: Bench, folder: Path, *, unit: str = UNIT, seed: int = 1) -> Undisturbed:
    """The same night without trouble. A fault that never comes counts the messages."""
    out = folder / "undisturbed.h5"
    outcome = rehearse(sequence, bench, out, unit=unit, seed=seed, faults=("reset@message 999999999",))
    assert outcome.outcome == "done", outcome.message
    account = json.loads(out.with_suffix(".faults.json").read_text(encoding="utf-8"))
    with Record.open(out) as record:
        return Undisturbed(keyed(outcome.results), account["messages"], len(record.points()))


def draw(rng: random.Random, count: int, messages: int) -> tuple[str, ...]:
    """Faults of the transient sort, anywhere and at any time between the first message and the last."""
    found = []
    for _ in range(count):
        name = rng.choice(TRANSIENT)
        found.append(f"{name}:{rng.choice(PLACES[name])}@message {rng.randint(1, messages)}")
    return tuple(found)


def night(
    sequence: Sequence,
    bench: Bench,
    faults: tuple[str, ...],
    truth: Undisturbed,
    folder: Path,
    *,
    unit: str = UNIT,
    seed: int = 1,
) -> Night:
    out = folder / "night.h5"
    outcome = rehearse(sequence, bench, out, unit=unit, seed=seed, faults=faults)
    failures: list[str] = []
    ledger = [json.loads(line) for line in out.with_suffix(".ledger.jsonl").read_text(encoding="utf-8").splitlines()]
    failures += [f"ledger: {entry['what']}: {entry['detail']}" for entry in ledger if not entry.get("by")]
    if outcome.make_safe:
        failures.append(f"not safe: {outcome.make_safe}")
    if outcome.outcome not in ("done", "bench", "limit"):
        failures.append(f"ended {outcome.outcome}: {outcome.message}")
    failures += _wrong(keyed(outcome.results), truth.results)
    with Record.open(out) as record:
        events, ladders, points = record.events(), record.ladders(), record.points()
    done = ladders[ladders["status"].isin(("complete", "stopped"))]
    if done["ladder"].duplicated().any():
        failures.append("a ladder counts twice")
    if points["point"].duplicated().any():
        failures.append("two points have one number")
    if outcome.outcome == "done":
        failures += [f"missing: {key}" for key in truth.results if key not in keyed(outcome.results)]
    # A long text goes on in further rows.
    again = sum(kind == RECOVERED and not text.startswith("…") for kind, text in zip(events["kind"], events["text"], strict=True))
    return Night(outcome, again, tuple(failures))


def _wrong(found: dict[str, tuple[float, float]], truth: dict[str, tuple[float, float]]) -> list[str]:
    return [
        f"wrong number: {key}: {value:.6g} instead of {truth[key][0]:.6g}, U {uncertainty:.3g}"
        for key, (value, uncertainty) in found.items()
        if key in truth and abs(value - truth[key][0]) > math.hypot(uncertainty, truth[key][1])
    ]
