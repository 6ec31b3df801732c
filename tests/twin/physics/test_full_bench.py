"""The full bench as one world: two sources on a combiner, a network analyser, hands that change what is in the fixture."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.bench.load import Bench, load_bench
from benchkit.clock import VirtualClock
from sim_instruments.ledger import Abuse, Ledger
from sim_instruments.physics.network import cascade, standard
from sim_instruments.physics.network_sweep import device_scattering
from sim_instruments.world import World
from tests.twin.physics.conftest import F0_HZ, SEQUENCES, Worker

NETWORK = frozenset({111, 211})
F = np.linspace(13.75e9, 14.5e9, 31)


@pytest.fixture(scope="module")
def full_bench() -> Bench:
    return load_bench(SEQUENCES / "benches" / "kd14_full.yaml")


class FullWorker(Worker):
    def tone(self, name: str, level_dbm: float, frequency_hz: float, *, on: bool = True) -> None:
        """A true level at the device's input, from either source."""
        path = self.world.ports.paths["combined_a" if name == "rf_source" else "second_a"]
        level_dbm += path.loss_db(frequency_hz)
        self.world.source_changed(name, self.t, frequency_hz=frequency_hz, level_dbm=level_dbm, on=on)
        self.wait(0.05)

    def sweep_level(self, level_dbm: float, *, on: bool = True) -> None:
        self.world.source_changed("network_analyser", self.t, frequency_hz=float(F[0]), level_dbm=level_dbm, on=on)
        self.wait(0.05)

    def to_network(self) -> None:
        self.world.routes_changed("rf_switch", NETWORK, self.t)
        self.wait(0.05)


@pytest.fixture
def worker(full_bench: Bench) -> FullWorker:
    return FullWorker(World(full_bench, VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger()))


def power(lines: list[tuple[float, float]]) -> float:
    return 10 * math.log10(sum(10 ** (level_dbm / 10) for _, level_dbm in lines))


def test_a_power_meter_reads_both_tones_and_all_they_make_together(worker: FullWorker) -> None:
    worker.bias_up()
    worker.tone("rf_source", -5.0, F0_HZ - 5e6)
    worker.tone("second_source", -5.0, F0_HZ + 5e6)

    lines = worker.world.spectrum_at("output_meter", worker.t)

    assert worker.world.power_at("output_meter", worker.t) == pytest.approx(power(lines))
    near = {round((hz - F0_HZ) / 5e6) for hz, level_dbm in lines if abs(hz - F0_HZ) < 100e6 and level_dbm > -80}
    assert {-3, -1, 1, 3} <= near


def test_one_source_alone_is_one_carrier_and_both_off_is_none(worker: FullWorker) -> None:
    worker.bias_up()
    worker.tone("second_source", -10.0, F0_HZ)
    one = worker.world.truth.operating("A", worker.t)
    worker.tone("second_source", -10.0, F0_HZ, on=False)

    assert one.tones is None
    assert one.frequency_hz == F0_HZ
    assert one.input_dbm == pytest.approx(-10.0)
    assert worker.world.spectrum_at("spectrum_analyser", worker.t) == []


def test_the_ledger_judges_two_tones_by_the_peak_of_their_envelope(worker: FullWorker) -> None:
    """Each tone 4 dB, and their average 1 dB, below what the input stands; their peak is 2 dB above it."""
    worker.bias_up()
    worker.tone("rf_source", 9.0, F0_HZ - 5e6)
    assert Abuse.INPUT_POWER not in worker.abuses

    worker.tone("second_source", 9.0, F0_HZ + 5e6)
    worker.wait(10.0)
    worker.world.truth.case_degc(worker.t)

    assert Abuse.INPUT_POWER in worker.abuses


