"""
Promise: S-parameters of the unpowered device are swept while it is unpowered, as read; they are those of a passive, reciprocal
part, and nothing of them is ever mixed with, or held against, those of the biased one.

The truth is the simulated device's own. Passive and reciprocal: D. M. Pozar, Microwave Engineering, 4th ed., sections 4.2 and
4.3, from memory: S = S^T, and the identity less S^H S has no negative eigenvalue.
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
from benchkit.campaign.compare import compare_files
from benchkit.campaign.pacing import stages_of
from benchkit.campaign.resume import plan_resume
from benchkit.campaign.run import CampaignOutcome
from benchkit.clock import VirtualClock
from benchkit.envelope import prove
from benchkit.errors import FileError, LimitError, ProofError
from benchkit.measurements.network_rows import s_from
from benchkit.plan import estimate, make_plan
from benchkit.plan.budget import TimeBudget
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.report.options import ReportOptions, parse_against
from benchkit.sequence.load import load_sequence
from sim_instruments.instruments.port import Reply
from sim_instruments.ledger import Ledger
from sim_instruments.physics.network_sweep import device_scattering
from sim_instruments.world import World
from tests.engine.story import Fault, run, scenario
from tests.report.page import Page
from tests.scenario import BIASED_ONLY, ROOT, S_PARAMETERS, changed

FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
SOAK = S_PARAMETERS.read_text(encoding="utf-8").split("conditions:\n")[1].split("  channels:")[0]
UNPOWERED = BIASED_ONLY[0]
NO_CHAMBER, BENCH_THERE = (SOAK, ""), ("bench: benches/kd14_full.yaml\n", "")
FEW = (
    ("from: 13.75 GHz, to: 14.5 GHz, step: 25 MHz", "from: 13.75 GHz, to: 14.5 GHz, step: 250 MHz"),
    ("from: 13.5 GHz, to: 14.75 GHz, step: 25 MHz", "from: 13.5 GHz, to: 14.75 GHz, step: 250 MHz"),
)
BOTH_CHANNELS = ("  channels: [A]\n  supply_voltage: 6 V\n", "  channels: [A, B]\n  supply_voltage: [5 V, 6 V]\n")
BIASED, OFF = "S-parameters", "S-parameters unpowered"


def sequence_in(folder: Path, *changes: tuple[str, str]) -> Path:
    return changed(S_PARAMETERS, folder, *changes, BENCH_THERE, NO_CHAMBER, *FEW)


def carried_out(folder: Path, *changes: tuple[str, str], seed: int = 1) -> CampaignOutcome:
    sequence = load_sequence(sequence_in(folder, *changes))
    return rehearse(sequence, load_bench(FULL), folder / "record.h5", seed=seed, unit="L07-W1-01")


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    """Biased and unpowered, two channels, two supply voltages."""
    return carried_out(tmp_path_factory.mktemp("both"), BOTH_CHANNELS)


@pytest.fixture(scope="module")
def biased(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    return carried_out(tmp_path_factory.mktemp("biased"), BIASED_ONLY, seed=2)


def ledger(outcome: CampaignOutcome) -> str:
    return outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")


def sweeps(outcome: CampaignOutcome, state: str) -> list[pd.DataFrame]:
    with Record.open(outcome.record) as record:
        rows = record.stream("network")
    rows.attrs = {}
    return [sweep for _, sweep in rows[rows["bias_state"] == {"biased": "", "unpowered": "unpowered"}[state]].groupby("ladder")]


def test_it_is_swept_once_for_each_channel_before_the_bias_comes_up_there(both: CampaignOutcome) -> None:
    """A supply voltage means nothing to it; and a part that has just been biased is warm."""
    assert both.outcome == "done", both.message
    with Record.open(both.record) as record:
        ladders, bias, points = record.ladders(), record.bias(), record.points()
    walk = list(dict.fromkeys(zip(ladders["channel"], ladders["supply_voltage_set_v"], strict=True)))
    swept = points[points["supply_voltage_set_v"] == 0.0]

    assert walk == [("A", 0.0), ("A", 5.0), ("A", 6.0), ("B", 0.0), ("B", 5.0), ("B", 6.0)]
    assert list(ladders["ladder"]) == list(range(10))
    for channel in "AB":
        own = bias[bias["channel"] == channel]
        assert own["state"].iloc[0] == "unpowered"
        assert own["time_s"].iloc[0] < own.loc[own["state"] == "biased", "time_s"].min()
    # As the supplies read with their outputs off: nothing, within what they are off by.
    assert len(swept) == 2
    assert (swept["drain_voltage_v"].abs() < 0.01).all()
    assert (swept["drain_current_a"].abs() < 4 * swept["u_drain_current_a"]).all()
    assert ledger(both) == ""


def test_plan_estimate_and_budget_count_what_is_walked(both: CampaignOutcome, tmp_path: Path) -> None:
    sequence, bench = load_sequence(sequence_in(tmp_path, BOTH_CHANNELS)), load_bench(FULL)
    plan = make_plan(sequence.file)
    expected = estimate(plan, sequence.file, bench.file)
    with Record.open(both.record) as record:
        ladders, points, bias, events = record.ladders(), record.points(), record.bias(), record.events()
        took = stages_of(sequence.file, float(record.attributes["started_s"]), ladders, bias, events)
    units = TimeBudget(plan, sequence.file, bench.file).all_units()

    assert plan.ladder_count == len(ladders) == sum(stage.ladders for stage in expected.stages) == sum(units.values())
    assert plan.point_count == len(points) == sum(stage.points for stage in expected.stages)
    # And afterwards the stages are told under the names that they were expected under.
    named = {stage.what: stage.time_s for stage in expected.stages}
    assert len([stage for stage in took if stage.what.endswith(f", unpowered: {OFF}")]) == 2
    assert all(stage.time_s == pytest.approx(named[stage.what], abs=0.5) for stage in took)
    assert (plan.condition_count, plan.biased_count) == (6, 4)
    assert [step.serial for step in plan.steps()] == list(range(10))
    assert all(plan.unit_of(step.serial) == (step.condition.index, step.measurement) for step in plan.steps())
    for condition in plan.conditions():
        assert list(plan.serials(condition)) == [one.serial for one in plan.steps() if one.condition == condition]


def test_its_traces_are_the_true_ones_of_the_part_without_bias(both: CampaignOutcome) -> None:
    """Within 0.01 of a reflection and, 46 dB down, 1 dB of what leaks."""
    world = World(load_bench(FULL), VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger())
    for sweep, channel in zip(sweeps(both, "unpowered"), world.channels, strict=True):
        hz, s = sweep["frequency_hz"].to_numpy(), s_from(sweep)
        nothing = SimpleNamespace(drain_v=0.0, gate_v=0.0, channel_degc=23.0)
        truth = device_scattering(channel, nothing, hz, np.full(len(hz), -30.0))

        for port in (0, 1):
            assert s[:, port, port] == pytest.approx(truth[:, port, port], abs=0.01)
        for i, j in ((1, 0), (0, 1)):
            assert 20 * np.log10(np.abs(s[:, i, j] / truth[:, i, j])) == pytest.approx(0.0, abs=1.0)


def test_without_bias_it_is_passive_and_reciprocal_within_its_uncertainty_and_biased_it_is_neither(both: CampaignOutcome) -> None:
    """Pozar, 4th ed., 4.2 and 4.3 (from memory), by numpy's eigenvalues; and the figures that are reported say the same."""
    for sweep in sweeps(both, "unpowered"):
        s = s_from(sweep)
        lost = np.eye(2) - s.conj().transpose(0, 2, 1) @ s
        noise = np.hypot(sweep["noise_s21"], sweep["noise_s12"]).to_numpy()
        assert np.linalg.eigvalsh(lost).min() > 0.0
        assert np.all(np.abs(s[:, 1, 0] - s[:, 0, 1]) < 4 * noise)
    for sweep in sweeps(both, "biased"):
        s = s_from(sweep)
        assert np.linalg.eigvalsh(np.eye(2) - s.conj().transpose(0, 2, 1) @ s).max(axis=1).min() < 1.0
        assert np.linalg.svd(s, compute_uv=False).max() > 10.0
    found = [one for one in both.results if one.measurement == OFF]
    passivity = [one for one in found if one.parameter == "unpowered_passivity"]
    reciprocity = [one for one in found if one.parameter == "unpowered_reciprocity"]

    assert len(passivity) == len(reciprocity) == 2
    assert all(one.value + one.expanded_uncertainty < 1.0 for one in passivity)
    assert all(0.0 < one.value < 2 * one.expanded_uncertainty for one in reciprocity)


