"""
Oscillation check from sequence file to record: an oscillating device is never driven, and the analyser's own responses and noise
are not taken for one.

The fault that makes the simulated device oscillate is told from the twin's own source: 25 dBm at 1.3 GHz.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.campaign.run import CampaignOutcome
from benchkit.envelope import prove
from benchkit.errors import FileError, LimitError, ProofError
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.sequence.load import load_sequence
from sim_instruments.faults.device import OSCILLATION_DBM
from sim_instruments.physics.device import OSCILLATION_HZ
from tests.scenario import ROOT, benchkit, changed

SEQUENCE = ROOT / "sequences" / "kd14_spectrum.yaml"
BENCHES = ROOT / "sequences" / "benches"
FULL = BENCHES / "kd14_full.yaml"
SOAK = SEQUENCE.read_text(encoding="utf-8").split("conditions:\n")[1].split("  channels:")[0]
AT_ROOM = ((SOAK, ""), ("bench: benches/kd14_full.yaml\n", ""))
UNDRIVEN_ONLY = SEQUENCE.read_text(encoding="utf-8").split("  - kind: spectrum\n")[1].split("\nexpectations:")[0]
EXPECTED = SEQUENCE.read_text(encoding="utf-8").split("\nexpectations:\n")[1]
SENTINEL = "sentinel: {frequency: 14.125 GHz, drive: -15 dBm, gain_drift_max: 0.1 dB}\n\n"
CHECK_ALONE = (
    (f"  - kind: spectrum\n{UNDRIVEN_ONLY}", ""),
    (f"\nexpectations:\n{EXPECTED}", "\nexpectations:\n  - {parameter: undriven_margin, min: 10 dB}\n"),
)


def carried_out(folder: Path, *changes: tuple[str, str], bench: Path = FULL, faults: tuple[str, ...] = ()) -> CampaignOutcome:
    sequence = load_sequence(changed(SEQUENCE, folder, *AT_ROOM, *changes))
    return rehearse(sequence, load_bench(bench), folder / "record.h5", seed=1, unit="L07-W1-01", faults=faults)


def ledger(outcome: CampaignOutcome) -> str:
    return outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")


def stream(outcome: CampaignOutcome, name: str) -> pd.DataFrame:
    with Record.open(outcome.record) as record:
        return record.points() if name == "points" else record.stream(name)


def bench_with(folder: Path, *changes: tuple[str, str]) -> Path:
    """The full bench, its tables and its device named from `folder`."""
    near = [("table: ../paths/", f"table: {_up(folder)}sequences/paths/"), ("../twin/", f"{_up(folder)}sequences/twin/")]
    return changed(FULL, folder, *near, *changes)


def _up(folder: Path) -> str:
    return "../" * (len(folder.resolve().parts) - 1) + "/".join(ROOT.parts[1:]) + "/"


@pytest.mark.parametrize("sentinel", ["", SENTINEL], ids=["alone", "with a sentinel"])
def test_an_oscillating_device_ends_the_run_before_it_was_ever_driven(tmp_path: Path, sentinel: str) -> None:
    """It makes power of its own; driving it on top of that harms part or bench. A sentinel drives too: it waits."""
    outcome = carried_out(tmp_path, ("measurements:\n", f"{sentinel}measurements:\n"), faults=("oscillates@condition 1",))
    assert outcome.exit_code == 4
    assert isinstance(outcome.error, LimitError)
    assert "oscillates at 1.3" in outcome.message
    assert outcome.make_safe == ""
    assert ledger(outcome) == ""
    # As the path's table and the analyser's accuracy say, each at its limit of error.
    assert outcome.error.value == pytest.approx(OSCILLATION_DBM, abs=1.0)
    points, spectra = stream(outcome, "points"), stream(outcome, "spectra")
    assert not np.isfinite(points["drive_set_dbm"]).any()
    assert len(points) == 0, "the quiescent reading comes after the check"
    peak = spectra.loc[spectra["output_dbm"].idxmax()]
    assert peak["frequency_hz"] == pytest.approx(OSCILLATION_HZ, abs=43e9 / 2000)
    assert list(stream(outcome, "ladders")["status"]) == ["torn"]
    if sentinel:
        assert stream(outcome, "sentinel").empty
    account = json.loads(next(tmp_path.glob("*fault*")).read_text(encoding="utf-8"))
    assert account["faults"][0]["state"] == "biased"
    write_report([outcome.record], tmp_path / "report.html")


def test_the_command_rehearses_an_oscillation_and_says_so(tmp_path: Path) -> None:
    """A user sees what the device does, where, and that it was never driven."""
    out = tmp_path / "run.h5"
    done = benchkit("rehearse", SEQUENCE, "--out", out, "--fault", "oscillates@condition 1", cwd=tmp_path)
    assert done.returncode == 4, done.stdout + done.stderr
    said = " ".join((done.stdout + done.stderr).split())
    assert "oscillates at 1.3" in said
    assert "nothing was driven at this condition" in said
    assert out.with_suffix(".ledger.jsonl").read_text(encoding="utf-8") == ""


def test_a_quiet_device_passes_and_noise_gives_no_peak(tmp_path: Path) -> None:
    """Noise reported as the device's level would be a number about the analyser."""
    outcome = carried_out(tmp_path, *CHECK_ALONE)
    assert outcome.outcome == "done"
    by_name = {result.parameter: result for result in outcome.results}
    assert by_name["undriven_peak"].is_absent
    assert "nothing stands out of the noise" in by_name["undriven_peak"].reason
    margin = by_name["undriven_margin"]
    assert margin.value > 10
    assert math.isclose(margin.expanded_uncertainty, 2 * math.hypot(*(line.amount for line in margin.budget)))
    assert ledger(outcome) == ""