def test_a_network_analyser_sees_path_device_path(worker: FullWorker) -> None:
    worker.bias_up()
    worker.to_network()
    worker.sweep_level(-30.0)

    seen = worker.world.network_at("network_analyser", worker.t, F)

    channel, point = worker.world.channels[0], worker.world.truth.operating("A", worker.t)
    network = channel.network
    assert network is not None
    before, behind = network.input_path.at(F), network.output_path.at(F)
    level = network.port.level_dbm(worker.t) + 20 * np.log10(np.abs(before[:, 1, 0]))
    assert seen == pytest.approx(cascade(cascade(before, device_scattering(channel, point, F, level)), behind))
    gain = 20 * np.log10(np.abs(seen[:, 1, 0]))
    loss = [network.input_path.path.loss_db(hz) + network.output_path.path.loss_db(hz) for hz in F.tolist()]
    assert gain + loss == pytest.approx([channel.device.small_signal_gain_db(hz) for hz in F.tolist()], abs=1.0)


def test_driven_hard_a_network_analyser_sees_compression(worker: FullWorker) -> None:
    worker.bias_up()
    worker.to_network()
    worker.sweep_level(-30.0)
    small = worker.world.network_at("network_analyser", worker.t, F)
    worker.sweep_level(5.0)
    large = worker.world.network_at("network_analyser", worker.t, F)

    lost_db = 20 * np.log10(np.abs(small[:, 1, 0] / large[:, 1, 0]))
    assert np.all(lost_db > 0.2)


def test_sweeping_into_a_dead_device_is_in_the_ledger(worker: FullWorker) -> None:
    worker.to_network()
    worker.sweep_level(-10.0)
    worker.world.network_at("network_analyser", worker.t, F)

    assert Abuse.RF_UNBIASED in worker.abuses


def test_switched_elsewhere_it_sees_open_contacts(worker: FullWorker) -> None:
    worker.route("A")
    seen = worker.world.network_at("network_analyser", worker.t, F)

    assert np.all(seen[:, 1, 0] == 0.0)
    assert np.all(np.abs(seen[:, 0, 0]) > 0.9)


@pytest.mark.parametrize("what", ["open", "short", "load", "thru", "line", "reflect"])
def test_hands_put_a_standard_in_place_of_the_device(worker: FullWorker, what: str) -> None:
    worker.to_network()
    worker.world.connect("A", what, worker.t)
    worker.sweep_level(-20.0)

    seen = worker.world.network_at("network_analyser", worker.t, F)

    network = worker.world.channels[0].network
    assert network is not None
    inside = standard(what, F, 17.7e-12)
    assert seen == pytest.approx(cascade(cascade(network.input_path.at(F), inside), network.output_path.at(F)))
    assert worker.world.connected("A") == what
    assert worker.abuses == []


def test_a_thru_leads_the_sources_to_the_meter(worker: FullWorker) -> None:
    """So that a path can be checked as a whole; and no device is there that could be driven unbiased."""
    worker.route("A")
    worker.world.connect("A", "thru", worker.t)
    worker.tone("rf_source", -10.0, F0_HZ)

    expected = -10.0 - worker.world.ports.paths["output_a"].loss_db(F0_HZ)
    assert worker.world.power_at("output_meter", worker.t) == pytest.approx(expected, abs=1e-6)
    assert worker.abuses == []


def test_connecting_while_energised_is_in_the_ledger(worker: FullWorker) -> None:
    """A part that is plugged with its drain on, or RF at its input, may not live to be measured."""
    worker.bias_up()
    worker.world.connect("A", "short", worker.t)
    worker.world.connect("A", "device", worker.t)
    assert worker.abuses.count(Abuse.HOT_CONNECTING) == 2

    worker.bias_down()
    worker.wait(1.0)
    worker.world.connect("A", "load", worker.t)
    assert worker.abuses.count(Abuse.HOT_CONNECTING) == 2
    worker.tone("rf_source", -10.0, F0_HZ)
    worker.world.connect("A", "device", worker.t)
    assert worker.abuses.count(Abuse.HOT_CONNECTING) == 3