def test_its_results_have_names_and_a_condition_of_their_own_and_no_gain_is_among_them(both: CampaignOutcome) -> None:
    """So that no table, curve or comparison can take one for the other's."""
    own = [one for one in both.results if one.measurement == OFF]
    other = {one.parameter for one in both.results if one.measurement != OFF}

    assert {one.parameter.removeprefix("unpowered_") for one in own} == {
        "input_return_loss", "output_return_loss", "input_vswr", "output_vswr", "forward_isolation", "reverse_isolation",
        "reciprocity", "passivity",
    }  # fmt: skip
    assert not other & {one.parameter for one in own}
    assert all(one.condition.supply_voltage_v == 0.0 and not one.is_absent for one in own)
    for one in own:
        assert 2 * math.hypot(*(line.amount for line in one.budget)) == pytest.approx(one.expanded_uncertainty)


def test_a_sweep_that_is_not_passive_gives_no_number_but_that(both: CampaignOutcome) -> None:
    """Then the part was not unpowered, or the calibration is wrong: no number of it can be trusted."""
    block = load_sequence_of(both).file.measurements[3]
    (rows, _), points = sweeps(both, "unpowered"), pd.DataFrame()
    amplified = rows.copy()
    amplified[["s11_re", "s11_im"]] *= 1.4

    good, bad = (block.summarise_record(points, {"network": one}) for one in (rows, amplified))

    assert not any(one.is_absent for one in good)
    assert [one.parameter for one in bad if not one.is_absent] == ["unpowered_passivity"]
    assert all(not one.is_absent or ("not passive" in one.reason and "calibration is wrong" in one.reason) for one in bad)


