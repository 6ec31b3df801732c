"""Temperatures: exact however often they are asked for, and the ones a differential equation solver finds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.chamber import DAMPING, NATURAL_RAD_PER_S, ChamberAir
from sim_instruments.physics.thermal import CaseThermal, ChannelThermal


def _advance(air: ChamberAir, case: CaseThermal, t: float, power_w: float) -> None:
    while air.arrives_at <= t:
        stop = air.arrives_at
        air.advance(stop)
        case.begin(stop, air.course, power_w)
    air.advance(t)
    case.begin(t, air.course, power_w)


@pytest.mark.parametrize("steps", [2, 7, 1000])
@pytest.mark.parametrize("setpoint", [-30.0, 70.0])
def test_one_long_step_equals_many_short_ones(device_file: DeviceFile, steps: int, setpoint: float) -> None:
    """A chamber polled every second must not reach another temperature than one left alone."""

    def run(count: int) -> tuple[float, float]:
        air, case = ChamberAir(0.0, 23.0), CaseThermal(0.0, device_file.thermal)
        air.change(0.0, setpoint, 3.0, True)
        case.begin(0.0, air.course, 1.3)
        for t in np.linspace(0, 3000.0, count + 1)[1:]:
            _advance(air, case, float(t), 1.3)
        return air.air_degc(3000.0), case.at(3000.0)

    assert run(steps) == pytest.approx(run(1), abs=1e-6)


def test_the_closed_forms_solve_their_differential_equations(device_file: DeviceFile) -> None:
    """Compared with scipy's Runge-Kutta: another road to the same numbers."""
    thermal = device_file.thermal
    air, case = ChamberAir(0.0, 23.0), CaseThermal(0.0, thermal)
    air.change(0.0, 70.0, 3.0, True)
    case.begin(0.0, air.course, 2.0)

    def slope(t: float, y: np.ndarray) -> list[float]:
        reference = min(23.0 + 3.0 / 60.0 * t, 70.0)
        w = NATURAL_RAD_PER_S
        pull = w * w * (reference - y[0]) - 2 * DAMPING * w * y[1]
        return [y[1], pull, (y[0] + thermal.case_k_per_w * 2.0 - y[2]) / thermal.case_time_constant_s]

    times = [100.0, 500.0, 940.0, 1000.0, 1500.0, 4000.0]
    solved = solve_ivp(slope, (0, 4000.0), [23.0, 0.0, 23.0], t_eval=times, rtol=1e-10, atol=1e-10, max_step=5.0)
    for index, t in enumerate(times):
        _advance(air, case, t, 2.0)
        assert air.air_degc(t) == pytest.approx(solved.y[0][index], abs=1e-4)
        assert case.at(t) == pytest.approx(solved.y[2][index], abs=1e-4)


def test_the_air_overshoots_a_little_and_then_stays() -> None:
    air = ChamberAir(0.0, 23.0)
    air.change(0.0, 70.0, 3.0, True)
    arrives = air.arrives_at
    air.advance(arrives)
    courses = [air.air_degc(arrives + s) for s in range(600)]

    assert arrives == pytest.approx(47 / 3 * 60)
    assert 0.2 < max(courses) - 70.0 < 1.0
    assert abs(courses[-1] - 70.0) < 0.01


def test_a_set_point_changed_on_the_way_is_followed_without_a_jump() -> None:
    air = ChamberAir(0.0, 23.0)
    air.change(0.0, 70.0, 3.0, True)
    before = air.air_degc(300.0)
    air.change(300.0, -30.0, 3.0, True)

    assert air.air_degc(300.0) == pytest.approx(before)
    assert air.air_degc(301.0) > before  # it still moves the way it moved
    assert air.air_degc(600.0) < before


def test_a_chamber_switched_off_drifts_to_the_room() -> None:
    air = ChamberAir(0.0, 23.0)
    air.change(0.0, 70.0, 3.0, True)
    air.advance(air.arrives_at)
    air.advance(2000.0)
    air.change(2000.0, 70.0, 3.0, False)

    assert air.air_degc(2000.0) == pytest.approx(70.0, abs=0.1)
    assert air.air_degc(2000.0 + 2400.0) == pytest.approx(23.0 + 47.0 / math.e, abs=0.1)
    assert air.ripple_k(2500.0) == 0.0


def test_a_channel_stands_above_the_case_by_resistance_times_power(device_file: DeviceFile) -> None:
    channel = ChannelThermal(0.0, device_file.thermal)
    channel.begin(0.0, 1.5)

    assert channel.rise_k(0.0) == 0.0
    assert channel.rise_k(1.0) == pytest.approx(1.5 * device_file.thermal.channel_k_per_w)


def test_air_and_case_of_one_time_constant_do_not_blow_up(device_file: DeviceFile) -> None:
    """A device file may say what it likes; 2400 s is the switched-off chamber's own time constant."""
    thermal = device_file.thermal.model_copy(update={"case_time_constant_s": 2400.0})
    air, case = ChamberAir(0.0, 23.0), CaseThermal(0.0, thermal)
    air.change(0.0, 70.0, 3.0, True)
    case.begin(0.0, air.course, 0.0)
    _advance(air, case, 3000.0, 0.0)
    start = case.at(3000.0)
    air.change(3000.0, 70.0, 3.0, False)
    case.begin(3000.0, air.course, 0.0)
    expected = 23.0 + (start - 23.0 + (air.air_degc(3000.0) - 23.0)) / math.e

    assert case.at(5400.0) == pytest.approx(expected, abs=0.01)


def test_a_chamber_switched_on_again_starts_from_the_air_it_has() -> None:
    """Not from the set point it stood at before: that would be a jump."""
    air = ChamberAir(0.0, 23.0)
    air.change(0.0, 70.0, 3.0, True)
    air.advance(air.arrives_at)
    air.change(1500.0, 70.0, 3.0, False)
    drifted = air.air_degc(6000.0)
    air.change(6000.0, 70.0, 3.0, True)

    assert drifted < 45.0
    assert air.arrives_at == pytest.approx(6000.0 + (70.0 - drifted) / 3.0 * 60.0)
