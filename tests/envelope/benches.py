"""A small bench and sequence whose every number is an argument, so that tests can draw or choose them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchkit.bench.load import Bench, load_bench_text
from benchkit.sequence.load import Sequence, load_sequence_text

__all__ = ["Numbers", "loaded"]

FREQUENCIES_GHZ = (13.0, 13.5, 14.0, 14.5)


@dataclass(frozen=True)
class Numbers:
    """Units as the names say. The defaults are accepted with room to spare at every plane."""

    top_dbm: float = 5.0
    source_accuracy_db: float = 0.4
    source_overshoot_db: float = 0.3
    input_loss_db: tuple[float, ...] = (3.0, 3.5, 3.2, 4.0)
    input_u_db: tuple[float, ...] = (0.1, 0.2, 0.1, 0.3)
    input_saturation_dbm: float | None = None
    output_loss_db: tuple[float, ...] = (20.0, 20.5, 21.0, 20.8)
    output_u_db: tuple[float, ...] = (0.2, 0.1, 0.2, 0.1)
    output_saturation_dbm: float | None = None
    gain_max_db: float = 25.0
    saturation_dbm: float = 30.0
    input_power_max_dbm: float = 8.0
    output_power_max_dbm: float = 32.0
    input_path_max_dbm: float = 20.0
    output_path_max_dbm: float = 33.0
    meter_max_dbm: float = 20.0
    supply_v: float = 6.0
    supply_floor_v: float = 0.01
    supply_of_reading_percent: float = 0.05
    drain_voltage_max_v: float = 6.5
    current_limit_a: float = 0.4
    current_floor_a: float = 0.001
    current_of_reading_percent: float = 0.1
    drain_current_max_a: float = 0.45
    dissipation_max_w: float = 3.0
    pinch_off_v: float = -2.5
    gate_to_v: float = -0.3
    gate_floor_v: float = 0.002
    gate_voltage_min_v: float = -3.0
    gate_voltage_max_v: float = 0.0
    set_degc: float = 70.0
    chamber_accuracy_k: float = 0.5
    chamber_overshoot_k: float = 1.0
    case_rise_k: float = 4.0
    temperature_max_degc: float = 85.0
    temperature_min_degc: float = -40.0
    frequency: str = "{from: 13 GHz, to: 14.5 GHz, step: 125 MHz}"
    analyser: str = ""

    def but(self, **changes: object) -> Numbers:
        return replace(self, **changes)  # type: ignore[arg-type]  # names and types as above


def _table(losses_db: tuple[float, ...], uncertainties_db: tuple[float, ...]) -> bytes:
    rows = zip(FREQUENCIES_GHZ, losses_db, uncertainties_db, strict=True)
    lines = [f"{ghz * 1e9:.0f},{loss!r},{uncertainty!r}" for ghz, loss, uncertainty in rows]
    return "\n".join(["frequency_hz,loss_db,uncertainty_db", *lines, ""]).encode()


def _path(table: str, power_max_dbm: float, saturation_dbm: float | None) -> str:
    saturation = "" if saturation_dbm is None else f", saturated_power_max: {saturation_dbm!r} dBm"
    return f"{{loss: {{table: {table}}}, power_max: {power_max_dbm!r} dBm{saturation}}}"


def loaded(n: Numbers) -> tuple[Sequence, Bench]:
    """Both files, read as any others; FileError where they are wrong in themselves."""
    extra = ", analyser: analyser, analyser_path: tap" if n.analyser else ""
    tap = "\n  tap: {loss: 10 dB, uncertainty: 0.5 dB, power_max: 33 dBm}" if n.analyser else ""
    bench = f"""\
