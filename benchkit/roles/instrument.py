"""
What every instrument promises, whatever its role.

The public methods keep the promise: limits, order, cache, log. A driver fills hooks (underscored) of one to three lines, each
a command of its `COMMANDS`. Rules that hold for all roles:

- A setting that is set already is not sent again. What is remembered is dropped (`forget_settings`) whenever it may be
  wrong: the wire failed, the instrument reported errors, an answer was abandoned.
- Switching an output on or off is never remembered: it is sent each time.
- What was switched off is read back by a question whose answer can't be mistaken for another, late one: the state and,
  in the same message, *IDN?, which the standard lets stand only at the end of a message.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import ClassVar

from benchkit.errors import (
    BenchkitError,
    ClosedError,
    ErrorQueueError,
    FileError,
    LinkError,
    LinkTimeout,
    MakeSafeError,
    Mistake,
    ReplyError,
)
from benchkit.link import Link
from benchkit.roles.dialect import read_dialect
from benchkit.roles.settings import InstrumentSettings
from benchkit.scpi import Identity, ScpiError, join, parse_boolean, parse_error, parse_identity, parse_number

__all__ = ["Instrument", "Listener"]

Listener = Callable[[str, str, object], None]
"""Told of every setting that was changed: instrument, setting, value in the unit the setting's name carries."""

_SHOWN = 60
# No queue is this long; an instrument that has more to say does not empty it by being asked.
_ERRORS_MAX = 64
# Making safe waits no longer than this for one answer: other instruments are waiting to be made safe.
_SAFE_TIMEOUT_S = 2.0
_UNDEFINED_HEADER = -113