def load_sequence_of(outcome: CampaignOutcome):
    from benchkit.sequence.load import load_sequence_text

    with Record.open(outcome.record) as record:
        return load_sequence_text(record.sequence_text, "sequence.yaml")


def test_touchstone_names_the_bias_state_in_name_and_comment(both: CampaignOutcome, tmp_path: Path) -> None:
    with Record.open(both.record) as record:
        paths = export_touchstone(record, tmp_path)
    off = [path for path in paths if path.stem.endswith("_unpowered")]

    assert (len(off), len(paths)) == (2, 6)
    for path in paths:
        network = skrf.Network(str(path))
        assert ("UNPOWERED" in network.comments) == (path in off)
        assert ("device: biased" in network.comments) == (path not in off)
        assert (np.abs(network.s[:, 1, 0]).max() < 0.01) == (path in off)


def test_the_report_draws_and_lists_them_apart(both: CampaignOutcome, tmp_path: Path) -> None:
    page = write_report([both.record], tmp_path / "page.html").read_text(encoding="utf-8")

    for told in (
        f"{OFF}: |S21| over frequency, unpowered", f"{BIASED}: |S21| over frequency", "Unpowered: input return loss",
        "Match of |S21|, unpowered", "S^H S",
    ):  # fmt: skip
        assert told in page, told
    for never in (f"{OFF}: Maximum available gain", f"{OFF}: Stability", f"{OFF}: Group delay"):
        assert never not in page, never


def test_nothing_of_it_is_compared_with_the_biased_device(both: CampaignOutcome, biased: CampaignOutcome, tmp_path: Path) -> None:
    """Neither in another record, nor in a file of a simulation, which is of the biased device."""
    comparison = compare_files(both.record, biased.record)
    with Record.open(biased.record) as record:
        (simulated,) = export_touchstone(record, tmp_path / "s2p")
    options = ReportOptions(against=(parse_against(f"{simulated}@A"),))
    page = Page(write_report([both.record], tmp_path / "page.html", options))
    beside = [row.text for row in page.section("Beside simulated or earlier data").all("tr") if "|S21|" in row.text]

    assert any(row.parameter == "s21_minimum" for row in comparison.rows)
    assert not any(row.parameter.startswith("unpowered") or row.condition.supply_voltage_v == 0.0 for row in comparison.rows)
    assert sum(one.parameter.startswith("unpowered") for one in comparison.only_first) == 16
    # One for each supply voltage, whatever voltage the file is of.
    assert len(beside) == 2
    assert all("5 V" in text or "6 V" in text for text in beside)


