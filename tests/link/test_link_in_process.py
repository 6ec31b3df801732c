"""
The same link over a VISA library in this process, on a virtual clock: as a simulated bench is reached.

The library is a small one of this test, on pyvisa-sim's base: sessions whose reads move the clock to when the answer is
ready, or to the time limit.
"""

from __future__ import annotations

import itertools
import time

import pytest
import pyvisa
import pyvisa.errors
from pyvisa import constants, rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from benchkit.clock import VirtualClock
from benchkit.errors import BrokenLinkError, LinkTimeout, ReplyError
from benchkit.link import VisaLink

SOCKET = "TCPIP0::192.0.2.11::5025::SOCKET"
GPIB = "GPIB0::7::INSTR"
_numbers = itertools.count()

ANSWERS = {
    b"*IDN?": (0.0, b"Generic,SIM-1,1,1.0\n"),
    b"*STB?": (0.0, b"0\n"),
    b"A?": (0.0, b"1.0\n"),
    b"B?": (0.0, b"2.0\n"),
    b"SLOW?": (3.0, b"0.5\n"),
    b"BLK?": (0.0, b"#15a\nb\nc\n"),
    b"LONG?": (0.0, b"7" * 50_000 + b"\n"),
    b"TWO?": (0.0, b"1\n2\n"),
}


class _Session(Session):
    def write(self, data):
        self.library.written.append(data)
        for unit in data.splitlines():
            if unit in ANSWERS:
                delay_s, answer = ANSWERS[unit]
                self.library.output.append([self.library.clock.monotonic() + delay_s, bytearray(answer)])
        return len(data), StatusCode.success

    def read(self, count):
        clock, output = self.library.clock, self.library.output
        limit_s = clock.monotonic() + self.get_attribute(ResourceAttribute.timeout_value)[0] / 1000
        if not output or output[0][0] > limit_s:
            clock.sleep(limit_s - clock.monotonic())
            return b"", StatusCode.error_timeout
        ready_s, data = output[0]
        clock.sleep(ready_s - clock.monotonic())
        end = data.find(b"\n") + 1 if self.get_attribute(ResourceAttribute.termchar_enabled)[0] else len(data)
        taken = bytes(data[: min(count, end)])
        del data[: len(taken)]
        if not data:
            output.pop(0)
        if self.get_attribute(ResourceAttribute.termchar_enabled)[0]:
            ended = taken.endswith(b"\n")
            return taken, StatusCode.success_termination_character_read if ended else StatusCode.success_max_count_read
        return taken, StatusCode.success if not data else StatusCode.success_max_count_read


class SmallLibrary(SimVisaLibrary):
    """One instrument at any address, with one output for all sessions: the worst case."""

    def _init(self):
        self.sessions = {}
        self.output, self.written, self.failure = [], [], None
        self.clock = VirtualClock()

    def open(self, session, resource_name, access_mode=0, open_timeout=0):
        if "192.0.2.99" in resource_name:
            return 0, StatusCode.error_resource_not_found  # as pyvisa-sim does: a status, and no error
        parsed = rname.parse_resource_name(resource_name)
        kind = type("_", (_Session,), {"session_type": (parsed.interface_type_const, parsed.resource_class)})
        made = kind(session, resource_name, parsed)
        made.library = self
        return self._register(made), StatusCode.success

    def read(self, session, count):
        if self.failure is not None:
            raise self.failure
        return super().read(session, count)


@pytest.fixture
def sim():
    return SmallLibrary(f"test {next(_numbers)}")


@pytest.fixture(params=[SOCKET, GPIB, "ASRL3::INSTR"])
def ours(request, sim):
    with_link = VisaLink("sim", request.param, sim, sim.clock)
    yield with_link
    with_link.close()


def test_questions_answers_and_blocks(ours):
    assert ours.query("A?", timeout_s=1) == "1.0"
    assert ours.query_block("BLK?", timeout_s=1) == b"a\nb\nc"
    assert ours.query("LONG?", timeout_s=1) == "7" * 50_000
    assert ours.query("B?", timeout_s=1) == "2.0"


def test_waiting_moves_the_virtual_clock_and_costs_no_time(ours, sim):
    """An overnight campaign rehearses in seconds because of this."""
    before_s, start = sim.clock.monotonic(), time.perf_counter()
    assert ours.query("SLOW?", timeout_s=5) == "0.5"
    assert sim.clock.monotonic() - before_s == pytest.approx(3.0)
    with pytest.raises(LinkTimeout):
        ours.query("SLOW?", timeout_s=2)
    assert sim.clock.monotonic() - before_s == pytest.approx(5.0)
    assert time.perf_counter() - start < 5.0 / 2


def test_a_late_answer_never_becomes_the_next_one(ours):
    """Plain pyvisa-sim queues unread answers and hands them to whoever reads next."""
    with pytest.raises(LinkTimeout):
        ours.query("SLOW?", timeout_s=1)
    assert ours.query("B?", timeout_s=1) == "2.0"

    ours.ask("SLOW?")
    ours.abandon()
    assert ours.query("B?", timeout_s=1) == "2.0"


