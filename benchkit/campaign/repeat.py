"""
A record's run once more, from the record alone; and whether the two agree.

The sequence and the bench are the texts that the record keeps, with the tables and, for a simulated one, the device's own file.
A bench file of today may stand for the stored one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchkit.bench.identify import identify_bench
from benchkit.bench.load import Bench
from benchkit.bench.open import IdentityRow, open_bench
from benchkit.campaign.compare import Comparison, Measured, compare, load_measured
from benchkit.campaign.run import CampaignOutcome, rehearse, revision, run, software
from benchkit.campaign.setup import Difference, Setup, differences, software_of
from benchkit.clock import VirtualClock, WallClock
from benchkit.engine.journalist import Progress
from benchkit.envelope import needs, prove
from benchkit.errors import FormatError, LinkError
from benchkit.notify import NotifySettings
from benchkit.sequence.load import Sequence as LoadedSequence

__all__ = ["Repeat", "RepeatOutcome", "plan_repeat"]


@dataclass(frozen=True)
class RepeatOutcome:
    """The second run, and how it compares with the first; None when it gave nothing to compare."""

    run: CampaignOutcome
    comparison: Comparison | None

    @property
    def exit_code(self) -> int:
        """How the run ended if it did not get through; else 0: the two agree, 1: they do not."""
        if self.run.exit_code >= 2:
            return self.run.exit_code
        return 0 if self.comparison is not None and self.comparison.agrees else 1


@dataclass(frozen=True)
class Repeat:
    """
    A repeat about to be carried out. Made by plan_repeat().

    Attributes:
        original: The record.
        sequence, bench: What will be run.
        unit: On the bench.
        simulated: On the twin.
        seed: Of the twin.
        differences: What is not as it was, as far as it can be known before.
        reality: For a twin that is not what `bench` says.
    """

    original: Measured
    sequence: LoadedSequence
    bench: Bench
    unit: str
    simulated: bool
    seed: int
    differences: tuple[Difference, ...]
    reality: Bench | None = None

    def carry_out(
        self, out: Path, *, operator: str = "", progress: Progress | None = None, faults: Sequence[str] = (),
        notify: Sequence[NotifySettings] = (),
    ) -> RepeatOutcome:
        """
        Run, and compare.

        Args:
            out: The new record; never overwritten.
            notify: Whom to tell besides those in the bench file.

        Raises:
            As campaign.run() and campaign.rehearse().
        """
        if self.simulated:
            done = rehearse(
                self.sequence, self.bench, out, unit=self.unit, operator=operator, seed=self.seed, progress=progress,
                faults=faults, reality=self.reality, notify=notify,
            )  # fmt: skip
        else:
            done = run(self.sequence, self.bench, out, unit=self.unit, operator=operator, progress=progress, notify=notify)
        if done.exit_code >= 2:
            # Half a night says nothing about agreement that could be read as an answer.
            return RepeatOutcome(done, None)
        return RepeatOutcome(done, compare(self.original, load_measured(out)))


def plan_repeat(
    record: Path,
    *,
    bench: Bench | None = None,
    unit: str = "",
    simulated: bool | None = None,
    seed: int | None = None,
    reality: Bench | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Repeat:
    """
    Read the record, ask the instruments who they are, and say what differs. Nothing is energised.

    Args:
        bench: Today's bench file; default: the stored one.
        unit: What is on the bench; default: the stored unit.
        simulated: On the twin; default: as the record was made.
        seed: Of the twin; default: the record's.
        reality: What the simulated bench truly is, where it shall differ from the bench file (a path that has shifted).
        say: Told what is going on.

    Raises:
        FormatError: Not a record, or not one that can be repeated: says what is missing.
        FileError: The stored texts, or the plan on this bench, are not accepted (ProofError).
        LinkError: An instrument of a real bench does not answer.
    """
    original = load_measured(record)
    setup = original.setup
    if setup is None:
        raise FormatError(f"{record} is a table, not a record: there is no sequence in it to run again")
    if setup.sequence is None or (setup.bench is None and bench is None):
        raise FormatError(f"{record} can't be repeated: {'; '.join(setup.troubles)}")
    sequence, on_bench = setup.sequence, bench or that_tells_nobody(setup.bench)
    assert on_bench is not None, "checked above"
    was_simulated = setup.facts.get("simulated") == "1"
    on_twin = was_simulated if simulated is None else simulated
    unit, seed = unit or setup.facts.get("unit", ""), int(setup.facts.get("seed", "1")) if seed is None else seed
    if not unit:
        raise FormatError(f"{record} does not say which unit was measured; give its serial number with --unit")
    envelope = prove(sequence, on_bench)
    used = [need.instrument for need in needs(envelope.plan, sequence.file, on_bench.file)]
    say("asking the instruments who they are")
    rows = identities(reality or on_bench, used, on_twin, unit, seed)
    silent = [row for row in rows if row.trouble]
    if silent:
        raise LinkError(silent[0].name, "; ".join(row.trouble for row in silent))
    now = setup_now(setup, sequence, on_bench, rows, unit, on_twin, seed)
    return Repeat(original, sequence, on_bench, unit, on_twin, seed, tuple(differences(setup, now)), reality)


def that_tells_nobody(bench: Bench | None) -> Bench | None:
    """A record comes from anywhere: whom its bench file told is not told, and no command of it is run."""
    return None if bench is None else replace(bench, file=bench.file.model_copy(update={"notify": ()}))


def identities(bench: Bench, used: Sequence[str], on_twin: bool, unit: str, seed: int) -> list[IdentityRow]:
    if not on_twin:
        return [row for row in identify_bench(bench, WallClock()) if row.name in used]
    options: dict[str, object] = {"bench": bench, "seed": seed, "unit": unit}
    opened = open_bench(bench, VirtualClock(), only=used, library="twin", library_options=options)
    try:
        return opened.identify()
    finally:
        opened.release()


def setup_now(
    then: Setup, sequence: LoadedSequence, bench: Bench, rows: Sequence[IdentityRow], unit: str, on_twin: bool, seed: int
) -> Setup:
    """As the new record will say."""
    settings = bench.file.instruments
    instruments = {
        row.name: {
            "maker": row.maker, "model": row.model, "serial": row.serial, "firmware": row.firmware, "options": row.options,
            "driver": settings[row.name].driver,
            "calibrated": "" if settings[row.name].calibrated is None else str(settings[row.name].calibrated),
        }
        for row in rows
    }  # fmt: skip
    facts = {**then.facts, "unit": unit, "simulated": "1" if on_twin else "0"}
    for name, value in (("revision", revision()), ("seed", str(seed) if on_twin else "")):
        if value or name in facts:
            facts[name] = value
    # A drill is repeated without its faults, unless they are asked for again.
    facts.pop("faults", None)
    return replace(then, sequence=sequence, bench=bench, instruments=instruments, software=software_of(software()), facts=facts)
