"""The simulated network analyser: raw it is visibly wrong, ideal it tells the truth; a calibration leads from there to here."""

from __future__ import annotations

import struct
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import skrf
from skrf.calibration import TwelveTerm

from benchkit.bench.model import NetworkAnalyserSettings
from sim_instruments.instruments.factory import OPTIONS_OF_ROLE
from sim_instruments.instruments.network_analyser import SimulatedNetworkAnalyser
from sim_instruments.instruments.options import read_options
from tests.twin.instruments.conftest import ADDRESS, Console, DeskWorld

F = np.linspace(13.5e9, 14.5e9, 11)
QUIET: dict[str, Any] = {"trace_noise": 0.0, "noise_floor": "-300 dBm"}
AMPLIFIER = np.array([[0.25 * np.exp(0.7j), 0.0018], [15.8 * np.exp(-2.1j), 0.3 * np.exp(1.9j)]])


class NetworkWorld(DeskWorld):
    """Between the ports is what the test says, at every frequency."""

    between: np.ndarray = AMPLIFIER

    def network_at(self, analyser: str, t: float, frequency_hz: np.ndarray) -> np.ndarray:
        self._at(t)
        return np.broadcast_to(self.between, (len(frequency_hz), 2, 2)).astype(complex)


@pytest.fixture
def desk() -> NetworkWorld:
    return NetworkWorld()


@pytest.fixture
def make(desk: NetworkWorld) -> Callable[..., Console]:
    def build(**twin: Any) -> Console:
        settings = NetworkAnalyserSettings(
            role="network analyser", **ADDRESS, level_min_dbm=-45.0, level_max_dbm=5.0, level_accuracy_db=0.6, input_max_dbm=27.0,
            frequency_min_hz=10e6, frequency_max_hz=26.5e9, reading_time_s=2e-3, if_bandwidth_hz=1e3, points_max=1001,
        )  # fmt: skip
        options = read_options(OPTIONS_OF_ROLE["network analyser"], twin, file="bench.yaml", instrument="dut")
        console = Console(SimulatedNetworkAnalyser("dut", settings, options, desk, seed=3, t=desk.last_t), desk.last_t)
        console.write("FREQ:STAR 13.5 GHZ;STOP 14.5 GHZ;:SWE:POIN 11;:POW -20;:OUTP ON;:FORM ASC")
        return console

    return build


def read(console: Console) -> np.ndarray:
    raw = np.empty((11, 2, 2), dtype=complex)
    first = console.ask("INIT;*WAI;:CALC1:DATA? SDAT")
    texts = [first, *(console.ask(f"CALC{trace}:DATA? SDAT") for trace in (2, 3, 4))]
    for text, (i, j) in zip(texts, ((0, 0), (1, 0), (0, 1), (1, 1)), strict=True):
        numbers = np.array([float(part) for part in text.split(",")])
        raw[:, i, j] = numbers[0::2] + 1j * numbers[1::2]
    return raw


def test_an_ideal_one_reads_exactly_what_is_between_its_ports(make) -> None:
    assert read(make(ideal=True)) == pytest.approx(np.broadcast_to(AMPLIFIER, (11, 2, 2)), abs=1e-10)


def test_an_uncorrected_reading_is_visibly_wrong(make) -> None:
    """Who forgets to calibrate must see it."""
    raw = read(make(**QUIET))

    assert np.max(np.abs(raw[:, 0, 0] - AMPLIFIER[0, 0])) > 0.03
    assert np.max(np.abs(20 * np.log10(np.abs(raw[:, 1, 0] / AMPLIFIER[1, 0])))) > 0.2


