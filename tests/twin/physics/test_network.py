"""S-parameters of paths, standards and device: passive where they must be, and one truth with the scalar losses and gains."""

from __future__ import annotations

import numpy as np
import pytest
import skrf

from benchkit.bench.paths import LossPath
from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.device import ChannelDevice
from sim_instruments.physics.match import ChannelMatch
from sim_instruments.physics.network import STANDARDS, PathTwoPort, cascade, standard
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.spread import UnitSpread

F = np.linspace(13e9, 15.5e9, 101)
LINE_S = 17.7e-12


def db(values: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(values))


def path(loss_db: float, name: str = "p") -> PathTwoPort:
    return PathTwoPort(PathTruth(LossPath.fixed(name, loss_db, 0.1, "bench.yaml"), 1), 1)


@pytest.mark.parametrize("loss_db", [0.2, 3.0, 20.0])
def test_a_path_is_reciprocal_passive_and_as_lossy_as_its_scalar_truth(loss_db: float) -> None:
    """Reciprocity of cables and attenuators; power out never above power in (Pozar, 4th ed., 4.3; from memory)."""
    one = path(loss_db)
    s = one.at(F)

    assert np.array_equal(s[:, 1, 0], s[:, 0, 1])
    assert db(s[:, 1, 0]) == pytest.approx([-one.path.loss_db(hz) for hz in F.tolist()])
    assert np.all(np.linalg.svd(s, compute_uv=False) <= 1.0)
    assert np.all(db(s[:, 0, 0]) < -12.0)


def test_a_row_of_two_ports_is_what_an_independent_library_makes_of_it() -> None:
    """Against scikit-rf's cascade."""
    first, second = path(3.0, "a").at(F), path(7.0, "b").at(F)
    expected = (skrf.Network(f=F, f_unit="Hz", s=first) ** skrf.Network(f=F, f_unit="Hz", s=second)).s

    assert cascade(first, second) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("what", STANDARDS)
def test_standards_are_passive_and_reciprocal(what: str) -> None:
    s = standard(what, F, LINE_S)

    assert np.array_equal(s[:, 1, 0], s[:, 0, 1])
    assert np.all(np.linalg.svd(s, compute_uv=False) <= 1.0 + 1e-12)


def test_the_line_is_a_quarter_wavelength_in_the_middle_of_the_band() -> None:
    """TRL wants its line well away from 0 and 180 degrees (Engen and Hoer, 1979; from memory)."""
    turn = np.degrees(np.angle(standard("line", F, LINE_S)[:, 1, 0]))

    assert np.all((turn < -60.0) & (turn > -120.0))


class _NoSpread(UnitSpread):
    def deviate(self, quantity: str) -> float:
        return 0.0


def device_s(device_file: DeviceFile, drain_v: float, gate_v: float, degc: float = 40.0) -> np.ndarray:
    spread = _NoSpread("", "")
    device = ChannelDevice(device_file, spread)
    bias = {"drain_v": drain_v, "gate_v": gate_v, "channel_degc": degc}
    forward = np.array([device.complex_gain(hz, -60.0, **bias) for hz in F.tolist()])
    quiescent_a = device.quiescent_current_a(drain_v, gate_v, degc)
    return ChannelMatch(device_file, spread).scattering(F, forward, quiescent_a, degc)


def test_the_biased_device_is_a_believable_three_stage_amplifier(device_file: DeviceFile) -> None:
    """Match about -12 and -10 dB, some 55 dB back, unconditionally stable; K and det S: Rollett's, Pozar 4th ed., 12.2."""
    s = device_s(device_file, 6.0, -0.75)
    middle = len(F) // 2
    determinant = s[:, 0, 0] * s[:, 1, 1] - s[:, 0, 1] * s[:, 1, 0]
    k = (1 - np.abs(s[:, 0, 0]) ** 2 - np.abs(s[:, 1, 1]) ** 2 + np.abs(determinant) ** 2) / (2 * np.abs(s[:, 0, 1] * s[:, 1, 0]))

    assert db(s[middle, 0, 0]) == pytest.approx(-12.0, abs=3.0)
    assert db(s[middle, 1, 1]) == pytest.approx(-10.0, abs=3.0)
    assert db(s[middle, 0, 1]) == pytest.approx(-55.0, abs=1.0)
    assert db(s[middle, 1, 0]) == pytest.approx(24.2, abs=0.5)
    assert np.all(k > 1.0)
    assert np.all(np.abs(determinant) < 1.0)


def test_the_delay_through_the_device_is_that_of_its_file(device_file: DeviceFile) -> None:
    s = device_s(device_file, 6.0, -0.75)
    delay_s = -np.gradient(np.unwrap(np.angle(s[:, 1, 0])), F) / (2 * np.pi)

    assert delay_s == pytest.approx(0.3e-9, rel=1e-6)


def test_without_current_the_device_is_a_passive_reciprocal_obstacle(device_file: DeviceFile) -> None:
    s = device_s(device_file, 0.0, 0.0)

    assert db(s[:, 1, 0]) == pytest.approx(-46.0, abs=0.1)
    assert s[:, 0, 1] == pytest.approx(s[:, 1, 0])
    assert np.all(np.linalg.svd(s, compute_uv=False) < 1.0)
    assert np.all(db(s[:, 0, 0]) > -3.0)


def test_the_match_moves_a_little_with_temperature(device_file: DeviceFile) -> None:
    cold, hot = (device_s(device_file, 6.0, -0.75, degc)[:, 0, 0] for degc in (-20.0, 85.0))

    assert 0.1 < np.max(np.abs(db(hot) - db(cold))) < 2.0
