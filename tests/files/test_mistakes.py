"""Mistakes in bench and sequence files: each with its line, its key, what was expected, and all of them at once."""

from __future__ import annotations

from typing import Any, Literal

import pytest
from pydantic import Field

from benchkit.bench import load_bench_text
from benchkit.errors import FileError, Mistake
from benchkit.files.types import FileModel, FileName, Hertz, Seconds
from benchkit.files.validate import validate
from benchkit.files.yaml import load_yaml_text
from benchkit.sequence import load_sequence_text
from tests.files.samples import BENCH, SEQUENCE, TABLES


def bench_mistakes(old: str, new: str, tables: dict[str, bytes] | None = None) -> tuple[Mistake, ...]:
    assert old in BENCH
    with pytest.raises(FileError) as caught:
        load_bench_text(BENCH.replace(old, new, 1), "bench.yaml", TABLES if tables is None else tables)
    return caught.value.mistakes


def sequence_mistakes(old: str, new: str) -> tuple[Mistake, ...]:
    assert old in SEQUENCE
    with pytest.raises(FileError) as caught:
        load_sequence_text(SEQUENCE.replace(old, new, 1), "sequence.yaml")
    return caught.value.mistakes


def line_of(text: str, old: str) -> int:
    """Line of the first thing that `old` says, leaving blank lines before it aside."""
    start = text.index(old)
    start += len(old) - len(old.lstrip("\n"))
    return text.count("\n", 0, start) + 1


# What stands in the sample, what is written instead, the key of the one mistake, and what it says.
BENCH_CASES = [
    ("level_min: -60 dBm", "level_min: -60", "instruments.source.level_min", "-60 has no unit; expected a level such as"),
    ("level_min: -60 dBm", "level_min: -60 V", "instruments.source.level_min", "'-60 V' is a voltage; expected a level"),
    ("level_min: -60 dBm", "levl_min: -60 dBm", "instruments.source.levl_min", "unknown key; did you mean level_min?"),
    ("level_min: -60 dBm", "level_min_dbm: -60 dBm", "instruments.source.level_min_dbm", "did you mean level_min?"),
    ("level_min: -60 dBm", "level_min: 25 dBm", "instruments.source.level_max", "20 dBm is not above level_min, 25 dBm"),
    ("level_min: -60 dBm", "level_min: nan dBm", "instruments.source.level_min", "is not a finite number"),
    ("settling_time: 5 ms", "settling_time: -5 ms", "instruments.source.settling_time", "'-5 ms' is below 0 s"),
    ("    settling_time: 5 ms\n", "", "instruments.source.settling_time", "missing; expected a time such as 3 min"),
    ("role: source", "role: sorce", "instruments.source.role", "unknown role 'sorce'; did you mean source?"),
    ("role: source", "role: 5", "instruments.source.role", "expected one of source, power meter, analyser"),
    ("    role: source\n", "", "instruments.source.role", "missing; expected one of source, power meter, analyser"),
    ("calibrated: 2025-11-03", "calibrated: 3.11.2025", "instruments.source.calibrated", "a date such as 2026-01-31"),
    ("    settling_time: 5 ms", "    settling_time: 5 ms\n    without_level_limit: no",
     "instruments.source.without_level_limit", "is the text 'no'; expected true or false"),
    ("bench: sample bench", "bench: 3", "bench", "is the number 3; expected a text; write it in quotes"),
    ("link: {library: py}", "link: py", "link", "is the text 'py'; expected a mapping with the keys library"),
    ("      1:\n", "      one:\n", "instruments.supply.channels.one", "'one' is no whole number"),
    ("      1:\n", "      '01':\n", "instruments.supply.channels.01", "'01' is no whole number"),
    ("0.05 %, floor: 5 mV", "0.05, floor: 5 mV", "instruments.supply.channels.1.voltage_accuracy.of_reading", "no unit"),
    ("{table: paths/input.csv}", "{tabel: paths/input.csv}", "paths.input.loss.tabel", "did you mean table?"),
    ("{table: paths/input.csv}", "{touchstone: a.s2p, parameter: S11}", "paths.input.loss.parameter", "Known: S21, S12"),
    ("{table: paths/input.csv}", "11", "paths.input.loss", "11 has no unit; expected a level difference"),
    ("{table: paths/input.csv}", "[1 dB]", "paths.input.loss", "is a list; expected a level difference"),
    ("paths/input.csv", "/paths/input.csv", "paths.input.loss.table", "is not relative"),
    ("paths/input.csv", "C:/input.csv", "paths.input.loss.table", "is not relative"),
    ("paths/input.csv", "paths\\input.csv", "paths.input.loss.table", "write / between folders"),
    ("paths/input.csv", "paths/inputs.csv", "paths.input.loss", "is not among the tables kept with bench.yaml"),
    ("    uncertainty: 0.15 dB\n", "", "paths.output", "a fixed loss states its uncertainty; expected uncertainty: 0.2 dB"),
    ("frequency_min: 10 GHz\n    frequency_max: 18 GHz\n    power", "frequency_min: 19 GHz\n    frequency_max: 18 GHz\n    power",
     "paths.output.frequency_max", "is not above frequency_min"),
    ("{table: paths/input.csv}", "{table: paths/input.csv}\n    uncertainty: 1 dB", "paths.input.uncertainty", "leave one"),
    ("{table: paths/input.csv}", "{table: paths/input.csv}\n    frequency_min: 1 GHz", "paths.input.frequency_min", "fixed"),
    ("{source: source,", "{source: sourse,", "wiring.channels.A.input.source", "unknown instrument 'sourse'; did you mean"),
    ("{source: source,", "{source: meter,", "wiring.channels.A.input.source", "has the role power meter; expected"),
    ("path: input}", "path: inptu}", "wiring.channels.A.input.path", "unknown path 'inptu'; did you mean input?"),
    ("drain: {supply: supply, channel: 1}", "drain: {supply: supply, channel: 3}", "wiring.channels.A.drain.channel",
     "supply has no output 3; it has 1, 2"),
    ("drain: {supply: supply, channel: 1}", "drain: {supply: supply, channel: 2}", "wiring.channels.A.gate",
     "output 2 of supply feeds the drain"),
    ("{power_meter: meter,", "{power_meter: meter, analyser_path: output,", "wiring.channels.A.output", "no analyser"),
    ("192.0.2.12", "192.0.2.11", "instruments.meter.address", "instrument source has this address too"),
    ("TCPIP0::192.0.2.12::5025::SOCKET", "meter", "instruments.meter.address", "is no VISA resource name"),
    ("    resistance_accuracy: {of_reading: 0.01 %, floor: 4 mohm}\n", "", "wiring.case_sensor.voltmeter",
     "case states no resistance_accuracy"),
    ("  chamber: chamber\n", "  chamber: case\n", "wiring.chamber", "has the role voltmeter; expected an instrument with"),
    ("temperature_max: 130 degC", "temperature_max: -70 degC", "instruments.chamber.temperature_max", "is not above"),
    ("voltage_max: 500 mV", "voltage_max: -6 V", "instruments.supply.channels.2.voltage_max", "-6 V is not above"),
]  # fmt: skip

