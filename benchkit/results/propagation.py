"""
Budgets of the results: gain, efficiencies and compression points.

What cancels in a compression point. Let the levels read be the true ones plus constant errors e_in and e_out of the
paths and meters. Then every gain of the ladder is wrong by e_out - e_in, the reference gain too: compression is a
difference of gains, and the crossing is found at the same true drive. The *level reported* keeps its own error: OP1dB
is wrong by e_out only, IP1dB by e_in only. What moves the crossing is what differs along the ladder: noise, and the
non-linearity of meter and source between the reference and the crossing. With g' = d(gain)/d(input) < 0 there, an
error e of the gain at the crossing and an error r of the reference gain move

    the input by  (r - e) / g'     and the output (= input + reference gain - compression) by  (r - e) / g' + r.

g' is a few tenths at 1 dB compression of a soft device: its input P1dB is worth several times its gain's noise.
"""

from __future__ import annotations

import math

from benchkit.quantities import watts_from_dbm
from benchkit.results.compression import CompressionPoint
from benchkit.results.efficiency import EfficiencyPoint
from benchkit.results.uncertainty import Budget, Contribution, relative_from_db

__all__ = [
    "drain_efficiency_budget",
    "gain_budget",
    "input_compression_budget",
    "output_compression_budget",
    "pae_budget",
]


def gain_budget(*, input_db: float, output_db: float, random_db: float = 0.0) -> Budget:
    """
    Gain = output - input: both levels' standard uncertainties count in full. Result in dB.

    Args:
        input_db: Standard uncertainty of the input level, constant errors included. [dB]
        output_db: Standard uncertainty of the output level, constant errors included. [dB]
        random_db: Scatter of one gain, or of the mean if the gain is a mean. [dB]
    """
    return Budget(
        (
            Contribution("input level", input_db, -1.0),
            Contribution("output level", output_db),
            Contribution("scatter of the gain", random_db),
        )
    )


def drain_efficiency_budget(point: EfficiencyPoint, *, output_db: float, voltage_v: float, current_a: float) -> Budget:
    """
    Drain efficiency; result in percentage points.

    Args:
        point: Where.
        output_db: Standard uncertainty of the output level. [dB]
        voltage_v: Standard uncertainty of the drain voltage. [V]
        current_a: Standard uncertainty of the drain current. [A]
    """
    eta = point.drain_efficiency_percent
    return Budget(
        (
            Contribution("output level", output_db, eta * relative_from_db(1.0)),
            Contribution("drain voltage", voltage_v, -eta / point.drain_voltage_v),
            Contribution("drain current", current_a, -eta / point.drain_current_a),
        )
    )


def pae_budget(point: EfficiencyPoint, *, input_db: float, output_db: float, voltage_v: float, current_a: float) -> Budget:
    """
    Power-added efficiency; result in percentage points.

    Args:
        point: Where.
        input_db: Standard uncertainty of the input level. [dB]
        output_db: Standard uncertainty of the output level. [dB]
        voltage_v: Standard uncertainty of the drain voltage. [V]
        current_a: Standard uncertainty of the drain current. [A]
    """
    driven = 100.0 * watts_from_dbm(point.input_dbm) / point.dc_power_w
    return Budget(
        (
            Contribution("output level", output_db, point.drain_efficiency_percent * relative_from_db(1.0)),
            Contribution("input level", input_db, -driven * relative_from_db(1.0)),
            Contribution("drain voltage", voltage_v, -point.pae_percent / point.drain_voltage_v),
            Contribution("drain current", current_a, -point.pae_percent / point.drain_current_a),
        )
    )


def output_compression_budget(
    point: CompressionPoint, *, output_db: float, scatter_db: float, linearity_db: float = 0.0
) -> Budget:
    """
    Output power at a compression point; result in dB. A constant error of the input level cancels.

    Args:
        point: Whose slope turns gain into level.
        output_db: Standard uncertainty of the output level: path, meter, all that is constant along the ladder. [dB]
        scatter_db: Standard deviation of one gain reading. [dB]
        linearity_db: Standard uncertainty of the gain *difference* between reference and crossing. [dB]
    """
    per_gain = _per_gain(point)
    return Budget(
        (
            Contribution("output level", output_db),
            Contribution("scatter at the crossing", scatter_db, -per_gain),
            Contribution("scatter of the reference gain", _reference_scatter(point, scatter_db), per_gain + 1.0),
            Contribution("linearity from reference to crossing", linearity_db, -per_gain),
        )
    )


def input_compression_budget(point: CompressionPoint, *, input_db: float, scatter_db: float, linearity_db: float = 0.0) -> Budget:
    """
    Input power at a compression point; result in dB. A constant error of the output level cancels.

    Args:
        point: Whose slope turns gain into level.
        input_db: Standard uncertainty of the input level: path, source, all that is constant along the ladder. [dB]
        scatter_db: Standard deviation of one gain reading. [dB]
        linearity_db: Standard uncertainty of the gain *difference* between reference and crossing. [dB]
    """
    per_gain = _per_gain(point)
    return Budget(
        (
            Contribution("input level", input_db),
            Contribution("scatter at the crossing", scatter_db, -per_gain),
            Contribution("scatter of the reference gain", _reference_scatter(point, scatter_db), per_gain),
            Contribution("linearity from reference to crossing", linearity_db, -per_gain),
        )
    )


def _per_gain(point: CompressionPoint) -> float:
    if not point.gain_slope_db_per_db < 0:
        raise ValueError(f"gain does not fall at the crossing (slope {point.gain_slope_db_per_db} dB/dB): no budget")
    return 1.0 / point.gain_slope_db_per_db


def _reference_scatter(point: CompressionPoint, scatter_db: float) -> float:
    return scatter_db / math.sqrt(point.reference_points) if point.reference == "lowest levels" else scatter_db
