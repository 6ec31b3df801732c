"""What each simulated instrument does with its terminals: limits, errors, noise, times, units."""

from __future__ import annotations

import math
import statistics

import pytest

from benchkit.errors import FileError
from sim_instruments.instruments.options import PowerMeterOptions, read_options

# ---------------------------------------------------------------------- source


def test_the_source_gives_what_was_set_within_its_stated_accuracy(make, world):
    """The level error is real: the same at one frequency, another at the next, never beyond the bench file's accuracy."""
    errors = []
    source = make("source", settings={"level_accuracy_db": 0.4})
    for frequency in range(10, 200):
        source.write(f"FREQ {frequency / 10} GHZ;POW -7.5")
        errors.append(world.source["level_dbm"] + 7.5)

    assert max(abs(error) for error in errors) <= 0.4
    assert max(errors) - min(errors) > 0.01


def test_levels_are_rounded_to_the_resolution_and_unit_follows_unit_power(make):
    """SCPI volume 2, 25: POWer without a suffix, and its answers, are in UNIT:POWer."""
    source = make("source", twin={"resolution": "0.05 dB"})
    source.write("POW -10.02")
    assert source.number("POW?") == pytest.approx(-10.0)

    source.write("UNIT:POW W;:POW 0.001")

    assert source.number("POW?") == pytest.approx(1e-3)
    source.write("POW 3 DBM")
    assert source.number("POW?") == pytest.approx(1e-3 * 10**0.3)
    source.write("UNIT:POW DBM;:POW 2 MW")
    assert source.number("POW?") == pytest.approx(3.0, abs=0.03), "MW is milliwatt: M means mega only before HZ and OHM"


def test_the_level_limit_is_a_wall(make, world):
    """A level above it is refused, and a limit under the present level too: neither changes anything."""
    source = make("source")
    source.write("POW -10;:POW:LIM -5 DBM;LIM:STAT ON;:OUTP ON")
    assert source.ask("POW:LIM?;LIM:STAT?") == "-5.00000000000E+00;1"

    source.write("POW 0")
    source.write("POW:LIM -20")

    assert source.errors() == [-222, -221]
    assert source.ask("POW?;:POW:LIM?") == "-1.00000000000E+01;-5.00000000000E+00"
    assert world.source["level_dbm"] == pytest.approx(-10, abs=0.4)


def test_a_source_without_a_level_limit_does_not_know_the_header(make):
    """`without_level_limit` in the bench file means what it says."""
    source = make("source", settings={"without_level_limit": True})

    source.write("POW:LIM -5")

    assert source.errors() == [-113]


def test_reset_switches_the_output_off_at_the_lowest_level(make, world):
    """*RST must never energise anything."""
    source = make("source")
    source.write("FREQ 14 GHZ;POW 5;:OUTP ON")
    source.write("*RST")

    assert world.source["on"] is False
    assert source.number("POW?") == source.number("POW? MIN")


# ---------------------------------------------------------------------- power meter


def test_a_reading_takes_its_time_and_is_fetched_when_it_is_done(make, world):
    """INITiate returns at once, FETCh? waits; averages multiply the time and divide the noise."""
    meter = make("power meter")
    world.level_dbm = 3.0
    meter.write("AVER:COUN 4;:INIT:IMM")
    meter.t = 0.1

    assert meter.number("FETC?") == pytest.approx(3.0, abs=0.15)
    assert meter.t == pytest.approx(0.16)
    assert meter.number("FETC?") == meter.number("FETC?"), "the same reading again: nothing was triggered"
    assert meter.t == pytest.approx(0.16)


def test_what_happens_after_the_start_is_not_in_the_reading(make, world):
    """A reading begun before the source has settled is visibly wrong, as it would be."""
    meter = make("power meter", twin={"noise": "0 dB"})
    world.level_dbm = 3.0
    meter.write("INIT")
    world.level_dbm = -7.0

    assert meter.number("FETC?") == pytest.approx(3.0, abs=0.15)
    assert meter.number("READ?") == pytest.approx(-7.0, abs=0.15)