SEQUENCE_CASES = [
    ("kind: quiescent", "kind: quiesent", "measurements[0].kind", "unknown kind 'quiesent'; did you mean quiescent?"),
    ("  - kind: quiescent\n    readings: 3", "  - readings: 3", "measurements[0].kind", "missing; expected one of"),
    ("readings: 3", "reading: 3", "measurements[0].reading", "unknown key; did you mean readings?"),
    ("readings: 3", "readings: 0", "measurements[0].readings", "0 is below 1"),
    ("readings: 3", "readings: 3.5", "measurements[0].readings", "expected a whole number"),
    ("readings: 3", "readings: true", "measurements[0].readings", "is true; expected a whole number"),
    ("step: 1 dB", "step: 1", "measurements[1].drive.step", "1 has no unit; expected a level difference such as 1.5 dB"),
    ("step: 125 MHz", "step: -125 MHz", "measurements[1].frequency", "is not above zero"),
    ("technology: depletion", "technology: deplation", "device.technology", "unknown value 'deplation'; did you mean"),
    ("part: KD14", "part: 14", "device.part", "is the number 14; expected a text; write it in quotes"),
    ("part: KD14", "part: ''", "device.part", "is empty"),
    ("channels: [A, B]", "channels: []", "device.channels", "has 0 entries; expected at least 1"),
    ("channels: [A, B]", "channels: A", "device.channels", "is the text 'A'; expected a list"),
    ("channels: [A, B]", "channels: [A, A]", "device.channels[1]", "channel A is there twice"),
    ("channels: [A]", "channels: [C]", "conditions.channels[0]", "unknown channel 'C'"),
    ("channels: [A]", "channels: []", "conditions.channels", "is an empty list"),
    ("pinch_off: -2.5 V", "pinch_off: -3.5 V", "bias.pinch_off", "-3.5 V is outside limits.gate_voltage_min"),
    ("pinch_off: -2.5 V", "pinch_off: -1.5 V", "bias.pinch_off", "-1.5 V is not below gate_from, -1.6 V"),
    ("gate_to: -0.3 V", "gate_to: -1.7 V", "bias.gate_to", "-1.7 V is not above gate_from, -1.6 V"),
    ("gate_to: -0.3 V", "gate_to: 0.3 V", "bias.gate_to", "300 mV is outside limits.gate_voltage_min"),
    ("quiescent_current: 220 mA", "quiescent_current: 450 mA", "bias.quiescent_current", "is not below bias.drain_current"),
    ("drain_current_limit: 440 mA", "drain_current_limit: 490 mA", "bias.drain_current_limit", "is above limits.drain_"),
    ("tolerance: 2 mA", "tolerance: 0 A", "bias.tolerance", "'0 A' is not above 0 A"),
    ("supply_voltage: 6 V", "supply_voltage: [6 V, 7 V]", "conditions.supply_voltage", "7 V is above limits.drain_voltage"),
    ("supply_voltage: 6 V", "supply_voltage: 0 V", "conditions.supply_voltage", "is not above 0 V"),
    ("idle: 25 degC", "idle: 95 degC", "conditions.temperature.idle", "95 degC is outside limits.temperature_min"),
    ("[25 degC, -30 degC]", "[25 degC, -50 degC]", "conditions.temperature.values", "-50 degC is outside"),
    ("in_tolerance_for: 10 min", "in_tolerance_for: 2 h", "conditions.temperature.soak.in_tolerance_for", "no soak could"),
    ("gate_voltage_max: 0 V", "gate_voltage_max: -4 V", "limits.gate_voltage_max", "-4 V is not above gate_voltage_min"),
    ("temperature_max: 85 degC", "temperature_max: -45 degC", "limits.temperature_max", "is not above temperature_min"),
    ("{parameter: p1db,", "{parameter: p1dB_,", "expectations[0].parameter", "unknown parameter 'p1dB_'; did you mean p1db?"),
    ("min: 26 dBm", "min: 26", "expectations[0].min", "has no unit"),
    ("min: 26 dBm", "min: 26 dB", "expectations[0].min", "is a level difference; expected a level"),
    (", min: 26 dBm", "", "expectations[0]", "expects nothing; give it min or max"),
    ("min: 26 dBm", "min: 26 dBm, max: 25 dBm", "expectations[0].max", "25 dBm is below min, 26 dBm"),
    ("max: 230 mA, temperature: 25 degC", "max: 230 mA, temperature: 35 degC", "expectations[1].temperature",
     "35 degC is not among conditions.temperature.values"),
    ("min: 26 dBm", "min: 26 dBm, frequency: 15 GHz", "expectations[0].frequency", "15 GHz is measured by none"),
    ("name: power sweep", "name: quiescent", "measurements[1]", "is called 'quiescent' like measurements[0]"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "says"), BENCH_CASES)
