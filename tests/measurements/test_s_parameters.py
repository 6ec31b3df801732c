"""
S-parameters from sequence file to record, report and Touchstone: raw visibly wrong, corrected right, and nothing in the ledger.

The truth is the simulated device's own, computed apart from every instrument; what the results must be of it follows from
`benchkit.results.network`, which tests/outside holds against published examples.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import skrf

from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.campaign.run import CampaignOutcome
from benchkit.clock import VirtualClock
from benchkit.envelope import prove
from benchkit.errors import ConditionError, ProofError
from benchkit.measurements.network_rows import calibration_from, s_from
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.results.calibration import apply
from benchkit.sequence.load import load_sequence
from sim_instruments.ledger import Ledger
from sim_instruments.physics.network_sweep import device_scattering
from sim_instruments.world import World
from tests.scenario import BIASED_ONLY, ROOT, benchkit, changed

SEQUENCE = ROOT / "sequences" / "kd14_s_parameters.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
SOAK = SEQUENCE.read_text(encoding="utf-8").split("conditions:\n")[1].split("  channels:")[0]
COLD = (SOAK, "")
BENCH_THERE = ("bench: benches/kd14_full.yaml\n", "")
CHANNEL_K_PER_W = 12.0
"""Of sequences/twin/kd14_device.yaml: how much hotter than its case the channel is."""


def carried_out(folder: Path, *changes: tuple[str, str]) -> CampaignOutcome:
    sequence = load_sequence(changed(SEQUENCE, folder, BENCH_THERE, BIASED_ONLY, *changes))
    return rehearse(sequence, load_bench(FULL), folder / "record.h5", seed=1, unit="L07-W1-01")


def ledger(outcome: CampaignOutcome) -> str:
    return outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    return carried_out(tmp_path_factory.mktemp("shipped"))


@pytest.fixture(scope="module")
def by_trl(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    trl = ("method: SOLT", "method: TRL\n    line_delay: 0.0177 ns")
    return carried_out(tmp_path_factory.mktemp("trl"), COLD, trl)


@pytest.fixture(scope="module")
def uncorrected(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    return carried_out(tmp_path_factory.mktemp("raw"), COLD, ("correction: calibration", "correction: none"))


def test_what_takes_no_crosstalk_out_takes_no_noise_of_it_in(by_trl: CampaignOutcome, shipped: CampaignOutcome) -> None:
    """SOLT measures what leaks with both ports loaded, noise and all, and takes it out of every reading; TRL does not."""
    noise = {}
    for name, outcome in (("TRL", by_trl), ("SOLT", shipped)):
        with Record.open(outcome.record) as record:
            noise[name] = float(record.stream("network")["noise_s12"].mean())
    assert noise["TRL"] == pytest.approx(noise["SOLT"] / np.sqrt(2), rel=0.05)


def truth_of(sweep: pd.DataFrame, point: pd.Series, level_dbm: float = -30.0) -> np.ndarray:
    """What stands between the device's pins at the bias that the record says; level differs by tenths of a dB, far below 1 dB."""
    world = World(load_bench(FULL), VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger())
    heat_k = CHANNEL_K_PER_W * point["drain_voltage_v"] * point["drain_current_a"]
    bias = SimpleNamespace(
        drain_v=point["drain_voltage_v"], gate_v=point["gate_voltage_v"], channel_degc=point["case_degc"] + heat_k
    )
    grid = sweep["frequency_hz"].to_numpy()
    return device_scattering(world.channels[0], bias, grid, np.full(len(grid), level_dbm))


def each_sweep(record: Record):
    rows, points = record.stream("network"), record.points()
    rows.attrs = points.attrs = {}
    for ladder, sweep in rows.groupby("ladder"):
        yield sweep, points[points["ladder"] == ladder].iloc[0]


