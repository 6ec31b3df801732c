"""The world as a whole: the same story however it is asked, and the same for one seed and unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import deepcopy

import numpy as np
import pytest

from benchkit.bench.load import Bench
from benchkit.clock import VirtualClock
from benchkit.errors import FileError
from benchkit.quantities import pt100_temperature_degc
from sim_instruments.ledger import Ledger
from sim_instruments.world import World
from tests.twin.physics.conftest import F0_HZ, Worker

Make = Callable[..., Worker]


def everything(worker: Worker) -> list[float]:
    """What all instruments see now."""
    world, t = worker.world, worker.t
    terminals = [world.supply_terminal(name, output, t) for name in ("drain_supply", "gate_supply") for output in (1, 2)]
    return [
        world.power_at("output_meter", t),
        *(value for terminal in terminals for value in (terminal.voltage_v, terminal.current_a)),
        world.voltage_at("detector_voltmeter", t),
        world.voltage_at("reference_voltmeter", t),
        world.resistance_at("case_voltmeter", t),
        world.air_temperature(t),
    ]


def campaign(worker: Worker, ask: Callable[[Worker], object]) -> list[float]:
    """Bias up, drive, go to another temperature; `ask` is called at every moment between."""
    worker.bias_up()
    worker.world.chamber_changed(worker.t, setpoint_degc=70.0, ramp_k_per_min=3.0, running=True)
    for level in (-10.0, -3.0, 0.0, 3.0, 6.0):
        worker.drive(level, wait_s=0.0)
        for _ in range(40):
            worker.wait(10.0)
            ask(worker)
    return everything(worker)


def test_asking_often_changes_nothing(make_worker: Make) -> None:
    """A measurement that polls must find the same device as one that does not."""
    silent = campaign(make_worker(), lambda _: None)
    asked = campaign(make_worker(), everything)

    assert asked == silent


def test_the_order_of_asking_changes_nothing(make_worker: Make) -> None:
    one, other = make_worker(), make_worker()
    for worker in (one, other):
        worker.bias_up()
        worker.drive(3.0, wait_s=0.002)
    other.world.resistance_at("case_voltmeter", other.t)
    other.world.voltage_at("reference_voltmeter", other.t)

    assert everything(one) == everything(other)


def test_one_seed_and_unit_give_one_story_and_others_give_others(make_worker: Make) -> None:
    def story(seed: int, unit: str) -> list[float]:
        return campaign(make_worker(seed=seed, unit=unit), lambda _: None)

    first = story(1, "L07-W1-01")

    assert story(1, "L07-W1-01") == first
    assert story(2, "L07-W1-01") != first
    assert story(1, "L07-W1-02") != first


def test_time_does_not_go_back(worker: Worker) -> None:
    worker.bias_up()

    with pytest.raises(ValueError, match="cannot go back"):
        worker.world.air_temperature(worker.t - 1.0)
    with pytest.raises(ValueError, match="cannot go back"):
        worker.world.air_temperature(math.nan)


def test_a_bench_without_a_device_file_is_refused(bench: Bench) -> None:
    file = bench.file.model_copy(update={"twin": None})
    plain = Bench(file, bench.path, bench.text, bench.paths, bench.table_files, bench.document)

    with pytest.raises(FileError, match="device file"):
        World(plain, VirtualClock(), seed=1, unit="L07-W1-01", ledger=Ledger())


def test_the_meter_reads_the_device_through_the_true_path(worker: Worker) -> None:
    """Some +27 dBm at the device is some +6 dBm at the meter."""
    worker.bias_up()
    worker.drive(4.0)
    point = worker.world.truth.operating("A", worker.t)
    loss = worker.world.ports.paths["output_a"].loss_db(F0_HZ)

    assert point.input_dbm == pytest.approx(4.0, abs=1e-6)
    assert worker.world.power_at("output_meter", worker.t) == pytest.approx(point.response.output_dbm - loss, abs=0.02)
    assert 5.0 < worker.world.power_at("output_meter", worker.t) < 7.0
    carrier = worker.world.spectrum_at("output_meter", worker.t)[0]
    assert carrier == (F0_HZ, pytest.approx(point.response.output_dbm - loss))


def test_measuring_before_the_source_has_settled_is_visibly_wrong(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(-5.0)
    worker.drive(-15.0, wait_s=0.001)
    early = worker.world.power_at("output_meter", worker.t)
    worker.wait(0.005)
    settled = worker.world.power_at("output_meter", worker.t)
    worker.wait(1.0)

    assert early > settled + 1.0
    assert settled == pytest.approx(worker.world.power_at("output_meter", worker.t), abs=0.02)


def test_nothing_reaches_a_channel_that_is_not_switched_through(worker: Worker) -> None:
    worker.bias_up("A")
    worker.bias_up("B")
    worker.drive(0.0, channel="B")
    world, t = worker.world, worker.t

    assert world.truth.operating("A", t).input_dbm == -math.inf
    assert world.truth.operating("B", t).input_dbm == pytest.approx(0.0)
    worker.rf(-40.0, on=False)
    worker.route("")
    assert world.power_at("output_meter", worker.t) == -math.inf
    assert world.voltage_at("detector_voltmeter", worker.t) == 0.0


def test_case_sensor_and_open_inputs(worker: Worker) -> None:
    world = worker.world

    assert pt100_temperature_degc(world.resistance_at("case_voltmeter", 0.0)) == pytest.approx(23.0)
    assert world.resistance_at("detector_voltmeter", 0.0) == math.inf
    assert world.voltage_at("case_voltmeter", 0.0) == 0.0


def test_the_case_lags_the_air_by_minutes_and_self_heating_warms_it(worker: Worker) -> None:
    """Who waits for the air only measures a device that is not there yet."""
    worker.bias_up()
    worker.world.chamber_changed(worker.t, setpoint_degc=70.0, ramp_k_per_min=3.0, running=True)
    worker.wait(47 / 3 * 60 + 60)
    air, case = worker.world.air_temperature(worker.t), worker.world.truth.case_degc(worker.t)
    worker.wait(3600)

    assert abs(air - 70.0) < 1.0
    assert 5.0 < air - case < 15.0
    assert worker.world.truth.case_degc(worker.t) == pytest.approx(70.0 + 1.2 * 1.33, abs=0.3)
    channel_degc = worker.world.truth.operating("A", worker.t).channel_degc
    assert 13.0 < channel_degc - worker.world.truth.case_degc(worker.t) < 19.0


@pytest.mark.parametrize("when", ["after biasing", "after RF went off", "after a ramp nobody watched"])
def test_channel_temperature_follows_what_the_device_really_dissipates(worker: Worker, when: str) -> None:
    """Dissipation moves with temperature and temperature with dissipation; the world has to come back to it by itself."""
    worker.bias_up()
    gate_v = worker.trim()
    if when == "after biasing":
        worker.gate(-2.5)
        worker.gate(gate_v, wait_s=0.2)
    elif when == "after RF went off":
        worker.drive(4.0)
        worker.rf(-40.0, on=False, wait_s=0.05)
    else:
        worker.world.chamber_changed(worker.t, setpoint_degc=70.0, ramp_k_per_min=3.0, running=True)
        worker.wait(3600.0)
    point = worker.world.truth.operating("A", worker.t)
    rise_k = point.channel_degc - worker.world.truth.case_degc(worker.t)

    assert rise_k == pytest.approx(12 * point.response.dissipation_w, abs=0.1)  # of some 16 K


def test_the_moving_set_point_ends_exactly_where_it_should(worker: Worker) -> None:
    """Whatever the numbers: an end missed in the last digit would carry the air on for seconds."""
    world = worker.world
    for setpoint in (-30.1, 69.7, 23.3, 41.9, -7.77, 55.55, 25.0):
        world.chamber_changed(worker.t, setpoint_degc=setpoint, ramp_k_per_min=2.9, running=True)
        exact = deepcopy(world.air)
        worker.wait(exact.arrives_at + 30.0 - worker.t)
        exact.advance(exact.arrives_at)
        world.air_temperature(worker.t)

        assert world.air.arrives_at == math.inf
        assert world.air.air_degc(worker.t) == pytest.approx(exact.air_degc(worker.t), abs=1e-6)
        worker.wait(1000.0)


def test_regulation_ripple_is_a_tenth_of_a_kelvin(worker: Worker) -> None:
    worker.world.chamber_changed(0.0, setpoint_degc=23.0, ramp_k_per_min=3.0, running=True)
    readings = [worker.world.air_temperature(float(t)) for t in range(300)]

    assert max(readings) - min(readings) == pytest.approx(0.2, abs=0.01)


def test_detector_difference_does_not_see_what_both_diodes_share(worker: Worker) -> None:
    """The reference diode exists so that temperature drops out of the difference."""
    worker.bias_up()
    world = worker.world

    def voltages() -> tuple[float, float]:
        return world.voltage_at("detector_voltmeter", worker.t), world.voltage_at("reference_voltmeter", worker.t)

    room = voltages()
    world.chamber_changed(worker.t, setpoint_degc=70.0, ramp_k_per_min=3.0, running=True)
    worker.wait(2 * 3600)
    hot = voltages()

    assert room[0] == room[1]
    assert hot[0] == hot[1]
    assert hot[1] - room[1] == pytest.approx(-0.0013 * 47, rel=0.05)


def test_altering_a_port_takes_effect_at_its_time(worker: Worker) -> None:
    """Faults act this way: one object, one place, one moment."""
    worker.bias_up()
    worker.drive(-10.0)
    world = worker.world
    before = world.power_at("output_meter", worker.t)
    worker.wait(1.0)

    def loosen() -> None:
        world.ports.paths["output_a"].extra_db += 3.0

    world.alter(worker.t, loosen)
    assert world.power_at("output_meter", worker.t) == pytest.approx(before - 3.0, abs=0.01)


def test_an_output_stuck_on_stays_on_whatever_it_is_told(worker: Worker) -> None:
    worker.bias_up()
    port = worker.world.ports.supplies["drain_supply", 1]
    worker.world.alter(worker.t, lambda: setattr(port, "is_stuck_on", True))
    worker.drain(6.0, on=False)
    terminal = worker.world.supply_terminal("drain_supply", 1, worker.t)

    assert terminal.voltage_v == pytest.approx(6.0)
    assert terminal.mode == "constant voltage"


def test_every_number_is_finite_when_nothing_is_on(worker: Worker) -> None:
    values = np.array(everything(worker))

    assert values[0] == -math.inf
    assert np.isfinite(values[1:]).all()