def test_noise_is_that_of_the_options_and_shrinks_with_averages(make, world):
    """Standard deviation of 1000 readings, within 10 % (its own standard error is 2.2 %)."""
    meter = make("power meter", twin={"noise": "0.02 dB", "resolution": "0.0001 dB"})
    world.level_dbm = 0.0

    single = [meter.number("READ?") for _ in range(1000)]
    meter.write("AVER:COUN 16")
    averaged = [meter.number("READ?") for _ in range(1000)]

    assert statistics.stdev(single) == pytest.approx(0.02, rel=0.1)
    assert statistics.stdev(averaged) == pytest.approx(0.005, rel=0.1)
    assert abs(statistics.mean(single)) <= 0.1


def test_under_its_noise_floor_a_meter_wanders_and_often_has_no_level(make):
    """With no power half of the readings are below zero watt: 9.91E37, SCPI's not-a-number."""
    meter = make("power meter")
    meter.write("CAL:ZERO:AUTO ONCE")
    meter.t = 10.0

    readings = [meter.number("READ?") for _ in range(200)]

    levels = [reading for reading in readings if reading < 1e37]
    assert 20 < readings.count(9.91e37) < 180
    assert max(levels) < -60.0
    assert max(levels) - min(levels) > 10.0


def test_zeroing_takes_its_time_and_refuses_with_power_on(make, world):
    """A zero taken with RF on would make every later reading wrong: -340 instead."""
    meter = make("power meter", twin={"zeroing_time": "2 s"})
    meter.write("CAL:ZERO:AUTO ONCE")
    assert meter.ask("*OPC?") == "1"
    assert meter.t == pytest.approx(2.0)

    world.level_dbm = -20.0
    meter.write("CAL:ZERO:AUTO ONCE")

    assert meter.errors() == [-340]


def test_beyond_its_range_a_meter_reports_overload(make, world):
    """9.9E37, and QUEStionable bit 3 POWer."""
    meter = make("power meter")
    world.level_dbm = 21.0

    assert meter.number("READ?") == 9.9e37
    assert int(meter.ask("STAT:QUES:COND?")) == 8


def test_a_setting_that_a_reading_depends_on_makes_it_stale(make, world):
    """-230: a reading taken at another correction frequency must not pass for the one asked for."""
    meter = make("power meter")
    world.level_dbm = 0.0
    meter.write("INIT")
    meter.write("FREQ 12 GHZ")
    meter.write("FETC?")

    assert meter.errors() == [-230]


def test_starting_twice_is_ignored_and_abort_makes_it_possible(make, world):
    """-213 while a reading is under way."""
    meter = make("power meter")
    world.level_dbm = 0.0
    meter.write("INIT;INIT")
    assert meter.errors() == [-213]

    meter.write("ABOR;:INIT")

    assert meter.errors() == []


def test_a_bus_trigger_starts_a_reading(make, world):
    """TRIGger:SOURce BUS waits for *TRG; READ? would wait for ever: -214."""
    meter = make("power meter")
    world.level_dbm = -3.0
    meter.write("TRIG:SOUR BUS;:INIT")
    world.level_dbm = 1.0
    meter.write("*TRG")

    assert meter.number("FETC?") == pytest.approx(1.0, abs=0.15)
    meter.write("READ?")
    assert meter.errors() == [-214]


def test_watts_can_be_asked_for(make, world):
    """A meter left in watts by somebody answers in watts."""
    meter = make("power meter", twin={"noise": "0 dB"})
    world.level_dbm = 10.0
    meter.write("UNIT:POW W")

    assert meter.number("READ?") == pytest.approx(0.01, rel=0.03)


# ---------------------------------------------------------------------- analyser


def tune(analyser) -> None:
    analyser.write("FREQ:CENT 14 GHZ;SPAN 1 MHZ;:BAND 10 KHZ;:DISP:WIND:TRAC:Y:RLEV 10 DBM;:INP:ATT 20 DB")
    analyser.write("CALC:MARK1:X 14 GHZ")


def test_a_marker_reads_the_line_it_stands_on(make, world):
    """Within the stated accuracy, after the sweep; a line outside the window does not count."""
    analyser = make("analyser")
    world.lines = [(14e9, 3.0), (14.2e9, 20.0)]
    tune(analyser)

    assert analyser.number("INIT:IMM;*WAI;:CALC:MARK1:Y?") == pytest.approx(3.0, abs=0.55)
    assert analyser.t == pytest.approx(0.1)
    assert analyser.errors() == []