def test_a_response_of_the_analysers_own_is_not_taken_for_an_oscillation(tmp_path: Path) -> None:
    """An analyser shows residuals with nothing connected; a run that ends by one ends for nothing."""
    at = ("reading_time: 30 ms", "reading_time: 30 ms\n    twin: {residual_frequency: 7.3 GHz, residual: -55 dBm}")
    outcome = carried_out(tmp_path, *CHECK_ALONE, bench=bench_with(tmp_path, at))
    assert outcome.outcome == "done", outcome.message
    lines = stream(outcome, "lines")
    assert len(lines) == 2
    assert np.diff(lines["analyser_dbm"])[0] == pytest.approx(10, abs=0.5), "it rises by the whole step"
    peak = next(result for result in outcome.results if result.parameter == "undriven_peak")
    assert "7.3 GHz" in peak.reason
    assert "analyser's own" in peak.reason


def test_with_such_a_response_a_true_oscillation_is_still_found(tmp_path: Path) -> None:
    """What is known to be harmless must not hide what is not."""
    at = ("reading_time: 30 ms", "reading_time: 30 ms\n    twin: {residual_frequency: 7.3 GHz, residual: -15 dBm}")
    outcome = carried_out(tmp_path, *CHECK_ALONE, bench=bench_with(tmp_path, at), faults=("oscillates@condition 1",))
    assert "oscillates at 1.3" in outcome.message
    assert ledger(outcome) == ""


def test_by_noise_alone_it_works_where_no_loss_is_known(tmp_path: Path) -> None:
    """Beyond a path's table nothing is extrapolated: the level stays at the analyser, and is told as such."""
    table = (ROOT / "sequences" / "paths" / "analyser_a.csv").read_text(encoding="utf-8").splitlines()
    short = [table[0], *(row for row in table[1:] if 2e9 <= float(row.split(",")[0]) <= 40e9)]
    (tmp_path / "short.csv").write_text("\n".join(short) + "\n", encoding="utf-8")
    bench = bench_with(tmp_path, (f"{_up(tmp_path)}sequences/paths/analyser_a.csv", "short.csv"))
    outcome = carried_out(tmp_path, *CHECK_ALONE, bench=bench)
    spectra = stream(outcome, "spectra")
    known = spectra["frequency_hz"].between(2e9, 40e9)
    assert spectra.loc[~known, "output_dbm"].isna().all()
    assert spectra.loc[~known, "analyser_dbm"].notna().all()
    assert spectra.loc[known, "output_dbm"].notna().all()
    oscillating = tmp_path / "oscillating"
    oscillating.mkdir()
    found = carried_out(oscillating, *CHECK_ALONE, bench=bench, faults=("oscillates@condition 1",))
    assert "at the spectrum analyser's connector" in found.message