@pytest.mark.parametrize("twin", [{}, {"switch_match": "25 dB"}])
def test_a_twelve_term_calibration_brings_the_truth_back(make, desk: NetworkWorld, twin: dict[str, str]) -> None:
    """By scikit-rf's solution, which knows nothing of ours: the errors are those that calibrations are made for."""
    console = make(**QUIET, **twin)
    one_port = {"short": -1.0, "open": 1.0, "load": 0.0}
    ideals = [np.diag([gamma, gamma]).astype(complex) for gamma in one_port.values()]
    ideals.append(np.array([[0, 1], [1, 0]], dtype=complex))
    measured = []
    for ideal in ideals:
        desk.between = ideal
        measured.append(read(console))
    desk.between = AMPLIFIER

    def network(s: np.ndarray) -> skrf.Network:
        return skrf.Network(f=F, f_unit="Hz", s=np.broadcast_to(s, (11, 2, 2)))

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        calibration = TwelveTerm(
            measured=[network(s) for s in measured], ideals=[network(s) for s in ideals], n_thrus=1,
            isolation=network(measured[2]),
        )  # fmt: skip
        calibration.run()
        corrected = calibration.apply_cal(network(read(console))).s

    assert corrected == pytest.approx(np.broadcast_to(AMPLIFIER, (11, 2, 2)), abs=1e-6)


def test_noise_falls_with_if_bandwidth_and_averages(make) -> None:
    """As the square root of either: white noise."""

    def spread(setting: str) -> float:
        console = make(noise_floor="-80 dBm", trace_noise=0.0)
        console.write(setting)
        first = read(console)
        return float(np.std([read(console)[:, 0, 1] - first[:, 0, 1] for _ in range(40)]))

    wide = spread("BAND 10 KHZ")
    assert wide / spread("BAND 100 HZ") == pytest.approx(10.0, rel=0.2)
    assert wide / spread("BAND 10 KHZ;:AVER:COUN 16;:AVER ON") == pytest.approx(4.0, rel=0.2)


def test_with_rf_off_it_reads_noise_and_nothing_of_the_device(make) -> None:
    console = make()
    console.write("OUTP OFF")

    assert np.max(np.abs(read(console)[:, 0, 1])) > 0.1


def test_a_sweep_takes_its_points_times(make) -> None:
    console = make()
    console.write("BAND 100 HZ;:AVER:COUN 2;:AVER ON")
    before = console.t

    assert console.number("SWE:TIME?") == pytest.approx(0.44)
    console.ask("INIT;*WAI;:CALC1:DATA? SDAT")
    assert console.t - before == pytest.approx(0.44)


def test_a_setting_makes_the_data_stale(make) -> None:
    """Else the last sweep would be taken for one at the new level."""
    console = make()
    read(console)
    console.write("POW -25")
    console.write("CALC1:DATA? SDAT")

    assert console.errors() == [-230]


def test_a_list_is_swept_in_its_own_frequencies_and_told_back(make) -> None:
    console = make(ideal=True)
    console.write("LIST:FREQ 13.5 GHZ,14 GHZ,14.125 GHZ;:FREQ:MODE LIST")

    assert console.ask("LIST:FREQ:POIN?") == "3"
    assert [float(text) for text in console.ask("LIST:FREQ?").split(",")] == [13.5e9, 14e9, 14.125e9]
    assert len(console.ask("INIT;*WAI;:CALC2:DATA? SDAT").split(",")) == 6


@pytest.mark.parametrize(
    ("form", "code"), [("REAL,64;:FORM:BORD NORM", ">d"), ("REAL,64;:FORM:BORD SWAP", "<d"), ("REAL,32", ">f")]
)
def test_blocks_come_in_the_width_and_order_asked_for(make, form: str, code: str) -> None:
    console = make(ideal=True)
    console.write(f"FORM {form}")

    data = console.ask("INIT;*WAI;:CALC2:DATA? SDAT").encode("latin-1")

    digits = int(data[1:2])
    size = struct.calcsize(code)
    assert int(data[2 : 2 + digits]) == 22 * size == len(data) - 2 - digits
    assert struct.unpack(code, data[2 + digits : 2 + digits + size])[0] == pytest.approx(AMPLIFIER[1, 0].real)


def test_levels_above_its_limit_are_refused(make) -> None:
    console = make()
    console.write("POW:LIM -10;:POW:LIM:STAT ON;:POW -5")

    assert console.errors() == [-222]
    assert console.number("POW?") == -20.0


def test_it_has_no_correction_of_its_own_and_says_so(make) -> None:
    console = make()
    console.write("CORR ON")

    assert console.errors() == [-221]
    assert console.ask("CORR?") == "0"