def test_a_marker_read_too_early_shows_the_sweep_before(make, world):
    """The trap that *WAI is for."""
    analyser = make("analyser")
    world.lines = [(14e9, 3.0)]
    tune(analyser)
    assert analyser.number("CALC:MARK1:Y?") == 9.91e37
    analyser.ask("INIT;*WAI;:CALC:MARK1:Y?")
    world.lines = [(14e9, -20.0)]

    assert analyser.number("INIT:IMM;:CALC:MARK1:Y?") == pytest.approx(3.0, abs=0.55)
    analyser.t += 0.2
    assert analyser.number("CALC:MARK1:Y?") == pytest.approx(-20.0, abs=0.55)


def test_the_resolution_filter_is_3_db_down_at_half_its_bandwidth(make, world):
    """Definition of the resolution bandwidth (common practice, no source): two points half a bandwidth apart."""
    analyser = make("analyser", twin={"noise": "0 dB", "resolution": "0.0001 dB"})
    world.lines = [(14e9, 0.0)]
    tune(analyser)
    analyser.write("CALC:MARK2:X 14.000005 GHZ")
    analyser.write("INIT;*WAI")

    analyser.t = 1.0
    top, side = (float(part) for part in analyser.ask("CALC:MARK1:Y?;:CALC:MARK2:Y?").split(";"))

    assert top - side == pytest.approx(10 * math.log10(2), abs=0.01)


def test_the_noise_floor_moves_with_bandwidth_and_attenuation(make):
    """10 dB per decade of bandwidth and 1 dB per dB of attenuation (thermal noise is white)."""
    analyser = make("analyser")

    def floor() -> float:
        analyser.t += 5.0
        analyser.write("INIT")
        analyser.t += 5.0
        return statistics.mean(float(part) for part in analyser.ask("TRAC? TRACE1").split(","))

    tune(analyser)
    analyser.write("INP:ATT 10;:BAND 1 KHZ")
    narrow = floor()
    analyser.write("BAND 10 KHZ;:INP:ATT 30")
    wide = floor()

    assert narrow == pytest.approx(-110.0, abs=0.3)
    assert wide - narrow == pytest.approx(30.0, abs=0.3)


def test_a_trace_comes_as_text_or_as_a_block_with_the_same_numbers(make, world):
    """IEEE 488.2, 8.7.9: `#`, digits, count, bytes; FORMat:BORDer NORMal sends the most significant byte first."""
    import struct

    analyser = make("analyser")
    world.lines = [(14e9, 3.0)]
    tune(analyser)
    analyser.write("SWE:POIN 101;:INIT")
    analyser.t = 1.0
    text = [float(part) for part in analyser.ask("TRAC:DATA? TRACE1").split(",")]

    analyser.write("FORM REAL,32")
    big = analyser.ask("TRAC? TRACE1").encode("latin-1")
    analyser.write("FORM:BORD SWAP")
    little = analyser.ask("TRAC? TRACE1").encode("latin-1")

    assert big[:5] == little[:5] == b"#3404"
    assert struct.unpack(">101f", big[5:]) == struct.unpack("<101f", little[5:])
    assert struct.unpack(">101f", big[5:]) == pytest.approx(text, abs=1e-4)


def test_too_much_at_the_mixer_is_questionable(make, world):
    """QUEStionable bit 3: attenuation forgotten."""
    analyser = make("analyser")
    world.lines = [(14e9, 8.0)]
    tune(analyser)
    analyser.write("INP:ATT 0;:INIT")
    analyser.t = 1.0
    assert int(analyser.ask("STAT:QUES:COND?")) == 8
    analyser.write("INP:ATT 20;:INIT")
    analyser.t = 2.0
    assert int(analyser.ask("STAT:QUES:COND?")) == 0


def test_the_marker_goes_to_the_peak(make, world):
    """Device-specific, but common."""
    analyser = make("analyser")
    world.lines = [(14.0002e9, -10.0)]
    tune(analyser)
    analyser.write("INIT;*WAI;:CALC:MARK1:MAX")
    analyser.t = 1.0

    assert analyser.number("CALC:MARK1:X?") == pytest.approx(14.0002e9, abs=1e3)


# ---------------------------------------------------------------------- supply


