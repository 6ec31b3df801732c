"""Faults of what instruments say: junk, no number, nothing, late, half."""

from __future__ import annotations

import re

from sim_instruments.faults.base import READINGS, Excuse, Scene, TwinFault, is_reading, unverifiable_excuses
from sim_instruments.instruments import Reply

__all__ = ["Garbage", "HalfAnswer", "Late", "NoNumber", "Repeats", "Silent"]

JUNK = b"@@\x1b#?:0x9F,,--1E\n"
# SCPI-1999 Vol 1, 7.2.1.5: what stands for "not a number".
NOT_A_NUMBER = b"9.91E+37"
_NUMBER = re.compile(rb"[+-]?[0-9]+(?:\.[0-9]*)?(?:E[+-]?[0-9]+)?")


class _NoAnswers(TwinFault):
    """Nothing that it says can be believed, for good."""

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return unverifiable_excuses(scene)


class Garbage(_NoAnswers):
    """From now on every answer is line noise."""

    NAME = "garbage"
    TELLS = "every answer of an instrument is junk"

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        return Reply(JUNK, reply.ready_at)


class NoNumber(_NoAnswers):
    """From now on every reading is "not a number"; other questions are answered as usual."""

    NAME = "no-number"
    TELLS = "every reading of an instrument is 9.91E37, SCPI's word for not a number"
    PLACES = READINGS

    def __init__(self) -> None:
        self._reads = False

    def hears(self, scene: Scene, message: bytes, t: float) -> bytes | None:
        if b"?" in message:
            self._reads = is_reading(message)
        return message

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        return Reply(_NUMBER.sub(NOT_A_NUMBER, reply.data), reply.ready_at) if self._reads else reply


class Repeats(_NoAnswers):
    """From now on every reading is the first one again, to the last digit; it hangs, and its remote side does not."""

    NAME = "repeats"
    TELLS = "a power meter answers every reading with the same one"
    PLACES = ("power meter",)

    def __init__(self) -> None:
        self._reads = False
        self._first = b""

    def hears(self, scene: Scene, message: bytes, t: float) -> bytes | None:
        if b"?" in message:
            self._reads = is_reading(message)
        return message

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        if not self._reads:
            return reply
        self._first = self._first or reply.data
        return Reply(self._first, reply.ready_at)


class Silent(_NoAnswers):
    """From now on it does what it is told and never answers."""

    NAME = "silent"
    TELLS = "an instrument obeys and never answers again"

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        return None


class _OneReading(TwinFault):
    """Something that happens to one reading."""

    PLACES = READINGS

    def __init__(self) -> None:
        self._reads = self._done = False

    def hears(self, scene: Scene, message: bytes, t: float) -> bytes | None:
        if b"?" in message:
            self._reads = is_reading(message)
        return message

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        if self._done or not self._reads:
            return reply
        self._done = True
        return self._changed(scene, reply)

    def _changed(self, scene: Scene, reply: Reply) -> Reply:
        raise NotImplementedError


class Late(_OneReading):
    """One reading's answer comes after everybody has given up waiting; it must never be taken for the next answer."""

    NAME = "late"
    TELLS = "one reading is answered after its time-out"

    def _changed(self, scene: Scene, reply: Reply) -> Reply:
        timeout_s = scene.bench.file.instruments[scene.instrument.name].timeout_s
        return Reply(reply.data, reply.ready_at + 1.5 * timeout_s)


class HalfAnswer(_OneReading):
    """One reading's answer breaks off in the middle. Half of 13.5 is 13: the trap is a number that still reads as one."""

    NAME = "half-answer"
    TELLS = "one reading's answer breaks off half-way"

    def _changed(self, scene: Scene, reply: Reply) -> Reply:
        return Reply(reply.data[: max(1, len(reply.data) // 2)], reply.ready_at)
