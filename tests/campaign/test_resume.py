"""A run that ended before its end is gone on with in the same record, and reads as one."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.campaign.compare import compare_files
from benchkit.cli.main import app
from tests.campaign.going_on import acknowledged, resume_command, run_command, troubles, two_conditions
from tests.scenario import OVERNIGHT, changed, served_twin

LADDERS = 4


def test_after_kill_9_resume_keeps_every_point_and_measures_the_rest(tmp_path: Path) -> None:
    """Killed in the first condition, killed again while going on, then left alone: one record, as if undisturbed."""
    sequence = two_conditions(tmp_path, "0.5 dB")
    with served_twin(tmp_path) as twin:
        undisturbed = tmp_path / "undisturbed.h5"
        run_command(tmp_path, sequence, twin.bench, undisturbed).finish()
        record = tmp_path / "killed.h5"
        first = run_command(tmp_path, sequence, twin.bench, record)
        assert first.wait_until("20 %")
        first.kill()
        killed = acknowledged(record)
        second = resume_command(tmp_path, record, "--accept")
        assert second.wait_until("50 %"), second.finish()
        second.kill()
        killed_again = acknowledged(record)
        last = resume_command(tmp_path, record, "--accept")
        told = last.finish()
        twin.stop()

    assert last.process.returncode in (0, 1), told
    assert len(killed_again["points"]) > len(killed["points"]) > 10
    assert troubles(record, killed, LADDERS) == []
    assert troubles(record, killed_again, LADDERS) == []
    after = acknowledged(record)
    assert after["ladders"]["status"].tolist().count("torn") == 2
    assert after["events"]["kind"].tolist().count("resumed") == 2
    comparison = compare_files(undisturbed, record)
    assert comparison.agrees, comparison.disagreements
    assert not comparison.only_first
    assert twin.ledger() == []


def test_after_ctrl_c_the_run_names_the_command_that_goes_on(tmp_path: Path) -> None:
    """A sealed record is opened again, whatever an engineer's hand did to the run."""
    sequence = two_conditions(tmp_path)
    record = tmp_path / "interrupted.h5"
    with served_twin(tmp_path) as twin:
        run = run_command(tmp_path, sequence, twin.bench, record)
        assert run.wait_until("20 %")
        told = run.interrupt()
        before = acknowledged(record)
        going_on = resume_command(tmp_path, record, "--report", tmp_path / "report.html")
        told_later = going_on.finish()
        twin.stop()

    assert run.process.returncode == 130
    assert f"benchkit resume {record}" in told
    assert "interrupted" in told_later
    assert going_on.process.returncode in (0, 1), told_later
    assert troubles(record, before, LADDERS) == []
    assert (tmp_path / "report.html").exists()
    assert twin.ledger() == []


def test_a_changed_instrument_is_shown_and_needs_to_be_accepted(tmp_path: Path) -> None:
    """Half a curve on one meter and half on another is nobody's measurement, unless somebody says so."""
    sequence = two_conditions(tmp_path)
    record = tmp_path / "moved.h5"
    (tmp_path / "other").mkdir()
    with served_twin(tmp_path) as twin:
        run = run_command(tmp_path, sequence, twin.bench, record)
        assert run.wait_until("30 %")
        run.kill()
        twin.stop()
    before = acknowledged(record)
    with served_twin(tmp_path / "other", "--seed", "2") as other:
        bench = ("--bench", other.bench)
        refused = resume_command(tmp_path, record, *bench)
        told = refused.finish()
        untouched = acknowledged(record)
        as_data = json.loads(CliRunner().invoke(app, ["resume", str(record), "--bench", str(other.bench), "--json"]).stdout)
        accepted = resume_command(tmp_path, record, *bench, "--accept")
        told_later = accepted.finish()
        other.stop()

    assert refused.process.returncode == as_data["exit_code"] == 2
    assert "output_meter: serial" in told
    assert "--accept" in told
    assert "instrument" in {one["what"] for one in as_data["differences"]}
    assert all(rows.equals(untouched[name]) for name, rows in before.items())
    assert accepted.process.returncode in (0, 1), told_later
    assert troubles(record, before, LADDERS) == []
    events = acknowledged(record)["events"]
    assert events.loc[events["kind"] == "not as before", "text"].str.contains("output_meter: serial").any()


