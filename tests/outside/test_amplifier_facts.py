"""
Is the twin's device believable? Facts of the trade about driver amplifiers of its kind: common practice, no source.

The one exception names its own: where Rapp's model compresses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from benchkit.bench.load import load_bench
from benchkit.clock import VirtualClock
from sim_instruments.ledger import Ledger
from sim_instruments.world import World
from tests.twin.physics.conftest import SEQUENCES, Worker

BENCH = SEQUENCES / "benches" / "kd14.yaml"
UNITS = ["L07-W1-01", "L07-W2-07", "L07-W3-04"]


@dataclass(frozen=True)
class Sweep:
    """One drive sweep at one temperature, at the device's pins; at 1 dB compression and 6 dB below it in output."""

    gain_db: float
    p1db_dbm: float
    pae_p1db_percent: float
    pae_6db_percent: float
    output_dbm: np.ndarray
    detector_v: np.ndarray


def sweep(worker: Worker) -> Sweep:
    levels = np.arange(-20.0, 9.01, 0.5)
    output, pae, detector = [], [], []
    for level in levels:
        worker.drive(float(level))
        world, t = worker.world, worker.t
        point = world.truth.operating("A", t)
        response = point.response
        output.append(response.output_dbm)
        rf_w = 1e-3 * (10 ** (response.output_dbm / 10) - 10 ** (point.input_dbm / 10))
        pae.append(100 * rf_w / (point.drain_v * response.drain_current_a))
        detector.append(world.voltage_at("detector_voltmeter", t) - world.voltage_at("reference_voltmeter", t))
    gains = np.array(output) - levels
    compressed = float(np.interp(1.0, gains[0] - gains[levels > -5], levels[levels > -5]))
    p1db = compressed + float(np.interp(compressed, levels, gains))
    return Sweep(
        gain_db=float(gains[0]),
        p1db_dbm=p1db,
        pae_p1db_percent=float(np.interp(p1db, output, pae)),
        pae_6db_percent=float(np.interp(p1db - 6.0, output, pae)),
        output_dbm=np.array(output),
        detector_v=np.array(detector),
    )


@pytest.fixture(scope="module", params=UNITS)
def sweeps(request: pytest.FixtureRequest) -> dict[float, Sweep]:
    """Case temperature to sweep, gate trimmed to the same quiescent current at each; and a clean ledger behind it."""
    world = World(load_bench(BENCH), VirtualClock(), seed=1, unit=request.param, ledger=Ledger())
    worker = Worker(world)
    found = {}
    for degc in (25.0, -30.0, 70.0):
        world.chamber_changed(worker.t, setpoint_degc=degc, ramp_k_per_min=3.0, running=True)
        worker.wait(2 * 3600.0)
        worker.bias_up()
        worker.wait(1800.0)
        worker.trim()
        found[degc] = sweep(worker)
        worker.bias_down()
    assert world.ledger.entries == ()
    return found


def test_efficiency_is_about_thirty_percent_at_compression_and_a_third_of_that_six_decibels_below(
    sweeps: dict[float, Sweep],
) -> None:
    """Class AB close to A: the current hardly follows the drive, so efficiency falls with output. Common practice, no source."""
    room = sweeps[25.0]

    assert room.pae_p1db_percent == pytest.approx(30.0, abs=3.5)
    assert 8.5 < room.pae_6db_percent < 10.5


def test_gain_is_higher_when_cold(sweeps: dict[float, Sweep]) -> None:
    """Some 0.02 to 0.035 dB/K for three stages. Common practice, no source."""
    cold, room, hot = (sweeps[degc].gain_db for degc in (-30.0, 25.0, 70.0))

    assert cold > room > hot
    assert 0.02 < (cold - room) / 55 < 0.035
    assert 0.02 < (room - hot) / 45 < 0.035


def test_output_and_efficiency_fall_a_little_when_hot(sweeps: dict[float, Sweep]) -> None:
    """Tenths of a decibel, a few points of efficiency. Common practice, no source."""
    cold, room, hot = (sweeps[degc] for degc in (-30.0, 25.0, 70.0))

    assert 0.2 < cold.p1db_dbm - room.p1db_dbm < 0.8
    assert 0.2 < room.p1db_dbm - hot.p1db_dbm < 0.8
    assert 1.0 < cold.pae_p1db_percent - room.pae_p1db_percent < 5.0
    assert 1.0 < room.pae_p1db_percent - hot.pae_p1db_percent < 5.0


def test_compression_is_at_about_five_hundred_milliwatts(sweeps: dict[float, Sweep]) -> None:
    assert sweeps[25.0].p1db_dbm == pytest.approx(27.0, abs=0.6)


def test_detector_is_straight_on_logarithmic_axes(sweeps: dict[float, Sweep]) -> None:
    """Within a tenth of a decibel of a line, over more than 20 dB. Common practice, no source."""
    for found in sweeps.values():
        upper = found.output_dbm > found.output_dbm[-1] - 25.0
        volts = 10 * np.log10(found.detector_v[upper])
        slope, intercept = np.polyfit(found.output_dbm[upper], volts, 1)
        residual_db = (volts - (slope * found.output_dbm[upper] + intercept)) / slope

        assert 0.5 < slope <= 1.0
        assert np.abs(residual_db).max() < 0.1


def test_detector_hardly_depends_on_temperature(sweeps: dict[float, Sweep]) -> None:
    """What the difference to the reference diode leaves is tenths of a decibel. Common practice, no source."""
    room = sweeps[25.0]
    grid = np.arange(10.0, 28.0, 1.0)

    def apparent_dbm(found: Sweep) -> np.ndarray:
        """Output that the room temperature's curve would tell from another temperature's voltages."""
        volts = np.interp(grid, found.output_dbm, np.log10(found.detector_v))
        return np.asarray(np.interp(volts, np.log10(room.detector_v), room.output_dbm))

    for degc in (-30.0, 70.0):
        error = np.abs(apparent_dbm(sweeps[degc]) - grid).max()
        assert 0.02 < error < 0.4


def test_the_knee_is_rapps() -> None:
    """
    OP1dB - Psat = 20 log10 x - 1 with x = (10^(p/10) - 1)^(1/2p): -2.164617 dB for p = 2.

    C. Rapp, Effects of HPA nonlinearity on a 4-DPSK/OFDM signal, 1991 (form of the model); the closed form is derived.
    """
    p = 2.0
    closed_form = 20 * math.log10((10 ** (p / 10) - 1) ** (1 / (2 * p))) - 1
    world = World(load_bench(BENCH), VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger())
    device = world.channels[0].device
    levels = np.arange(-30.0, 40.0, 0.001)
    output = np.array([device.respond(14.1e9, float(level), 6.0, -0.75, 40.0).output_dbm for level in levels])
    gains = output - levels
    op1db = output[int(np.argmax(gains <= gains[0] - 1.0))]

    assert closed_form == pytest.approx(-2.164617, abs=1e-6)
    assert world.device_file.saturation.sharpness == p
    # The device leaks a little past its stages, which adds millionths of a milliwatt; saturation itself is the limit.
    saturated = output[int(np.searchsorted(levels, 25.0))]
    assert op1db - saturated == pytest.approx(closed_form, abs=0.005)
