"""
Promise: paths are measured on the bench itself, with their uncertainty; a wrong one is found before anything is biased.

Here the two that are measured unless others are asked for; test_all_paths.py has the others.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import sim_instruments.hands
from benchkit.bench.load import Bench, load_bench_text
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.resume import plan_resume
from benchkit.campaign.run import NoProgress
from benchkit.errors import FormatError, LimitError, ProofError
from benchkit.plan.files import load_both
from benchkit.record import Record, export_paths
from benchkit.report import write_report
from tests.benchmarks.truth import tapped
from tests.campaign.going_on import acknowledged
from tests.scenario import ROOT, benchkit, changed

PATHS = ROOT / "sequences" / "kd14_paths.yaml"
VERIFICATION = ROOT / "sequences" / "kd14_verification.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
ALL_PATHS = ("    paths: [input, output, second input, analyser]\n", "")


def carried_out(
    folder: Path, shipped: Path, *changes: tuple[str, str], bench: Bench | None = None, reality: Bench | None = None,
    faults: tuple[str, ...] = (),
) -> CampaignOutcome:  # fmt: skip
    two = (ALL_PATHS,) if shipped == PATHS else ()
    path = changed(shipped, folder, ("bench: benches/kd14_full.yaml\n", ""), *two, *changes)
    sequence, own = load_both(path, FULL)
    return rehearse(sequence, bench or own, folder / "record.h5", reality=reality, faults=faults)


def bench_with(tables: dict[str, bytes], *changes: tuple[str, str]) -> Bench:
    """The shipped bench with some of its path tables, or of its text, replaced."""
    _, bench = load_both(PATHS, FULL)
    text = bench.text
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return load_bench_text(text, bench.path.name, {**bench.table_files, **tables}, bench.path.parent)


def shifted(name: str, by_db: float) -> dict[str, bytes]:
    _, bench = load_both(PATHS, FULL)
    key = f"../paths/{name}.csv"
    head, *rows = bench.table_files[key].decode().split()
    moved = [",".join([hz, f"{float(loss) + by_db:.3f}", *rest]) for hz, loss, *rest in (row.split(",") for row in rows)]
    return {key: "\n".join([head, *moved]).encode() + b"\n"}


def mixed_up(monkeypatch: pytest.MonkeyPatch, hands_do: dict[str, str]) -> None:
    """The twin's hands connect something else than they are asked for, as tired hands do."""
    as_told = sim_instruments.hands.Hands.connect
    monkeypatch.setattr(
        sim_instruments.hands.Hands, "connect", lambda self, channel, what: as_told(self, channel, hands_do.get(what, what))
    )


def ledger(outcome: CampaignOutcome) -> list[object]:
    text = outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


@pytest.mark.parametrize("reference", ["sensor", "setting"])
def test_measured_losses_lie_within_their_uncertainty_of_the_truth(tmp_path: Path, reference: str) -> None:
    """Both paths of both channels, against the twin's own paths: most within U, none far out."""
    with tapped() as tap:
        outcome = carried_out(tmp_path, PATHS, ("reference: sensor", f"reference: {reference}"))
    assert (outcome.outcome, ledger(outcome)) == ("done", [])
    assert tap.world is not None
    true_paths = {}
    for channel in tap.world.channels:
        for path in (channel.input_path, channel.meters["output_meter"]):
            true_paths[path.name] = path
    with Record.open(outcome.record) as record:
        rows = record.stream("paths")
    assert set(rows["path"]) == {"combined_a", "combined_b", "output_a", "output_b"}
    true_db = [true_paths[name].loss_db(hz) for name, hz in zip(rows["path"], rows["frequency_hz"], strict=True)]
    error_db = rows["loss_db"] - true_db
    ratio = (error_db / rows["expanded_uncertainty_db"]).abs()
    assert (ratio <= 1).mean() >= 0.93
    assert ratio.max() < 2
    # The same sensor at both ends is worth having: the level setting's own accuracy is 0.4 dB.
    inputs = rows[rows["path"].str.startswith("combined")]["expanded_uncertainty_db"]
    assert (inputs < 0.1).all() if reference == "sensor" else (inputs > 0.4).all()


