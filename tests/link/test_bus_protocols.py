"""HiSLIP and VXI-11: the same rules where messages end by END and the instrument keeps its output across connections."""

import time

import pytest
import pyvisa
from bus_instruments import BLOCK, HislipInstrument, Vxi11Instrument

from benchkit.clock import WallClock
from benchkit.errors import BrokenLinkError, LinkTimeout
from benchkit.link import VisaLink


@pytest.fixture(params=[HislipInstrument, Vxi11Instrument], ids=["HiSLIP", "VXI-11"])
def bus(request):
    made = request.param()
    yield made
    made.close()


@pytest.fixture
def ours(bus, library):
    link = VisaLink("bus", bus.address, library, WallClock())
    yield link
    link.close()


def test_questions_and_blocks(ours):
    """A block of 51 kB full of newlines is one answer; END ends it."""
    assert ours.query("A?", timeout_s=5) == "1.0"
    assert ours.query_block("BLK?", timeout_s=5) == BLOCK
    ours.write("VOLT 6")
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_what_an_earlier_run_left_unread_is_cleared_on_opening(bus, ours):
    """On a bus the unread answer lies in the instrument and outlives the run that asked."""
    assert bus.clears == 1
    bus.output.append(b"0.5\n")
    ours.reopen()

    assert bus.clears == 2
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_a_late_answer_never_becomes_the_next_one(bus, ours):
    with pytest.raises(LinkTimeout):
        ours.query("LATE?", timeout_s=0.1)
    bus.late.set()

    assert ours.query("B?", timeout_s=5) == "2.0"
    assert ours.query("A?", timeout_s=5) == "1.0"


def test_plain_vxi_11_hands_the_late_answer_on(library):
    """The trap, where the protocol itself does not close it (HiSLIP numbers its messages and skips old ones)."""
    bus = Vxi11Instrument()
    try:
        resource = library.manager.open_resource(bus.address, write_termination="\n", read_termination="\n", timeout=50)
        with pytest.raises(pyvisa.VisaIOError):
            resource.query("LATE?")
        bus.output.append(b"0.5\n")  # it is ready now
        assert resource.query("B?") == "0.5"
        resource.close()
    finally:
        bus.close()


def test_an_abandoned_answer_is_gone(bus, ours):
    ours.ask("LATE?")
    ours.abandon()
    bus.late.set()

    assert ours.query("B?", timeout_s=5) == "2.0"


def test_a_dead_server_is_our_error_in_bounded_time_and_the_link_comes_back(bus, library):
    """The limit for sending holds, also after a question that was allowed half a minute."""
    ours = VisaLink("bus", bus.address, library, WallClock(), write_timeout_s=0.2)
    assert ours.query("A?", timeout_s=30) == "1.0"
    bus.hang_up()

    start = time.perf_counter()
    with pytest.raises((BrokenLinkError, LinkTimeout)):
        ours.query("A?", timeout_s=30)
    assert time.perf_counter() - start < 30 / 2

    assert ours.query("A?", timeout_s=5) == "1.0"
    ours.close()
