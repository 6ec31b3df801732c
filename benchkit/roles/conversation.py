"""
How roles and drivers talk to one instrument: commands by name, replies as values, and every foreign error named.

What is asked by name is what the driver's COMMANDS say, or the bench file's `dialect:` instead. A reply that is not
what the question allows becomes a ReplyError that shows both. When the wire fails, what was set is forgotten: the
link drops its connection then, and what the instrument was told before may be lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from benchkit.errors import ClosedError, FileError, Mistake, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.roles.channels import parse_channel_list
from benchkit.roles.dialect import read_dialect
from benchkit.roles.settings import InstrumentSettings
from benchkit.scpi import join, parse_boolean, parse_identity, parse_number

__all__ = ["Conversation"]

_SHOWN = 60
# Making safe waits no longer than this for one answer: other instruments are waiting to be made safe.
_SAFE_TIMEOUT_S = 2.0


class Conversation:
    """The talking half of an instrument; see Instrument for the arguments."""

    COMMANDS: ClassVar[Mapping[str, str]] = {}
    """The driver's commands: templates by name."""
    VALUES: ClassVar[Mapping[str, str]] = {}
    """Plain values that a dialect may change as well: resolutions, fixed units."""
    MAY_BE_EMPTY: ClassVar[frozenset[str]] = frozenset()
    """Commands an instrument may not have; empty, nothing is sent."""

    COMMON_COMMANDS: ClassVar[Mapping[str, str]] = {
        "identity": "*IDN?",
        "options": "*OPT?",
        "remote": "",
        "clear_status": "*CLS",
        "reset": "*RST",
        "event_status": "*ESR?",
        "wait": "*OPC?",
        "next_error": ":SYST:ERR?",
    }
    """
    Of every instrument (IEEE 488.2; SCPI-1999 Vol 2, 21.8). `remote` is sent first of all: some instruments take no
    settings before they have heard it.
    """
    COMMON_MAY_BE_EMPTY: ClassVar[frozenset[str]] = frozenset({"options", "remote", "reset", "event_status"})

    def __init__(self, name: str, link: Link, settings: InstrumentSettings) -> None:
        self.name = name
        self._link = link
        self._timeout_s = settings.timeout_s
        self._closed = False
        dialect = read_dialect(
            {**self.COMMON_COMMANDS, **self.COMMANDS},
            self.VALUES,
            settings.dialect,
            may_be_empty=self.MAY_BE_EMPTY | self.COMMON_MAY_BE_EMPTY,
            instrument=name,
        )
        self._absent = dialect.absent
        self._commands = dialect.commands
        self._values = dialect.values

    def forget_settings(self) -> None:
        """Forget what was set: each setting is sent again when it is asked for next."""

    def _has(self, command: str) -> bool:
        """Whether the instrument has `command`: the driver or the bench file may say it has not."""
        return command not in self._absent

    def _send(self, command: str, **fields: object) -> None:
        """Send a command. One that the instrument has not is not sent."""
        message = self._commands[command](**fields)
        if message:
            self._write(message)

    def _send_and_wait(self, command: str, *, timeout_s: float, **fields: object) -> None:
        """Send a command and wait until it is done. One that the instrument has not is not sent."""
        message = self._commands[command](**fields)
        if message:
            self._query_message(join(message, self._commands["wait"]()), timeout_s)

    def _shout(self, command: str, **fields: object) -> None:
        """Send a command to whoever listens at the address: the last that can be done where nobody answers."""
        message = self._commands[command](**fields)
        if message:
            self.forget_settings()
            self._link.shout(message)

    def _write(self, message: str) -> None:
        try:
            self._link.write(message)
        except MisuseError:
            raise
        except BaseException:
            self.forget_settings()
            raise

    def _query(self, command: str, **fields: object) -> str:
        """Send a question and read its answer. One that the instrument has not is answered by nothing."""
        message = self._commands[command](**fields)
        return self._query_message(message) if message else ""

    def _query_message(self, message: str, timeout_s: float | None = None) -> str:
        try:
            return self._link.query(message, timeout_s=self._timeout_s if timeout_s is None else timeout_s)
        except MisuseError:
            raise
        except BaseException:
            self.forget_settings()
            raise

    def _query_block(self, message: str) -> bytes:
        """Send a question and read its answer, which is one block: its bytes."""
        try:
            return self._link.query_block(message, timeout_s=self._timeout_s)
        except MisuseError:
            raise
        except BaseException:
            self.forget_settings()
            raise

    def _number(self, question: str, reply: str) -> float:
        try:
            return parse_number(reply)
        except ValueError as error:
            raise self._bad_reply(question, reply, error) from error

    def _whole(self, question: str, reply: str, value: float) -> int:
        """A number that must be a whole one."""
        if not value.is_integer():
            raise self._bad_reply(question, reply, f"{value:g} is not a whole number")
        return int(value)

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

    def _query_pair(self, command: str, **fields: object) -> tuple[float, float]:
        """Ask two numbers in one message: `-40;125`."""
        reply = self._query(command, **fields)
        first, separator, second = reply.replace(",", ";").partition(";")
        if not separator:
            raise self._bad_reply(command, reply, "one number instead of two")
        return self._number(command, first), self._number(command, second)

    def _query_channel_list(self, command: str, **fields: object) -> tuple[int, ...]:
        """Ask a list of channels: `(@101,103:105)`."""
        reply = self._query(command, **fields)
        try:
            return parse_channel_list(reply)
        except ValueError as error:
            raise self._bad_reply(command, reply, error) from error

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
                [
                    Mistake(
                        "bench file",
                        None,
                        f"instruments.{self.name}.dialect.{name}",
                        f"{text!r} is not a number above 0",
                    )
                ]
            )
        return value

    def _require_open(self) -> None:
        if self._closed:
            raise ClosedError(f"{self.name}: used after close")
