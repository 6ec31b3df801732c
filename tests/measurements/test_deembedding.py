"""
Reference planes of S-parameters: fixtures out of the traces, wrong files and wrong settings refused before power, standards in
the wrong order told before a calibration is made.

The twin's fixture has nothing in it to remove, so the device is taken to be fixture, part, fixture: put back by the signal flow
graph (tests/results/two_ports.py, without scikit-rf), what was removed must give the corrected traces again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf

import sim_instruments.hands
from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.campaign.run import CampaignOutcome
from benchkit.campaign.setup import setup_of
from benchkit.envelope import prove
from benchkit.errors import ConditionError, FileError, MisuseError, ProofError
from benchkit.measurements.network_rows import calibration_from, s_from
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.results.calibration import apply
from benchkit.sequence.load import Sequence, load_sequence, load_sequence_text
from tests.results.two_ports import chain, from_abcd, line, two_port
from tests.scenario import BIASED_ONLY, ROOT, changed

SEQUENCE = ROOT / "sequences" / "kd14_s_parameters.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
SOAK = SEQUENCE.read_text(encoding="utf-8").split("conditions:\n")[1].split("  channels:")[0]
COLD, BENCH_THERE = (SOAK, ""), ("bench: benches/kd14_full.yaml\n", "")
GRID = np.linspace(10e9, 15e9, 201)  # every 25 MHz
CORRECTED = "correction: calibration\n"
TURN = np.array([[0, 1], [1, 0]])


def launch(hz: np.ndarray) -> np.ndarray:
    """A connector's series inductance before 12 mm of line or so."""
    return chain(from_abcd(1, 2j * np.pi * hz * 0.1e-9, 0, 1), line(360 * hz * 60e-12, 0.2))