def test_its_own_touchstone_file_is_held_against_it_alone(both: CampaignOutcome, tmp_path: Path) -> None:
    """The file says of itself what it is of; of one from elsewhere the command says it."""
    with Record.open(both.record) as record:
        (own,) = (path for path in export_touchstone(record, tmp_path / "s2p") if path.stem == "m3_channel_A_unpowered")
    elsewhere = tmp_path / "elsewhere.s2p"
    elsewhere.write_text("".join(f"{line}\n" for line in own.read_text().splitlines() if not line.startswith("!")))
    options = ReportOptions(against=(parse_against(f"{own}@A"), parse_against(f"{elsewhere}@A,unpowered")))
    page = Page(write_report([both.record], tmp_path / "page.html", options))
    beside = [row.text for row in page.section("Beside simulated or earlier data").all("tr") if "|S21|" in row.text]

    assert [("elsewhere" in text, "unpowered" in text) for text in beside] == [(False, True), (True, True)]
    with pytest.raises(FileError, match="unpowered"):
        write_report([both.record], tmp_path / "never.html", ReportOptions(against=(parse_against(f"{own}@A,6 V"),)))


def test_what_was_dropped_of_it_is_measured_later_without_any_bias(tmp_path: Path) -> None:
    """Nobody biases a part for nothing: with only unpowered sweeps left, no supply is switched on."""
    long = UNPOWERED.replace("averages: 4", "averages: 900\n    priority: 1")
    first = carried_out(tmp_path, (UNPOWERED, long), ("conditions:\n", "conditions:\n  be_done_by: 60 s\n"))
    with Record.open(first.record) as record:
        before, biased_before = record.ladders(), record.bias()
    resumed = plan_resume(first.record).carry_out(be_done_by="9 h")
    with Record.open(first.record) as record:
        after, biased_after = record.ladders(), record.bias()

    assert (first.outcome, list(before["status"])) == ("incomplete", ["dropped", "complete", "complete"])
    assert resumed.outcome == "done", resumed.message
    assert list(after["status"])[3:] == ["complete"]
    assert list(biased_after["state"])[len(biased_before) :] == ["unpowered"]
    assert sum(one.parameter == "unpowered_passivity" and not one.is_absent for one in resumed.results) == 1
    assert ledger(first) == ""


LIMIT = "  rf_unpowered_max: -27 dBm   # into the part without bias, at its input and at its output\n"


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        (((LIMIT, ""),), "rf_unpowered_max is missing.*measurements\\[3\\].*such as rf_unpowered_max"),
        ((("bias: unpowered ", "bias: off "),), "biased.*unpowered"),
        ((("{parameter: input_return_loss", "{parameter: unpowered_passivity"), BIASED_ONLY), "`bias:`"),
        ((("{parameter: input_return_loss,", "{parameter: unpowered_passivity, qualifier: no,"),), "has none; leave it out"),
    ],
)
def test_what_the_file_alone_shows_to_be_wrong_is_a_mistake_of_the_file(
    changes: tuple[tuple[str, str], ...], says: str, tmp_path: Path
) -> None:
    with pytest.raises(FileError, match=f"(?s){says}"):
        load_sequence(sequence_in(tmp_path, *changes))


def test_rf_into_the_unpowered_part_is_held_before_power_at_its_input(tmp_path: Path) -> None:
    """With all that the analyser may be off by (0.6 dB, and 0.2 dB while it settles) and the least that the path may lose."""
    sequence = load_sequence(sequence_in(tmp_path, ("rf_unpowered_max: -27 dBm", "rf_unpowered_max: -29.5 dBm")))
    with pytest.raises(ProofError, match=r"-29\.08 dBm can be here.*0\.42 dB above -29\.5 dBm.*limits\.rf_unpowered_max"):
        prove(sequence, load_bench(FULL))


