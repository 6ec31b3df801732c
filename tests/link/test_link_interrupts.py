"""Ctrl-C and SIGTERM get out of a blocked link at once, and what was asked can never be read as a later answer."""

import os
import signal
import socket
import sys
import threading
import time

import pytest

from benchkit.errors import Interrupted

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="signals are sent here in the POSIX way"),
    pytest.mark.skipif(threading.current_thread() is not threading.main_thread(), reason="signals reach the main thread only"),
]


@pytest.fixture(params=["SIGINT", "SIGTERM"])
def interrupt(request):
    """A signal and what its handler raises: Python's own for Ctrl-C, ours for SIGTERM."""

    def raise_interrupted(*_):
        raise Interrupted("SIGTERM")

    number = signal.Signals[request.param]
    handler = signal.default_int_handler if number is signal.SIGINT else raise_interrupted
    before = signal.signal(number, handler)
    yield number, KeyboardInterrupt if number is signal.SIGINT else Interrupted
    signal.signal(number, before)


def test_a_signal_gets_out_of_a_blocked_read_and_the_late_answer_is_never_read(instrument, link, interrupt):
    """Make safe begins at once, and its own questions get their own answers."""
    number, raised = interrupt
    release = threading.Event()

    def behave(peer, line):
        if line == b"SLOW?":
            os.kill(os.getpid(), number)
            release.wait(20)
            peer.send(b"0.5\n")
        elif line == b"*OPC?":
            peer.send(b"1\n")

    ours = link(instrument(behave))
    start = time.perf_counter()
    with pytest.raises(raised):
        ours.query("SLOW?", timeout_s=30)
    assert time.perf_counter() - start < 30 / 4

    release.set()
    assert not ours.is_waiting
    ours.write("OUTP OFF")
    assert ours.query("*OPC?", timeout_s=5) == "1"


def test_a_signal_while_an_answer_is_awaited_from_an_ask_leaves_nothing_due(instrument, link, interrupt):
    number, raised = interrupt

    def behave(peer, line):
        if line == b"SLOW?":
            os.kill(os.getpid(), number)
        elif line == b"B?":
            peer.send(b"2.0\n")

    ours = link(instrument(behave))

    def ask_and_collect():
        ours.ask("SLOW?")
        ours.answer(timeout_s=30)

    with pytest.raises(raised):
        ask_and_collect()
    if ours.is_waiting:  # the signal came between the two: who collects must abandon, as making safe does
        ours.abandon()
    assert ours.query("B?", timeout_s=5) == "2.0"


def test_a_signal_gets_out_of_a_blocked_write(instrument, link, interrupt):
    """And a message half sent is not finished by the next one: that goes over a new connection."""
    number, raised = interrupt

    def behave(peer, line):
        if line == b"STOP READING":
            peer.connection.recv(1, socket.MSG_PEEK)  # until the long message has begun; none of it is taken
            os.kill(os.getpid(), number)
            peer.pause(20)
        elif line == b"B?":
            peer.send(b"2.0\n")

    loop = instrument(behave)
    ours = link(loop, write_timeout_s=30)

    much = "X " + "0" * 8_000_000

    ours.write("STOP READING")
    with pytest.raises(raised):
        ours.write(much)
    assert ours.query("B?", timeout_s=5) == "2.0"
    assert b"B?" in loop.received
