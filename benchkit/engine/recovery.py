"""
Going on after transient trouble: a time-out, a broken connection, a late or torn reply, a query error, an instrument that was
power-cycled.

Its rules:

1. The part comes first: RF off everywhere, read back; and when anything about the bias can't be verified, the bias is taken
   down by the one make safe before anything else is tried. Whoever waits for an instrument waits with the part unpowered.
2. Nothing is sent twice. What was under way is given up, the instrument's connection made anew (its link verifies that the same
   serial number answers), and the smallest thing that can be begun again is begun again from its start: a ladder, a bias-up, a
   soak. Every command of such a start says where to go, not how far.
3. Nothing is believed that was set before: the instrument is prepared as at the beginning of the run, every protection is set and
   read back, and a bias that stands is read. One whose power-on bit says that it was switched off and on is told; every
   instrument is asked before a ladder counts, for on some wires nothing else tells.
4. A limit is never tried again, nor a protection that has tripped, nor a bench that does not do what it is told.
5. Within bounds (`recover:` in the sequence). Each time is an event of the record. What can't be verified ends as it would have
   ended without: safe, and to be resumed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TypeVar

from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser
from benchkit.engine.journalist import Events, Progress
from benchkit.engine.protections import Protections
from benchkit.engine.set_up import SetUp
from benchkit.errors import (
    BenchkitError,
    ErrorQueueError,
    InstrumentError,
    LimitError,
    LinkError,
    MakeSafeError,
    PowerCycledError,
    ReplyError,
)
from benchkit.roles import Chamber, Instrument, NetworkAnalyser, Source, Supply, Switch
from benchkit.sequence.recover import RecoverSettings

__all__ = ["RECOVERED", "Recovery", "is_transient"]

RECOVERED = "recovered"
"""Event of each time that something was begun again."""

HOUR_S = 3600.0
POLL_S = 1.0
# While the bias stands nobody waits longer than this for an answer: RF to be off, an instrument to come back.
RF_OFF_WAIT_S, BIASED_WAIT_S = 0.3, 1.0
# The part is unpowered then.
UNPOWERED_WAIT_S = 2.0
# SCPI-1999 Vol 2, 21.8: -4xx query errors (interrupted, unterminated, deadlocked), -36x communication errors, -500 power on.
# They say that a message went wrong on its way; command and execution errors say that the bench is not what it should be.
_ON_THE_WAY = (*range(-499, -399), *range(-369, -359), -500)

# Roles that feed the part.
_OF_THE_PART = (Supply, Switch, Source, NetworkAnalyser)

T = TypeVar("T")


def is_transient(error: BaseException) -> bool:
    """Whether an error by itself is one of a message on its way."""
    if isinstance(error, ErrorQueueError):
        return bool(error.numbers) and all(number in _ON_THE_WAY for number in error.numbers)
    return isinstance(error, LinkError | ReplyError | PowerCycledError)


class Recovery:
    """
    One run's.

    Args:
        instruments_calibrated: Network analysers whose calibration the plan uses: one that was power-cycled is not gone on with,
            since what it was calibrated for is no more.

    Attributes:
        count: How often something was begun again.
        gave_up: Why not once more; for the record, after make safe. "" while nothing was given up.
        chamber_lost: A chamber was power-cycled: the temperature has to be reached anew. Whoever does so resets it.
    """

    def __init__(
        self,
        bench: OpenBench,
        settings: RecoverSettings,
        file_name: str,
        clock: Clock,
        events: Events,
        progress: Progress,
        protections: Protections,
        set_up: SetUp,
        instruments_calibrated: frozenset[str] = frozenset(),
    ) -> None:
        self.count = 0
        self.gave_up = ""
        self.chamber_lost = False
        self._bench, self._settings, self._file_name = bench, settings, file_name
        self._clock, self._events, self._progress = clock, events, progress
        self._protections, self._set_up, self._calibrated = protections, set_up, instruments_calibrated
        self._times_s: deque[float] = deque()
        self._cycled: set[str] = set()

    def repeat(self, what: str, act: Callable[[], T], biaser: Callable[[], Biaser | None], after: Callable[[bool], None]) -> T:
        """
        Do something that can be begun again, and begin it again after transient trouble.

        Args:
            what: For the record.
            act: From its start, whether the part is still biased or not.
            biaser: The channel that is, or may be, powered now; None: nothing is.
            after: Called when the part is safe and the bench is in order again, with whether the bias stands.

        Raises:
            BenchkitError: What `act` raised: it is not transient, or what it takes to go on could not be verified, or the bounds
                are reached.
        """
        attempts = 0
        while True:
            try:
                return act()
            except (LinkError, InstrumentError) as error:
                if not self._settings.attempts or error.instrument not in self._bench.instruments:
                    raise
                attempts += 1
                try:
                    stands, told = self._restore(error, biaser(), attempts, what)
                except LimitError:
                    raise  # while it was read again: more than the trouble before
                except BenchkitError as another:
                    if another is not error and not self.gave_up:
                        self.gave_up = f"{what} was not begun again: {another}"
                    raise error from None
                self.count += 1
                after(stands)
                self._events.note(
                    RECOVERED,
                    f"{error}; {'; '.join(told)}; {what} is begun again, time {attempts} of at most {self._settings.attempts}, "
                    f"{self.count} in this run",
                    "warning",
                )

    def take_down(self, biaser: Biaser | None) -> None:
        """
        The part unpowered, verified, the chamber left where it is: for a condition that is given up while the run goes on.

        Raises:
            MakeSafeError: Not verified.
        """
        idle_degc, self._bench.idle_temperature_degc = self._bench.idle_temperature_degc, None
        try:
            self._bench.make_safe()
        finally:
            self._bench.idle_temperature_degc = idle_degc
        if biaser is not None and biaser.state is not BiasState.UNPOWERED:
            biaser.made_safe()

    # ------------------------------------------------------------------ one restoration

    def _restore(
        self, error: LinkError | InstrumentError, biaser: Biaser | None, attempts: int, what: str
    ) -> tuple[bool, list[str]]:
        """Whether the bias stands, and what was found."""
        # The bit is cleared by being read, and whoever raised this has read it.
        self._cycled = {error.instrument} if isinstance(error, PowerCycledError) else set()
        if not is_transient(error):
            # It does not do what it is told, unless it was switched off and on. Asked with the part unpowered.
            self.take_down(biaser)
            troubled = self._power_cycled()
            if not troubled:
                raise error
        else:
            troubled = {error.instrument}
        self._spend(attempts, what)
        told: list[str] = []
        for _ in range(1 + len(self._bench.instruments)):
            try:
                return self._once(troubled, biaser, told), told
            except (LinkError, ReplyError, ErrorQueueError) as another:
                # One more in trouble at the same time, or the same once more; each round waits at most `wait` for each.
                if not is_transient(another) or another.instrument not in self._bench.instruments:
                    raise
                told.append(f"at the same time {another}")
                troubled.add(another.instrument)
        raise error

    def _spend(self, attempts: int, what: str) -> None:
        now_s, name = self._clock.monotonic(), self._file_name
        while self._times_s and now_s - self._times_s[0] > HOUR_S:
            self._times_s.popleft()
        for count, limit, words, key in (
            (attempts, self._settings.attempts, "was begun again", "attempts"),
            (len(self._times_s) + 1, self._settings.per_hour, "in the last hour something was begun again", "per_hour"),
        ):
            if count > limit:
                self.gave_up = f"{what} was not begun again: {words} {limit} times, which is the limit ({name}: recover.{key})"
                raise InstrumentError("bench", self.gave_up)
        self._times_s.append(now_s)

    def _once(self, troubled: set[str], biaser: Biaser | None, told: list[str]) -> bool:
        instruments = self._bench.instruments
        self._clock.sleep(0.0)  # a heartbeat: each of these steps is bounded, all of them together may be long
        is_down = biaser is None or biaser.state not in (BiasState.BIASED, BiasState.DRIVEN)
        # Without their word nobody knows what the part sees; and make safe switches RF off first, waiting for no one.
        is_down = is_down or any(isinstance(instruments[name], _OF_THE_PART) for name in troubled)
        is_down = is_down or self._rf_off(troubled)
        self._give_up_readings()
        if biaser is not None and biaser.state is BiasState.DRIVEN and not is_down:
            biaser.rf_off()
        back: set[str] = set()
        self._clock.sleep(0.0)
        if not is_down:
            try:
                for name in sorted(troubled):
                    self._reopen(name, BIASED_WAIT_S)
                    back.add(name)
            except LinkError:
                is_down = True  # whoever waits, waits unpowered
        unsafe = self._down(biaser) if is_down else None
        self._clock.sleep(0.0)
        for name in sorted(troubled - back):
            self._await(name)
        if unsafe is not None:
            self.take_down(biaser)
        told += self._examine(troubled, biaser)
        if self.chamber_lost and not is_down:
            self.take_down(biaser)
            is_down = True
        for name in sorted(troubled):
            self._clock.sleep(0.0)
            instruments[name].prepare()
        self._set_up.set_protections()
        self._set_up.set_functions()
        if any(isinstance(instruments[name], Chamber) for name in troubled) and not self.chamber_lost:
            self._set_up.hold_temperature()
        if is_down or biaser is None:
            told.append("the part was taken down to unpowered")
            return False
        return self._verify(biaser, told)

    def _rf_off(self, troubled: set[str]) -> bool:
        """RF off everywhere, read back. True: not verified, so that the bias must go too."""
        is_open = False
        for one in self._bench.instruments.values():
            if isinstance(one, Source | NetworkAnalyser):
                one.limit_waits(RF_OFF_WAIT_S)
                try:
                    one.make_safe()
                except MakeSafeError:
                    is_open = True
                    troubled.add(one.name)
                finally:
                    one.limit_waits(None)
        return is_open

    def _give_up_readings(self) -> None:
        """Whatever was asked for and not collected; it must never become the next answer."""
        for one in self._bench.instruments.values():
            if getattr(one, "is_armed", False):
                one.abandon()

    def _down(self, biaser: Biaser | None) -> MakeSafeError | None:
        try:
            self.take_down(biaser)
        except MakeSafeError as unsafe:
            self._events.note("not verified safe", f"{unsafe}; waiting for it to answer", "error")
            return unsafe
        return None

    def _reopen(self, name: str, wait_s: float) -> None:
        instrument = self._bench.instruments[name]
        instrument.limit_waits(wait_s)
        try:
            instrument.reopen()
        finally:
            instrument.limit_waits(None)

    def _await(self, name: str) -> None:
        """Until it answers, as the same instrument. The part is unpowered, or as near to that as could be had."""
        begin_s = self._clock.monotonic()
        while True:
            try:
                self._reopen(name, UNPOWERED_WAIT_S)
            except LinkError as error:
                if self._clock.monotonic() - begin_s >= self._settings.wait_s:
                    waited = f"did not answer again within {self._settings.wait_s:g} s ({self._file_name}: recover.wait)"
                    raise InstrumentError(name, f"{waited}: {error}") from error
                self._progress.waiting(f"{name} does not answer; waiting for it to come back")
                self._clock.sleep(POLL_S)
            else:
                return

    def _power_cycled(self) -> set[str]:
        """Who was, of all; whoever does not even answer is in trouble too."""
        found = set()
        for name, one in self._bench.instruments.items():
            try:
                if one.was_power_cycled():
                    self._cycled.add(name)
                    found.add(name)
            except (LinkError, ReplyError):
                found.add(name)
        return found

    def _examine(self, troubled: set[str], biaser: Biaser | None) -> list[str]:
        """
        What the instruments that are back say of themselves.

        Raises:
            InstrumentError: A protection has tripped, or a calibrated network analyser was power-cycled.
        """
        if biaser is not None:
            hookup = biaser.hookup
            for pin in (*hookup.drains, *hookup.gates, *hookup.held_gates):
                if pin.supply.is_tripped(pin.output):
                    raise InstrumentError(
                        pin.supply.name,
                        f"output {pin.output} ({pin.label}): its protection has tripped, so the part drew more than it may. "
                        "Look at the part before it is powered again",
                    )
        told = []
        for name in sorted(troubled):
            instrument = self._bench.instruments[name]
            cycled = instrument.was_power_cycled()
            if cycled:
                self._cycled.add(name)  # the bit is cleared by being read
            cycled = cycled if cycled is None else name in self._cycled
            if isinstance(instrument, Chamber) and cycled is not False:
                self.chamber_lost = True
            if cycled and name in self._calibrated:
                raise InstrumentError(
                    name, "was switched off and on, and its calibration is worth nothing any more; resume the run"
                )
            told.append(_said(instrument, cycled))
        return told

    def _verify(self, biaser: Biaser, told: list[str]) -> bool:
        """The bias stands as it was set, and no protection has tripped; if not, it is taken down in order."""
        try:
            biaser.read()
            self._protections.after_bias_up(biaser.hookup)
        except InstrumentError as error:
            self.take_down(biaser)
            told.append(f"the bias could not be verified ({error}), so the part was taken down to unpowered")
            return False
        told.append("the bias stands, read back")
        return True


def _said(instrument: Instrument, cycled: bool | None) -> str:
    if cycled is None:
        return f"{instrument.name} answers again; it does not say whether it was switched off and on; everything is set anew"
    if cycled:
        return f"{instrument.name} was switched off and on, and answers again; everything in it is set anew"
    return f"{instrument.name} answers again, the same instrument, and was not switched off meanwhile; everything is set anew"
