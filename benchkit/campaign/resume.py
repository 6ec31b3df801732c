"""
Going on where a run ended, in the same record: killed, interrupted, stopped by a limit or by the bench.

Everything comes from the record: sequence, bench, tables, unit, and which ladders are finished. Those are not repeated; an
unfinished one is measured again from its start, and its torn attempt stays. Conditions are established anew.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from collections.abc import Sequence as Seq
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from benchkit.bench.load import Bench
from benchkit.bench.open import open_bench
from benchkit.campaign.repeat import identities, setup_now, that_tells_nobody
from benchkit.campaign.run import CampaignOutcome, NoProgress, energise, guardian_spec, summarise_record
from benchkit.campaign.setup import Difference, Setup, differences, setup_of
from benchkit.campaign.signals import Interrupter
from benchkit.campaign.summary import own_streams
from benchkit.campaign.telling import Teller
from benchkit.clock import Clock, VirtualClock, WallClock
from benchkit.engine.journalist import Events, Progress
from benchkit.engine.standing import Standing, standing_of
from benchkit.envelope import Envelope, needs, prove
from benchkit.errors import FormatError, LinkError
from benchkit.notify import NotifySettings
from benchkit.plan import estimate
from benchkit.record import Record, RecordWriter, recover
from benchkit.sequence.load import Sequence

__all__ = ["Resumption", "plan_resume"]

# Virtual time between the parts of a rehearsal: no row of the later one is older than one of the former.
PAUSE_S = 60.0


@dataclass(frozen=True)
class Resumption:
    """
    A run about to go on. Made by plan_resume().

    Attributes:
        record: Where it goes on.
        sequence, bench, unit, seed: With what.
        simulated: On the twin.
        envelope: The proof of the whole plan on this bench.
        standing: What the record has.
        former: How it ended, in a few words.
        is_sealed: Whether it has its outcome and results.
        differences: What is not as it was, as far as it can be known before; to be accepted by whoever goes on.
        last_s: Newest time in the record. [s since 1970-01-01T00:00:00Z]
    """

    record: Path
    sequence: Sequence
    bench: Bench
    unit: str
    seed: int
    simulated: bool
    envelope: Envelope
    standing: Standing
    former: str
    is_sealed: bool
    differences: tuple[Difference, ...]
    last_s: float

    @property
    def ladders_left(self) -> int:
        return sum(self.standing.left(self.envelope.plan))

    @property
    def before_left(self) -> int:
        """What is to be done with the power meter before the first condition: measurements, each channel counted."""
        return len(self.standing.power_left(self.envelope.plan))

    @property
    def is_measured(self) -> bool:
        """Nothing is left that needs an instrument."""
        return not self.ladders_left and not self.before_left

    @property
    def points_left(self) -> int:
        """When no ladder stops early."""
        return self.standing.points_left(self.envelope.plan)

    @property
    def nothing_to_do(self) -> bool:
        """Measured to the end, and sealed."""
        return self.is_measured and self.is_sealed

    @property
    def left_s(self) -> float:
        """Estimated, soaks by their share. [s]"""
        plan = self.envelope.plan
        total_s = estimate(plan, self.sequence.file, self.bench.file).total_s
        return total_s * self.points_left / max(1, plan.point_count)

    def carry_out(
        self, *, progress: Progress | None = None, be_done_by: str = "", notify: Seq[NotifySettings] = ()
    ) -> CampaignOutcome:
        """
        Go on, and seal the record with how this part ended and the results of all.

        Args:
            be_done_by: Instead of the sequence's conditions.be_done_by, and counted from now; "": that one.
            notify: Whom to tell besides those in the bench file.

        Raises:
            LinkError: An instrument does not answer; the record is as before.
            RecordError, FormatError: The record can't be opened again.
        """
        clock: Clock = WallClock()
        if self.simulated:
            clock = VirtualClock(datetime.fromtimestamp(self.last_s + PAUSE_S, UTC))
        if self.is_measured:
            return self._seal(clock)
        plan = self.envelope.plan
        used = [need.instrument for need in needs(plan, self.sequence.file, self.bench.file)]
        options: Mapping[str, object] = {}
        if self.simulated:
            options = {
                "bench": self.bench, "seed": self.seed, "unit": self.unit,
                "ledger_path": self.record.with_suffix(".ledger.jsonl"),
            }  # fmt: skip
        facts: dict[str, str | int | float] = {
            "record": str(self.record.resolve()), "unit": self.unit, "part": self.sequence.file.device.part,
            "sequence": self.sequence.file.sequence, "bench": self.bench.file.bench, "simulated": int(self.simulated),
            "planned_points": self.points_left,
        }  # fmt: skip
        teller = Teller((*(() if self.simulated else self.bench.file.notify), *notify), facts, clock)
        interrupter = Interrupter()
        with interrupter:
            opened = open_bench(
                self.bench, clock, only=used, library="twin" if self.simulated else None, library_options=options
            )
            try:
                silent = [row for row in opened.identify() if row.trouble]
                if silent:
                    raise LinkError(silent[0].name, "; ".join(row.trouble for row in silent))
                writer = self._open(clock, interrupter)
                spec = None
                if not self.simulated:
                    spec = guardian_spec(self.sequence, self.bench, self.record, used, clock, teller)
                return energise(
                    opened, writer, self.record, self.sequence, self.envelope, clock, interrupter,
                    _Rest(progress or NoProgress(), self.standing.points), spec, None, teller, self.standing,
                    be_done_by=be_done_by,
                )  # fmt: skip
            finally:
                interrupter.making_safe()
                opened.close()

    def _open(self, clock: Clock, interrupter: Interrupter) -> RecordWriter:
        writer = None
        try:
            with interrupter.shield():
                writer = RecordWriter.resume(self.record, clock=clock, sealed_too=True)
                self._tell(writer, Events(writer, clock))
        except BaseException:
            if writer is not None:
                writer.abandon()
            raise
        return writer

    def _seal(self, clock: Clock) -> CampaignOutcome:
        """Everything was measured, and then the run was killed: no instrument is needed for what is left to do."""
        with RecordWriter.resume(self.record, clock=clock) as writer:
            self._tell(writer, Events(writer, clock))
            results, verdicts = summarise_record(writer, self.record, self.sequence)
            message = "plan done; the run was killed after its last ladder, and the record finished later"
            writer.finish("done", message, results, verdicts)
        exit_code = 0 if all(verdict.is_within for verdict in verdicts) else 1
        return CampaignOutcome(self.record, "done", message, exit_code, "", tuple(results), tuple(verdicts))

    def _tell(self, writer: RecordWriter, events: Events) -> None:
        """What the record says of this part before anything is touched."""
        for row in self.standing.torn:
            writer.append("ladders", row)
        plan, standing = self.envelope.plan, self.standing
        events.note(
            "resumed",
            f"goes on here, {'on the twin' if self.simulated else 'on the bench'}; before: {self.former}. "
            f"{len(standing.finished)} of {plan.ladder_count} ladders finished, {standing.torn_attempts} torn attempts kept, "
            f"{self.ladders_left} ladders to measure" + (f", {self.before_left} before them" if self.before_left else ""),
            "warning",
        )
        for difference in self.differences:
            events.note("not as before", str(difference), "warning")
        recovery = writer.recovery
        if recovery is not None and not recovery.sealed and not self.is_sealed:
            events.note("record recovered", recovery.summary())


class _Rest:
    """Progress through what was left."""

    def __init__(self, inner: Progress, before: int) -> None:
        self._inner, self._before = inner, before

    def stage(self, text: str) -> None:
        self._inner.stage(text)

    def point(self, done: int, skipped: int) -> None:
        self._inner.point(done - self._before, skipped)

    def waiting(self, text: str) -> None:
        self._inner.waiting(text)


def plan_resume(record: Path, *, bench: Bench | None = None, say: Callable[[str], None] = lambda _: None) -> Resumption:
    """
    Read the record, ask the instruments who they are, and say what differs. Nothing is energised; a killed run's two files are
    brought into order.

    Args:
        bench: Today's bench file; default: the stored one, which then tells nobody (`notify`).
        say: Told what is going on.

    Raises:
        RecordError: The run is still going on.
        FormatError: Not a record, or not one that can be gone on with: says why.
        FileError: The stored texts, or the plan on this bench, are not accepted (ProofError).
        LinkError: An instrument does not answer.
    """
    with_journal = record.with_name(record.name + ".journal").exists()
    if with_journal:
        recover(record)
    with Record.open(record) as stored:
        setup = setup_of(stored)
        if setup.sequence is None or (setup.bench is None and bench is None):
            raise FormatError(f"{record} can't be gone on with: {'; '.join(setup.troubles)}")
        if "reality" in stored.attributes:
            raise FormatError(
                f"{record} was made on a twin that was not what its bench file says ({stored.attributes['reality']}); the record "
                "does not hold that twin"
            )
        sequence = setup.sequence
        standing = standing_of(stored.points(), stored.ladders(), own_streams(stored, sequence), stored.events())
        _check_held(record, stored, sequence, standing)
        former = f"{stored.outcome} ({stored.message})" if stored.is_sealed else "killed, or the computer died"
        is_sealed, last_s = stored.is_sealed, _newest_s(stored)
    on_bench = bench or that_tells_nobody(setup.bench)
    assert on_bench is not None, "checked above"
    unit, simulated = setup.facts.get("unit", ""), setup.facts.get("simulated") == "1"
    seed = int(setup.facts.get("seed", "1"))
    envelope = prove(sequence, on_bench)
    planned = Resumption(
        record, sequence, on_bench, unit, seed, simulated, envelope, standing, former, is_sealed, (), last_s
    )
    if planned.is_measured:
        return planned
    if not unit:
        raise FormatError(f"{record} does not say which unit was measured; it can't be gone on with")
    say("asking the instruments who they are")
    used = [need.instrument for need in needs(envelope.plan, sequence.file, on_bench.file)]
    rows = identities(on_bench, used, simulated, unit, seed)
    silent = [row for row in rows if row.trouble]
    if silent:
        raise LinkError(silent[0].name, "; ".join(row.trouble for row in silent))
    then = _without_faults(setup)
    now = setup_now(then, sequence, on_bench, rows, unit, simulated, seed)
    return replace(planned, differences=tuple(differences(then, now)))


def _without_faults(setup: Setup) -> Setup:
    """What a drill put in on purpose is not put in again, and nobody has to accept that."""
    return replace(setup, facts={name: value for name, value in setup.facts.items() if name != "faults"})


def _check_held(record: Path, stored: Record, sequence: Sequence, standing: Standing) -> None:
    """Gates that are held must be held where they were."""
    if sequence.file.bias.retrim != "hold voltage":
        return
    bias = stored.bias()
    biased = bias[bias["state"] == "biased"]
    pairs: Seq[tuple[str, float]] = list(zip(biased["channel"], biased["supply_voltage_set_v"], strict=True))
    for channel, supply_voltage_v in dict.fromkeys(pairs):
        if (channel, float(supply_voltage_v)) not in standing.held_gates_v:
            raise FormatError(
                f"{record} does not say at which voltage the gates of channel {channel} are held at {supply_voltage_v:g} V "
                "(bias.retrim: hold voltage); run the sequence again"
            )


def _newest_s(stored: Record) -> float:
    times = [stored.created_s, stored.ended_s or 0.0]
    for name, columns in stored.streams.items():
        if any(column.name == "time_s" for column in columns):
            newest = stored.stream(name)["time_s"].max()
            times.append(0.0 if math.isnan(newest) else float(newest))
    return max(times)
