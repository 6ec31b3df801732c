"""
What plain pyvisa does on a raw socket, shown, and that the link does not.

Each test is a pair: the trap, on a loopback instrument of its own, and the link on the same instrument. They were all
measured on the way to this design; when a later pyvisa-py closes one, its first half fails and the work-around may
go.
"""

import socket
import sys
import threading
import time

import pytest
import pyvisa
from loopback_instrument import answering, in_background

from benchkit.clock import WallClock
from benchkit.errors import BrokenLinkError, LinkError, LinkTimeout, ReplyError
from benchkit.link import VisaLink


def sockets_of(library):
    sessions = library.manager.visalib.sessions.values()
    return [s.interface for s in sessions if isinstance(getattr(s, "interface", None), socket.socket)]


def in_turn(*acts):
    for act in acts:
        act()


def test_small_messages_are_not_held_back(instrument, link, plain, library):
    """With Nagle's algorithm on, a setting may arrive 40 ms after it was sent, behind the reading it was to precede."""
    loop = instrument(answering(A=b"1.0\n"))

    resource = plain(loop)
    (plain_socket,) = sockets_of(library)
    assert plain_socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 0  # the trap
    resource.close()

    link(loop)
    (our_socket,) = sockets_of(library)
    assert our_socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


@pytest.mark.skipif(sys.platform != "linux", reason="how long an acknowledgement is delayed is Linux's")
def test_two_writes_in_a_row_arrive_together(instrument, link, plain):
    """Write, write, measure: the instrument must have both settings before the measurement begins."""
    arrived = {}
    both = threading.Event()

    def behave(peer, line):
        if line == b"A?":
            peer.send(b"1\n")
        else:
            arrived[line] = time.perf_counter()
            if line == b"Y 2":
                both.set()

    loop = instrument(behave)

    def shortest_gap(query, write):
        gaps = []
        for _ in range(5):
            query("A?")
            both.clear()
            write("X 1")
            write("Y 2")
            assert both.wait(5)
            gaps.append(arrived[b"Y 2"] - arrived[b"X 1"])
        return min(gaps)

    resource, ours = plain(loop), None
    plain_gap = shortest_gap(resource.query, resource.write)
    resource.close()
    ours = link(loop)
    our_gap = shortest_gap(lambda m: ours.query(m, timeout_s=5), ours.write)

    assert our_gap < plain_gap / 4


def late(release, *, late_answer=b"0.5\n"):
    """Answers LATE? only when released, and one question after the other, as an instrument does."""

    def behave(peer, line):
        if line == b"LATE?":
            release.wait(10)
            peer.send(late_answer)
        elif line == b"B?":
            peer.send(b"2.0\n")
        elif line == b"*OPC?":
            peer.send(b"1\n")

    return behave


def test_a_late_answer_never_becomes_the_next_one(instrument, link, plain):
    """After a time-out plain pyvisa hands the old reading to the next question: a plausible, wrong number."""
    release = threading.Event()
    loop = instrument(late(release))

    resource = plain(loop, timeout_ms=50)
    with pytest.raises(pyvisa.VisaIOError):
        resource.query("LATE?")
    release.set()
    resource.timeout = 5000
    assert resource.query("B?") == "0.5"  # the trap

    release.clear()
    ours = link(loop)
    with pytest.raises(LinkTimeout, match=r"LATE\?.*within 0.05 s"):
        ours.query("LATE?", timeout_s=0.05)
    release.set()
    assert ours.query("B?", timeout_s=5) == "2.0"
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_an_abandoned_answer_does_not_verify_what_comes_after(instrument, link, plain):
    """`OUTP OFF;*OPC?` answered by the reading that was abandoned looks like a success."""
    release = threading.Event()
    loop = instrument(late(release, late_answer=b"1.0\n"))

    resource = plain(loop)
    resource.write("LATE?")
    release.set()
    assert resource.query("*OPC?") == "1.0"  # the trap

    release.clear()
    ours = link(loop)
    ours.ask("LATE?")
    ours.abandon()
    release.set()
    assert not ours.is_waiting
    assert ours.query("*OPC?", timeout_s=5) == "1"


@pytest.mark.parametrize("question", ["LATE?", "*IDN?;LATE?"])
def test_an_instrument_with_one_output_for_all_connections_is_brought_into_step(instrument, link, question):
    """Some hand the old answer to the new connection; it is thrown away, even where it is an identity itself."""
    old = b"Generic,LOOP-1,7,1.0\n" if "IDN" in question else b"0.5\n"

    def greet(peer):
        if peer.number > 1:
            peer.send(old)

    loop = instrument(answering(B=b"2.0\n"), greet=greet)
    ours = link(loop)
    ours.ask(question)
    ours.abandon()

    assert ours.query("B?", timeout_s=5) == "2.0"


