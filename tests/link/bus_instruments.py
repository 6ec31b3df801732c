"""
Small instruments that speak HiSLIP (IVI-6.1) and VXI-11 on loopback ports of their own, as far as a client needs.

Both keep one output for all connections, and late answers in it: the worst case that a link must get right.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading

from loopback_instrument import IDENTITY

BLOCK = bytes(range(256)) * 200
ANSWERS = {
    b"*IDN?": IDENTITY,
    b"*STB?": b"0\n",
    b"A?": b"1.0\n",
    b"B?": b"2.0\n",
    b"BLK?": b"#5%05d" % len(BLOCK) + BLOCK + b"\n",
}


class BusInstrument:
    """
    Base: listens, a thread for each connection, one output.

    Attributes:
        late: LATE? is answered when this is set.
        clears: How often it was cleared.
    """

    def __init__(self) -> None:
        self.late = threading.Event()
        self.clears = 0
        self.output: list[bytes] = []
        self.stopping = threading.Event()
        self._connections: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._start(self._accept)

    address: str

    def close(self) -> None:
        self.stopping.set()
        self.late.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        self._listener.close()
        self.hang_up()
        for thread in self._threads:
            thread.join(5)
        for connection in self._connections:
            connection.close()

    def hang_up(self) -> None:
        """Every connection at once, as when the power fails."""
        for connection in self._connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def hear(self, message: bytes) -> None:
        line = message.rstrip(b"\r\n")
        if line in ANSWERS:
            self.output.append(ANSWERS[line])

    def answer(self, message: bytes, wait_s: float) -> bytes | None:
        """What is to be read now; waits for it if it comes late."""
        if message.startswith(b"LATE?") and self.late.wait(wait_s):
            self.output.append(b"0.5\n")
        return self.output.pop(0) if self.output else None

    def _start(self, work, *arguments) -> None:
        thread = threading.Thread(target=work, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self.stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._connections.append(connection)
            self._start(self._serve_until_closed, connection)

    def _serve_until_closed(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError):
            self.serve(connection)

    def serve(self, connection: socket.socket) -> None:
        raise NotImplementedError

    def take(self, connection: socket.socket, count: int) -> bytes:
        data = b""
        while len(data) < count:
            chunk = connection.recv(count - len(data))
            if not chunk:
                raise EOFError
            data += chunk
        return data


class HislipInstrument(BusInstrument):
    """Messages: 16 bytes of header (HS, type, control, parameter, length), then the payload."""

    @property
    def address(self) -> str:
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    def serve(self, connection: socket.socket) -> None:
        def say(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
            connection.sendall(struct.pack("!2sBBIQ", b"HS", kind, control, parameter, len(payload)) + payload)

        message = b""
        while True:
            _, kind, _, parameter, length = struct.unpack("!2sBBIQ", self.take(connection, 16))
            payload = self.take(connection, length)
            if kind == 0:  # Initialize: synchronised mode, version 1.0, session 1
                say(1, 0, (0x0100 << 16) | 1)
            elif kind == 17:  # AsyncInitialize
                say(18)
            elif kind == 15:  # AsyncMaximumMessageSize
                say(16, payload=struct.pack("!Q", 1 << 20))
            elif kind == 19:  # AsyncDeviceClear
                self.clears += 1
                self.output.clear()
                say(23)
            elif kind == 8:  # DeviceClearComplete
                say(9)
            elif kind in (6, 7):  # Data, DataEnd
                message += payload
                if kind == 7:
                    self.hear(message)
                    answer = self.answer(message, 20)
                    message = b""
                    if answer is not None:
                        say(7, 0, parameter, answer)


class Vxi11Instrument(BusInstrument):
    """ONC RPC, record marking, core channel: create_link, write, read, clear, destroy_link."""

    _last = b""

    @property
    def address(self) -> str:
        return f"TCPIP0::127.0.0.1,{self.port}::inst0::INSTR"

    def serve(self, connection: socket.socket) -> None:
        while True:
            (mark,) = struct.unpack("!I", self.take(connection, 4))
            call = self.take(connection, mark & 0x7FFFFFFF)
            transaction, _, _, _, _, procedure = struct.unpack_from("!6I", call)
            arguments = call[24:]
            for _ in range(2):  # credentials and verifier: flavour, length, body
                (size,) = struct.unpack_from("!I", arguments, 4)
                arguments = arguments[8 + size :]
            reply = struct.pack("!6I", transaction, 1, 0, 0, 0, 0) + self._result(procedure, arguments)
            connection.sendall(struct.pack("!I", 0x80000000 | len(reply)) + reply)

    def _result(self, procedure: int, arguments: bytes) -> bytes:
        if procedure == 10:  # create_link: no error, link 1, no abort port, 64 kB at a time
            return struct.pack("!4I", 0, 1, 0, 65536)
        if procedure == 11:  # device_write
            (size,) = struct.unpack_from("!I", arguments, 16)
            self._last = arguments[20 : 20 + size]
            self.hear(self._last)
            return struct.pack("!2I", 0, size)
        if procedure == 12:  # device_read
            _, size, timeout_ms = struct.unpack_from("!3I", arguments)
            answer = self.answer(self._last, timeout_ms / 1000)
            if answer is None:
                return struct.pack("!3I", 15, 0, 0)  # I/O timeout
            rest = answer[size:]
            if rest:
                self.output.insert(0, rest)
            data = answer[:size]
            reason = 1 if rest else 4  # request size reached; END
            return struct.pack("!3I", 0, reason, len(data)) + data + b"\0" * (-len(data) % 4)
        if procedure == 15:  # device_clear
            self.clears += 1
            self.output.clear()
        return struct.pack("!I", 0)