@pytest.mark.parametrize("name", ["shipped", "by_trl"])
def test_raw_it_is_visibly_wrong_and_corrected_it_is_right_at_every_temperature(name, request) -> None:
    """Within: 0.1 dB of gain (the bias that is read has its own error), 0.01 of a reflection, 2 dB of what is 55 dB down."""
    outcome = request.getfixturevalue(name)
    with Record.open(outcome.record) as record:
        found = list(each_sweep(record))
    assert outcome.outcome == "done", outcome.message
    for sweep, point in found:
        truth, raw, corrected = truth_of(sweep, point), s_from(sweep, "raw_"), s_from(sweep)

        assert np.all(20 * np.log10(np.abs(raw[:, 1, 0] / truth[:, 1, 0])) < -5.0)
        assert np.max(np.abs(raw[:, 0, 0] - truth[:, 0, 0])) > 0.1
        assert 20 * np.log10(np.abs(corrected[:, 1, 0])) == pytest.approx(20 * np.log10(np.abs(truth[:, 1, 0])), abs=0.1)
        assert corrected[:, 0, 0] == pytest.approx(truth[:, 0, 0], abs=0.01)
        assert corrected[:, 1, 1] == pytest.approx(truth[:, 1, 1], abs=0.01)
        assert 20 * np.log10(np.abs(corrected[:, 0, 1])) == pytest.approx(20 * np.log10(np.abs(truth[:, 0, 1])), abs=2.0)


@pytest.mark.parametrize("name", ["shipped", "by_trl", "uncorrected"])
def test_nothing_is_done_to_the_part_that_a_careful_engineer_would_wince_at(name, request) -> None:
    """Standards and device are connected with everything off; contacts move with RF off."""
    assert ledger(request.getfixturevalue(name)) == ""


def test_the_calibration_in_the_record_makes_the_corrected_traces_from_the_raw_ones_again(shipped: CampaignOutcome) -> None:
    """So that who doubts a number can follow it to the receivers."""
    with Record.open(shipped.record) as record:
        calibration = calibration_from(record.stream("calibration"))
        for sweep, _ in each_sweep(record):
            again = apply(calibration, sweep["frequency_hz"].to_numpy(), s_from(sweep, "raw_"))
            assert again == pytest.approx(s_from(sweep), abs=1e-12)
            assert (sweep["calibration_made_s"] == calibration.made_s).all()
        standards = record.stream("standards")
        assert set(standards["standard"]) == {"short", "open", "load", "thru"}
        first_bias_s = record.bias()["time_s"].min()
    assert standards["time_s"].max() < first_bias_s


def test_residuals_of_standards_connected_again_are_results(shipped: CampaignOutcome) -> None:
    found = {one.qualifier: one for one in shipped.results if one.parameter == "calibration_residual"}
    assert set(found) == {"short", "thru"}
    assert all(-90 < one.value < -50 for one in found.values())


def test_results_are_those_of_the_truth_worst_in_band(shipped: CampaignOutcome) -> None:
    with Record.open(shipped.record) as record:
        for sweep, point in each_sweep(record):
            truth = skrf.Network(f=sweep["frequency_hz"].to_numpy(), f_unit="Hz", s=truth_of(sweep, point))
            here = {
                one.parameter: one for one in shipped.results if one.condition.temperature_degc == point["temperature_set_degc"]
            }
            gain = truth.s_db[:, 1, 0]
            assert here["s21_minimum"].value == pytest.approx(gain.min(), abs=0.1)
            assert here["s21_flatness"].value == pytest.approx(np.ptp(gain), abs=0.03)
            assert here["input_return_loss"].value == pytest.approx(-truth.s_db[:, 0, 0].max(), abs=0.2)
            assert here["output_return_loss"].value == pytest.approx(-truth.s_db[:, 1, 1].max(), abs=0.2)
            for name, port in (("input_vswr", 0), ("output_vswr", 1)):
                assert here[name].value == pytest.approx(truth.s_vswr[:, port, port].max(), rel=0.02)
            assert here["stability_k"].value == pytest.approx(truth.stability.min(), rel=0.2)
            assert here["group_delay"].value == pytest.approx(truth.s21.group_delay[:, 0, 0].max(), rel=0.02)
            assert f"at {sweep['frequency_hz'].iloc[int(gain.argmin())] / 1e9:.6g} GHz" == here["s21_minimum"].found
            for one in here.values():
                if one.measurement == "S-parameters":
                    amounts = [line.amount for line in one.budget]
                    assert 2 * math.hypot(*amounts) == pytest.approx(one.expanded_uncertainty)
            for name, true in (
                ("s21_minimum", gain.min()),
                ("s21_flatness", np.ptp(gain)),
                ("input_return_loss", -truth.s_db[:, 0, 0].max()),
                ("output_return_loss", -truth.s_db[:, 1, 1].max()),
                ("input_vswr", truth.s_vswr[:, 0, 0].max()),
                ("output_vswr", truth.s_vswr[:, 1, 1].max()),
                ("reverse_isolation", -truth.s_db[:, 0, 1].max()),
                ("stability_k", truth.stability.min()),
                ("group_delay", truth.s21.group_delay[1:-1, 0, 0].max()),
            ):
                # Three times u and not twice: several dozen numbers, all of which must pass.
                assert here[name].value == pytest.approx(true, abs=1.5 * here[name].expanded_uncertainty), name


