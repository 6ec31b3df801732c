"""
What every instrument promises, whatever its role.

The public methods keep the promise: limits, order, cache, log. A driver fills hooks (underscored) of one to three
lines, each a command of its `COMMANDS`. Rules that hold for all roles:

- A setting that is set already is not sent again. What is remembered is dropped (`forget_settings`) whenever it may be
  wrong: the wire failed, the instrument reported errors, an answer was abandoned.
- Switching an output on or off is never remembered: it is sent each time.
- What was switched off is read back by a question whose answer can't be mistaken for another, late one: the state and,
  in the same message, *IDN?, which the standard lets stand only at the end of a message.
"""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import ClassVar

from benchkit.errors import BenchkitError, ErrorQueueError, LinkTimeout, MakeSafeError, PowerCycledError
from benchkit.link import Link
from benchkit.roles.conversation import Conversation
from benchkit.roles.settings import InstrumentSettings
from benchkit.scpi import Identity, ScpiError, parse_error, parse_identity

__all__ = ["Instrument", "Listener"]

Listener = Callable[[str, str, object], None]
"""Told of every setting that was changed: instrument, setting, value in the unit the setting's name carries."""

# No queue is this long; an instrument that has more to say does not empty it by being asked.
_ERRORS_MAX = 64
_UNDEFINED_HEADER = -113
# IEEE 488.2, 11.5.1.1.2: bit 7 of the standard event status register, set when the instrument was switched on.
_POWER_ON = 0x80
# Common practice, no source: a reset that sets relays and attenuators takes some seconds.
_RESET_TIME_S = 10.0


