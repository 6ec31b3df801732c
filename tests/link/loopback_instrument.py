"""A small instrument on a loopback port that misbehaves as told, with real sockets and threads; nothing else does."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable

IDENTITY = b"Generic,LOOP-1,7,1.0\n"


class Peer:
    """One connection, seen from the instrument."""

    def __init__(self, instrument: LoopbackInstrument, connection: socket.socket, number: int) -> None:
        self.instrument, self.connection, self.number = instrument, connection, number
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes) -> None:
        self.connection.sendall(data)

    def pause(self, seconds: float) -> None:
        """Let time pass on the wire; ends early when the test does."""
        self.instrument.stopping.wait(seconds)

    def close(self) -> None:
        """FIN."""
        self.connection.shutdown(socket.SHUT_RDWR)

    def reset(self) -> None:
        """RST: closing with lingering switched off."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()


Behaviour = Callable[[Peer, bytes], None]
"""Called with each line, without its newline, except *IDN? and *STB?, which every instrument answers."""


class LoopbackInstrument:
    """
    Listens on a port of its own from construction to `close`; a thread for each connection.

    Attributes:
        received: Every line of every connection, in order of arrival.
        opened: How many connections there were.
    """

    def __init__(self, behave: Behaviour, *, greet: Callable[[Peer], None] | None = None) -> None:
        self._behave, self._greet = behave, greet
        self.received: list[bytes] = []
        self.identity = IDENTITY
        self.opened = 0
        self.stopping = threading.Event()
        self.troubles: list[BaseException] = []
        self._peers: list[Peer] = []
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        # As small as an instrument's, so that one that does not read is felt soon.
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        self.port = self._listener.getsockname()[1]
        self._start(self._accept)

    @property
    def address(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        self.stopping.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        with contextlib.suppress(OSError):  # where shutting a listener down does not wake it, a caller does
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        self._listener.close()
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.close()
        for thread in self._threads:
            thread.join(5)
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.reset()  # so that whoever is still writing to it ends too
        if self.troubles:
            raise self.troubles[0]

    def _start(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self.stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.opened += 1
            peer = Peer(self, connection, self.opened)
            self._peers.append(peer)
            self._start(lambda peer=peer: self._serve(peer))

    def _serve(self, peer: Peer) -> None:
        try:
            if self._greet is not None:
                self._greet(peer)
            heard = b""
            while data := peer.connection.recv(65536):
                *lines, heard = (heard + data).split(b"\n")
                for line in lines:
                    self._hear(peer, line)
        except OSError:
            pass  # the other side has gone, or we have closed; that is what is being tested
        except BaseException as error:  # noqa: BLE001 - raised in the test's own thread by close()
            self.troubles.append(error)

    def _hear(self, peer: Peer, line: bytes) -> None:
        self.received.append(line)
        if line == b"*IDN?":
            peer.send(self.identity)
        elif line == b"*STB?":
            peer.send(b"0\n")
        else:
            self._behave(peer, line)


def in_background(act: Callable[..., object], *arguments: object) -> threading.Thread:
    """Start a call that may never return by itself, and that may raise when it is made to."""

    def work() -> None:
        with contextlib.suppress(Exception):
            act(*arguments)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


def answering(**answers: bytes) -> Behaviour:
    """An instrument that answers `A?` with what is given for `A`, and is silent otherwise."""

    def behave(peer: Peer, line: bytes) -> None:
        answer = answers.get(line.decode().removesuffix("?")) if line.endswith(b"?") else None
        if answer is not None:
            peer.send(answer)

    return behave
