"""The twin as a VISA library in this process: what pyvisa users may rely on, on a clock that moves only when it must."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import pyvisa
from pyvisa.constants import BufferOperation, ResourceAttribute

from benchkit.bench.load import Bench, load_bench, load_bench_text
from benchkit.bench.open import open_bench
from benchkit.clock import VirtualClock
from benchkit.errors import FileError
from benchkit.link import VisaLink
from sim_instruments.twin import Twin
from sim_instruments.visa import TwinLibrary, open_library

BENCH = Path(__file__).parents[2] / "sequences" / "benches" / "kd14.yaml"


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(BENCH)


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def library(bench: Bench, clock: VirtualClock) -> TwinLibrary:
    return open_library(clock, bench=bench)


def resource(library: TwinLibrary, name: str) -> pyvisa.resources.MessageBasedResource:
    address = library.twin.bench.file.instruments[name].address
    return pyvisa.ResourceManager(library).open_resource(address, read_termination="\n", write_termination="\n", timeout=2000)


def with_addresses(bench: Bench, **addresses: str) -> Bench:
    """The same bench, some instruments at other addresses."""
    text = bench.text
    for name, address in addresses.items():
        text = text.replace(bench.file.instruments[name].address, address)
    return load_bench_text(text, bench.path.name, bench.table_files, bench.path.parent)


def test_a_query_moves_the_clock_to_when_the_answer_is_ready(library, clock):
    """Waiting is free, and exact: no polling steps."""
    meter = resource(library, "output_meter")
    before = clock.monotonic()

    meter.query("READ?")

    assert clock.monotonic() - before == pytest.approx(0.04, abs=1e-12)


def test_instruments_measure_at_the_same_time(library, clock):
    """Four readings begun together cost the slowest one, not the sum."""
    meters = [resource(library, name) for name in ("output_meter", "detector_voltmeter", "reference_voltmeter")]
    supply = resource(library, "drain_supply")
    before = clock.monotonic()
    for meter in meters:
        meter.write("INIT:IMM;:FETC?")
    supply.write("MEAS:VOLT? (@1);:MEAS:CURR? (@1)")

    for instrument in [*meters, supply]:
        instrument.read()

    assert clock.monotonic() - before == pytest.approx(0.04, abs=1e-12)


def test_a_time_out_takes_its_time_on_the_clock_and_none_of_ours(library, clock):
    """VI_ERROR_TMO; the late answer then lies in wait, as on a real socket."""
    meter = resource(library, "output_meter")
    meter.timeout = 10
    before, real = clock.monotonic(), time.monotonic()

    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
        meter.query("READ?")

    assert clock.monotonic() - before == pytest.approx(0.01, abs=1e-9)
    assert time.monotonic() - real < 5.0
    meter.timeout = 2000
    assert meter.query("*OPC?") != "1", "the reading that was too late answers the next question"


def test_reading_without_a_question_times_out(library, clock):
    """A raw socket has no way to say that nothing was asked."""
    meter = resource(library, "output_meter")
    before = clock.monotonic()

    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
        meter.read()

    assert clock.monotonic() - before == pytest.approx(2.0)


def test_a_resource_that_is_not_there_raises(library):
    """pyvisa-sim itself would hand out a dead session."""
    manager = pyvisa.ResourceManager(library)
    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_RSRC_NFOUND"):
        manager.open_resource("TCPIP0::192.0.2.99::5025::SOCKET")


def test_any_spelling_of_an_address_finds_its_instrument(library):
    """The board number may be left out."""
    manager = pyvisa.ResourceManager(library)
    one = manager.open_resource("TCPIP::192.0.2.12::5025::SOCKET", read_termination="\n", write_termination="\n")

    assert one.query("*IDN?").split(",")[1] == "Power meter"


def test_two_twins_have_nothing_in_common(bench):
    """pyvisa caches libraries by path: a second rehearsal must not find the state of the first."""
    libraries = [open_library(VirtualClock(), bench=bench) for _ in range(2)]
    first, second = (resource(library, "rf_source") for library in libraries)

    first.write("POW -3")

    assert float(second.query("POW?")) != -3.0


def test_two_sessions_to_one_instrument_get_their_own_answers(library):
    """The second connection that makes safe must not read what the first one asked."""
    first, second = (resource(library, "output_meter") for _ in range(2))
    first.write("READ?")

    assert second.query("*IDN?").startswith("Generic SCPI")
    assert float(first.read()) != 0


def test_commands_are_executed_while_a_measurement_runs(library):
    """RF off at once, whatever somebody is waiting for."""
    source = resource(library, "rf_source")
    source.write("POW -20;:OUTP ON;*OPC?;POW?")
    source.write("OUTP OFF")

    source.read()

    assert source.query("OUTP?") == "0"


def test_a_mistake_in_the_twin_is_never_swallowed(library, monkeypatch):
    """pyvisa-sim takes an AttributeError for an unsupported operation; the twin's own mistakes must stop the run."""
    source = resource(library, "rf_source")

    def broken(*_args: object, **_kwargs: object) -> None:
        raise AttributeError("a mistake of ours")

    monkeypatch.setattr(library.twin.world, "source_changed", broken)
    with pytest.raises(AttributeError, match="a mistake of ours"):
        source.write("POW -12")