def test_without_a_device_nothing_is_drawn(worker: FullWorker) -> None:
    worker.world.connect("A", "open", worker.t)
    worker.gate(-0.7)
    worker.drain(6.0)

    assert worker.current_a() == 0.0


def test_what_is_not_there_cannot_be_connected(worker: FullWorker) -> None:
    with pytest.raises(ValueError, match=r"nothing called 'tru' to connect; there are device, open"):
        worker.world.connect("A", "tru", worker.t)
    with pytest.raises(ValueError, match="no channel 'C'; there are A, B"):
        worker.world.connect("C", "thru", worker.t)


def test_a_sensor_at_the_plane_sees_the_input_path_alone_and_a_thru_both(worker: FullWorker) -> None:
    """Paths are measured so; the truth they are held against is the paths' own."""
    world, paths = worker.world, worker.world.ports.paths
    worker.route("A")
    seen = {}
    for what in ("sensor at source", "sensor", "thru"):
        world.source_changed("rf_source", worker.t, frequency_hz=F0_HZ, level_dbm=3.0, on=False)
        worker.wait(0.05)
        world.connect("A", what, worker.t)
        world.source_changed("rf_source", worker.t, frequency_hz=F0_HZ, level_dbm=3.0, on=True)
        worker.wait(0.05)
        seen[what] = world.power_at("output_meter", worker.t)

    source_dbm = world.ports.sources["rf_source"].level_dbm(worker.t)
    at_plane_dbm = source_dbm - paths["combined_a"].loss_db(F0_HZ)
    assert seen["sensor at source"] == pytest.approx(source_dbm)
    assert seen["sensor"] == pytest.approx(at_plane_dbm)
    assert seen["thru"] == pytest.approx(at_plane_dbm - paths["output_a"].loss_db(F0_HZ))
    assert math.isinf(world.truth.operating("A", worker.t).input_dbm)  # nothing reaches the device's pins


def test_a_sensor_sees_the_second_source_the_sum_at_the_plane_and_what_the_analyser_would(worker: FullWorker) -> None:
    """Every path of the bench is measured so; the analyser, whose cable the sensor has, sees nothing meanwhile."""
    world, paths = worker.world, worker.world.ports.paths
    worker.route("A")
    seen, levels = {}, {"rf_source": 3.0, "second_source": 1.0}
    for what in ("sensor at second source", "sensor", "sensor at analyser", "thru"):
        for name, level_dbm in levels.items():
            world.source_changed(name, worker.t, frequency_hz=F0_HZ, level_dbm=level_dbm, on=False)
        worker.wait(0.05)
        world.connect("A", what, worker.t)
        for name, level_dbm in levels.items():
            world.source_changed(name, worker.t, frequency_hz=F0_HZ, level_dbm=level_dbm, on=True)
        worker.wait(0.05)
        seen[what] = world.power_at("output_meter", worker.t), world.power_at("spectrum_analyser", worker.t)

    at_plane_dbm = power([(F0_HZ, 3.0 - paths["combined_a"].loss_db(F0_HZ)), (F0_HZ, 1.0 - paths["second_a"].loss_db(F0_HZ))])
    at_analyser_dbm = at_plane_dbm - paths["analyser_a"].loss_db(F0_HZ)
    assert seen["sensor at second source"][0] == pytest.approx(1.0)
    assert seen["sensor"][0] == pytest.approx(at_plane_dbm)
    assert seen["sensor at analyser"] == (pytest.approx(at_analyser_dbm), -math.inf)
    assert seen["thru"][1] == pytest.approx(at_analyser_dbm)


def test_the_sensor_cannot_be_put_where_nothing_is_wired() -> None:
    """The smaller bench has no second source and no analyser."""
    world = World(load_bench(SEQUENCES / "benches" / "kd14.yaml"), VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger())
    for what in ("sensor at second source", "sensor at analyser"):
        with pytest.raises(ValueError, match=f"nothing called '{what}' to connect; there are .*, sensor, sensor at source$"):
            world.connect("A", what, 0.0)
