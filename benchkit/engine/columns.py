"""The streams of a record and their columns, as the engine fills them."""

from __future__ import annotations

from benchkit.measurements.base import Column
from benchkit.plan.plan import Plan
from benchkit.record import StreamSpec

__all__ = ["streams"]

TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"

_WHERE = (
    Column("channel", "", "channel of the device", "S8"),
    Column("temperature_set_degc", "degC", "chamber set point"),
    Column("supply_voltage_set_v", "V", "drain supply set point", plane="drain supply"),
)

POINTS = (
    Column("point", "1", "serial number of the point", "i8"),
    Column("measurement", "1", "position of the measurement in the sequence, from 0", "i8"),
    Column("ladder", "1", "serial number of the drive ladder in the plan, from 0", "i8"),
    Column("step", "1", "step of the ladder, from 0", "i8"),
    Column("attempt", "1", "how often this ladder was begun, from 1", "i8"),
    Column("tripped", "1", "1: this reading ended the run, by a limit or because it can't be trusted (see events)", "i8"),
    Column("time_s", TIME_UNITS, "when the instruments were armed"),
    *_WHERE,
    Column("frequency_hz", "Hz", "carrier frequency"),
    Column("drive_set_dbm", "dBm", "level asked for", plane="device input"),
    Column("source_level_dbm", "dBm", "level set at the source (raw)", plane="source connector"),
    Column("output_meter_dbm", "dBm", "power meter reading (raw)", plane="power meter connector"),
    # Of one drain and one gate: raw. Of several stages, whose raw readings are in the stream `pins`: the currents' sum, the
    # voltage that makes voltage x current the DC power, the last gate's voltage, the gate current furthest from zero.
    Column("drain_voltage_v", "V", "drain voltage (raw)", plane="drain supply"),
    Column("drain_current_a", "A", "drain current (raw)", plane="drain supply"),
    Column("gate_voltage_v", "V", "gate voltage (raw)", plane="gate supply"),
    Column("gate_current_a", "A", "gate current (raw)", plane="gate supply"),
    Column("detector_v", "V", "detector diode (raw)", plane="detector pin"),
    Column("reference_v", "V", "reference diode (raw)", plane="reference pin"),
    Column("case_ohm", "ohm", "case sensor (raw)"),
    Column("case_degc", "degC", "case temperature, by IEC 60751 from case_ohm"),
    Column("chamber_degc", "degC", "chamber air, last reading"),
    Column("input_loss_db", "dB", "input path's loss used", plane="source connector to device input"),
    Column("output_loss_db", "dB", "output path's loss used", plane="device output to power meter connector"),
    Column("input_dbm", "dBm", "input power, corrected", plane="device input"),
    Column("output_dbm", "dBm", "output power, corrected; NaN outside the meter's range", plane="device output"),
    Column("gain_db", "dB", "output_dbm - input_dbm", plane="device input to device output"),
    Column("drain_efficiency_percent", "%", "RF output over DC power", plane="device output"),
    Column("pae_percent", "%", "RF output less RF input over DC power", plane="device output"),
    Column("u_input_db", "dB", "standard uncertainty of input_dbm"),
    Column("u_output_db", "dB", "standard uncertainty of output_dbm"),
    Column("u_drain_voltage_v", "V", "standard uncertainty of drain_voltage_v"),
    Column("u_drain_current_a", "A", "standard uncertainty of drain_current_a"),
    Column("u_gate_voltage_v", "V", "standard uncertainty of gate_voltage_v"),
    Column("u_detector_v", "V", "standard uncertainty of detector_v - reference_v"),
    # What u_input_db and u_output_db are made of, and what counts in differences along a ladder. NaN: not stated.
    Column("u_source_db", "dB", "standard uncertainty: level accuracy of the source"),
    Column("u_input_path_db", "dB", "standard uncertainty: loss of the input path"),
    Column("u_input_mismatch_db", "dB", "standard uncertainty: mismatch at the device's input"),
    Column("u_meter_db", "dB", "standard uncertainty: accuracy of the power meter"),
    Column("u_output_path_db", "dB", "standard uncertainty: loss of the output path"),
    Column("u_output_mismatch_db", "dB", "standard uncertainty: mismatch at the device's output"),
    Column("u_meter_zero_db", "dB", "standard uncertainty: zero of the power meter, at this level"),
    Column("u_meter_resolution_db", "dB", "standard uncertainty: resolution of the power meter"),
    Column("u_meter_noise_db", "dB", "standard deviation of one reading of the power meter, as stated"),
    Column("u_meter_linearity_db", "dB", "standard uncertainty of a difference of two levels: power meter"),
    Column("u_source_linearity_db", "dB", "standard uncertainty of a difference of two levels: source, its resolution included"),
)