@pytest.mark.parametrize("sequence", [PATHS, VERIFICATION], ids=["paths", "thru"])
def test_the_sensor_is_calibrated_once_and_zeroed_before_it_is_read(tmp_path: Path, sequence: Path) -> None:
    """The tables inherit what the sensor is off by, and every later record inherits the tables."""
    outcome = carried_out(tmp_path, sequence)
    with Record.open(outcome.record) as record:
        kinds = record.events()["kind"].tolist()
    assert kinds.count("sensor calibrated") == 1
    assert kinds.index("sensor calibrated") < kinds.index("connected") < kinds.index("zeroed")


def test_what_was_measured_is_a_bench_files_table_and_is_in_the_later_record(tmp_path: Path) -> None:
    """A path that is typed in by hand is a path with a typing mistake in it."""
    first = carried_out(tmp_path, PATHS)
    with Record.open(first.record) as record:
        files = export_paths(record, tmp_path / "tables")
        record_id = record.record_id
    assert [file.name for file in files] == ["combined_a.csv", "combined_b.csv", "output_a.csv", "output_b.csv"]
    text = files[0].read_text(encoding="utf-8")
    for told in (record_id, "rf_source", "output_meter", "serial", "SIMULATED", "k = 2", "device input"):
        assert told in text

    bench = bench_with({f"../paths/{file.name}": file.read_bytes() for file in files})
    later = tmp_path / "later"
    outcome = carried_out(later, VERIFICATION, bench=bench, reality=bench_with({}))
    assert outcome.outcome == "done", outcome.message
    with Record.open(outcome.record) as record:
        assert any(text.encode() == content for content in record.files.values()) or text in str(record.texts)


ADAPTED = ("    zero: -70 dBm\n", "    zero: -70 dBm\n    twin: {adapter_loss: 0.4 dB}\n")
STATED = {
    "as a value": "    adapter: {loss: 0.4 dB, uncertainty: 0.03 dB}\n",
    "as a file": "    adapter: {touchstone: adapter.s2p, uncertainty: 0.03 dB}\n",
    "not at all": "",
}


@pytest.mark.parametrize("how", STATED)
def test_an_adapter_that_the_sensor_needs_is_taken_out(tmp_path: Path, how: str) -> None:
    """The sensor wears it at the device's plane, not at its own place: what it loses would stand in the output path's table."""
    rows = "".join(f"{ghz} -40 0 -0.4 0 -0.4 0 -40 0\n" for ghz in (13, 14, 15))
    (tmp_path / "adapter.s2p").write_text("# GHZ S DB R 50\n" + rows)
    with tapped() as tap:
        outcome = carried_out(
            tmp_path, PATHS, ("    repeats: 3\n", "    repeats: 3\n" + STATED[how]), bench=bench_with({}, ADAPTED)
        )
    assert outcome.outcome == "done", outcome.message
    assert tap.world is not None
    true = {path.name: path for channel in tap.world.channels for path in (channel.input_path, channel.meters["output_meter"])}
    with Record.open(outcome.record) as record:
        found = record.stream("paths")
    error_db = found["loss_db"] - [true[name].loss_db(hz) for name, hz in zip(found["path"], found["frequency_hz"], strict=True)]
    ratio = (error_db / found["expanded_uncertainty_db"]).abs()
    of_output = found["path"].str.startswith("output")
    if how == "not at all":
        assert (ratio[of_output] > 1).all()
    else:
        assert (ratio <= 1).mean() >= 0.93
    # Through the same adapter at both ends of the input path, it cancels whether it is stated or not.
    assert (ratio[~of_output] <= 1).mean() >= 0.93


def test_a_sensor_beyond_its_accuracy_is_found_by_what_the_bench_file_states(tmp_path: Path) -> None:
    """No limit of anybody's own: the gain of a thru is 0 dB within its uncertainty, and this sensor reads a decibel off."""
    range_ = "    frequency_min: 10 MHz\n    frequency_max: 18 GHz"
    warm = bench_with({}, (f"    accuracy: 0.12 dB\n{range_}", f"    accuracy: 6 dB\n{range_}"))
    outcome = carried_out(tmp_path, VERIFICATION, reality=warm)

    assert outcome.exit_code == 3
    assert "instead of 0 dB" in outcome.message
    with Record.open(outcome.record) as record:
        assert record.bias().empty