def pads(hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of a die: an open dummy and a short dummy behind the same 40 fF pads and 20 pH leads."""
    pad, lead = from_abcd(1, 0, 2j * np.pi * hz * 40e-15, 1), from_abcd(1, 0.1 + 2j * np.pi * hz * 20e-12, 0, 1)
    opened = chain(chain(pad, from_abcd(1, 1e9, 0, 1) + 0 * pad), pad)
    inside = chain(chain(lead, from_abcd(1, 0, 1e4, 1) + 0 * pad), lead)
    return opened, chain(chain(pad, inside), pad)


def write(path: Path, hz: np.ndarray, s: np.ndarray, z0: float = 50.0) -> None:
    network = skrf.Network(frequency=skrf.Frequency.from_f(hz, unit="Hz"), s=s, z0=z0)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(network.write_touchstone(path.name, return_string=True, form="ri"), encoding="utf-8")


def sequence_with(folder: Path, deembed: str, *more: tuple[str, str]) -> Sequence:
    block = (CORRECTED, f"{CORRECTED}    deembed: {{{deembed}}}\n")
    return load_sequence(changed(SEQUENCE, folder, BENCH_THERE, BIASED_ONLY, COLD, block, *more))


def carried_out(sequence: Sequence, out: Path) -> CampaignOutcome:
    return rehearse(sequence, load_bench(FULL), out, seed=1, unit="L07-W1-01")


def traces(record: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies, traces corrected by hand from the raw ones and the stored calibration, and what the record calls corrected."""
    with Record.open(record) as opened:
        network, calibration = opened.stream("network"), calibration_from(opened.stream("calibration"))
    hz = network["frequency_hz"].to_numpy()
    return hz, apply(calibration, hz, s_from(network, "raw_")), s_from(network)


def test_fixtures_given_as_touchstone_are_out_of_the_traces_and_put_back_they_give_them_again(tmp_path: Path) -> None:
    write(tmp_path / "fixtures" / "input.s2p", GRID, launch(GRID))
    # The output's fixture was measured from outside.
    write(tmp_path / "fixtures" / "output.s2p", GRID, launch(GRID))
    deembed = "input: fixtures/input.s2p, output: fixtures/output.s2p, output_port_1: analyser"
    outcome = carried_out(sequence_with(tmp_path, deembed), tmp_path / "record.h5")
    assert outcome.outcome == "done", outcome.message

    hz, planes, device = traces(outcome.record)
    again = chain(chain(launch(hz), device), launch(hz)[:, ::-1, ::-1])
    assert np.abs(again - planes).max() < 1e-9 * np.abs(planes).max()
    assert np.abs(device - planes).max() > 0.1
    written = export_touchstone_text(outcome.record, tmp_path / "ts")
    assert "de-embedded: input and output fixtures" in written
    page = write_report([outcome.record], tmp_path / "report.html").read_text("utf-8")
    assert "input and output fixtures (fixtures/input.s2p, fixtures/output.s2p, kept in the record)" in page


def test_what_fixture_files_may_be_wrong_by_is_in_the_budget_when_it_is_stated_and_else_told(tmp_path: Path) -> None:
    """Expanded in the file, k = 2; a loss is passed twice by a reflection and, at both ports, once by a transmission."""
    write(tmp_path / "input.s2p", GRID, launch(GRID))
    stated = "input: input.s2p, reflection_uncertainty: 0.02, loss_uncertainty: 0.1 dB"
    outcome = carried_out(sequence_with(tmp_path, stated), tmp_path / "stated.h5")
    silent = carried_out(sequence_with(tmp_path, "input: input.s2p"), tmp_path / "silent.h5")

    lines = {one.parameter: {line.name: line.amount for line in one.budget} for one in outcome.results}
    assert lines["input_return_loss"]["loss of the fixtures taken out"] == pytest.approx(0.1)
    assert lines["s21_minimum"]["loss of the fixtures taken out"] == pytest.approx(0.05)
    # Nothing was taken out at port 2: of the fixture at port 1 only what passes through the device and back reaches it.
    assert "loss of the fixtures taken out" not in lines["output_return_loss"]
    assert lines["output_return_loss"]["reflections of the fixtures taken out"] < 0.1 * (
        lines["input_return_loss"]["reflections of the fixtures taken out"]
    )
    assert not any("fixtures" in line.name for one in silent.results for line in one.budget)
    said = "their reflections and loss as the sequence states"
    assert said in write_report([outcome.record], tmp_path / "stated.html").read_text("utf-8")
    page = write_report([silent.record], tmp_path / "silent.html").read_text("utf-8")
    assert "in no uncertainty: errors of their reflections (reflection_uncertainty) and loss (loss_uncertainty)" in page


def test_a_lossy_fixture_makes_what_the_calibration_left_larger(tmp_path: Path) -> None:
    """
    Behind 6 dB of a matched attenuator a reflection is seen 12 dB lower than it is, and an error of it counts for four times as
    much (definition of S-parameters; no source needed).
    """
    attenuator = chain(line(np.full(GRID.size, 1e-3), 6.0), line(np.full(GRID.size, 1e-3), 0.0))
    write(tmp_path / "lossy.s2p", GRID, attenuator)
    lossy = carried_out(sequence_with(tmp_path, "input: lossy.s2p"), tmp_path / "lossy.h5")
    plain = carried_out(load_sequence(changed(SEQUENCE, tmp_path, BENCH_THERE, COLD)), tmp_path / "plain.h5")

    with Record.open(lossy.record) as record:
        network = record.stream("network")
    for name, factor in {"s11": 4.0, "s21": 2.0, "s12": 2.0, "s22": 1.0}.items():
        assert network[f"raised_{name}"].to_numpy() == pytest.approx(factor, rel=0.01)
    decibels = {}
    for outcome in (lossy, plain):
        (found,) = [one for one in outcome.results if one.parameter == "reverse_isolation"]
        decibels[outcome.record.stem] = next(line.amount for line in found.budget if line.name == "network analyser noise")
    # Of a transmission both grow alike, what is read and its noise: relative to it nothing has changed.
    assert decibels["lossy"] == pytest.approx(decibels["plain"], rel=0.1)


def export_touchstone_text(record: Path, folder: Path) -> str:
    with Record.open(record) as opened:
        return export_touchstone(opened, folder)[0].read_text(encoding="ascii")


def test_the_record_alone_can_make_the_numbers_again(tmp_path: Path) -> None:
    """The file on disk may be gone next year; the sequence in the record brings its files along."""
    write(tmp_path / "input.s2p", GRID, launch(GRID))
    outcome = carried_out(sequence_with(tmp_path, "input: input.s2p"), tmp_path / "record.h5")
    (tmp_path / "input.s2p").unlink()

    hz, planes, device = traces(outcome.record)
    with Record.open(outcome.record) as opened:
        stored = setup_of(opened).sequence
        text = opened.sequence_text
    assert stored is not None
    block = stored.file.measurements[-1]
    assert block.deembed.remover(stored.files.__getitem__, hz)(planes) == pytest.approx(device, abs=1e-12)
    again = carried_out(stored, tmp_path / "again.h5")
    assert traces(again.record)[2] == pytest.approx(device, abs=1e-12)
    # A sequence read from its text alone can be looked at; to be run it needs its files, and says so.
    with pytest.raises(MisuseError, match="without the files it names"):
        carried_out_or_raise(load_sequence_text(text, "x.yaml"), tmp_path / "none.h5")


def carried_out_or_raise(sequence: Sequence, out: Path) -> None:
    outcome = carried_out(sequence, out)
    if outcome.error is not None:
        raise outcome.error


def test_pads_and_leads_are_removed_by_dummies(tmp_path: Path) -> None:
    opened, shorted = pads(GRID)
    write(tmp_path / "open.s2p", GRID, opened)
    write(tmp_path / "short.s2p", GRID, shorted)
    outcome = carried_out(sequence_with(tmp_path, "open: open.s2p, short: short.s2p"), tmp_path / "record.h5")
    assert outcome.outcome == "done", outcome.message

    hz, planes, device = traces(outcome.record)
    pad, lead = from_abcd(1, 0, 2j * np.pi * hz * 40e-15, 1), from_abcd(1, 0.1 + 2j * np.pi * hz * 20e-12, 0, 1)
    again = chain(chain(chain(pad, lead), device), chain(lead, pad))
    assert np.abs(again - planes).max() < 1e-3 * np.abs(planes).max()


def test_a_two_x_thru_is_halved_and_removed(tmp_path: Path) -> None:
    wide = np.arange(1, 801) * 25e6
    half = line(360 * wide * 0.6e-9, 0.4)
    write(tmp_path / "two_x_thru.s2p", wide, chain(half, half))
    outcome = carried_out(sequence_with(tmp_path, "two_x_thru: two_x_thru.s2p"), tmp_path / "record.h5")
    assert outcome.outcome == "done", outcome.message

    hz, planes, device = traces(outcome.record)
    again = chain(chain(line(360 * hz * 0.6e-9, 0.4), device), line(360 * hz * 0.6e-9, 0.4))
    assert np.abs(again - planes).max() < 0.02 * np.abs(planes).max()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("input.s2p", (GRID[:150], launch(GRID[:150]), 50.0), r"13\.75 GHz of the sweep is outside its band, 10 to 13\.725 GHz"),
        ("input.s2p", (GRID, launch(GRID), 75.0), "is in 75 ohm"),
        ("input.s2p", (GRID[::20], line(360 * GRID[::20] * 1e-9), 50.0), "too far apart to interpolate"),
        ("input.s2p", (GRID, 1e-5 * launch(GRID), 50.0), "passes only"),
        ("input.s2p", (GRID, two_port(0.1, 0.01, 3.0 + 0 * GRID, 0.1), 50.0), "gives out more than goes in"),
        ("input.s4p", (GRID, launch(GRID), 50.0), "4 ports by its name"),
    ],
)
def test_a_file_that_cannot_be_the_fixture_is_refused_when_the_sequence_is_read(
    name: str, content: tuple[np.ndarray, np.ndarray, float], says: str, tmp_path: Path
) -> None:
    """With line and key, before anything is switched on."""
    hz, s, z0 = content
    write(tmp_path / "input.s2p", hz, s, z0)
    (tmp_path / "input.s2p").rename(tmp_path / name)
    with pytest.raises(FileError, match=says) as raised:
        sequence_with(tmp_path, f"input: {name}")
    assert raised.value.mistakes[0].key == "measurements[2].deembed.input"
    assert raised.value.mistakes[0].line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("# GHz S MA R 50\n14 0.1 0 0.9\n", "cannot be read as Touchstone|frequencies|rows"),
        ("# GHz S RI R 50\n15 0 0 1 0 1 0 0 0\n14 0 0 1 0 1 0 0 0\n", "does not ascend"),
        ("no touchstone at all\n", "cannot be read as Touchstone"),
    ],
)
def test_a_malformed_file_is_told(text: str, says: str, tmp_path: Path) -> None:
    (tmp_path / "input.s2p").write_text(text, encoding="ascii")
    with pytest.raises(FileError, match=says):
        sequence_with(tmp_path, "input: input.s2p")


