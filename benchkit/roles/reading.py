"""
Readings in two steps: `arm` starts one, `collect` waits for it. So one thread has every instrument working at once.

Arming sends one message that both starts the reading and asks for it; collecting reads the one answer.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from benchkit.errors import MisuseError
from benchkit.link import Link
from benchkit.roles.instrument import Instrument
from benchkit.roles.settings import InstrumentSettings

__all__ = ["ReadingInstrument"]

Reply = TypeVar("Reply", str, bytes)


class ReadingInstrument(Instrument):
    """An instrument that is read. See Instrument for the arguments."""

    def __init__(self, name: str, link: Link, settings: InstrumentSettings) -> None:
        super().__init__(name, link, settings)
        self._question: str | None = None
        self._reading_timeout_s = settings.timeout_s
        # A reading that was given up may still be under way in the instrument: INITiate would be ignored (-213), and
        # FETCh? would answer that old reading. It is aborted before the next one.
        self._must_abort = False

    @property
    def is_armed(self) -> bool:
        """Whether a reading was started and not collected."""
        return self._question is not None

    def abandon(self) -> None:
        super().abandon()
        if self._question is not None:
            self._question = None
            self._must_abort = True

    def _abort(self) -> None:
        """Give up a reading under way. Nothing by default, for instruments that read when asked."""

    def _arm(self, question: str) -> None:
        """Start a reading by asking for it."""
        if self._question is not None:
            self._require_open()
            raise MisuseError(f"{self.name}: armed twice; the reading asked for by {self._question!r} was not collected")
        if self._must_abort:
            self._abort()
            self._must_abort = False
        try:
            self._link.ask(question)
        except MisuseError:
            raise
        except BaseException:
            self.forget_settings()
            raise
        self._question = question

    def _collect(self) -> tuple[str, str]:
        """The question that was armed, and its answer."""
        return self._take(self._link.answer)

    def _collect_block(self) -> tuple[str, bytes]:
        """The question that was armed, and its answer, which is one block: its bytes."""
        return self._take(self._link.answer_block)

    def _take(self, answer: Callable[..., Reply]) -> tuple[str, Reply]:
        question = self._question
        if question is None:
            self._require_open()
            raise MisuseError(f"{self.name}: collect() without arm()")
        self._question = None
        # Until the answer is here: a time-out or an interrupt leaves the reading under way.
        self._must_abort = True
        try:
            reply = answer(timeout_s=self._reading_timeout_s)
        except MisuseError:
            raise
        except BaseException:
            self.forget_settings()
            raise
        self._must_abort = False
        return question, reply

    def release(self) -> None:
        super().release()
        self._question = None