def test_serial_poll_device_clear_and_trigger_work_over_a_bus(bench, clock):
    """An instrument at an INSTR address keeps IEEE 488.2's message exchange."""
    bus = with_addresses(bench, output_meter="GPIB0::12::INSTR")
    library = open_library(clock, bench=bus)
    meter = resource(library, "output_meter")
    meter.write("*CLS;*SRE 4;TRIG:SOUR BUS;:INIT")
    assert meter.read_stb() == 0
    meter.write("NOPE")
    assert meter.read_stb() == 0x44
    meter.assert_trigger()

    meter.write("FETC?")
    meter.clear()

    assert meter.query("SYST:ERR?").startswith("-113")
    assert meter.query("FETC?") != ""
    assert meter.query("SYST:ERR?") == '0,"No error"'


def test_over_a_bus_a_new_question_drops_the_old_answer_and_an_unasked_read_is_an_error(bench, clock):
    """-410 and -420 of IEEE 488.2, 6.3.2, through VISA."""
    library = open_library(clock, bench=with_addresses(bench, output_meter="GPIB0::12::INSTR"))
    meter = resource(library, "output_meter")
    meter.write("READ?")

    assert meter.query("*IDN?").startswith("Generic SCPI")
    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
        meter.read()

    assert meter.query("SYST:ERR:CODE:ALL?") == "-410,-420"


def test_reads_are_cut_by_count_and_termination_character(library):
    """VPP-4.3, 6.1: what was not taken comes with the next read."""
    source = resource(library, "rf_source")
    source.write("*IDN?")
    head = source.read_bytes(7)
    rest = source.read_raw()

    assert head == b"Generic"
    assert rest.startswith(b" SCPI,RF source,")
    assert rest.endswith(b"\n")
    source.write("*IDN?")
    source.write("*OPC?")
    source.set_visa_attribute(ResourceAttribute.termchar, ord(","))
    assert source.read_raw() == b"Generic SCPI,"
    source.flush(BufferOperation.discard_read_buffer)
    source.set_visa_attribute(ResourceAttribute.termchar, ord("\n"))
    assert source.query("*OPC?") == "1"


def test_a_socket_without_termination_character_reads_until_the_time_is_up(bench, clock):
    """As pyvisa-py does it; code that forgets the terminator fails here as it would there."""
    library = open_library(clock, bench=bench)
    address = bench.file.instruments["rf_source"].address
    source = pyvisa.ResourceManager(library).open_resource(address, write_termination="\n")
    source.write("*OPC?")

    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
        source.read()


def test_the_resources_are_those_of_the_bench_file(library, bench):
    """And no others."""
    found = pyvisa.ResourceManager(library).list_resources("?*")

    assert set(found) == {settings.address for settings in bench.file.instruments.values()}


def test_mistakes_of_the_bench_file_are_told_with_their_lines(bench, clock):
    """The `twin:` mapping is part of the file, and is checked like the rest of it."""
    text = bench.text.replace("    settling_time: 5 ms\n", "    settling_time: 5 ms\n    twin: {resolutoin: 0.1 dB}\n", 1)
    wrong = load_bench_text(text, "kd14.yaml", bench.table_files, bench.path.parent)

    with pytest.raises(FileError, match=r"kd14.yaml:\d+: instruments.rf_source.twin.resolutoin.*did you mean resolution"):
        open_library(clock, bench=wrong)
    with pytest.raises(FileError, match="give the bench file"):
        open_library(clock)


class Deaf:
    """A planted fault: an instrument that answers nothing for a while, then is gone."""

    def plant(self, twin: Twin) -> None:
        self.meter = twin.instruments["output_meter"]
        self.meter.says = lambda reply: None if b"E" in reply.data else reply


def test_faults_are_planted_before_anything_is_said(bench, clock):
    """Drills put a fault in through the same door as everything else."""
    fault = Deaf()
    library = open_library(clock, bench=bench, faults=(fault,))
    meter = resource(library, "output_meter")

    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
        meter.query("READ?")
    assert meter.query("*OPC?") == "1"
    fault.meter.is_reachable = False
    with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_CONN_LOST"):
        meter.write("*CLS")


def test_the_ledger_notes_what_is_left_on_when_the_last_connection_closes(bench, clock, tmp_path):
    """The end of a run is when nobody is connected any more."""
    library = open_library(clock, bench=bench, ledger_path=tmp_path / "ledger.jsonl")
    supply = resource(library, "drain_supply")
    supply.write("VOLT 1,(@1);:OUTP ON,(@1)")
    assert supply.query("*OPC?") == "1"

    supply.close()

    assert "left energised" in {entry.what for entry in library.twin.ledger.entries}


def test_links_and_drivers_work_on_it_unchanged(bench, clock):
    """The same roles, drivers, link and SCPI text as on a real bench: opened, prepared, identified, made safe."""
    with open_bench(bench, clock, library="twin", library_options={"bench": bench}) as opened:
        opened.prepare()
        rows = opened.identify()

    assert [row.trouble for row in rows] == [""] * len(bench.file.instruments)
    assert [row.errors for row in rows] == [()] * len(bench.file.instruments)
    assert {row.maker for row in rows} == {"Generic SCPI"}


def test_one_seed_is_one_story(bench):
    """Two rehearsals of one seed are the same to the last digit and the last instant; another seed is another bench."""

    def story(seed: int) -> list[str]:
        clock = VirtualClock()
        library = open_library(clock, bench=bench, seed=seed)
        link = VisaLink("drain_supply", bench.file.instruments["drain_supply"].address, library, clock)
        link.write("VOLT 1.5,(@1);:OUTP ON,(@1)")
        answers = [link.query(":MEAS:VOLT? (@1);:MEAS:CURR? (@1)", timeout_s=1) for _ in range(5)]
        link.close()
        return [*answers, repr(clock.monotonic())]

    assert story(3) == story(3)
    assert story(3)[0] != story(4)[0]