@pytest.mark.parametrize(
    ("deembed", "says"),
    [
        ("input: input.s2p, open: input.s2p", "mixes input, open"),
        ("output_port_1: analyser", "names no file"),
        ("input: input.s2p, output_port_1: analyser", "is about the file of output"),
        ("open: input.s2p, dummies: short-open", "is about two dummies"),
        ("input: nowhere.s2p", "nowhere.s2p"),
        ("two_x_thru: input.s2p", "frequencies must be 1, 2, 3"),
    ],
)
def test_a_way_of_de_embedding_that_cannot_be_is_told(deembed: str, says: str, tmp_path: Path) -> None:
    write(tmp_path / "input.s2p", GRID, launch(GRID))
    with pytest.raises(FileError, match=says):
        sequence_with(tmp_path, deembed)


def test_uncorrected_traces_cannot_be_de_embedded(tmp_path: Path) -> None:
    write(tmp_path / "input.s2p", GRID, launch(GRID))
    with pytest.raises(FileError, match="needs correction: calibration"):
        sequence_with(tmp_path, "input: input.s2p", (CORRECTED, "correction: none\n"))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("level: -30 dBm\n    if_bandwidth: 100 Hz\n    averages: 4\n    correction",
         "level: -35 dBm\n    if_bandwidth: 100 Hz\n    averages: 4\n    correction", "level: -35 dBm is not what the"),
        ("if_bandwidth: 100 Hz\n    averages: 4\n    correction", "if_bandwidth: 1 kHz\n    averages: 4\n    correction",
         "if_bandwidth: 1 kHz is not what the calibration is made with, 100 Hz"),
    ],
)  # fmt: skip
def test_a_calibration_of_other_settings_is_an_error(old: str, new: str, says: str, tmp_path: Path) -> None:
    sequence = load_sequence(changed(SEQUENCE, tmp_path, BENCH_THERE, (old, new)))
    with pytest.raises(ProofError, match=says):
        prove(sequence, load_bench(FULL))