def test_an_answer_torn_by_a_pause_is_put_together(instrument, link, plain):
    """Plain pyvisa throws the first part away at its time-out and reads the rest as a number of its own."""
    timed_out = threading.Event()

    def behave(peer, line):
        peer.send(b"-12.3")
        if line == b"PLAIN?":
            timed_out.wait(10)
        else:
            peer.pause(0.4)
        peer.send(b"45\n")

    loop = instrument(behave)

    resource = plain(loop, timeout_ms=100)
    with pytest.raises(pyvisa.VisaIOError):
        resource.query("PLAIN?")
    timed_out.set()
    resource.timeout = 5000
    assert resource.read() == "45"  # the trap

    assert link(loop).query("OURS?", timeout_s=10) == "-12.345"


def test_the_time_limit_is_on_the_answer_not_on_silence(instrument, link, plain):
    """A byte now and then keeps plain pyvisa waiting for ever."""

    def behave(peer, _line):
        while not peer.instrument.stopping.is_set():
            peer.send(b"1")
            peer.pause(0.05)

    loop = instrument(behave)

    resource = plain(loop, timeout_ms=150)
    reader = in_background(resource.query, "DRIP?")
    reader.join(0.6)
    assert reader.is_alive()  # the trap: four times its time-out
    resource.close()
    reader.join(5)

    with pytest.raises(LinkTimeout, match="bytes came: b'11"):
        link(loop).query("DRIP?", timeout_s=0.3)


def test_a_dead_port_is_noticed_on_opening(library):
    """Plain pyvisa opens it, and the run learns in the middle of the night that nobody is there."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    address = f"TCPIP0::127.0.0.1::{port}::SOCKET"

    resource = pyvisa.ResourceManager("@py").open_resource(address)  # the trap: no error
    resource.close()

    with pytest.raises(BrokenLinkError, match=str(port)) as caught:
        VisaLink("loop", address, library, WallClock())
    assert isinstance(caught.value.__cause__, ConnectionRefusedError)


def test_a_port_where_nobody_speaks_is_noticed_on_opening(library):
    """Something listens (another program, a hung instrument) and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"

        with pytest.raises(BrokenLinkError, match=r"\*IDN\? is not answered"):
            VisaLink("loop", address, library, WallClock(), open_timeout_s=0.1)


def test_a_closed_peer_is_noticed_at_once_and_costs_no_cpu(instrument, link, plain):
    """Plain pyvisa spins at full load until its time-out; on an overnight bench that is one core gone."""

    def behave(peer, line):
        if line == b"HANG UP?":
            peer.close()
        elif line == b"B?":
            peer.send(b"2.0\n")

    loop = instrument(behave)

    resource = plain(loop, timeout_ms=300)
    start_cpu = time.thread_time()
    with pytest.raises(pyvisa.VisaIOError, match="TMO"):  # the trap: it takes the whole time-out
        resource.query("HANG UP?")
    plain_cpu = time.thread_time() - start_cpu

    ours = link(loop)
    start, start_cpu = time.perf_counter(), time.thread_time()
    with pytest.raises(BrokenLinkError, match="closed the connection"):
        ours.query("HANG UP?", timeout_s=30)
    assert time.perf_counter() - start < 30 / 2
    assert time.thread_time() - start_cpu < plain_cpu / 5  # the trap: a hundredfold on an idle computer
    assert ours.query("B?", timeout_s=5) == "2.0"  # and it comes back


def test_a_message_into_a_closed_connection_is_not_lost_in_silence(instrument, link, plain):
    """The first write after the peer has closed succeeds in plain pyvisa: the output stays on."""
    closed = threading.Event()

    def behave(peer, line):
        if line == b"BYE":
            peer.close()
            closed.set()

    loop = instrument(behave)

    resource = plain(loop)
    resource.write("BYE")
    assert closed.wait(5)
    resource.write("OUTP OFF")  # the trap: no error

    closed.clear()
    ours = link(loop)
    ours.write("BYE")
    assert closed.wait(5)
    with pytest.raises(BrokenLinkError, match="closed the connection"):
        ours.write("OUTP OFF")
    ours.write("OUTP OFF")
    assert ours.query("*IDN?", timeout_s=5)
    assert loop.received.count(b"OUTP OFF") == 1


def test_a_reset_connection_is_our_error_with_its_cause(instrument, link, plain):
    def behave(peer, _line):
        peer.reset()

    loop = instrument(behave)

    with pytest.raises(OSError, match="reset"):  # the trap: not a VISA error
        plain(loop).query("A?")

    with pytest.raises(BrokenLinkError) as caught:
        link(loop).query("A?", timeout_s=5)
    assert isinstance(caught.value.__cause__, ConnectionError)


def test_clear_is_never_used_on_a_socket(instrument, link, plain, monkeypatch):
    """Once the peer has closed, pyvisa-py's clear() never returns."""
    from pyvisa_py.tcpip import TCPIPSocketSession

    def behave(peer, line):
        if line == b"BYE":
            peer.close()

    loop = instrument(behave)

    resource = plain(loop)
    resource.write("BYE")
    clearer = in_background(resource.clear)
    clearer.join(0.4)
    assert clearer.is_alive()  # the trap: four times what it takes on a live connection
    resource.close()
    clearer.join(5)

    used = []
    monkeypatch.setattr(TCPIPSocketSession, "clear", lambda session: used.append(session))
    ours = link(loop)
    ours.ask("SILENT?")
    ours.abandon()
    with pytest.raises(LinkTimeout):
        ours.query("SILENT?", timeout_s=0.02)
    ours.reopen()
    ours.write("BYE")
    with pytest.raises(BrokenLinkError):
        ours.query("SILENT?", timeout_s=5)
    assert used == []