def test_uncorrected_it_gives_no_number_of_the_device_and_says_so_everywhere(
    uncorrected: CampaignOutcome, tmp_path: Path
) -> None:
    own = [one for one in uncorrected.results if one.measurement == "S-parameters"]
    page = write_report([uncorrected.record], tmp_path / "page.html").read_text(encoding="utf-8")
    with Record.open(uncorrected.record) as record:
        (path,) = export_touchstone(record, tmp_path / "out")
        assert np.isnan(s_from(record.stream("network"))).all()

    assert own
    assert all(one.is_absent and one.reason.startswith("uncorrected") for one in own)
    assert "UNCORRECTED" in page
    assert "UNCORRECTED" in path.read_text(encoding="ascii").splitlines()[0]
    assert path.stem.endswith("_uncorrected")


def test_touchstone_is_read_by_an_independent_library_with_bias_temperature_and_plane(
    shipped: CampaignOutcome, tmp_path: Path
) -> None:
    """Through the command, by scikit-rf."""
    done = benchkit("export", shipped.record, "--to", "touchstone", "--out", tmp_path / "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    paths = sorted((tmp_path / "out").glob("*.s2p"))
    assert len(paths) == 3
    with Record.open(shipped.record) as record:
        sweeps = {f"{point['temperature_set_degc']:+g}degC": sweep for sweep, point in each_sweep(record)}
    for path in paths:
        network = skrf.Network(str(path))
        sweep = sweeps[path.stem.split("_")[3]]
        assert network.f == pytest.approx(sweep["frequency_hz"].to_numpy())
        assert network.s == pytest.approx(s_from(sweep), abs=1e-10)
        assert network.z0 == pytest.approx(50.0)
        text = path.read_text(encoding="ascii")
        for told in ("bias: drain", "degC chamber", "device's input (port 1)", "calibration made", "SIMULATED"):
            assert told in text


def test_whoever_computes_on_gets_complex_arrays_with_their_frequency_axis(shipped: CampaignOutcome) -> None:
    """Nobody should have to put real and imaginary parts together; and the arrays are what the results were told from."""
    with Record.open(shipped.record) as record:
        sweeps = {one.temperature_degc: one for one in record.s_parameters() if one.measurement == 2}
        lowest = {one.condition.temperature_degc: one.value for one in record.results() if one.parameter == "s21_minimum"}

    assert set(sweeps) == set(lowest) == {-30.0, 25.0, 70.0}
    for degc, sweep in sweeps.items():
        assert sweep.is_corrected
        assert sweep.s.dtype == sweep.raw.dtype == complex
        assert sweep.s.shape == sweep.raw.shape == (sweep.frequency_hz.size, 2, 2)
        assert (np.diff(sweep.frequency_hz) > 0).all()
        assert float(20 * np.log10(np.abs(sweep.s[:, 1, 0]).min())) == pytest.approx(lowest[degc], abs=1e-9)
        # What the analyser's own errors make of it is kept beside it.
        assert np.abs(sweep.raw - sweep.s).max() > 0.05


def test_the_report_shows_traces_results_and_how_they_were_corrected(shipped: CampaignOutcome, tmp_path: Path) -> None:
    page = write_report([shipped.record], tmp_path / "page.html").read_text(encoding="utf-8")
    for told in (
        "|S21| over",
        "|S11| over",
        "|S22| over",
        "Stability factor K",
        "Stability measure mu",
        "residual that standards",
    ):
        assert told in page


def test_a_calibration_that_has_grown_too_old_gives_no_number(tmp_path: Path) -> None:
    """An overnight sweep outlives its calibration; a stale one gives numbers that look like any other. The night goes on."""
    outcome = carried_out(tmp_path, ("calibration_age_max: 12 h", "calibration_age_max: 40 min"))

    assert (outcome.outcome, outcome.exit_code, outcome.make_safe, ledger(outcome)) == ("incomplete", 5, "", "")
    gains = [one for one in outcome.results if one.parameter == "s21_minimum"]
    assert [one.is_absent for one in gains] == [False, True, True]
    assert all("s old, more than the 2400 s allowed" in one.reason for one in gains[1:])
    assert sum(one.parameter == "quiescent_current" and not one.is_absent for one in outcome.results) == 3


def test_a_calibration_that_has_grown_too_old_ends_the_run_safely_where_it_is_to(tmp_path: Path) -> None:
    """A night that is about S-parameters only need not go on."""
    outcome = carried_out(tmp_path, ("calibration_age_max: 12 h", "calibration_age_max: 40 min\n    on_failure: stop"))

    assert isinstance(outcome.error, ConditionError)
    assert "s old, more than the 2400 s allowed" in outcome.message
    assert (outcome.exit_code, outcome.make_safe, ledger(outcome)) == (3, "", "")
    assert sum(one.parameter == "s21_minimum" and not one.is_absent for one in outcome.results) == 1


AXIS = "from: 13.75 GHz, to: 14.5 GHz, step: 25 MHz"
KIND = "  - kind: calibration\n"
CALIBRATES = KIND + SEQUENCE.read_text(encoding="utf-8").split(KIND)[1].split("  - kind")[0]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (AXIS, AXIS.replace("14.5", "15"), "outside the calibrated band"),
        (AXIS, AXIS.replace("25", "10"), "not one of the calibrated"),
        (CALIBRATES, "", "needs a measurement of kind"),
        ("level: -30 dBm", "level: 13 dBm", "limits.input_power_max"),
        ("level: -30 dBm", "level: -50 dBm", "cannot go so low"),
        ("to: 14.75 GHz, step: 25 MHz", "to: 20 GHz, step: 25 MHz", "outside the table of path"),
        ("to: 14.75 GHz, step: 25 MHz", "to: 14.75 GHz, step: 50 kHz", "points_max"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_switched_on(old: str, new: str, says: str, tmp_path: Path) -> None:
    """Band, steps, levels at the device and what the analyser can do are known from the files alone."""
    sequence = load_sequence(changed(SEQUENCE, tmp_path, (old, new)))
    with pytest.raises(ProofError, match=says):
        prove(sequence, load_bench(FULL))


def test_a_bench_without_network_analyser_is_told() -> None:
    bench = load_bench(ROOT / "sequences" / "benches" / "kd14.yaml")
    with pytest.raises(ProofError, match=r"wires none to channel A"):
        prove(load_sequence(SEQUENCE), bench)


def test_a_line_that_is_not_as_long_as_stated_gives_no_calibration_and_nothing_is_biased(tmp_path: Path) -> None:
    trl = ("method: SOLT", "method: TRL\n    line_delay: 0.0085 ns")
    outcome = carried_out(tmp_path, COLD, trl)

    assert isinstance(outcome.error, ConditionError)
    assert (outcome.exit_code, ledger(outcome)) == (3, "")
    with Record.open(outcome.record) as record:
        assert len(record.bias()) == 0