LADDERS = (
    Column("ladder", "1", "serial number of the drive ladder in the plan, from 0", "i8"),
    Column("measurement", "1", "position of the measurement in the sequence, from 0", "i8"),
    *_WHERE,
    Column("frequency_hz", "Hz", "carrier frequency"),
    Column("start_s", TIME_UNITS, "first point"),
    Column("end_s", TIME_UNITS, "end of the last point"),
    Column("points", "1", "points measured", "i8"),
    Column("attempt", "1", "how often this ladder was begun, from 1", "i8"),
    Column("status", "", "complete, stopped (early, on purpose), torn (unfinished), failed, skipped or dropped", "S16"),
    Column("stop_reason", "", "why it ended early", "S96"),
)

EVENTS = (
    Column("time_s", TIME_UNITS, "when"),
    Column("severity", "", "info, warning or error", "S8"),
    Column("kind", "", "what kind of event", "S32"),
    Column("text", "", "what happened", "S240"),
)

CHAMBER = (
    Column("time_s", TIME_UNITS, "when"),
    Column("set_degc", "degC", "chamber set point"),
    Column("air_degc", "degC", "chamber air"),
    Column("case_degc", "degC", "device case; NaN without a sensor"),
)

BIAS = (
    Column("time_s", TIME_UNITS, "when"),
    *_WHERE,
    Column("state", "", "bias state when this was read", "S12"),
    Column("gate_voltage_v", "V", "gate voltage", plane="gate pin"),
    Column("drain_voltage_v", "V", "drain voltage", plane="drain supply"),
    Column("drain_current_a", "A", "drain current", plane="drain pin"),
    Column("gate_current_a", "A", "gate current", plane="gate pin"),
    Column("steps", "1", "readings the search for the quiescent current took", "i8"),
)

PINS = (
    Column("point", "1", "serial number of the point", "i8"),
    Column("pin", "", "drain or gate, and which stage of the channel", "S24"),
    Column("voltage_v", "V", "voltage (raw)", plane="supply"),
    Column("current_a", "A", "current (raw)", plane="supply"),
)


BLOCK_WHERE = (
    Column("measurement", "1", "position of the measurement in the sequence, from 0", "i8"),
    Column("ladder", "1", "serial number of the ladder in the plan, from 0; -1: before the first condition", "i8"),
    Column("attempt", "1", "how often this ladder was begun, from 1", "i8"),
    *_WHERE,
)
"""What the engine adds to every row of a kind's own stream."""


def _of_blocks(plan: Plan) -> tuple[StreamSpec, ...]:
    """Kinds' own streams, each once, with room for what all the blocks that share it will store."""
    columns: dict[str, tuple[Column, ...]] = {}
    rows: dict[str, int] = {}
    for _, block in plan.asked():
        for stream in block.streams:
            columns.setdefault(stream.name, BLOCK_WHERE + stream.columns)
            rows[stream.name] = rows.get(stream.name, 0) + plan.count_of(block) * block.stream_rows(stream.name)
    return tuple(StreamSpec(name, columns[name], rows[name]) for name in columns)


def streams(plan: Plan, duration_s: float) -> tuple[StreamSpec, ...]:
    """
    Every stream of a record for `plan`.

    Args:
        duration_s: Estimated length of the run; sizes the chamber log. [s]
    """
    extra = {column.name: column for block in plan.measurements for column in block.columns}
    return (
        StreamSpec("points", POINTS + tuple(extra.values()), plan.point_count),
        StreamSpec("ladders", LADDERS, plan.ladder_count),
        StreamSpec("events", EVENTS, 200 + 8 * plan.condition_count),
        StreamSpec("chamber", CHAMBER, 200 + int(duration_s / 5.0)),
        StreamSpec("bias", BIAS, 4 + 3 * plan.condition_count),
        # Only channels with several drains or gates write here.
        StreamSpec("pins", PINS, 0),
        *_of_blocks(plan),
    )