class Instrument(ABC):
    """
    One instrument in one role.

    Args:
        name: Its name in the bench file.
        link: The wire, open; the instrument closes it.
        settings: What the bench file says about it.

    Attributes:
        listener: Told of every changed setting, if set.

    Raises:
        FileError: The bench file's `dialect:` respells what this driver does not have, or wrongly.
    """

    ROLE: ClassVar[str]
    """The role's name in the bench file."""
    COMMANDS: ClassVar[Mapping[str, str]] = {}
    """The driver's commands: templates by name."""
    VALUES: ClassVar[Mapping[str, str]] = {}
    """Plain values that a dialect may change as well: resolutions, fixed units."""
    MAY_BE_EMPTY: ClassVar[frozenset[str]] = frozenset()
    """Commands an instrument may not have; empty, nothing is sent."""

    COMMON_COMMANDS: ClassVar[Mapping[str, str]] = {
        "identity": "*IDN?",
        "options": "*OPT?",
        "clear_status": "*CLS",
        "next_error": ":SYST:ERR?",
    }
    """Of every instrument (IEEE 488.2, SCPI-1999 Vol 2, 21.8)."""

    def __init__(self, name: str, link: Link, settings: InstrumentSettings) -> None:
        self.name = name
        self.listener: Listener | None = None
        self._link = link
        self._timeout_s = settings.timeout_s
        self._closed = False
        dialect = read_dialect(
            {**self.COMMON_COMMANDS, **self.COMMANDS},
            self.VALUES,
            settings.dialect,
            may_be_empty=self.MAY_BE_EMPTY | {"options"},
            instrument=name,
        )
        self._templates = dialect.templates
        self._commands = dialect.commands
        self._values = dialect.values

    # ------------------------------------------------------------------------------------------------ public

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

        *OPT? is optional in IEEE 488.2. An instrument without it says nothing but an error -113; that, and only that, is
        taken for an empty answer.
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
            raise ErrorQueueError(self.name, "reports " + ", ".join(str(error) for error in errors))

    def prepare(self) -> None:
        """
        Bring it into its known, safe state, read back where it matters, with an empty error queue.

        Raises:
            InstrumentError, LinkError: It is not in that state.
        """
        self.abandon()
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
        self._attempt_twice(self.name, self._make_safe)

    def abandon(self) -> None:
        """Drop an answer that is due, so that it can never become the next; and forget what was set. Waits for nothing."""
        self._require_open()
        self.forget_settings()
        if self._link.is_waiting:
            self._link.abandon()

    def forget_settings(self) -> None:
        """Forget what was set: each setting is sent again when it is asked for next."""

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

    # ------------------------------------------------------------------------------------------------ hooks

    @abstractmethod
    def _prepare(self) -> None:
        """Known, safe state. The status is clear before, and the error queue is checked after."""

    def _make_safe(self) -> None:
        """Switch off and verify; nothing by default, for instruments that only look."""

    # ------------------------------------------------------------------------------------------------ for roles, drivers

    def _has(self, command: str) -> bool:
        """Whether the instrument has `command`: the bench file may say it has not."""
        return bool(self._templates[command])

    def _send(self, command: str, **fields: object) -> None:
        """Send a command. One that the instrument has not is not sent."""
        message = self._commands[command](**fields)
        if message:
            self._write(message)

    def _write(self, message: str) -> None:
        try:
            self._link.write(message)
        except LinkError:
            self.forget_settings()
            raise

    def _query(self, command: str, **fields: object) -> str:
        """Send a question and read its answer. One that the instrument has not is answered by nothing."""
        message = self._commands[command](**fields)
        return self._query_message(message) if message else ""

    def _query_message(self, message: str, timeout_s: float | None = None) -> str:
        try:
            return self._link.query(message, timeout_s=self._timeout_s if timeout_s is None else timeout_s)
        except LinkError:
            self.forget_settings()
            raise

    def _number(self, question: str, reply: str) -> float:
        try:
            return parse_number(reply)
        except ValueError as error:
            raise self._bad_reply(question, reply, error) from error

    def _boolean(self, question: str, reply: str) -> bool:
        try:
            return parse_boolean(reply)
        except ValueError as error:
            raise self._bad_reply(question, reply, error) from error

    def _query_number(self, command: str, **fields: object) -> float:
        return self._number(command, self._query(command, **fields))

    def _query_boolean(self, command: str, **fields: object) -> bool:
        return self._boolean(command, self._query(command, **fields))

    def _query_protection(self, command: str, **fields: object) -> tuple[float, bool]:
        """Ask a level and, if the command asks that too, whether it is switched on: `8.0;1`."""
        reply = self._query(command, **fields)
        level, separator, state = reply.partition(";")
        return self._number(command, level), self._boolean(command, state) if separator else True

    def _query_verified(self, command: str, **fields: object) -> str:
        """Ask something together with *IDN?, so that no late answer to another question can pass for this one's."""
        message = join(self._commands[command](**fields), self._commands["identity"]())
        reply = self._query_message(message, min(self._timeout_s, _SAFE_TIMEOUT_S))
        state, _, identity = reply.partition(";")
        try:
            parse_identity(identity)
        except ValueError as error:
            raise self._bad_reply(message, reply, error) from error
        return state

    def _query_output(self, command: str, **fields: object) -> bool:
        """Ask whether an output is on."""
        return self._boolean(command, self._query_verified(command, **fields))

    def _bad_reply(self, question: str, reply: str, cause: Exception | str) -> ReplyError:
        """The error for a reply that is not what the question allows; `question` is a command's name or a message."""
        shown = reply if len(reply) <= _SHOWN else f"{reply[:_SHOWN]}... ({len(reply)} characters)"
        return ReplyError(self.name, f"asked {question!r}, it answered {shown!r}: {cause}")

    def _value_number(self, name: str) -> float:
        """
        One of the driver's values as a number, zero or above.

        Raises:
            FileError: The bench file respells it as something else.
        """
        text = self._values[name]
        try:
            value = parse_number(text)
        except ValueError:
            value = -1.0
        if not 0.0 <= value < 1e37:
            raise FileError(
                [Mistake("bench file", None, f"instruments.{self.name}.dialect.{name}", f"{text!r} is not a number above 0")]
            )
        return value

    def _note(self, setting: str, value: object) -> None:
        if self.listener is not None:
            self.listener(self.name, setting, value)

    def _require_open(self) -> None:
        if self._closed:
            raise ClosedError(f"{self.name}: used after close")

    def _attempt_twice(self, what: str, act: Callable[[], None]) -> None:
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
        kind = "" if isinstance(failure, BenchkitError) else f"{type(failure).__name__}: "
        raise MakeSafeError([f"{what}: {kind}{failure}"]) from failure