def test_and_at_its_output_which_port_2_drives(tmp_path: Path) -> None:
    """The port's level makes up for the path to the input; where the other path loses less, more arrives at the output."""
    bench = scenario(tmp_path).parent / "benches" / "kd14_full.yaml"
    text = bench.read_text(encoding="utf-8").replace("input_path: network_input_a", "input_path: network_output_a")
    bench.write_text(text.replace("output_path: network_output_a", "output_path: network_input_a"), encoding="utf-8")
    with pytest.raises(ProofError, match=r"-2\d\.\d\d dBm can be here.*limits.rf_unpowered_max") as refused:
        prove(load_sequence(sequence_in(tmp_path)), load_bench(bench))

    assert str(refused.value).startswith("1 mistake")


def test_what_the_part_does_not_stand_stands_in_the_ledger_whatever_the_sequence_believes(tmp_path: Path) -> None:
    """Its own limit is -25 dBm without bias (sequences/twin/kd14_device.yaml)."""
    outcome = carried_out(
        tmp_path, ("rf_unpowered_max: -27 dBm", "rf_unpowered_max: 0 dBm"), ("level: -30 dBm", "level: -15 dBm")
    )

    assert "RF into an unbiased device" in ledger(outcome)
    assert "from port 2" in ledger(outcome)


RAW = UNPOWERED.replace("correction: calibration", "correction: none").replace("    calibration_age_max: 12 h\n", "")


def alone(folder: Path) -> Path:
    """A bench without hands, and one uncorrected sweep of the unpowered device."""
    path, text = scenario(folder), S_PARAMETERS.read_text(encoding="utf-8").split("expectations:")[0]
    measurements = text.split("measurements:\n")[1].split("decision_rule")[0]
    for old, new in ((measurements, RAW), BENCH_THERE, NO_CHAMBER, FEW[0]):
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    (path.parent / "benches" / "kd14.yaml").write_text(FULL.read_text(encoding="utf-8"), encoding="utf-8")
    return path


def test_a_sequence_of_unpowered_sweeps_alone_switches_no_supply_on(tmp_path: Path) -> None:
    story = run(alone(tmp_path))
    sent = story.sent("network_analyser", "drain_supply", "gate_supply", "rf_source")
    rf = next(index for index, text in enumerate(sent) if text == "network_analyser :OUTP ON")

    assert story.error is None
    assert not any("OUTP ON" in text for text in sent if not text.startswith("network_analyser"))
    # Asked of the supplies before RF comes on, and their readings taken.
    assert any(text.startswith("drain_supply :OUTP?") for text in sent[:rf])
    assert any(text.startswith("gate_supply :OUTP?") for text in sent[:rf])
    assert any(":MEAS:CURR?" in text for text in sent[:rf])
    assert story.abuses == []


@pytest.mark.parametrize(
    ("place", "reads", "says"),
    [
        (1, b"+2.00000000000E-02", "drain current of the unpowered device"),
        (0, b"+3.00000000000E+00", "the device is not unpowered"),
    ],
)
def test_a_reading_that_shows_power_while_it_is_swept_ends_the_run_safe(
    place: int, reads: bytes, says: str, tmp_path: Path
) -> None:
    """Something feeds the part after all: a wrong lead, a second supply. What was read is in the record."""
    on: list[bool] = []

    def hears(message: bytes, _: float) -> bytes:
        on.extend([True] * (message == b":OUTP ON"))
        return message

    def twisted(reply: Reply) -> Reply:
        parts = reply.data.strip().split(b";")
        if not on or len(parts) != 2 or b"E" not in parts[1]:
            return reply
        on.clear()
        parts[place] = reads
        return Reply(b";".join(parts) + b"\n", reply.ready_at)

    story = run(alone(tmp_path), Fault("network_analyser", hears=hears), Fault("drain_supply", says=twisted))

    assert says in str(story.error)
    assert isinstance(story.error, LimitError) == (place == 1)
    assert story.sent("network_analyser")[-1] != "network_analyser :OUTP ON"
    assert "network_analyser :OUTP OFF" in story.sent("network_analyser")
    assert list(story.ladders["status"]) == ["torn"]
    assert list(story.bias["state"]) == ["unpowered"]
    assert story.bias[["drain_voltage_v", "drain_current_a"][place]].iloc[0] == float(reads)
    assert (story.unsafe, story.abuses) == ((), [])