bench: numbers
instruments:
  source:
    role: source
    driver: scpi-source
    address: TCPIP0::192.0.2.1::5025::SOCKET
    level_min: -60 dBm
    level_max: 25 dBm
    level_accuracy: {n.source_accuracy_db!r} dB
    level_overshoot: {n.source_overshoot_db!r} dB
    frequency_min: 1 GHz
    frequency_max: 20 GHz
    settling_time: 1 ms
  meter:
    role: power meter
    driver: scpi-power-meter
    address: TCPIP0::192.0.2.2::5025::SOCKET
    input_max: {n.meter_max_dbm!r} dBm
    range_min: -60 dBm
    range_max: {n.meter_max_dbm!r} dBm
    accuracy: 0.1 dB
    frequency_min: 1 GHz
    frequency_max: 20 GHz
    reading_time: 1 ms
  supply:
    role: supply
    driver: scpi-supply
    address: TCPIP0::192.0.2.3::5025::SOCKET
    reading_time: 1 ms
    settling_time: 1 ms
    channels:
      1:
        voltage_max: 20 V
        current_max: 2 A
        over_voltage_min: 1 V
        over_voltage_max: 30 V
        voltage_accuracy: {{of_reading: {n.supply_of_reading_percent!r} %, floor: {n.supply_floor_v!r} V}}
        current_accuracy: {{of_reading: {n.current_of_reading_percent!r} %, floor: {n.current_floor_a!r} A}}
      2:
        voltage_min: -5 V
        voltage_max: {n.gate_voltage_max_v!r} V
        current_max: 100 mA
        over_voltage_min: 0.5 V
        over_voltage_max: 6 V
        voltage_accuracy: {{floor: {n.gate_floor_v!r} V}}
        current_accuracy: {{floor: 1 uA}}
  chamber:
    role: chamber
    driver: scpi-chamber
    address: TCPIP0::192.0.2.4::5025::SOCKET
    temperature_min: -80 degC
    temperature_max: 180 degC
    ramp: 3 K/min
    accuracy: {n.chamber_accuracy_k!r} K
    overshoot: {n.chamber_overshoot_k!r} K
    case_rise: {n.case_rise_k!r} K
    reading_time: 1 ms
{n.analyser}
paths:
  input: {_path("in.csv", n.input_path_max_dbm, n.input_saturation_dbm)}
  output: {_path("out.csv", n.output_path_max_dbm, n.output_saturation_dbm)}{tap}
wiring:
  chamber: chamber
  channels:
    A:
      input: {{source: source, path: input}}
      output: {{power_meter: meter, path: output{extra}}}
      drain: {{supply: supply, channel: 1}}
      gate: {{supply: supply, channel: 2}}
"""
    sequence = f"""\
sequence: numbers
device: {{part: KD14, technology: depletion, channels: [A]}}
limits:
  drain_voltage_max: {n.drain_voltage_max_v!r} V
  drain_current_max: {n.drain_current_max_a!r} A
  gate_voltage_min: {n.gate_voltage_min_v!r} V
  gate_voltage_max: {n.gate_voltage_max_v!r} V
  gate_current_max: 5 mA
  input_power_max: {n.input_power_max_dbm!r} dBm
  output_power_max: {n.output_power_max_dbm!r} dBm
  dissipation_max: {n.dissipation_max_w!r} W
  temperature_min: {n.temperature_min_degc!r} degC
  temperature_max: {n.temperature_max_degc!r} degC
  temperature_ramp_max: 3 K/min
  gain_max: {n.gain_max_db!r} dB
  saturated_power_max: {n.saturation_dbm!r} dBm
bias:
  pinch_off: {n.pinch_off_v!r} V
  pinch_off_current_max: 1 mA
  quiescent_current: 100 mA
  tolerance: 2 mA
  gate_from: -1.6 V
  gate_to: {n.gate_to_v!r} V
  drain_current_limit: {n.current_limit_a!r} A
conditions:
  temperature:
    values: [20 degC, {n.set_degc!r} degC]
    soak: {{tolerance: 0.2 K, in_tolerance_for: 1 min, at_most: 60 min}}
    idle: 25 degC
  supply_voltage: {n.supply_v!r} V
measurements:
  - kind: compression
    frequency: {n.frequency}
    drive: {{from: -20 dBm, to: {n.top_dbm!r} dBm, points: 5}}
"""
    tables = {"in.csv": _table(n.input_loss_db, n.input_u_db), "out.csv": _table(n.output_loss_db, n.output_u_db)}
    return load_sequence_text(sequence, "s.yaml"), load_bench_text(bench, "b.yaml", tables)