def test_a_mistake_in_a_bench_file_is_told_once_where_it_stands(old: str, new: str, key: str, says: str) -> None:
    """The message is all an author has at six in the evening."""
    mistakes = bench_mistakes(old, new)

    found = [mistake for mistake in mistakes if mistake.key == key]
    assert len(found) == 1, mistakes
    assert says in found[0].message
    assert found[0].file == "bench.yaml"
    assert found[0].line is not None
    if key not in ("wiring.channels.A.gate", "wiring.case_sensor.voltmeter"):
        assert len(mistakes) <= 2


@pytest.mark.parametrize(("old", "new", "key", "says"), SEQUENCE_CASES)
def test_a_mistake_in_a_sequence_file_is_told_once_where_it_stands(old: str, new: str, key: str, says: str) -> None:
    """The branch of the kind that was meant, never a word about the other kinds."""
    mistakes = sequence_mistakes(old, new)

    found = [mistake for mistake in mistakes if mistake.key == key]
    assert len(found) == 1, mistakes
    assert says in found[0].message
    others = [mistake for mistake in mistakes if mistake.key.startswith("measurements[0]") and mistake.key != key]
    assert not others


@pytest.mark.parametrize(("old", "new"), [(case[0], case[1]) for case in BENCH_CASES if "\n" not in case[0] + case[1]])
def test_the_line_is_that_of_the_key(old: str, new: str) -> None:
    """Every mistake's line holds its last key, or the mapping that misses it."""
    text = BENCH.replace(old, new, 1)

    for mistake in bench_mistakes(old, new):
        line = text.splitlines()[(mistake.line or 0) - 1]
        last = mistake.key.replace("]", "").replace("[", ".").split(".")[-1]
        assert last in line or mistake.message.startswith("missing"), mistake


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    """Ten mistakes are one round of mending."""
    text = (
        BENCH.replace("level_min: -60 dBm", "level_min: -60")
        .replace("accuracy: 0.15 dB", "accuracy: 0.15 dBm")
        .replace("reading_time: 25 ms", "readingtime: 25 ms")
        .replace("ramp: 3 K/min", "ramp: 0 K/min")
        .replace("loss: 20.4 dB", "loss: [20.4 dB]")
        .replace("channel: 2}", "channel: two}")
    )

    with pytest.raises(FileError) as caught:
        load_bench_text(text, "bench.yaml", TABLES)

    assert [mistake.key for mistake in caught.value.mistakes] == [
        "instruments.source.level_min",
        "instruments.meter.accuracy",
        "instruments.supply.readingtime",
        "instruments.chamber.ramp",
        "paths.output.loss",
        "wiring.channels.A.gate.channel",
    ]
    lines = [mistake.line or 0 for mistake in caught.value.mistakes]
    assert lines == sorted(lines)
    assert str(caught.value).startswith("6 mistakes\n  bench.yaml:10: instruments.source.level_min: -60 has no unit")