@pytest.fixture(scope="module")
def torn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rehearsal over three temperatures that a lost gate ended in the last."""
    folder = tmp_path_factory.mktemp("torn")
    shutil.copytree(OVERNIGHT.parent, folder, dirs_exist_ok=True)
    sequence = changed(
        OVERNIGHT, folder,
        ("{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}", "{from: 14 GHz, to: 14.5 GHz, step: 500 MHz}"),
    )  # fmt: skip
    record = folder / "torn.h5"
    points = len_of(sequence)
    result = CliRunner().invoke(
        app, ["rehearse", str(sequence), "--out", str(record), "--fault", f"gate-lost@point {points * 3 // 4}"]
    )
    assert result.exit_code in (3, 4), result.output
    return record


def len_of(sequence: Path) -> int:
    from benchkit.plan import make_plan
    from benchkit.sequence.load import load_sequence

    return make_plan(load_sequence(sequence).file).point_count


def test_a_finished_temperature_is_not_soaked_again(torn: Path, tmp_path: Path) -> None:
    """Hours of a night are soaks; and a part is not sent through a temperature for nothing."""
    record = Path(shutil.copy(torn, tmp_path / "record.h5"))
    before = acknowledged(record)
    result = CliRunner().invoke(app, ["resume", str(record)])
    after = acknowledged(record)

    assert result.exit_code in (0, 1), result.output
    later = after["events"].iloc[len(before["events"]) :]
    assert later["kind"].iloc[0] == "resumed"
    soaked = later.loc[later["kind"] == "soaked", "text"].tolist()
    assert len(soaked) == 1
    assert soaked[0].startswith("+70 °C")
    assert set(after["bias"].iloc[len(before["bias"]) :]["temperature_set_degc"]) == {70.0}
    assert later["time_s"].min() > before["events"]["time_s"].max()
    assert troubles(record, before, int(after["ladders"]["ladder"].max()) + 1) == []


def test_a_finished_record_has_nothing_to_do(torn: Path, tmp_path: Path) -> None:
    """Asked once too often, it touches neither bench nor record."""
    record = Path(shutil.copy(torn, tmp_path / "record.h5"))
    CliRunner().invoke(app, ["resume", str(record)])
    bytes_before = record.read_bytes()
    result = CliRunner().invoke(app, ["resume", str(record)])

    assert result.exit_code == 0
    assert "nothing to do" in result.output
    assert record.read_bytes() == bytes_before


def test_a_resumed_rehearsal_agrees_with_an_undisturbed_one(torn: Path, tmp_path: Path) -> None:
    """Torn attempts stay in the record and count for nothing."""
    record = Path(shutil.copy(torn, tmp_path / "record.h5"))
    CliRunner().invoke(app, ["resume", str(record)])
    CliRunner().invoke(app, ["rehearse", str(torn.with_name(OVERNIGHT.name)), "--out", str(tmp_path / "undisturbed.h5")])
    comparison = compare_files(tmp_path / "undisturbed.h5", record)

    assert comparison.agrees, comparison.disagreements
    assert not comparison.only_first


def test_a_record_changed_by_hand_is_not_gone_on_with(torn: Path, tmp_path: Path) -> None:
    """Going on would seal somebody's edit as if it had been measured."""
    import h5py

    record = Path(shutil.copy(torn, tmp_path / "record.h5"))
    with h5py.File(record, "r+") as h5:
        h5["points/drain_current_a"][0] += 1e-3
    result = CliRunner().invoke(app, ["resume", str(record)])

    assert result.exit_code != 0
    assert "changed after it was sealed" in str(result.exception)
    assert not record.with_name("record.h5.journal").exists()


def rehearse_and_resume(folder: Path, sequence: Path, fault: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the record has before and after."""
    record = folder / "record.h5"
    ended = CliRunner().invoke(app, ["rehearse", str(sequence), "--out", str(record), "--fault", fault])
    assert ended.exit_code in (3, 4), ended.output
    before = acknowledged(record)
    result = CliRunner().invoke(app, ["resume", str(record), "--accept"])
    assert result.exit_code in (0, 1), result.output
    after = acknowledged(record)
    assert troubles(record, before, int(after["ladders"]["ladder"].max()) + 1) == []
    return before, after


def test_gates_that_are_held_are_held_where_they_were(tmp_path: Path) -> None:
    """With `hold voltage` a gate trimmed anew at another temperature would be another experiment."""
    shutil.copytree(OVERNIGHT.parent, tmp_path, dirs_exist_ok=True)
    sequence = changed(
        OVERNIGHT, tmp_path, ("retrim: hold current", "retrim: hold voltage"), ("step: 125 MHz", "step: 750 MHz"),
    )  # fmt: skip
    before, after = rehearse_and_resume(tmp_path, sequence, "gate-lost@point 250")
    biased = after["bias"][after["bias"]["state"] == "biased"]

    assert len(biased) > (before["bias"]["state"] == "biased").sum()
    assert (after["events"]["kind"] == "gate held").sum() == 2
    for _, rows in biased.groupby("channel"):
        assert rows["gate_voltage_v"].max() - rows["gate_voltage_v"].min() < 2e-3  # the meter's own scatter


def test_a_network_analyser_is_calibrated_again(tmp_path: Path) -> None:
    """A calibration does not outlive the run: cables were moved, hours have passed. Its first one stays in the record."""
    shutil.copytree(OVERNIGHT.parent, tmp_path, dirs_exist_ok=True)
    _, after = rehearse_and_resume(tmp_path, tmp_path / "kd14_s_parameters.yaml", "gate-lost@point 6")

    assert set(after["residuals"]["attempt"]) == {1, 2}
    with benchkit.open_record(tmp_path / "record.h5") as stored:
        results = [result for result in stored.results() if result.parameter == "calibration_residual"]
    assert len(results) == (after["residuals"]["attempt"] == 2).sum()