def test_outputs_are_addressed_by_channel_list_or_by_selection(make, world):
    """Both ways mean the same output, so that one driver's dialect serves either."""
    supply = make("supply")

    supply.write("VOLT 6,(@1);:VOLT -0.75,(@2);:OUTP ON,(@1,2)")
    supply.write("INST:NSEL 2;:CURR 0.05")
    supply.write("INST:SEL OUT1;:CURR 0.5")

    assert supply.errors() == []
    assert supply.ask("VOLT? (@1,2);:CURR? (@1:2)") == (
        "+6.00000000000E+00,-7.50000000000E-01;+5.00000000000E-01,+5.00000000000E-02"
    )
    assert supply.ask("INST:NSEL?;SEL?;CAT?") == '1;OUT1;"OUT1","OUT2"'
    assert supply.ask("OUTP? (@1,2);:OUTP?") == "1,1;1"
    assert world.terminals[1].voltage_v == pytest.approx(6.0, abs=0.0032)


def test_voltage_and_current_of_one_output_cost_one_acquisition(make):
    """Both are digitised together; the next output comes after. Two messages are two acquisitions."""
    supply = make("supply")
    supply.write("VOLT 6,(@1);:VOLT -1,(@2);:OUTP ON,(@1,2)")

    reply = supply.ask(":MEAS:VOLT? (@1);:MEAS:CURR? (@1);:MEAS:VOLT? (@2);:MEAS:CURR? (@2)")

    assert supply.t == pytest.approx(0.04)
    assert [float(part) for part in reply.split(";")] == pytest.approx([6.0, 0.12, -1.0, -0.02], abs=0.004)
    supply.ask("MEAS:VOLT? (@1);:MEAS:VOLT? (@1)")
    assert supply.t == pytest.approx(0.08), "the same quantity twice is two readings"
    supply.ask("FETC:CURR? (@1)")
    assert supply.t == pytest.approx(0.08)


def test_the_measured_values_are_off_by_no_more_than_stated(make, world):
    """Setting error and reading error are each within the bench file's accuracy; noise is switched off here."""
    supply = make("supply", twin={"voltage_noise": "0 V", "current_noise": "0 A"})
    supply.write("OUTP ON,(@1)")
    offsets = []
    for step in range(1, 40):
        supply.write(f"VOLT {step / 2},(@1)")
        true = world.terminals[1]
        assert true.voltage_v == pytest.approx(step / 2, abs=0.0002 * step / 2 + 0.0021)
        volts, amperes = (float(part) for part in supply.ask("MEAS:VOLT? (@1);:MEAS:CURR? (@1)").split(";"))
        assert volts == pytest.approx(true.voltage_v, abs=0.0002 * true.voltage_v + 0.0023)
        assert amperes == pytest.approx(true.current_a, abs=0.0005 * true.current_a + 0.000201)
        offsets.append(volts - true.voltage_v)
    assert any(offset != 0 for offset in offsets)


def test_a_voltage_beyond_the_protection_is_refused(make, world):
    """-221: protection is set first, then the voltage; the sign does not matter."""
    supply = make("supply")
    supply.write("VOLT:PROT 7,(@1);:VOLT:PROT 3,(@2)")
    supply.write("VOLT 8,(@1)")
    supply.write("VOLT -4,(@2)")

    assert supply.errors() == [-221, -221]
    assert supply.ask("VOLT? (@1,2)") == "+0.00000000000E+00,+0.00000000000E+00"
    assert world.protection == {1: (7.0, False), 2: (3.0, False)}
    supply.write("VOLT:PROT:STAT OFF,(@1);:VOLT 8,(@1)")
    assert supply.errors() == []
    assert world.protection[1] == (None, False)


def test_a_tripped_output_is_off_and_stays_off_until_it_is_cleared_and_switched_on(make, world):
    """OUTPut? tells what the output is, not what was last sent."""
    supply = make("supply")
    supply.write("VOLT 6,(@1);:CURR:PROT:STAT ON,(@1);:OUTP ON,(@1)")
    assert world.protection[1] == (24.0, True)
    world.terminals[1].tripped = "over current"

    assert supply.ask("OUTP? (@1);:CURR:PROT:TRIP? (@1);:VOLT:PROT:TRIP? (@1)") == "0;1;0"
    assert int(supply.ask("STAT:QUES:COND?")) == 2
    supply.write("OUTP ON,(@1)")
    assert supply.errors() == [-221]

    supply.write("OUTP:PROT:CLE (@1)")
    assert supply.ask("OUTP? (@1);:CURR:PROT:TRIP? (@1)") == "0;0"
    supply.write("OUTP ON,(@1)")
    assert supply.ask("OUTP? (@1)") == "1"