@pytest.mark.parametrize(
    ("method", "says"),
    [
        ("method: TRL", "TRL needs line_delay"),
        ("method: TRL\n    line_delay: 0.036 ns", r"175 degrees at 13\.5 GHz, and a line tells something from 20 to 160"),
        ("method: TRL\n    line_delay: 0.003 ns", r"15 degrees at 13\.5 GHz"),
    ],
)
def test_a_line_of_no_use_at_a_frequency_is_refused_before_anybody_is_asked_to_connect_it(
    method: str, says: str, tmp_path: Path
) -> None:
    with pytest.raises(FileError, match=says):
        load_sequence(changed(SEQUENCE, tmp_path, ("method: SOLT", method)))


@pytest.mark.parametrize(
    ("method", "mixed_up", "says"),
    [
        ("SOLT", {"short": "load", "load": "short"}, "the short looks like the load"),
        ("SOLT", {"short": "thru"}, "what was connected as the short lets a wave through"),
        ("SOLT", {"thru": "open"}, "what was connected as the thru lets through"),
        ("SOLT", {"load": "open"}, "open and load read alike"),
        ("TRL", {"thru": "line", "line": "thru"}, "thru and line are exchanged"),
        ("TRL", {"reflect": "load"}, "looks like a load"),
    ],
)
def test_standards_in_the_wrong_order_are_told_before_a_calibration_is_made(
    method: str, mixed_up: dict[str, str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin's hands connect something else than they are asked for, as tired hands do."""
    as_told = sim_instruments.hands.Hands.connect
    monkeypatch.setattr(
        sim_instruments.hands.Hands, "connect", lambda self, channel, what: as_told(self, channel, mixed_up.get(what, what))
    )
    trl = [("method: SOLT", "method: TRL\n    line_delay: 0.0177 ns")] if method == "TRL" else []
    sequence = load_sequence(changed(SEQUENCE, tmp_path, BENCH_THERE, COLD, *trl))
    outcome = carried_out(sequence, tmp_path / "record.h5")

    assert isinstance(outcome.error, ConditionError)
    assert says in outcome.message
    assert outcome.exit_code == 3
    with Record.open(outcome.record) as record:
        assert len(record.bias()) == 0
        assert len(record.stream("calibration")) == 0
        # What was read is kept: it shows what was connected.
        assert len(record.stream("standards")) > 0
    assert outcome.record.with_suffix(".ledger.jsonl").read_text("utf-8") == ""
