"""
From the operator's first standard to corrected S-parameters, through driver, link, SCPI and the simulated test set: what is
uncorrected is visibly wrong, and what is corrected is what stands between the device's pins.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.bench.load import load_bench
from benchkit.bench.open import open_bench
from benchkit.clock import VirtualClock
from benchkit.results.calibration import Calibration, apply
from benchkit.results.solt import solt
from benchkit.results.standards import Standard
from benchkit.results.trl import trl
from sim_instruments.physics.network import standard
from sim_instruments.physics.network_sweep import device_scattering
from sim_instruments.visa import TwinLibrary

FULL = Path(__file__).parents[2] / "sequences" / "benches" / "kd14_full.yaml"
F = np.linspace(13.5e9, 14.75e9, 26)
LEVEL_DBM = -25.0


class Operator:
    """Does what a guided calibration would: RF off, connect, RF on, read."""

    def __init__(self) -> None:
        bench, self.clock = load_bench(FULL), VirtualClock()
        self.bench = open_bench(bench, self.clock, library="twin", library_options={"bench": bench})
        self.bench.prepare()
        self.bench.switch("rf_switch").connect((111, 211))
        self.analyser = self.bench.network_analyser("network_analyser")
        self.analyser.set_frequencies(F.tolist())
        self.analyser.set_level(LEVEL_DBM)
        self.analyser.set_if_bandwidth(100.0)
        self.analyser.set_averages(4)

    @property
    def twin(self):
        library = self.bench.instruments["network_analyser"]._link._connection._library.manager.visalib
        assert isinstance(library, TwinLibrary)
        return library.twin

    def read(self) -> np.ndarray:
        self.analyser.output_on()
        self.clock.sleep(self.analyser.settling_time_s)
        self.analyser.arm()
        raw = self.analyser.collect()
        self.analyser.output_off()
        return raw

    def read_standard(self, what: str) -> np.ndarray:
        assert self.bench.hands is not None
        self.bench.hands.connect("A", what)
        return self.read()

    def bias_up(self) -> None:
        assert self.bench.hands is not None
        self.bench.hands.connect("A", "device")
        gate, drain = self.bench.supply("gate_supply"), self.bench.supply("drain_supply")
        for supply, volts, amperes in ((gate, -2.5, 5e-3), (drain, 6.0, 0.5)):
            supply.set_current_limit(1, amperes)
            supply.set_voltage(1, volts)
            supply.output_on(1)
            self.clock.sleep(0.1)
        gate.set_voltage(1, -0.75)
        self.clock.sleep(0.1)

    def truth(self) -> np.ndarray:
        """What stands between the pins, driven as it was."""
        world = self.twin.world
        channel, point = world.channels[0], world.truth.operating("A", self.clock.monotonic())
        loss = np.array([channel.network.input_path.path.loss_db(hz) for hz in F.tolist()])
        return device_scattering(channel, point, F, LEVEL_DBM - loss)


@pytest.fixture(scope="module")
def measured() -> dict[str, np.ndarray]:
    operator = Operator()
    found = {what: operator.read_standard(what) for what in ("open", "short", "load", "thru", "line", "reflect")}
    operator.bias_up()
    found["device"] = operator.read()
    found["truth"] = operator.truth()
    operator.bench.close()
    assert operator.twin.ledger.entries == ()
    return found


def test_uncorrected_it_is_visibly_wrong(measured: dict[str, np.ndarray]) -> None:
    off_db = 20 * np.log10(np.abs(measured["device"][:, 1, 0] / measured["truth"][:, 1, 0]))
    assert np.all(off_db < -5.0)
    assert np.max(np.abs(measured["device"][:, 0, 0] - measured["truth"][:, 0, 0])) > 0.1


def test_corrected_by_known_standards_it_is_right(measured: dict[str, np.ndarray]) -> None:
    reflects = [Standard(what, measured[what], standard(what, F, 0.0)) for what in ("open", "short", "load")]
    calibration = solt(F, reflects, Standard("thru", measured["thru"], standard("thru", F, 0.0)), isolation=measured["load"])

    _assert_right(calibration, measured)


def test_corrected_by_thru_reflect_line_it_is_right(measured: dict[str, np.ndarray]) -> None:
    raw = {what: measured[what] for what in ("thru", "reflect", "line")}
    calibration = trl(F, **raw, line_delay_s=17.7e-12, reflect_sign=-1)

    _assert_right(calibration, measured)


def _assert_right(calibration: object, measured: dict[str, np.ndarray]) -> None:
    """Within what noise leaves: hundredths of a dB on gain, thousandths on a reflection, a dB or two 55 dB down."""
    assert isinstance(calibration, Calibration)
    corrected, truth = apply(calibration, F, measured["device"]), measured["truth"]

    assert 20 * np.log10(np.abs(corrected[:, 1, 0])) == pytest.approx(20 * np.log10(np.abs(truth[:, 1, 0])), abs=0.03)
    assert np.max(np.abs(np.angle(corrected[:, 1, 0] / truth[:, 1, 0], deg=True))) < 0.3
    assert corrected[:, 0, 0] == pytest.approx(truth[:, 0, 0], abs=3e-3)
    assert corrected[:, 1, 1] == pytest.approx(truth[:, 1, 1], abs=6e-3)
    assert 20 * np.log10(np.abs(corrected[:, 0, 1])) == pytest.approx(20 * np.log10(np.abs(truth[:, 0, 1])), abs=2.0)
