"""
Drain efficiency and power-added efficiency.

eta = Pout / PDC and PAE = (Pout - Pin) / PDC = (1 - 1/G) eta (Pozar, Microwave Engineering, 4th ed., eq. 12.88, 12.89).
PDC is what the drain draws; the gate's supply is left out, as is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.quantities import watts_from_dbm
from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder, at_input, input_at_output

__all__ = [
    "EfficiencyPoint",
    "dc_power_w",
    "drain_efficiency_percent",
    "efficiency_at_input",
    "efficiency_at_output",
    "efficiency_in_back_off",
    "pae_percent",
]


@dataclass(frozen=True)
class EfficiencyPoint:
    """
    Efficiencies at one level of a ladder.

    Attributes:
        input_dbm, output_dbm: At the planes of the readings given. [dBm]
        drain_voltage_v, drain_current_a: Interpolated at the input level. [V], [A]
        dc_power_w: Their product. [W]
        drain_efficiency_percent, pae_percent: [%]
    """

    input_dbm: float
    output_dbm: float
    drain_voltage_v: float
    drain_current_a: float
    dc_power_w: float
    drain_efficiency_percent: float
    pae_percent: float


def dc_power_w(drain_voltage_v: ArrayLike, drain_current_a: ArrayLike) -> NDArray[np.float64]:
    """Power drawn from the drain supply at the drain pin, of the broadcast shape. [W]"""
    return np.asarray(np.multiply(drain_voltage_v, drain_current_a), dtype=np.float64)


def drain_efficiency_percent(output_dbm: ArrayLike, dc_power_w: ArrayLike) -> NDArray[np.float64]:
    """
    RF output over DC power, of the broadcast shape. [%]

    Args:
        output_dbm: At the device's output. [dBm]
        dc_power_w: Drain supply; NaN is returned where it is not above zero. [W]
    """
    return _percent(_watts(output_dbm), dc_power_w)


def pae_percent(input_dbm: ArrayLike, output_dbm: ArrayLike, dc_power_w: ArrayLike) -> NDArray[np.float64]:
    """
    RF output less RF input over DC power, of the broadcast shape; negative where the gain is below 0 dB. [%]

    Args:
        input_dbm: At the device's input. [dBm]
        output_dbm: At the device's output. [dBm]
        dc_power_w: Drain supply; NaN is returned where it is not above zero. [W]
    """
    return _percent(_watts(output_dbm) - _watts(input_dbm), dc_power_w)


def efficiency_at_input(
    input_dbm: ArrayLike, output_dbm: ArrayLike, drain_voltage_v: ArrayLike, drain_current_a: ArrayLike, at_dbm: float
) -> EfficiencyPoint | Absent:
    """
    Efficiencies at an input level inside the ladder, e.g. that of a compression point.

    Output, drain voltage and drain current are interpolated in the input level (`curve.at_input`) and the efficiencies
    computed from them: each of the three is smoother than their quotient.

    Args:
        input_dbm: Strictly ascending, shape (n,). [dBm]
        output_dbm: Shape (n,). [dBm]
        drain_voltage_v: Shape (n,). [V]
        drain_current_a: Shape (n,). [A]
        at_dbm: Input level. [dBm]

    Returns:
        The point; Absent outside the ladder, beside a missing reading, or when the DC power is not above zero.

    Raises:
        ValueError: Shapes differ.
    """
    x, out, volts, amps = as_ladder(input_dbm, output_dbm, drain_voltage_v, drain_current_a)
    output = at_input(x, out, at_dbm, name="output power")
    voltage = at_input(x, volts, at_dbm, name="drain voltage")
    current = at_input(x, amps, at_dbm, name="drain current")
    for value in (output, voltage, current):
        if isinstance(value, Absent):
            return value
    assert isinstance(output, float), "just checked"
    assert isinstance(voltage, float), "just checked"
    assert isinstance(current, float), "just checked"
    power = voltage * current
    if not power > 0:
        return Absent(f"DC power is {power:.4g} W at input {at_dbm:+.2f} dBm; an efficiency needs it above zero")
    return EfficiencyPoint(
        input_dbm=at_dbm,
        output_dbm=output,
        drain_voltage_v=voltage,
        drain_current_a=current,
        dc_power_w=power,
        drain_efficiency_percent=float(drain_efficiency_percent(output, power)),
        pae_percent=float(pae_percent(at_dbm, output, power)),
    )


def efficiency_at_output(
    input_dbm: ArrayLike, output_dbm: ArrayLike, drain_voltage_v: ArrayLike, drain_current_a: ArrayLike, at_dbm: float
) -> EfficiencyPoint | Absent:
    """
    Efficiencies at an output level on the rising branch of the ladder.

    Args:
        input_dbm: Strictly ascending, shape (n,). [dBm]
        output_dbm: Shape (n,). [dBm]
        drain_voltage_v: Shape (n,). [V]
        drain_current_a: Shape (n,). [A]
        at_dbm: Output level. [dBm]

    Returns:
        The point; Absent when the ladder does not reach down or up to it, and as for `efficiency_at_input`.

    Raises:
        ValueError: Shapes differ.
    """
    where = input_at_output(input_dbm, output_dbm, at_dbm)
    if isinstance(where, Absent):
        return where
    return efficiency_at_input(input_dbm, output_dbm, drain_voltage_v, drain_current_a, where)


def efficiency_in_back_off(
    input_dbm: ArrayLike,
    output_dbm: ArrayLike,
    drain_voltage_v: ArrayLike,
    drain_current_a: ArrayLike,
    *,
    from_dbm: float,
    back_off_db: float,
) -> EfficiencyPoint | Absent:
    """
    Efficiencies at an output back-off from a stated output, e.g. 6 dB below P1dB.

    Args:
        input_dbm: Strictly ascending, shape (n,). [dBm]
        output_dbm: Shape (n,). [dBm]
        drain_voltage_v: Shape (n,). [V]
        drain_current_a: Shape (n,). [A]
        from_dbm: Output that the back-off is counted from. [dBm]
        back_off_db: Not below zero. [dB]

    Returns:
        As `efficiency_at_output`.

    Raises:
        ValueError: Shapes differ, or a back-off below zero.
    """
    if not back_off_db >= 0:
        raise ValueError(f"back-off must be 0 dB or more, not {back_off_db} dB")
    point = efficiency_at_output(input_dbm, output_dbm, drain_voltage_v, drain_current_a, from_dbm - back_off_db)
    if isinstance(point, Absent):
        return Absent(f"{back_off_db:g} dB back-off from {from_dbm:+.2f} dBm: {point.reason}")
    return point


def _watts(level_dbm: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(watts_from_dbm(np.asarray(level_dbm, dtype=np.float64)))


def _percent(power_w: NDArray[np.float64], dc_power_w: ArrayLike) -> NDArray[np.float64]:
    power, dc = np.broadcast_arrays(power_w, np.asarray(dc_power_w, dtype=np.float64))
    result = np.full(power.shape, np.nan)
    np.divide(100.0 * power, dc, out=result, where=dc > 0)
    return result