def test_a_path_that_is_not_as_its_table_says_is_found_before_anything_is_biased(tmp_path: Path) -> None:
    """One decibel more than the table says: every gain and every P1dB of the night would be wrong by it."""
    outcome = carried_out(tmp_path, VERIFICATION, reality=bench_with(shifted("combined_a", 1.0)))

    assert (outcome.exit_code, outcome.make_safe, ledger(outcome)) == (3, "", [])
    for told in ("instead of 0 dB", "loses more than the tables say", "combined_a", "path_loss", "Nothing was biased"):
        assert told in outcome.message
    with Record.open(outcome.record) as record:
        assert record.bias().empty
        assert not record.stream("verification")["is_within"].all()


def test_a_path_as_its_table_says_has_no_gain_within_its_uncertainty(tmp_path: Path) -> None:
    outcome = carried_out(tmp_path, VERIFICATION)

    assert outcome.outcome == "done"
    gains = [one for one in outcome.results if one.parameter == "thru_gain"]
    assert len(gains) == 7
    assert all(abs(one.value) <= one.expanded_uncertainty and one.budget for one in gains)
    assert "Gain of a thru" in write_report([outcome.record], tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_meter_beyond_its_accuracy_is_found_as_well(tmp_path: Path) -> None:
    """A sensor that was dropped reads 1.5 dB low, everywhere alike."""
    moved = shifted("output_a", 1.5)
    outcome = carried_out(tmp_path, VERIFICATION, ("level: 0 dBm", "level: 0 dBm\n    limit: 0.5 dB"), reality=bench_with(moved))

    assert outcome.exit_code == 3
    assert "beyond the stated limit, 0.50 dB" in outcome.message


def test_levels_that_the_sensor_does_not_stand_are_refused_on_paper(tmp_path: Path) -> None:
    """No loss is counted on: with the sensor at the source there is none."""
    weak = bench_with({}, ("input_max: 23 dBm", "input_max: 5 dBm"))
    with pytest.raises(ProofError, match=r"sensor of output_meter.*5\.70 dBm|5\.70 dBm can be here \(sensor of output_meter"):
        carried_out(tmp_path, PATHS, bench=weak)
    with pytest.raises(ProofError, match="needs -45"):
        carried_out(tmp_path / "low", PATHS, ("level: [-10 dBm, 5 dBm]", "level: [-45 dBm, 5 dBm]"))


def test_a_sensor_that_reads_nothing_gives_no_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The thru is not in, or the sensor hangs in the air: a loss of 70 dB is none."""
    mixed_up(monkeypatch, {"thru": "open"})
    outcome = carried_out(tmp_path, PATHS)

    assert outcome.exit_code == 3
    assert "range_min" in outcome.message
    assert not [one for one in outcome.results if one.parameter == "path_loss"]
    with Record.open(outcome.record) as record, pytest.raises(FormatError, match="holds no measured paths"):
        export_paths(record, tmp_path / "tables")


def test_an_amplifier_where_none_is_known_of_ends_the_run(tmp_path: Path) -> None:
    """The table says 10 dB of loss and there is a gain of 20: the sensor is told more than it stands, and RF goes off at once."""
    strong = bench_with(shifted("combined_a", -30.0))
    outcome = carried_out(tmp_path, PATHS, reality=strong)

    assert isinstance(outcome.error, LimitError)
    assert (outcome.exit_code, outcome.make_safe) == (4, "")
    assert "input_max" in outcome.message


def test_the_command_writes_the_tables(tmp_path: Path) -> None:
    outcome = carried_out(tmp_path, PATHS)
    done = benchkit("export", outcome.record, "--to", "paths", "--out", tmp_path / "tables", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[-1].endswith("output_b.csv")


MIX_UPS = [
    ({"sensor at source": "sensor"}, "at the source's connector"),
    ({"sensor": "sensor at source"}, "combined_a loses nothing that could be seen"),
    ({"sensor": "thru"}, "combined_a loses 3"),
    ({"thru": "sensor"}, "output_a loses nothing that could be seen"),
    ({"thru": "device"}, "outside its range"),
]


@pytest.mark.parametrize(("hands_do", "told"), MIX_UPS, ids=[str(one) for one, _ in MIX_UPS])
def test_a_sensor_that_is_not_where_it_was_asked_for_gives_no_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hands_do: dict[str, str], told: str
) -> None:
    """A table of the wrong thing has an uncertainty as small as a right one."""
    mixed_up(monkeypatch, hands_do)
    outcome = carried_out(tmp_path, PATHS)

    assert (outcome.exit_code, outcome.make_safe) == (3, "")
    assert told in outcome.message
    with Record.open(outcome.record) as record:
        assert record.stream("paths").empty
        # What was read is kept all the same; what is outside the meter's range is no reading.
        assert record.stream("power_levels").empty is (told == "outside its range")


KILLER = """
import os, signal, sys
import sim_instruments.hands as hands
from benchkit.cli.main import app
as_told = hands.Hands.connect
def connect(self, channel, what):
    if (channel, what) == ("B", "thru"):
        os.kill(os.getpid(), signal.SIGKILL)
    as_told(self, channel, what)
hands.Hands.connect = connect
app(sys.argv[1:])
"""


def test_killed_among_the_paths_a_run_goes_on_with_those_that_are_missing(tmp_path: Path) -> None:
    """Half an hour with a torque wrench is not done twice; and a table that was never finished is not exported."""
    sequence = changed(PATHS, tmp_path, ("bench: benches/kd14_full.yaml\n", ""), ALL_PATHS)
    record = tmp_path / "paths.h5"
    killed = subprocess.run(
        [sys.executable, "-c", KILLER, "rehearse", str(sequence), "--bench", str(FULL), "--out", str(record)],
        cwd=ROOT, capture_output=True, timeout=100, check=False,
    )  # fmt: skip
    assert killed.returncode == -signal.SIGKILL
    before = acknowledged(record)
    planned = plan_resume(record)
    assert not planned.nothing_to_do
    outcome = planned.carry_out()

    assert outcome.outcome == "done", outcome.message
    after = acknowledged(record)
    assert after["power_levels"].iloc[: len(before["power_levels"])].equals(before["power_levels"])
    finished = after["paths"].groupby("path")["attempt"].agg(["min", "max", "size"])
    assert finished.loc[["combined_a", "output_a"], "max"].tolist() == [1, 1]
    assert finished.loc[["combined_b", "output_b"], "min"].tolist() == [2, 2]
    assert finished["size"].nunique() == 1
    assert plan_resume(record).nothing_to_do


class Stops(NoProgress):
    """Ctrl-C at a point."""

    def point(self, done: int, skipped: int) -> None:
        if done == 5:
            raise KeyboardInterrupt


def test_a_run_that_goes_on_has_its_thru_again_and_its_paths_not(tmp_path: Path) -> None:
    """Overnight somebody may have touched a cable: what is measured from here on is verified from here on."""
    both = (
        "measurements:\n",
        "measurements:\n  - kind: path_loss\n    frequency: [13.75 GHz, 14.5 GHz]\n    level: [0 dBm]\n    reference: sensor\n"
        "    averages: 4\n",
    )
    path = changed(VERIFICATION, tmp_path, ("bench: benches/kd14_full.yaml\n", ""), both)
    sequence, bench = load_both(path, FULL)
    stopped = rehearse(sequence, bench, tmp_path / "record.h5", progress=Stops())
    assert stopped.exit_code == 130
    outcome = plan_resume(stopped.record).carry_out()

    assert outcome.outcome == "done", outcome.message
    with Record.open(stopped.record) as record:
        assert set(record.stream("paths")["attempt"]) == {1}
        assert set(record.stream("verification")["attempt"]) == {1, 2}


AMPLIFIED = (
    "combined_a: {loss: {table: ../paths/combined_a.csv}, power_max: 27 dBm}",
    "combined_a: {loss: -8 dB, uncertainty: 0.5 dB, frequency_min: 13 GHz, frequency_max: 15.5 GHz, power_max: 27 dBm, "
    "saturated_power_max: 11.5 dBm}",
)


def test_a_driver_amplifier_is_seen_to_compress(tmp_path: Path) -> None:
    """A table holds at the level it was measured at; with an amplifier in the path that must be said."""
    changes = ("supply_voltage: 6 V", "channels: [A]\n  supply_voltage: 6 V"), ("[-10 dBm, 5 dBm]", "[-20 dBm, 2 dBm]")
    outcome = carried_out(tmp_path, PATHS, *changes, bench=bench_with({}, AMPLIFIED))

    assert (outcome.outcome, ledger(outcome)) == ("done", [])
    rises = [one for one in outcome.results if one.parameter == "path_loss_rise"]
    assert rises
    assert all(one.value > 3 * one.expanded_uncertainty for one in rises)