def test_protections_that_an_output_does_not_have_are_missing(make):
    """The bench file says which: no header at all when no output has it, -241 when another one has."""
    one = {"voltage_max_v": 5.0, "current_max_a": 1.0, "voltage_accuracy": {"floor_v": 0.01},
           "current_accuracy": {"floor_a": 0.001}}  # fmt: skip
    bare = make("supply", settings={"channels": {1: one | {"without_over_voltage": True, "without_over_current": True}}})
    bare.write("VOLT:PROT 4")
    bare.write("CURR:PROT:STAT ON")
    assert bare.errors() == [-113, -113]

    mixed = make("supply", settings={"channels": {1: one, 2: one | {"without_over_voltage": True}}})
    mixed.write("VOLT:PROT 4,(@2)")
    assert mixed.errors() == [-241]


def test_a_value_that_one_of_several_outputs_refuses_changes_none(make):
    """Half a command is worse than none."""
    supply = make("supply")
    supply.write("VOLT 1,(@1,2)")

    assert supply.errors() == [-222]
    assert supply.number("VOLT? (@1)") == 0.0


# ---------------------------------------------------------------------- voltmeter


def test_volts_and_four_wire_ohms(make, world):
    """FUNCtion by string, long or short; the reading within the stated accuracy."""
    meter = make("voltmeter")
    world.voltage_v, world.resistance_ohm = 0.1234567, 109.7347

    assert meter.number("READ?") == pytest.approx(0.1234567, abs=0.1234567 * 4e-5 + 60e-6)
    meter.write('FUNC "FRESistance"')
    assert meter.ask("FUNC?") == '"FRES"'
    assert meter.number("READ?") == pytest.approx(109.7347, abs=0.0149 + 0.003)
    assert meter.number("MEAS:RES?") > 109.85, "two wires: the leads are in it"
    assert meter.number("MEAS:VOLT:DC? 1,0.001") == pytest.approx(0.1234567, abs=1e-4)
    assert meter.errors() == []


def test_an_open_lead_and_too_much_voltage_read_as_overload(make, world):
    """9.9E37, with the sign of the voltage."""
    meter = make("voltmeter")
    world.voltage_v = -13.0
    assert meter.number("READ?") == -9.9e37
    assert meter.number("MEAS:FRES?") == 9.9e37
    world.voltage_v = 0.2
    assert meter.number("MEAS:VOLT? 0.1") == 9.9e37, "a range that was set is kept"


def test_power_line_cycles_and_samples_take_time(make):
    """Reading time goes with NPLCycles and SAMPle:COUNt."""
    meter = make("voltmeter")
    meter.write("VOLT:NPLC 10;:SAMP:COUN 3")

    assert len(meter.ask("READ?").split(",")) == 3
    assert meter.t == pytest.approx(0.6)


def test_a_meter_without_ohms_says_so(make):
    """No resistance accuracy in the bench file: -241, Hardware missing."""
    meter = make("voltmeter", settings={"resistance_accuracy": None})
    meter.write('FUNC "FRES"')
    meter.write("CONF:FRES")

    assert meter.errors() == [-241, -241]
    assert meter.ask("FUNC?") == '"VOLT"'


# ---------------------------------------------------------------------- chamber


def test_the_chamber_is_told_what_was_set_and_measures_the_air(make, world):
    """Set point, rate and running go to the world; the reading is within the stated accuracy."""
    chamber = make("chamber")
    chamber.write("TEMP:SPO -30;:TEMP:RATE 2.5;:OUTP ON")
    world.air_degc = -12.3

    assert world.chamber == {"setpoint_degc": -30.0, "ramp_k_per_min": 2.5, "running": True}
    assert chamber.number("MEAS:TEMP?") == pytest.approx(-12.3, abs=0.6)
    assert chamber.t == pytest.approx(0.05)


def test_units_must_be_asked_for(make, world):
    """A chamber may power up in degrees Fahrenheit; suffixes say what is meant all the same."""
    chamber = make("chamber", twin={"temperature_unit": "F"})
    world.air_degc = 25.0
    assert chamber.ask("UNIT:TEMP?") == "F"
    assert chamber.number("MEAS:TEMP?") == pytest.approx(77.0, abs=1.1)

    chamber.write("TEMP 158")
    assert world.chamber["setpoint_degc"] == pytest.approx(70.0)
    chamber.write("TEMP -30 CEL")
    assert world.chamber["setpoint_degc"] == pytest.approx(-30.0)
    assert chamber.number("TEMP?") == pytest.approx(-22.0)
    chamber.write("UNIT:TEMP K")
    assert chamber.number("TEMP?") == pytest.approx(243.15)


