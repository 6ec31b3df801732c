"""A small bench and a small sequence that are right, for tests to put mistakes into."""

from __future__ import annotations

BENCH = """\
bench: sample bench
link: {library: py}

instruments:
  source:
    role: source
    driver: scpi-source
    address: TCPIP0::192.0.2.11::5025::SOCKET
    calibrated: 2025-11-03
    level_min: -60 dBm
    level_max: 20 dBm
    level_accuracy: 0.5 dB
    frequency_min: 100 MHz
    frequency_max: 20 GHz
    settling_time: 5 ms
  meter:
    role: power meter
    driver: scpi-power-meter
    address: TCPIP0::192.0.2.12::5025::SOCKET
    input_max: 23 dBm
    range_min: -60 dBm
    range_max: 20 dBm
    accuracy: 0.15 dB
    frequency_min: 50 MHz
    frequency_max: 18 GHz
    reading_time: 20 ms
  supply:
    role: supply
    driver: scpi-supply
    address: TCPIP0::192.0.2.13::5025::SOCKET
    reading_time: 25 ms
    settling_time: 10 ms
    channels:
      1:
        voltage_max: 10 V
        current_max: 1 A
        voltage_accuracy: {of_reading: 0.05 %, floor: 5 mV}
        current_accuracy: {of_reading: 0.1 %, floor: 1 mA}
      2:
        voltage_min: -5 V
        voltage_max: 500 mV
        current_max: 100 mA
        voltage_accuracy: {of_reading: 0.05 %, floor: 2 mV}
        current_accuracy: {of_reading: 0.1 %, floor: 1 uA}
  case:
    role: voltmeter
    driver: scpi-voltmeter
    address: TCPIP0::192.0.2.14::5025::SOCKET
    voltage_max: 10 V
    voltage_accuracy: {floor: 20 uV}
    resistance_accuracy: {of_reading: 0.01 %, floor: 4 mohm}
    reading_time: 20 ms
  chamber:
    role: chamber
    driver: scpi-chamber
    address: TCPIP0::192.0.2.15::5025::SOCKET
    temperature_min: -60 degC
    temperature_max: 130 degC
    ramp: 3 K/min
    accuracy: 0.5 K
    reading_time: 20 ms

paths:
  input:
    loss: {table: paths/input.csv}
    power_max: 30 dBm
  output:
    loss: 20.4 dB
    uncertainty: 0.15 dB
    frequency_min: 10 GHz
    frequency_max: 18 GHz
    power_max: 33 dBm

wiring:
  channels:
    A:
      input: {source: source, path: input}
      output: {power_meter: meter, path: output}
      drain: {supply: supply, channel: 1}
      gate: {supply: supply, channel: 2}
  chamber: chamber
  case_sensor: {voltmeter: case}
"""

INPUT_TABLE = b"""\
# Cable and attenuator, measured at 23 degC
frequency_hz,loss_db,uncertainty_db
13.5e9,11.20,0.10
14.0e9,11.30,0.11
14.6e9,11.45,0.12
"""

TABLES = {"paths/input.csv": INPUT_TABLE}

SEQUENCE = """\
sequence: sample sequence
device:
  part: KD14
  technology: depletion
  channels: [A, B]
limits:
  drain_voltage_max: 6.5 V
  drain_current_max: 480 mA
  gate_voltage_min: -3 V
  gate_voltage_max: 0 V
  gate_current_max: 5 mA
  input_power_max: 12 dBm
  output_power_max: 31 dBm
  temperature_min: -40 degC
  temperature_max: 85 degC
  gain_max: 29 dB
  saturated_power_max: 30.5 dBm
bias:
  pinch_off: -2.5 V
  pinch_off_current_max: 2 mA
  quiescent_current: 220 mA
  tolerance: 2 mA
  gate_from: -1.6 V
  gate_to: -0.3 V
  drain_current_limit: 440 mA
conditions:
  temperature:
    values: [25 degC, -30 degC]
    soak: {tolerance: 1 K, in_tolerance_for: 10 min, at_most: 60 min}
    idle: 25 degC
  channels: [A]
  supply_voltage: 6 V
measurements:
  - kind: quiescent
    readings: 3
  - kind: compression
    name: power sweep
    frequency: {from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}
    drive: {from: -12 dBm, to: 9 dBm, step: 1 dB}
expectations:
  - {parameter: p1db, min: 26 dBm}
  - {parameter: quiescent_current, max: 230 mA, temperature: 25 degC}
"""