def test_asking_several_and_collecting_in_turn_takes_the_longest_not_the_sum(sim):
    other = SmallLibrary(f"test {next(_numbers)}")
    other.clock = sim.clock
    first, second = VisaLink("one", SOCKET, sim, sim.clock), VisaLink("two", SOCKET, other, sim.clock)
    before_s = sim.clock.monotonic()

    first.ask("SLOW?")
    second.ask("SLOW?")
    assert [first.answer(timeout_s=5), second.answer(timeout_s=5)] == ["0.5", "0.5"]
    assert sim.clock.monotonic() - before_s == pytest.approx(3.0)


def test_the_time_limit_is_set_only_when_it_changes(ours, sim):
    """Setting an attribute costs as much as a query."""
    ours.query("A?", timeout_s=1.0)
    settings = []
    set_attribute = sim.set_attribute
    sim.set_attribute = lambda *what: settings.append(what) or set_attribute(*what)
    for _ in range(10):
        ours.query("A?", timeout_s=1.0)
    assert settings == []
    ours.query("A?", timeout_s=2.0)
    assert len(settings) == 1


def test_more_lines_than_one_are_a_bad_reply(sim):
    """Over a bus they come in one message; over a stream they are noticed by what they answer next."""
    bus = VisaLink("sim", GPIB, sim, sim.clock)

    with pytest.raises(ReplyError, match="more than one line"):
        bus.query("TWO?", timeout_s=1)
    assert bus.query("B?", timeout_s=1) == "2.0"


def test_a_missing_resource_is_an_error():
    """pyvisa-sim returns a status, session 0, and empty answers for ever."""
    sim = SmallLibrary(f"test {next(_numbers)}")

    with pytest.raises(BrokenLinkError, match="RSRC_NFOUND"):
        VisaLink("sim", "TCPIP0::192.0.2.99::5025::SOCKET", sim, sim.clock)


def test_an_instrument_that_answers_something_else_is_not_there(sim, monkeypatch):
    """And the error says what came instead."""
    monkeypatch.setitem(ANSWERS, b"*IDN?", (0.0, b"0.5\n"))

    with pytest.raises(BrokenLinkError, match=r"\*IDN\? is not answered.*instead came b'0.5"):
        VisaLink("sim", SOCKET, sim, sim.clock)


def test_two_links_in_one_process_may_open_one_simulated_instrument(sim):
    """Instruments in this process cannot be reached by another run, so none is kept out."""
    VisaLink("a", SOCKET, sim, sim.clock).close()
    first, second = VisaLink("a", SOCKET, sim, sim.clock), VisaLink("b", SOCKET, sim, sim.clock)

    assert first.query("A?", timeout_s=1) == second.query("A?", timeout_s=1)


FOREIGN = [
    *(error for error in vars(pyvisa.errors).values() if isinstance(error, type) and issubclass(error, Exception)),
    OSError,
    ConnectionResetError,
    BrokenPipeError,
    RuntimeError,
    NotImplementedError,
    UnicodeDecodeError,
    AttributeError,
    KeyError,
    ValueError,
    EOFError,
]
ARGUMENTS = {
    "VisaIOError": (constants.VI_ERROR_CONN_LOST,),
    "VisaIOWarning": (constants.VI_WARN_QUEUE_OVERFLOW,),
    "OSNotSupported": ("nowhere",),
    "UnknownHandler": ("event", "handler", "user"),
    "InvalidBinaryFormat": ("bad",),
    "UnicodeDecodeError": ("ascii", b"\xb0", 0, 1, "ordinal not in range"),
}


@pytest.mark.parametrize("foreign", FOREIGN, ids=lambda error: error.__name__)
def test_every_foreign_error_becomes_ours_with_its_cause(ours, sim, foreign):
    """Walks pyvisa.errors, so that one added there is not left unmapped."""
    sim.failure = foreign(*ARGUMENTS.get(foreign.__name__, ()))

    with pytest.raises(BrokenLinkError) as caught:
        ours.query("A?", timeout_s=1)
    assert caught.value.__cause__ is sim.failure
    assert caught.value.instrument == "sim"

    sim.failure = None
    assert ours.query("B?", timeout_s=1) == "2.0"


@pytest.mark.parametrize("foreign", [pyvisa.errors.VisaIOError(constants.VI_ERROR_TMO), TimeoutError("too late")])
def test_every_foreign_timeout_is_a_link_timeout(ours, sim, foreign):
    sim.failure = foreign

    with pytest.raises(LinkTimeout) as caught:
        ours.query("A?", timeout_s=1)
    assert caught.value.__cause__ is foreign


def test_a_link_adds_little_to_what_the_library_costs(sim):
    """30,000 points ask a quarter of a million questions: the link may cost about what pyvisa's own query does."""
    ours = VisaLink("sim", SOCKET, sim, sim.clock)
    resource = pyvisa.ResourceManager(sim).open_resource(SOCKET, read_termination="\n", write_termination="\n")

    def one_round(query):
        start = time.perf_counter()
        for _ in range(100):
            query()
        return time.perf_counter() - start

    # Short rounds, in turn: on a loaded computer some of them still run undisturbed.
    rounds = [(one_round(lambda: resource.query("A?")), one_round(lambda: ours.query("A?", timeout_s=1))) for _ in range(30)]
    plain, linked = (min(times) for times in zip(*rounds, strict=True))
    resource.close()

    assert linked < 2 * plain