def test_noise_that_would_hide_it_is_told_before_power(tmp_path: Path) -> None:
    """A check that cannot see is worse than none: it says that all is well."""
    with pytest.raises(ProofError, match=r"-40 dBm could not be seen.*narrow resolution_bandwidth, or take less attenuation"):
        prove(load_sequence(changed(
            SEQUENCE, tmp_path, *AT_ROOM, *CHECK_ALONE, ("level: -20 dBm", "level: -40 dBm"),
            ("    above_noise: 15 dB    # and so far above the noise, where that shows less\n", ""),
        )), load_bench(FULL))  # fmt: skip


def test_noise_that_hides_it_all_the_same_ends_the_run_undriven(tmp_path: Path) -> None:
    """Where the bench file does not state the noise, it shows when it is measured; then nothing is driven."""
    outcome = carried_out(
        tmp_path,
        ("level: -20 dBm", "level: -40 dBm"),
        bench=bench_with(tmp_path, ("    noise_floor: -146 dBm\n", ""), ("range_min: -110 dBm", "range_min: -90 dBm")),
    )
    assert outcome.exit_code == 3
    assert "would not be seen" in outcome.message
    assert not np.isfinite(stream(outcome, "points")["drive_set_dbm"]).any()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ([("    to: 43 GHz\n    resolution_bandwidth: 1 MHz", "    to: 50 GHz\n    resolution_bandwidth: 1 MHz")],
         r"measurements\[0\]\.to: .*50 GHz is outside spectrum_analyser's range"),
        ([("resolution_bandwidth: 1 MHz", "resolution_bandwidth: 5 MHz")], "too wide"),
        ([("from: 10 MHz\n    to: 43 GHz", "from: 10 GHz\n    to: 1 GHz")], "is not above from"),
        ([("    level: -20 dBm        # at the device's output\n", ""),
          ("    above_noise: 15 dB    # and so far above the noise, where that shows less\n", "")], "expected level, "),
        ([("above_noise: 15 dB", "above_noise: 6 dB")], "peaks of noise"),
        ([("    attenuation: 10 dB", "    attenuation: 11 dB")], "no multiple"),
        ([("    attenuation: 10 dB", "    attenuation: 66 dB")], "attenuator has, 70 dB"),
        ([("    attenuation: 10 dB", "    attenuation: 10 dB\n    check_step: 12 dB")], "taken for the analyser's own"),
        ([("    attenuation: 10 dB", "    attenuation: 10 dB\n    on_failure: carry on")], "on_failure"),
        ([("    attenuation: 10 dB", "    attenuation: 10 dB\n    priority: 4")], "the device driven unchecked"),
    ],
)  # fmt: skip
def test_what_cannot_work_is_told_before_anything_happens(changes: list, says: str, tmp_path: Path) -> None:
    """Each with its line and what to do."""
    with pytest.raises(FileError, match=f"(?s){says}"):
        prove(load_sequence(changed(SEQUENCE, tmp_path, *AT_ROOM, *changes)), load_bench(FULL))


def test_it_stands_before_whatever_drives(tmp_path: Path) -> None:
    """Found after the first drive it is found too late."""
    text = SEQUENCE.read_text(encoding="utf-8")
    block = "  - kind: oscillation_check\n" + text.split("  - kind: oscillation_check\n")[1].split("  - kind: quiescent")[0]
    moved = ((block, ""), ("\nexpectations:", f"\n{block}\nexpectations:"))
    with pytest.raises(FileError, match=r"before anything is driven, and 'harmonics and spurious' .*put it first"):
        load_sequence(changed(SEQUENCE, tmp_path, *AT_ROOM, *moved))


def test_the_analyser_must_stand_what_an_oscillating_device_can_give(tmp_path: Path) -> None:
    """Undriven is not powerless."""
    bench = load_bench(bench_with(tmp_path, ("input_max: 30 dBm\n    range_min: -110 dBm\n    range_max: 25 dBm",
                                             "input_max: 3 dBm\n    range_min: -110 dBm\n    range_max: 25 dBm")))  # fmt: skip
    with pytest.raises(ProofError, match="oscillating at saturation"):
        prove(load_sequence(changed(SEQUENCE, tmp_path, *AT_ROOM, *CHECK_ALONE)), bench)