def test_temperature_limits_refuse_set_points_and_stop_the_chamber(make, world):
    """A limit in the instrument is the second wall: it acts when the software does not."""
    chamber = make("chamber")
    chamber.write("TEMP:PROT:LOW -35;HIGH:LEV 75;:TEMP 70;:OUTP ON")
    chamber.write("TEMP 80")
    assert chamber.errors() == [-222]

    world.air_degc = 76.0

    assert chamber.ask("TEMP:PROT:TRIP?;:OUTP?") == "1;0"
    assert world.chamber["running"] is False
    assert int(chamber.ask("STAT:QUES:COND?")) == 16
    world.air_degc = 60.0
    chamber.write("OUTP ON")
    assert chamber.errors() == [-221]
    chamber.write("TEMP:PROT:CLE;:OUTP ON")
    assert chamber.ask("OUTP?") == "1"


def test_limits_may_be_set_in_any_order_while_it_stands_still(make):
    """A new pair may lie wholly above the old one; running, a limit never leaves the set point outside."""
    chamber = make("chamber")
    chamber.write("TEMP:PROT:LOW -40;HIGH 30")
    chamber.write("TEMP:PROT:LOW 60;HIGH 90")
    assert chamber.errors() == []
    chamber.write("OUTP ON")
    assert chamber.errors() == [-221], "the set point is still outside"

    chamber.write("TEMP 70;:OUTP ON;:TEMP:PROT:LOW 75")

    assert chamber.errors() == [-221]
    assert chamber.number("TEMP:PROT:LOW?") == 60.0


# ---------------------------------------------------------------------- switch


def test_routes_close_and_open_one_by_one(make, world):
    """Nothing opens by itself; the answer is a channel list."""
    switch = make("switch")
    switch.write("ROUT:CLOS (@101,201)")
    assert world.routes == frozenset({101, 201})
    assert switch.ask("ROUT:CLOS? (@101,102);OPEN? (@101,102);:ROUT:CLOS:STAT?") == "1,0;0,1;(@101,201)"

    switch.write("ROUT:OPEN (@101);CLOS (@102)")
    assert world.routes == frozenset({102, 201})
    switch.write(":ROUT:OPEN:ALL")

    assert switch.ask("CLOS:STAT?") == "(@)"
    assert switch.ask("*OPC?") == "1"
    assert switch.t == pytest.approx(0.015)


def test_routes_besides_those_of_the_wiring_come_from_the_options(make):
    """A matrix may have more routes than a bench uses."""
    switch = make("switch", twin={"routes": "301, 302"})
    switch.write("CLOS (@101,302)")
    assert switch.errors() == []


# ---------------------------------------------------------------------- personality


def test_one_seed_is_one_instrument_and_another_seed_another(make, world):
    """A rehearsal can be repeated to the last digit, and another bench be drawn."""
    world.level_dbm = 3.0

    def readings(seed: int) -> list[str]:
        meter = make("power meter", seed=seed)
        return [meter.ask("READ?") for _ in range(20)]

    assert readings(1) == readings(1)
    assert readings(1) != readings(2)


def test_the_twin_mapping_is_read_strictly():
    """A spelling mistake must not become a default, and a quantity needs its unit: all mistakes at once."""
    with pytest.raises(FileError) as caught:
        read_options(
            PowerMeterOptions,
            {"noize": "1 dB", "resolution": 0.01, "maker_text": "A,B"},
            file="bench.yaml",
            instrument="output_meter",
        )

    text = str(caught.value)
    assert "3 mistakes" in text
    assert "instruments.output_meter.twin.noize: unknown key; did you mean noise?" in text
    assert "instruments.output_meter.twin.resolution" in text
    assert "has no unit" in text


def test_the_maker_field_and_the_times_can_be_changed(make, world):
    """A true reading time that differs from the bench file's shows what a wrong bench file does."""
    meter = make("power meter", twin={"maker_text": "Bench Works", "reading_time": "80 ms"})
    world.level_dbm = 0.0
    assert meter.ask("*IDN?").startswith("Bench Works,Power meter,")
    meter.ask("READ?")
    assert meter.t == pytest.approx(0.08)