def test_a_byte_that_is_not_ascii_is_a_bad_reply(instrument, link, plain):
    """A degree sign from a chamber: plain pyvisa raises UnicodeDecodeError, which no caller of VISA expects."""
    loop = instrument(answering(A=b"23.5 \xb0C\n", B=b"2.0\n"))

    with pytest.raises(UnicodeDecodeError):  # the trap
        plain(loop).query("A?")

    ours = link(loop)
    with pytest.raises(ReplyError, match="0xB0 at position 5") as caught:
        ours.query("A?", timeout_s=5)
    assert isinstance(caught.value.__cause__, UnicodeDecodeError)
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_a_line_too_many_is_an_error_and_shifts_nothing(instrument, link, plain):
    """In plain pyvisa every later answer is that of the question before."""
    loop = instrument(answering(A=b"1.0\nEXTRA\n", B=b"2.0\n"))

    resource = plain(loop)
    assert resource.query("A?") == "1.0"
    assert resource.query("B?") == "EXTRA"  # the trap

    ours = link(loop)
    with pytest.raises((ReplyError, LinkError)):  # at once, or, if the second line came later, at the next question
        in_turn(lambda: ours.query("A?", timeout_s=5), lambda: ours.query("B?", timeout_s=5))
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_what_comes_unasked_is_an_error_before_the_next_question(instrument, link):
    """A line that comes while nothing is due would be taken for the next answer."""
    chattered = threading.Event()

    def behave(peer, line):
        peer.send(b"2.0\n" if line == b"B?" else b"DONE\n")
        chattered.set()

    loop = instrument(behave)
    ours = link(loop)
    ours.write("START")
    assert chattered.wait(5)

    with pytest.raises(BrokenLinkError, match=r"DONE.*nothing was asked"):
        ours.query("B?", timeout_s=5)
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_a_peer_that_does_not_read_cannot_block_a_write(instrument, link, plain):
    """pyvisa-py's write has no time limit: make safe would hang on one hung instrument."""

    def behave(peer, _line):
        peer.pause(30)

    loop = instrument(behave)
    much = "X " + "0" * 8_000_000

    resource = plain(loop, timeout_ms=100)
    resource.write("STOP READING")
    writer = in_background(resource.write, much)
    writer.join(0.5)
    assert writer.is_alive()  # the trap: five times its time-out

    ours = link(loop, write_timeout_s=0.2)
    ours.write("STOP READING")
    with pytest.raises(LinkTimeout, match=r"took only \d+ of 8000003 bytes"):
        ours.write(much)

    loop.close()
    writer.join(5)
    assert not writer.is_alive()


BLOCK = bytes(range(256)) * 90


def test_a_block_is_read_to_its_last_byte_and_no_further(instrument, link, plain):
    """A block holds newlines; reading to the first of them leaves the rest for the next answer."""

    def behave(peer, line):
        if line == b"BLK?":
            message = b"#5%05d" % len(BLOCK) + BLOCK + b"\n"
            for start in range(0, len(message), 7000):
                peer.send(message[start : start + 7000])
        elif line == b"B?":
            peer.send(b"2.0\n")

    loop = instrument(behave)

    resource = plain(loop)
    resource.write("BLK?")
    assert len(resource.read_raw()) < len(BLOCK)  # the trap
    resource.close()

    ours = link(loop)
    assert ours.query_block("BLK?", timeout_s=5) == BLOCK
    assert ours.query("B?", timeout_s=5) == "2.0"


@pytest.mark.parametrize("answer", [b"1.0\n", b"#0abc\n", b"#3005ab\ncdX", b"#x\n\n", b"#15ab\ncd\nmore\n"])
def test_a_block_that_is_none_is_a_bad_reply_and_leaves_nothing_behind(instrument, link, answer):
    loop = instrument(answering(BLK=answer, B=b"2.0\n"))
    ours = link(loop)

    with pytest.raises((ReplyError, LinkError)):  # at once, or for what came behind the block, at the next question
        in_turn(lambda: ours.query_block("BLK?", timeout_s=0.3), lambda: ours.query("B?", timeout_s=5))
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_another_instrument_behind_the_same_address_is_not_taken_for_the_first(instrument, link):
    """Two boxes swapped while the link was down: what was set is in the other one."""
    loop = instrument(answering(B=b"2.0\n"))
    ours = link(loop)
    loop.identity = b"Generic,LOOP-2,8,1.0\n"

    with pytest.raises(BrokenLinkError, match=r"LOOP-2.*it was .*LOOP-1"):
        ours.reopen()


def test_a_greeting_is_thrown_away(instrument, link):
    """Telnet ports say hello first."""
    loop = instrument(answering(B=b"2.0\n"), greet=lambda peer: peer.send(b"Welcome\r\n"))

    assert link(loop).query("B?", timeout_s=5) == "2.0"
