"""
One campaign from proof to sealed record.

Order, and why: proof before anything is opened; the record before anything is energised (a night without a record is lost);
make safe before the record is closed (the part comes first), and the record told how that went.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import platform
import subprocess
from collections.abc import Mapping
from collections.abc import Sequence as Seq
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from benchkit.bench.load import Bench
from benchkit.bench.open import IdentityRow, OpenBench, open_bench
from benchkit.campaign.faults import ComputerFaults, Whereabouts, account_path
from benchkit.campaign.operator import hands_at_terminal
from benchkit.campaign.pacing import ESTIMATE, estimate_text, tell_time
from benchkit.campaign.pulse import BeatingClock
from benchkit.campaign.signals import Interrupter
from benchkit.campaign.sink import ShieldedSink
from benchkit.campaign.summary import judge_results, own_streams, summarise
from benchkit.campaign.telling import Teller
from benchkit.clock import Clock, VirtualClock, WallClock
from benchkit.engine.columns import streams
from benchkit.engine.journalist import Events, Progress
from benchkit.engine.run import Engine
from benchkit.engine.standing import NOTHING_DONE, Standing
from benchkit.envelope import Envelope, needs, prove
from benchkit.errors import BenchkitError, Interrupted, LinkError, MakeSafeError, RecordError, RecordExistsError
from benchkit.guardian import Guardian, GuardianSpec
from benchkit.link import LinkLog
from benchkit.notify import NotifySettings
from benchkit.plan import NO_PACE, Estimate, Pace, estimate
from benchkit.record import Disk, Record, RecordWriter
from benchkit.record.layout import SERVED
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict
from benchkit.sequence.load import Sequence
from benchkit.version import VERSION

__all__ = ["CampaignOutcome", "NoProgress", "rehearse", "run"]

# Exit code of a run to its end that has not measured all of its plan.
INCOMPLETE = 5
# What the record says of the software it was made with.
LIBRARIES = ("pyvisa", "pyvisa-py", "pyvisa-sim", "numpy", "scipy", "pandas", "pydantic", "h5py", "scikit-rf")


class NoProgress:
    """Says nothing."""

    def stage(self, text: str) -> None: ...

    def point(self, done: int, skipped: int) -> None: ...

    def waiting(self, text: str) -> None: ...


@dataclass(frozen=True)
class CampaignOutcome:
    """
    How a campaign ended.

    Attributes:
        record: The sealed record.
        outcome: "done", "incomplete" (to its end, but for what failed alone, was skipped or dropped), "limit", "bench",
            "interrupted" or "error".
        message: One line that says what happened.
        exit_code: As the command line reports it (benchkit.cli).
        make_safe: "" when everything was verified off, else what was not.
    """

    record: Path
    outcome: str
    message: str
    exit_code: int
    make_safe: str
    results: tuple[Result, ...]
    verdicts: tuple[Verdict, ...]
    error: BaseException | None = None


def rehearse(
    sequence: Sequence,
    bench: Bench,
    out: Path,
    *,
    unit: str = "L07-W1-01",
    operator: str = "",
    seed: int = 1,
    progress: Progress | None = None,
    link_log: Path | None = None,
    faults: Seq[str] = (),
    reality: Bench | None = None,
    notify: Seq[NotifySettings] = (),
    pace: Pace = NO_PACE,
    disk: Disk | None = None,
    be_done_by: str = "",
) -> CampaignOutcome:
    """
    The campaign on the twin, on a virtual clock: the same engine, drivers and SCPI text as run().

    Args:
        unit: Serial number; the twin draws this unit's own spread from it and the seed.
        seed: Of everything the twin draws; one seed, one record.
        faults: What shall go wrong on purpose, NAME@WHEN each (benchkit.fault_text says how; `benchkit drill --list` what
            there is). What became of each is written beside the record.
        reality: What the simulated bench truly is, where that shall differ from what the bench file says: a path that has
            shifted since its table was measured, a meter beyond its accuracy. Of the same instruments at the same addresses.
        notify: Whom to tell; those in the bench file are for real runs.
        pace: What earlier records tell of how long things take.
        disk: In place of the file system, for rehearsals of what a disk can do to a record.
        be_done_by: As conditions.be_done_by in the sequence, and instead of it.

    Raises:
        FileError: Mistakes in the files or the plan (ProofError), or a text that is no fault of this bench.
        RecordExistsError: `out` exists.
    """
    options: dict[str, object] = {
        "bench": reality or bench,
        "seed": seed,
        "unit": unit,
        "ledger_path": out.with_suffix(".ledger.jsonl"),
    }
    attributes: dict[str, str | int | float] = {"simulated": 1, "seed": seed}
    if reality is not None:
        attributes["reality"] = reality.file.bench
    clock, whereabouts = VirtualClock(), Whereabouts()
    if faults:

        def span_s() -> float:
            return estimate(prove(sequence, bench).plan, sequence.file, bench.file).total_s

        of_computer = ComputerFaults(faults, whereabouts, span_s)
        clock, disk = of_computer.clock, of_computer.disk or disk
        attributes["faults"] = "\n".join(faults)
        if of_computer.of_bench:
            span = span_s() if any("random" in text for text in of_computer.of_bench) else None
            options |= {
                "faults": of_computer.of_bench,
                "span_s": span,
                "whereabouts": whereabouts,
                "faults_path": account_path(out),
            }
    return _campaign(
        sequence, bench, out, clock, unit, operator, progress, link_log,
        library="twin", library_options=options, attributes=attributes, disk=disk, whereabouts=whereabouts, notify=notify,
        pace=pace, be_done_by=be_done_by,
    )  # fmt: skip


def run(
    sequence: Sequence,
    bench: Bench,
    out: Path,
    *,
    unit: str,
    operator: str = "",
    progress: Progress | None = None,
    link_log: Path | None = None,
    notify: Seq[NotifySettings] = (),
    pace: Pace = NO_PACE,
    be_done_by: str = "",
) -> CampaignOutcome:
    """
    The campaign on whatever the bench file addresses, on the wall clock.

    Args:
        notify: Whom to tell besides those in the bench file.
        pace: What earlier records tell of how long things take.
        be_done_by: As conditions.be_done_by in the sequence, and instead of it.
    """
    simulated: dict[str, str | int | float] = {"simulated": 0, **({SERVED: 1} if bench.file.simulated else {})}
    return _campaign(
        sequence, bench, out, WallClock(), unit, operator, progress, link_log,
        library=None, library_options={}, attributes=simulated, disk=None, whereabouts=None,
        notify=(*bench.file.notify, *notify), pace=pace, be_done_by=be_done_by,
    )  # fmt: skip


def _campaign(
    sequence: Sequence,
    bench: Bench,
    out: Path,
    clock: Clock,
    unit: str,
    operator: str,
    progress: Progress | None,
    link_log: Path | None,
    *,
    library: str | None,
    library_options: Mapping[str, object],
    attributes: Mapping[str, str | int | float],
    disk: Disk | None,
    whereabouts: Whereabouts | None,
    notify: Seq[NotifySettings],
    pace: Pace,
    be_done_by: str,
) -> CampaignOutcome:
    envelope = prove(sequence, bench)
    if out.exists():
        raise RecordExistsError(f"{out} exists; benchkit never overwrites a record: choose another --out, or move it away")
    expected = estimate(envelope.plan, sequence.file, bench.file, pace=pace)
    if be_done_by:
        attributes = {**attributes, "be_done_by": be_done_by}
    used = [need.instrument for need in needs(envelope.plan, sequence.file, bench.file)]
    log = None if link_log is None else LinkLog(link_log, clock)
    interrupter = Interrupter()
    facts: dict[str, str | int | float] = {
        "record": str(out.resolve()), "unit": unit, "part": sequence.file.device.part, "sequence": sequence.file.sequence,
        "bench": bench.file.bench, "simulated": attributes["simulated"], "planned_points": envelope.plan.point_count,
    }  # fmt: skip
    teller = Teller(notify, facts, clock)
    try:
        with interrupter:
            opened = open_bench(
                bench, clock, only=used, library=library, library_options=library_options, link_log=log
            )
            try:
                identities = opened.identify()
                silent = [row for row in identities if row.trouble]
                if silent:
                    raise LinkError(silent[0].name, "; ".join(row.trouble for row in silent))
                writer = _create(
                    out, sequence, bench, envelope, expected, identities, unit, operator, attributes, clock, disk
                )
                # In a rehearsal there is nothing to guard: the twin lives in this process and dies with it.
                spec = guardian_spec(sequence, bench, out, used, clock, teller) if library is None else None
                return energise(
                    opened, writer, out, sequence, envelope, clock, interrupter, progress or NoProgress(), spec, whereabouts,
                    teller, be_done_by=be_done_by, pace=pace,
                )  # fmt: skip
            finally:
                interrupter.making_safe()
                opened.close()
    finally:
        if log is not None:
            log.close()


def energise(
    opened: OpenBench,
    writer: RecordWriter,
    out: Path,
    sequence: Sequence,
    envelope: Envelope,
    clock: Clock,
    interrupter: Interrupter,
    progress: Progress,
    spec: GuardianSpec | None,
    whereabouts: Whereabouts | None,
    teller: Teller,
    standing: Standing = NOTHING_DONE,
    *,
    be_done_by: str = "",
    pace: Pace = NO_PACE,
) -> CampaignOutcome:
    """
    Everything between the first and the last command that can reach the part.

    Args:
        standing: What the record has already.
        be_done_by: Instead of the sequence's own; "": that one.
    """
    outcome, message, exit_code = "done", "plan done", 0
    cause: BaseException | None = None
    guardian: Guardian | None = None
    try:
        if spec is not None:
            guardian = Guardian.start(spec)
        if opened.hands is None:
            opened.hands = hands_at_terminal(clock, None if guardian is None else guardian.beat)
        sink = ShieldedSink(
            writer,
            interrupter,
            None if guardian is None else guardian.beat,
            (teller.see,) if whereabouts is None else (whereabouts.see, teller.see),
        )
        paced = clock if guardian is None else BeatingClock(clock, guardian.beat)
        engine = Engine(opened, sequence, envelope.plan, paced, sink, progress, standing, be_done_by=be_done_by, pace=pace)
        engine.run()
        if engine.stages.missing:
            outcome, exit_code = "incomplete", INCOMPLETE
            message = f"plan done but for ladders: {engine.stages.missing}; resume the record to measure them"
    except Interrupted as error:
        outcome, message, exit_code, cause = "interrupted", f"interrupted by {error.signal_name}", 130, error
    except KeyboardInterrupt as error:
        outcome, message, exit_code, cause = "interrupted", "interrupted by SIGINT", 130, error
    except BenchkitError as error:
        kind = "limit" if error.exit_code == 4 else "bench"
        outcome, message, exit_code, cause = kind, str(error), error.exit_code, error
    except Exception as error:  # noqa: BLE001 - whatever it is, the part comes first; it is re-raised by the caller's outcome
        outcome, message, exit_code, cause = "error", f"{type(error).__name__}: {error}", 3, error
    interrupter.making_safe()
    begun_s = clock.monotonic()
    try:
        opened.make_safe()
        unsafe = ""
        made_safe = f"made safe in {clock.monotonic() - begun_s:.2f} s: RF off, drain off, gate off, each read back"
    except MakeSafeError as error:
        unsafe = str(error)
        made_safe = f"NOT VERIFIED SAFE: {unsafe}"
        exit_code = 3
    if guardian is not None:
        if not unsafe:
            guardian.goodbye()
        elif _ask_for_help(opened, guardian):
            made_safe = f"made safe by the guardian over connections of its own; the run itself could not: {unsafe}"
            unsafe = ""
    try:
        events = Events(writer, clock)
        _note_end(events, outcome, message, made_safe, unsafe)
        results, verdicts = summarise_record(writer, out, sequence)
        if outcome == "done" and standing is NOTHING_DONE:  # a resumed run's time has a hole in it
            tell_time(out, sequence, events)
        if exit_code == 0 and not all(verdict.is_within for verdict in verdicts):
            exit_code = 1
        for failure in teller.ended(outcome, message, exit_code, unsafe, verdicts):
            events.note("not told", failure, "warning")
        writer.finish(outcome, message if not unsafe else f"{message}; {made_safe}", results, verdicts)
    except RecordError as error:
        # The part is safe or it is told that it is not; that must not be lost behind a full disk.
        with contextlib.suppress(RecordError):
            writer.abandon()
        if outcome == "done":
            outcome, cause = "bench", error
        message = (
            f"{message}; the record could not be finished ({error}); it holds every acknowledged point, unsealed"
            if cause is not error
            else f"the record could not be finished: {error}; it holds every acknowledged point, unsealed"
        )
        exit_code = max(exit_code, 3)
        teller.ended(outcome, message, exit_code, unsafe)
        return CampaignOutcome(out, outcome, message, exit_code, unsafe, (), (), cause)
    except BaseException:
        writer.abandon()
        raise
    return CampaignOutcome(out, outcome, message, exit_code, unsafe, tuple(results), tuple(verdicts), cause)


def _ask_for_help(opened: OpenBench, guardian: Guardian) -> bool:
    """Let go of every connection first, so that the guardian can have its own; True when it verified the bench safe."""
    with contextlib.suppress(MakeSafeError):  # what could not be closed is not ours any more either way
        opened.release()
    return guardian.ask_for_help() == 0


def _note_end(events: Events, outcome: str, message: str, made_safe: str, unsafe: str) -> None:
    if outcome != "done":
        events.note(outcome, message, "warning" if outcome in ("interrupted", "incomplete") else "error")
    events.note("made safe", made_safe, "error" if unsafe else "info")


def summarise_record(writer: RecordWriter, out: Path, sequence: Sequence) -> tuple[list[Result], list[Verdict]]:
    """Results and verdicts of everything that the record has by now."""
    writer.flush()
    with Record.open(out) as record:
        results = summarise(sequence, record.points(), record.ladders(), own_streams(record, sequence))
    return results, judge_results(sequence, results)


def _create(
    out: Path,
    sequence: Sequence,
    bench: Bench,
    envelope: Envelope,
    expected: Estimate,
    identities: list[IdentityRow],
    unit: str,
    operator: str,
    attributes: Mapping[str, str | int | float],
    clock: Clock,
    disk: Disk | None,
) -> RecordWriter:
    settings = bench.file.instruments
    instruments = [
        {
            "name": row.name,
            "role": row.role,
            "driver": settings[row.name].driver,
            "address": row.address,
            "maker": row.maker,
            "model": row.model,
            "serial": row.serial,
            "firmware": row.firmware,
            "options": row.options,
            "calibrated": "" if settings[row.name].calibrated is None else str(settings[row.name].calibrated),
        }
        for row in identities
    ]
    return RecordWriter.create(
        out,
        streams=streams(envelope.plan, expected.total_s),
        texts={"sequence": sequence.text, "bench": bench.text, ESTIMATE: estimate_text(expected)},
        files={**bench.table_files, **sequence.kept_files},
        attributes={
            "unit": unit,
            "operator": operator or _operator(),
            "part": sequence.file.device.part,
            "technology": sequence.file.device.technology,
            "device_plane": sequence.file.device.plane,
            "sequence_name": sequence.file.sequence,
            "sequence_file": sequence.path.name,
            "bench_name": bench.file.bench,
            "bench_file": bench.path.name,
            "started_s": clock.now(),
            "estimated_s": expected.total_s,
            "planned_points": envelope.plan.point_count,
            "warnings": "\n".join(envelope.warnings),
            "software": "\n".join(software()),
            "revision": revision(),
            **attributes,
        },
        instruments=instruments,
        clock=clock,
        disk=disk,
    )


def guardian_spec(
    sequence: Sequence, bench: Bench, out: Path, used: list[str], clock: Clock, teller: Teller
) -> GuardianSpec:
    """What the guardian of one run is told."""
    temperature = sequence.file.conditions.temperature
    return GuardianSpec(
        run_pid=os.getpid(),
        record=str(out.resolve()),
        bench_text=bench.text,
        bench_name=str(bench.path),
        table_files=dict(bench.table_files),
        instruments=tuple(used),
        library=bench.file.link.library,
        hold_gate_v=sequence.file.bias.pinch_off_v,
        idle_temperature_degc=None if temperature is None else temperature.idle_degc,
        silence_s=silence_s(sequence, bench),
        started_s=clock.now(),
        notify=tuple(target.model_dump(mode="json") for target in teller.targets),
        facts=teller.facts,
    )


def silence_s(sequence: Sequence, bench: Bench) -> float:
    """
    How long a run may be silent before it counts as stuck: two instruments at their time limits, one soak poll, and ten
    seconds for a slow disk. [s]
    """
    longest_s = max(settings.timeout_s for settings in bench.file.instruments.values())
    temperature = sequence.file.conditions.temperature
    poll_s = 0.0 if temperature is None else temperature.soak.poll_every_s
    return 2.0 * longest_s + poll_s + 10.0


def _operator() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""


def software() -> list[str]:
    """benchkit, Python and the libraries that shape a number, with their versions."""
    lines = [f"benchkit {VERSION}", f"Python {platform.python_version()}", platform.platform()]
    for name in LIBRARIES:
        try:
            lines.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            lines.append(f"{name} not installed")
    return lines


def revision() -> str:
    """Source revision of a checkout, or "" when benchkit was installed without one."""
    folder = Path(__file__).resolve().parent.parent.parent
    if not (folder / ".git").exists():
        return ""
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), "describe", "--always", "--dirty", "--abbrev=40"],
            capture_output=True, text=True, timeout=10, check=True,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout.strip()
