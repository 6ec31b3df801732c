"""VISA libraries by name: pyvisa-py, the system's, or one of the entry-point group `benchkit.visa_libraries`."""

from __future__ import annotations

import contextlib
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, cast

from benchkit.clock import Clock
from benchkit.errors import BrokenLinkError, FileError, Mistake, MisuseError
from benchkit.link.wire import Wire

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

    from pyvisa import ResourceManager
    from pyvisa.highlevel import VisaLibraryBase

__all__ = ["GROUP", "Hands", "Library", "open_library"]

GROUP = "benchkit.visa_libraries"
_PYVISAS = {"py": "pyvisa-py, sockets and USB from Python", "ivi": "the VISA library installed on this computer"}


class Hands(Protocol):
    """Who connects parts and standards at a bench that does so by itself."""

    def connect(self, channel: str, what: str) -> None:
        """Put the device (`"device"`) or a calibration standard, e.g. `"thru"`, in a channel's fixture. Raises ValueError."""
        ...

    def connected(self, channel: str) -> str:
        """What is in a channel's fixture."""
        ...

    def calibrate_sensor(self, meter: str) -> None:
        """Calibrate a power meter's sensor at the meter's own reference, where it has one; returns when it is done."""
        ...


@dataclass(frozen=True)
class Library:
    """
    An open VISA library.

    Attributes:
        name: As in the bench file.
        manager: pyvisa's resource manager on it.
        is_in_process: Its instruments live in this process: they share its clock, and no other process can reach them.
    """

    name: str
    manager: ResourceManager
    is_in_process: bool

    @classmethod
    def around(cls, visa: VisaLibraryBase, name: str = "") -> Library:
        """
        Take a library that was made otherwise.

        It counts as in-process if it says so by an attribute `is_in_process`, or simulates by pyvisa-sim.
        """
        import pyvisa

        simulated = getattr(sys.modules.get("pyvisa_sim.highlevel"), "SimVisaLibrary", ())
        in_process = bool(getattr(visa, "is_in_process", isinstance(visa, simulated)))
        return cls(name or type(visa).__name__, pyvisa.ResourceManager(visa), in_process)

    @property
    def hands(self) -> Hands | None:
        """Who connects parts and standards by itself, by the library's attribute `hands`; None: a person must be asked."""
        return cast("Hands | None", getattr(self.manager.visalib, "hands", None))

    def open_wire(self, address: str, timeout_s: float, clock: Clock) -> Wire:
        """
        Open one resource: its socket if it is one and the library shows it, else the session as such.

        Raises:
            Exception: Whatever the library raises.
        """
        from pyvisa.errors import VisaIOError
        from pyvisa.rname import parse_resource_name

        from benchkit.link.session_wire import SessionWire
        from benchkit.link.socket_wire import SocketWire

        parsed = parse_resource_name(address)
        visa = self.manager.visalib
        session, status = self.manager.open_bare_resource(address, open_timeout=max(1, round(timeout_s * 1000)))
        if status < 0:
            # pyvisa-sim returns the status of a missing resource and raises nothing.
            raise VisaIOError(status)
        try:
            inner = getattr(visa, "sessions", {}).get(session)
            interface = getattr(inner, "interface", None)
            if parsed.resource_class == "SOCKET" and isinstance(interface, socket.socket):
                return SocketWire(visa, session, interface)
            has_end = parsed.resource_class == "INSTR" and parsed.interface_type != "ASRL"
            return SessionWire(visa, session, has_end=has_end, timeout_s=timeout_s, clock=clock)
        except BaseException:
            with contextlib.suppress(Exception):
                visa.close(session)
            raise


def open_library(name: str, clock: Clock, **options: object) -> Library:
    """
    Open a VISA library.

    Args:
        name: `py`, `ivi`, or an entry point of the group `benchkit.visa_libraries`: a callable
            `(clock, **options) -> pyvisa.highlevel.VisaLibraryBase`.
        clock: The clock of the run, handed to ours.
        options: Handed to ours; `py` and `ivi` have none.

    Raises:
        FileError: No such library; lists those there are.
        BrokenLinkError: It is there and cannot be loaded.
    """
    from importlib.metadata import entry_points

    found = {point.name: point for point in entry_points(group=GROUP)}
    if name in _PYVISAS:
        if options:
            raise MisuseError(f"the VISA library {name!r} takes no options, not {', '.join(options)}")
        return _open_pyvisa(name)
    if name in found:
        return Library.around(_load(found[name])(clock, **options), name)
    known = ", ".join([*_PYVISAS, *sorted(found)])
    raise FileError([Mistake("bench file", None, "link.library", f"no VISA library {name!r}; there are: {known}")])


def _open_pyvisa(name: str) -> Library:
    import pyvisa

    try:
        return Library(name, pyvisa.ResourceManager(f"@{name}"), is_in_process=False)
    except (OSError, ValueError, pyvisa.errors.Error) as error:
        what = _PYVISAS[name]
        raise BrokenLinkError("link", f"the VISA library {name!r} ({what}) cannot be loaded: {error}") from error


def _load(point: EntryPoint) -> Callable[..., VisaLibraryBase]:
    try:
        opener: Callable[..., VisaLibraryBase] = point.load()
    except (ImportError, AttributeError) as error:
        message = f"the VISA library {point.name!r} ({point.value}) cannot be loaded: {error}"
        raise BrokenLinkError("link", message) from error
    return opener
