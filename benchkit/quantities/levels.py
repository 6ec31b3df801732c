"""
Power, voltage and level: dBm and watts, decibels and ratios.

A float in gives a float out without touching numpy (the engine calls these once a point); an array gives an array.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, overload

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = Sequence[float] | NDArray[Any]

__all__ = ["db_from_ratio", "dbm_from_volts_rms", "dbm_from_watts", "ratio_from_db", "watts_from_dbm"]

# dBm is defined against one milliwatt: 0 dBm = 1 mW.
_DBM_OF_ONE_WATT = 30.0


@overload
def db_from_ratio(ratio: float) -> float: ...
@overload
def db_from_ratio(ratio: Numbers) -> NDArray[np.float64]: ...
def db_from_ratio(ratio: float | Numbers) -> float | NDArray[np.float64]:
    """
    Ten times the common logarithm of a power ratio, of the same shape. [dB]

    Args:
        ratio: Power ratio, any shape; must be above zero. [1]

    Raises:
        ValueError: A ratio is zero, negative or NaN: it has no level.
    """
    return _ten_log(ratio, 0.0, "ratio", "")


@overload
def ratio_from_db(level_db: float) -> float: ...
@overload
def ratio_from_db(level_db: Numbers) -> NDArray[np.float64]: ...
def ratio_from_db(level_db: float | Numbers) -> float | NDArray[np.float64]:
    """
    Power ratio of a level difference, of the same shape. [1]

    Args:
        level_db: Any shape. [dB]
    """
    return _power_of_ten(level_db, 0.0)


@overload
def dbm_from_watts(power_w: float) -> float: ...
@overload
def dbm_from_watts(power_w: Numbers) -> NDArray[np.float64]: ...
def dbm_from_watts(power_w: float | Numbers) -> float | NDArray[np.float64]:
    """
    Convert power to level, of the same shape. [dBm]

    Args:
        power_w: Power, any shape; must be above zero. [W]

    Raises:
        ValueError: A power is zero, negative or NaN: it has no level.
    """
    return _ten_log(power_w, _DBM_OF_ONE_WATT, "power", " W")


@overload
def watts_from_dbm(level_dbm: float) -> float: ...
@overload
def watts_from_dbm(level_dbm: Numbers) -> NDArray[np.float64]: ...
def watts_from_dbm(level_dbm: float | Numbers) -> float | NDArray[np.float64]:
    """
    Convert level to power, of the same shape. [W]

    Args:
        level_dbm: Any shape; minus infinity is no power. [dBm]
    """
    return _power_of_ten(level_dbm, _DBM_OF_ONE_WATT)


@overload
def dbm_from_volts_rms(voltage_v: float, impedance_ohm: float = 50.0) -> float: ...
@overload
def dbm_from_volts_rms(voltage_v: Numbers, impedance_ohm: float = 50.0) -> NDArray[np.float64]: ...
def dbm_from_volts_rms(voltage_v: float | Numbers, impedance_ohm: float = 50.0) -> float | NDArray[np.float64]:
    """
    Level of an rms voltage across a resistance, of the same shape: P = V^2 / R. [dBm]

    Args:
        voltage_v: Any shape; must be above zero. [V rms]
        impedance_ohm: Must be above zero. [ohm]

    Raises:
        ValueError: A voltage or the impedance is zero, negative or NaN.
    """
    if not 0 < impedance_ohm < math.inf:
        raise ValueError(f"impedance {impedance_ohm} ohm is not above zero and finite")
    if isinstance(voltage_v, (int, float)):
        if not voltage_v > 0:
            raise ValueError(f"voltage {voltage_v} V rms is not above zero: it has no level in dBm")
        # 20 log V - 10 log R rather than 10 log (V V / R): nothing overflows.
        return 20.0 * math.log10(voltage_v) - 10.0 * math.log10(impedance_ohm) + _DBM_OF_ONE_WATT
    import numpy as np

    voltages = _above_zero(np.asarray(voltage_v, dtype=np.float64), "voltage", " V rms")
    return dbm_from_watts(voltages**2 / impedance_ohm)


def _ten_log(value: float | Numbers, offset_db: float, what: str, unit: str) -> float | NDArray[np.float64]:
    if isinstance(value, (int, float)):
        if not value > 0:
            raise ValueError(f"{what} {value}{unit} is not above zero: it has no level in decibels")
        return 10.0 * math.log10(value) + offset_db
    import numpy as np

    result = 10.0 * np.log10(_above_zero(np.asarray(value, dtype=np.float64), what, unit)) + offset_db
    return result if result.ndim else float(result)


def _power_of_ten(level_db: float | Numbers, offset_db: float) -> float | NDArray[np.float64]:
    if isinstance(level_db, (int, float)):
        return float(10.0 ** ((level_db - offset_db) / 10.0))
    import numpy as np

    result = np.power(10.0, (np.asarray(level_db, dtype=np.float64) - offset_db) / 10.0)
    return result if result.ndim else float(result)


def _above_zero(values: NDArray[np.float64], what: str, unit: str) -> NDArray[np.float64]:
    import numpy as np

    wrong = ~(values > 0)  # catches NaN too
    if wrong.any():
        first = np.atleast_1d(values)[np.atleast_1d(wrong)][0]
        raise ValueError(
            f"{int(wrong.sum())} of {values.size} values of {what} are not above zero, the first {first}{unit}: "
            "they have no level in decibels"
        )
    return values
