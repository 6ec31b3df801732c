"""Opening and closing the lot, and making it safe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any, cast

from benchkit.bench.load import Bench
from benchkit.bench.make_safe import make_bench_safe
from benchkit.clock import Clock
from benchkit.errors import BenchkitError, MakeSafeError, MisuseError
from benchkit.link import LinkLog, VisaLink, open_library
from benchkit.link.library import Hands
from benchkit.roles import Analyser, Chamber, Instrument, NetworkAnalyser, PowerMeter, Source, Supply, Switch, Voltmeter
from benchkit.roles.drivers import driver_class

__all__ = ["IdentityRow", "OpenBench", "open_bench"]


@dataclass(frozen=True)
class IdentityRow:
    """One instrument as it introduced itself; `trouble` says why not."""

    name: str
    role: str
    address: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    options: str = ""
    errors: tuple[str, ...] = ()
    trouble: str = ""


class OpenBench:
    """Every instrument that was asked for, open. Use as a context manager; leaving it makes safe and closes."""

    def __init__(
        self, bench: Bench, clock: Clock, instruments: Mapping[str, Instrument], hands: Hands | None = None
    ) -> None:
        self.bench = bench
        self.hands = hands
        """Who connects parts and standards by itself: a simulated bench's. None: a person must be asked."""
        self.instruments = dict(instruments)
        self._clock = clock
        self._closed = False
        self._made_safe = False
        self.hold_gate_v: float | None = None
        """Where a gate is held when its drain can't be switched off; the engine sets it to the pinch-off voltage."""
        self.idle_temperature_degc: float | None = None
        """Where the chamber is sent by make_safe(); None while no temperature was set."""

    def __enter__(self) -> OpenBench:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _typed(self, name: str, role: type) -> Any:
        instrument = self.instruments.get(name)
        if not isinstance(instrument, role):
            raise MisuseError(f"{name} is not an open {role.__name__}")
        return instrument

    def source(self, name: str) -> Source:
        return cast(Source, self._typed(name, Source))

    def power_meter(self, name: str) -> PowerMeter:
        return cast(PowerMeter, self._typed(name, PowerMeter))

    def analyser(self, name: str) -> Analyser:
        return cast(Analyser, self._typed(name, Analyser))

    def network_analyser(self, name: str) -> NetworkAnalyser:
        return cast(NetworkAnalyser, self._typed(name, NetworkAnalyser))

    def supply(self, name: str) -> Supply:
        return cast(Supply, self._typed(name, Supply))

    def voltmeter(self, name: str) -> Voltmeter:
        return cast(Voltmeter, self._typed(name, Voltmeter))

    def chamber(self, name: str) -> Chamber:
        return cast(Chamber, self._typed(name, Chamber))

    def switch(self, name: str) -> Switch:
        return cast(Switch, self._typed(name, Switch))

    def identify(self) -> list[IdentityRow]:
        """Ask every instrument who it is; one that does not answer is told, and does not stop the others."""
        rows = []
        for name, instrument in self.instruments.items():
            settings = self.bench.file.instruments[name]
            try:
                identity = instrument.identify()
                options = instrument.options()
                errors = tuple(str(error) for error in instrument.read_errors())
            except BenchkitError as error:
                rows.append(IdentityRow(name, settings.role, settings.address, trouble=str(error)))
                continue
            rows.append(
                IdentityRow(
                    name, settings.role, settings.address, identity.maker, identity.model, identity.serial,
                    identity.firmware, options, errors,
                )
            )
        return rows

    def prepare(self) -> tuple[str, ...]:
        """
        Bring every instrument into its known, safe state.

        A bench that is found energised (a run that died, somebody's hand) is made safe as a whole first: instrument by
        instrument, a gate might go before its drain.

        Returns:
            What was found on; empty: nothing.

        Raises:
            MakeSafeError: What was found on could not be verified off; nothing else was done.
            InstrumentError, LinkError: The first instrument that cannot.
        """
        found = tuple(self._found_on())
        if found:
            self.make_safe()
            self._made_safe = False
        for instrument in self.instruments.values():
            instrument.prepare()
        return found

    def _found_on(self) -> Iterator[str]:
        for name, instrument in self.instruments.items():
            if isinstance(instrument, Source | NetworkAnalyser):
                if instrument.is_output_on():
                    yield f"RF of {name}"
            elif isinstance(instrument, Supply):
                for output in instrument.channels:
                    if instrument.is_output_on(output):
                        yield f"output {output} of {name}"

    def make_safe(self) -> None:
        """
        RF off, then drain off, then gate off, each read back; the chamber sent to idle. See benchkit.bench.make_safe for its
        rules. May be called again, and is by every exit.

        Raises:
            MakeSafeError: Lists everything that could not be switched off or verified, and what to do about it.
        """
        self._made_safe = True
        failures = make_bench_safe(
            self.bench.file,
            self.instruments,
            self._clock,
            hold_gate_v=self.hold_gate_v,
            idle_temperature_degc=self.idle_temperature_degc,
        )
        if failures:
            raise MakeSafeError(failures)

    def close(self) -> None:
        """
        Make safe unless that was done, then let go of every instrument. Closing twice is fine.

        Raises:
            MakeSafeError: As make_safe(); every link is closed all the same.
        """
        if self._closed:
            return
        self._closed = True
        failures: list[str] = []
        if not self._made_safe:
            try:
                self.make_safe()
            except MakeSafeError as error:
                failures.extend(error.failures)
        try:
            self.release()
        except MakeSafeError as error:
            failures.extend(error.failures)
        if failures:
            raise MakeSafeError(failures)

    def release(self) -> None:
        """Let go of every instrument as it stands: for who has only asked, and switched nothing."""
        self._closed = True
        failures: list[str] = []
        for name, instrument in self.instruments.items():
            try:
                instrument.release()
            except BenchkitError as error:
                failures.append(f"closing {name}: {error}")
        if failures:
            raise MakeSafeError(failures)


def open_bench(
    bench: Bench,
    clock: Clock,
    *,
    only: Iterable[str] | None = None,
    library: str | None = None,
    library_options: Mapping[str, object] | None = None,
    link_log: LinkLog | None = None,
) -> OpenBench:
    """
    Open the instruments of a bench. Nothing is sent but what a driver needs to know that somebody answers.

    Args:
        only: Names to open; default: all.
        library: VISA library instead of the bench file's, e.g. "twin".
        library_options: Handed to the library, for ours.

    Raises:
        LinkError: An instrument cannot be reached; those opened before are closed.
    """
    name = library or bench.file.link.library
    visa = open_library(name, clock, **(library_options or {}))
    wanted = set(bench.file.instruments) if only is None else set(only)
    instruments: dict[str, Instrument] = {}
    try:
        for instrument_name, settings in bench.file.instruments.items():
            if instrument_name not in wanted:
                continue
            driver = driver_class(settings.driver, settings.role)
            link = VisaLink(
                instrument_name, settings.address, visa, clock, link_log, open_timeout_s=settings.timeout_s
            )  # fmt: skip
            instruments[instrument_name] = driver(instrument_name, link, settings)
    except BaseException:
        for instrument in instruments.values():
            instrument.release()
        raise
    return OpenBench(bench, clock, instruments, visa.hands)