class Instrument(Conversation, ABC):
    """
    One instrument in one role.

    Args:
        name: Its name in the bench file.
        link: The wire, open; the instrument closes it.
        settings: What the bench file says about it.

    Attributes:
        listener: Told of every changed setting, if set.
        settings: What the bench file says about it.

    Raises:
        FileError: The bench file's `dialect:` respells what this driver does not have, or wrongly.
    """

    ROLE: ClassVar[str]
    """The role's name in the bench file."""

    def __init__(self, name: str, link: Link, settings: InstrumentSettings) -> None:
        super().__init__(name, link, settings)
        self.listener: Listener | None = None
        self.settings = settings

    # ---------------------------------------------------------------------------------------- public

    @property
    def address(self) -> str:
        """VISA resource name."""
        return self._link.address

    @property
    def is_closed(self) -> bool:
        return self._closed

    def identify(self) -> Identity:
        """Ask who it is."""
        reply = self._query("identity")
        try:
            return parse_identity(reply)
        except ValueError as error:
            raise self._bad_reply("identity", reply, error) from error

    def options(self) -> str:
        """
        Ask what is fitted; empty if it does not say.

        *OPT? is optional in IEEE 488.2. An instrument without it says nothing but an error -113; that, and only that,
        is taken for an empty answer.
        """
        try:
            return self._query("options").strip().strip('"')
        except LinkTimeout:
            if any(error.number == _UNDEFINED_HEADER for error in self.read_errors()):
                return ""
            raise

    def read_errors(self) -> list[ScpiError]:
        """
        Read the error queue out, which empties it.

        Raises:
            ErrorQueueError: It does not end.
        """
        errors: list[ScpiError] = []
        for _ in range(_ERRORS_MAX):
            reply = self._query("next_error")
            try:
                error = parse_error(reply)
            except ValueError as cause:
                raise self._bad_reply("next_error", reply, cause) from cause
            if not error.is_error:
                return errors
            errors.append(error)
        raise ErrorQueueError(self.name, f"error queue does not end; the first of {_ERRORS_MAX}: {errors[0]}")

    def check_errors(self) -> None:
        """
        Read the error queue out; it must be empty.

        Raises:
            ErrorQueueError: It is not. What was set may not be set, so all settings are forgotten.
        """
        errors = self.read_errors()
        if errors:
            self.forget_settings()
            said = "reports " + ", ".join(str(error) for error in errors)
            raise ErrorQueueError(self.name, said, tuple(error.number for error in errors))

    def prepare(self) -> None:
        """
        Bring it into its known, safe state, read back where it matters, with an empty error queue.

        Raises:
            InstrumentError, LinkError: It is not in that state.
        """
        self.abandon()
        self._send("remote")
        self._send("clear_status")
        self._prepare()
        self.check_errors()

    def make_safe(self) -> None:
        """
        Switch off what can do harm, and read back that it is off. Tries twice; whatever goes wrong is told as one kind
        of error, so that whoever makes a whole bench safe can go on to the next.

        Raises:
            MakeSafeError: It could not be done or not be verified.
            ClosedError: Used after close.
        """
        self._attempt_twice(self.name, self._make_safe, self._shout_safe)

    def abandon(self) -> None:
        """Drop an answer that is due, so that it never becomes the next; forget what was set. Waits for nothing."""
        self._require_open()
        self.forget_settings()
        if self._link.is_waiting:
            self._link.abandon()

    def reopen(self) -> None:
        """
        Drop the connection and make a new one; forget what was set and what was asked for.

        Raises:
            LinkError: Nobody answers there, or another instrument than the first time.
        """
        self.abandon()
        self._link.reopen()

    def was_power_cycled(self) -> bool | None:
        """
        Whether it was switched on since it was prepared, or since this was asked last: the power-on bit, which `prepare`
        clears. None: it has no such register (`event_status` is empty in its dialect), so nobody knows.
        """
        if not self._has("event_status"):
            return None
        reply = self._query("event_status")
        return bool(self._whole("event_status", reply, self._number("event_status", reply)) & _POWER_ON)

    def limit_waits(self, timeout_s: float | None) -> None:
        """
        From here on no single wait for this instrument is longer than this; None: as the bench file says. For making safe:
        an instrument that does not answer must not keep the next one on. [s]
        """
        self._link.limit_waits(timeout_s)

    def check_power(self) -> None:
        """
        It must not have been switched off and on; one that can't say so passes.

        On a wire that does not break then (a bus behind an adapter), nothing else tells.

        Raises:
            PowerCycledError: It was. What was set is forgotten.
        """
        if self.was_power_cycled():
            self.forget_settings()
            raise PowerCycledError(self.name, "was switched off and on since it was prepared; what it was set to is gone")

    def missing_protections(self) -> tuple[str, ...]:
        """Protections that the bench file says, in so many words, this instrument has not. One line each."""
        return ()

    def close(self) -> None:
        """
        Make safe and let go. Closing twice is fine.

        Raises:
            MakeSafeError: It may not be safe; it is let go of all the same.
        """
        if self._closed:
            return
        try:
            self.make_safe()
        finally:
            self.release()

    def release(self) -> None:
        """Let go as it stands, switching nothing. Closing twice is fine."""
        if self._closed:
            return
        self.forget_settings()
        self._closed = True
        self._link.close()

    # ---------------------------------------------------------------------------------------- hooks

    @abstractmethod
    def _prepare(self) -> None:
        """Known, safe state: the role's. The status is clear before, and the error queue is checked after."""

    def _configure(self) -> None:
        """Settings of this dialect that the role does not know: single readings, units. Part of `prepare`."""

    def _make_safe(self) -> None:
        """Switch off and verify; nothing by default."""

    def _shout_safe(self) -> None:
        """What is sent to an instrument that could not be verified off, in case that it listens; nothing by default."""

    # ------------------------------------------------------------------ for roles

    def _reset(self) -> None:
        """*RST, and wait for its end. Never for what may be holding or feeding a part."""
        self._send_and_wait("reset", timeout_s=self._timeout_s + _RESET_TIME_S)
        self.forget_settings()

    def _note(self, setting: str, value: object) -> None:
        if self.listener is not None:
            self.listener(self.name, setting, value)

    def _attempt_twice(self, what: str, act: Callable[[], None], last: Callable[[], None]) -> None:
        self._require_open()
        failure: Exception | None = None
        for _ in range(2):
            # The first attempt may find a broken connection, which the second gets anew.
            try:
                self.abandon()
                act()
            except Exception as error:  # noqa: BLE001 - whatever it is, the other instruments must be made safe too
                failure = error
            else:
                return
        # An instrument that has stopped answering may still do what it is told. It is verified no better than before.
        with contextlib.suppress(Exception):
            last()
        kind = "" if isinstance(failure, BenchkitError) else f"{type(failure).__name__}: "
        raise MakeSafeError([f"{what}: {kind}{failure}"]) from failure
