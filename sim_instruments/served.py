"""
The twin over TCP: each instrument on a port of its own, raw SCPI ended by newlines, in real time.

Messages are executed when they arrive, even while a measurement is running; replies are sent when they are ready. Any
number of connections to one instrument. One thread, one event loop: the world is one.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Callable, Iterator
from typing import Any

from benchkit.clock import WallClock
from sim_instruments.instruments import SimulatedInstrument
from sim_instruments.twin import Twin

__all__ = ["HANDS", "QuickClock", "serve"]

HANDS = "hands"


class QuickClock:
    """
    A wall clock that runs faster.

    Args:
        speed: Seconds of the twin in one second.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"speed {speed} is not above zero")
        self._speed = speed
        self._wall = WallClock()
        self._start_s, self._epoch_s = self._wall.monotonic(), self._wall.now()

    def now(self) -> float:
        return self._epoch_s + self.monotonic()

    def monotonic(self) -> float:
        return (self._wall.monotonic() - self._start_s) * self._speed

    def sleep(self, seconds: float) -> None:
        self._wall.sleep(seconds / self._speed)

    def real_s(self, seconds: float) -> float:
        """How long `seconds` of this clock take. [s]"""
        return max(0.0, seconds / self._speed)


class _Connection(asyncio.Protocol):
    """One controller talking to one instrument."""

    def __init__(self, server: _Server, instrument: SimulatedInstrument) -> None:
        self._server, self._instrument = server, instrument
        self._port = instrument.open_port(on_reply=self._send_ready)
        self._cuts = instrument.cuts
        self._transport: asyncio.Transport | None = None
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        if not self._instrument.is_reachable:
            transport.abort()
            return
        # Without it a reply sent behind another one waits for the other's acknowledgement, 40 ms.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._transport = transport
        self._server.connections.add(self)

    def data_received(self, data: bytes) -> None:
        if self.is_cut:
            self.abort()
            return
        self._port.write(data, self._server.settled_time())
        self._server.note_next_wake()

    @property
    def is_cut(self) -> bool:
        """Whether a fault has broken it."""
        return not self._instrument.is_reachable or self._cuts != self._instrument.cuts

    def pause_writing(self) -> None:
        # Who asks and never reads is not heard until it has read: its answers must not fill the memory.
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        if self._transport is not None:
            self._transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        self._server.connections.discard(self)
        if self._timer is not None:
            self._timer.cancel()

    def abort(self) -> None:
        """Drop it at once."""
        if self._transport is not None:
            self._transport.abort()

    def _send_ready(self) -> None:
        """Send what is ready, in order, in one piece; come back for the rest."""
        if self._transport is None:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        replies, t = self._port.replies, self._server.clock.monotonic()
        ready: list[bytes] = []
        while replies and replies[0].ready_at <= t:
            ready.append(replies.popleft().data)
        if ready:
            self._transport.write(b"".join(ready))
        if replies:
            self._timer = self._server.call_at(replies[0].ready_at, self._send_ready)


class _Server:
    """All connections of one twin."""

    def __init__(self, twin: Twin, clock: QuickClock) -> None:
        self.twin, self.clock = twin, clock
        self.connections: set[_Connection] = set()
        self.stop = asyncio.Event()
        self.error: BaseException | None = None
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(self._failed)
        self._wake_timer: asyncio.TimerHandle | None = None

    def call_at(self, t: float, function: Callable[[], None]) -> asyncio.TimerHandle:
        """Call when the twin's clock shows `t`."""
        return self._loop.call_later(self.clock.real_s(t - self.clock.monotonic()), function)

    def settled_time(self) -> float:
        """Now, everything that was due before done. [s]"""
        t = self.clock.monotonic()
        self.twin.run_until(t)
        for connection in [one for one in self.connections if one.is_cut]:
            connection.abort()
        return t

    def note_next_wake(self) -> None:
        """See to it that waiting messages go on in time."""
        if self._wake_timer is not None:
            self._wake_timer.cancel()
            self._wake_timer = None
        if self.twin.next_wake < float("inf"):
            self._wake_timer = self.call_at(self.twin.next_wake, self._wake)

    def _wake(self) -> None:
        self._wake_timer = None
        self.settled_time()
        self.note_next_wake()

    def _failed(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        # A mistake in the twin's own code: going on would be answering wrongly.
        error = context.get("exception")
        if isinstance(error, ConnectionError):
            return
        self.error = error or RuntimeError(context.get("message", "event loop"))
        self.stop.set()


async def serve(
    twin: Twin,
    clock: QuickClock,
    *,
    host: str = "127.0.0.1",
    port_base: int = 0,
    on_ready: Callable[[dict[str, str]], None],
) -> None:
    """
    Serve every instrument, and the hands, until SIGTERM or Ctrl-C; then finish the ledger.

    Args:
        twin: Made on `clock`.
        clock: Real time, or a multiple of it.
        host: Interface to listen on; who can reach it can do anything to the twin.
        port_base: Port of the first instrument, the others follow; 0 lets the system choose.
        on_ready: Called once with the VISA address of each instrument by name, when all listen; that of the hands among them,
            last, as HANDS.

    Raises:
        OSError: A port is taken.
        Exception: A mistake in the twin's own code; the ledger is finished all the same.
    """
    server = _Server(twin, clock)
    loop = asyncio.get_running_loop()
    listeners: list[asyncio.Server] = []
    try:
        with _stop_signals(loop, server.stop):
            addresses = {}
            served = dict(twin.instruments)
            served.setdefault(HANDS, twin.hands_port)
            for index, (name, instrument) in enumerate(served.items()):
                listener = await loop.create_server(
                    lambda instrument=instrument: _Connection(server, instrument),  # type: ignore[misc]
                    host,
                    port_base + index if port_base else 0,
                )
                listeners.append(listener)
                port = listener.sockets[0].getsockname()[1]
                addresses[name] = f"TCPIP0::{host}::{port}::SOCKET"
            on_ready(addresses)
            await server.stop.wait()
    finally:
        for listener in listeners:
            listener.close()
        for connection in list(server.connections):
            connection.abort()
        twin.finish()
    if server.error is not None:
        raise server.error


@contextlib.contextmanager
def _stop_signals(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> Iterator[None]:
    """SIGTERM and Ctrl-C set `stop`. The one place that differs between systems."""
    numbers = (signal.SIGINT, signal.SIGTERM)
    try:
        for number in numbers:
            loop.add_signal_handler(number, stop.set)
    except NotImplementedError:
        # Windows: the loop has no signal handlers of its own.
        for number in numbers:
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))
        yield
        return
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)