def test_mistakes_of_a_table_stand_beside_those_of_the_bench_file() -> None:
    """Wiring and tables are looked at together; a table's mistake names the table and its line."""
    table = b"frequency_hz,loss_db,uncertainty_db\n13.5e9,11,0.1\n13.4e9,x,0.1\n"

    mistakes = bench_mistakes("{source: source,", "{source: sourse,", {"paths/input.csv": table})

    assert [(m.file, m.line, m.key) for m in mistakes] == [
        ("bench.yaml", line_of(BENCH, "      input: {source"), "wiring.channels.A.input.source"),
        ("paths/input.csv", 3, "loss_db"),
        ("paths/input.csv", 3, "frequency_hz"),
    ]


class Inner(FileModel):
    kind: Literal["inner"] = "inner"
    time_s: Seconds = Field(alias="time", default=1.0, gt=0.5, le=10)


class Other(FileModel):
    words: tuple[str, ...]
    number: float | int | str | bool = 1


class Outer(FileModel):
    either: Inner | Other | Hertz | None = None
    pair: tuple[int, str] | None = None
    by_name: dict[str, Inner] = Field(default_factory=dict)
    scalar: dict[str, float | int | str | bool] = Field(default_factory=dict)
    name: FileName | None = None


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        ("either: {time: 20 s}", "either.time", "'20 s' is above 10 s"),
        ("either: {time: 500 ms}", "either.time", "'500 ms' is not above 500 ms"),
        ("either: {words: [1]}", "either.words[0]", "is the number 1; expected a text"),
        ("either: {words: x}", "either.words", "is the text 'x'; expected a list"),
        ("either: 5 V", "either", "'5 V' is a voltage; expected a frequency"),
        ("pair: [1, 2]", "pair[1]", "is the number 2; expected a text"),
        ("pair: {a: b}", "pair", "is a mapping; expected a list"),
        ("by_name: {x: {tme: 1 s}}", "by_name.x.tme", "did you mean time?"),
        ("by_name: {'a.b c': 5}", "by_name.'a.b c'", "is the number 5; expected a mapping with the keys kind, time"),
        ("scalar: {x: [1]}", "scalar.x", "is a list; expected a number or a whole number or a text or true or false"),
        ("scalar: {x: }", "scalar.x", "is empty"),
        ("name: ''", "name", "is no file name"),
        ("name: 5", "name", "is the number 5; expected a text such as paths/input.csv"),
        ("unheard_of: 1", "unheard_of", "unknown key; expected one of either, pair, by_name, scalar, name"),
    ],
)
def test_unions_and_containers_are_told_by_the_branch_that_was_meant(text: str, key: str, says: str) -> None:
    """Whatever a new kind builds its block from, its author gets these messages for nothing."""
    with pytest.raises(FileError) as caught:
        validate(load_yaml_text("\n" + text, "n.yaml"), Outer)

    (mistake,) = caught.value.mistakes
    assert (mistake.key, mistake.line) == (key, 2)
    assert says in mistake.message


def test_a_file_has_only_its_own_keys() -> None:
    """The attribute's name with its unit is for Python; in a file it would be a second spelling."""
    assert Inner(time_s=2.0) == Inner(time="2 s")  # type: ignore[call-arg,arg-type]
    with pytest.raises(FileError, match="did you mean time"):
        validate(load_yaml_text("by_name: {x: {time_s: 2 s}}", "n.yaml"), Outer)


def test_right_files_are_read_as_they_were_meant() -> None:
    """Units to base units, references resolved, nothing converted in silence."""
    bench = load_bench_text(BENCH, "bench.yaml", TABLES)
    sequence = load_sequence_text(SEQUENCE, "sequence.yaml")

    source: Any = bench.file.instruments["source"]
    assert (source.level_min_dbm, source.frequency_max_hz, source.settling_time_s) == (-60.0, 20e9, 0.005)
    supply: Any = bench.file.instruments["supply"]
    assert supply.channels[2].voltage_max_v == 0.5
    assert bench.paths["input"].loss_db(14.0e9) == 11.3
    assert bench.paths["output"].loss_db(14.0e9) == 20.4
    assert sequence.file.measurements[1].frequency_span_hz() == (13.75e9, 14.5e9)
    assert sequence.file.measurements[1].drive_span_dbm() == (-12.0, 9.0)
    assert bench.mistake("instruments.chamber.ramp", "x").line == line_of(BENCH, "    ramp:")
    assert sequence.mistake("measurements[1].drive.step", "x").line == line_of(SEQUENCE, "    drive:")


NETWORK = """\
  network:
    role: network analyser
    driver: scpi-network-analyser
    address: TCPIP0::192.0.2.17::5025::SOCKET
    level_min: -45 dBm
    level_max: 5 dBm
    level_accuracy: 0.5 dB
    input_max: 27 dBm
    frequency_min: 10 MHz
    frequency_max: 9 GHz
    reading_time: 1 ms
    if_bandwidth: 1 kHz
    points_max: 1001
  second:
    role: source
    driver: scpi-source
    address: TCPIP0::192.0.2.18::5025::SOCKET
    level_min: -60 dBm
    level_max: 20 dBm
    level_accuracy: 0.5 dB
    frequency_min: 100 MHz
    frequency_max: 20 GHz
    settling_time: 5 ms

paths:
"""
# What is written in the wiring of channel A, and the keys of the mistakes with what they say.
WIRING_CASES = [
    ("network: {analyser: meter, input_path: input, output_path: output}", "network.analyser", "has the role power meter"),
    ("network: {analyser: netwrk, input_path: input, output_path: output}", "network.analyser", "did you mean network?"),
    ("network: {analyser: network, input_path: inptu, output_path: output}", "network.input_path", "did you mean input?"),
    ("network: {analyser: network, input_path: input, output_path: input}", "network.output_path", "the output needs another"),
    ("network: {analyser: network, input_path: input, output_path: output}", "network.output_path", "no frequency in common"),
    (
        "network: {analyser: network, input_path: input, output_path: input, position: {switch: meter, close: [1]}}",
        "network.position.switch",
        "has the role power meter; expected an instrument with the role switch",
    ),
]


@pytest.mark.parametrize(("wiring", "key", "said"), WIRING_CASES)
def test_a_network_analyser_is_wired_to_what_is_there(wiring: str, key: str, said: str) -> None:
    gate = "      gate: {supply: supply, channel: 2}\n"
    text = BENCH.replace("paths:\n", NETWORK, 1).replace(gate, f"{gate}      {wiring}\n")
    with pytest.raises(FileError) as caught:
        load_bench_text(text, "bench.yaml", TABLES)

    found = [mistake for mistake in caught.value.mistakes if mistake.key == f"wiring.channels.A.{key}"]
    assert said in found[0].message


@pytest.mark.parametrize(
    ("wired", "key", "said"),
    [
        ("second_source: second", "input", "no second_path"),
        ("second_path: input", "input", "no second_source"),
        ("second_source: source, second_path: input", "input.second_source", "two tones need two sources"),
        ("second_source: meter, second_path: input", "input.second_source", "has the role power meter"),
        ("second_source: second, second_path: inputt", "input.second_path", "did you mean input?"),
    ],
)
def test_a_second_source_is_another_one_with_a_path_of_its_own(wired: str, key: str, said: str) -> None:
    text = BENCH.replace("paths:\n", NETWORK, 1).replace("path: input}", f"path: input, {wired}}}")
    with pytest.raises(FileError) as caught:
        load_bench_text(text, "bench.yaml", TABLES)

    (mistake,) = caught.value.mistakes
    assert mistake.key == f"wiring.channels.A.{key}"
    assert said in mistake.message
