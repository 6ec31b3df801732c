"""
The second wall: protections in the instruments, set and read back before power, and read back again before each bias-up.

An instrument that was switched off and on between two conditions has lost its protections and says nothing. So what was set
is not believed: at every condition it is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence as Seq

from benchkit.engine.hookup import Hookup
from benchkit.engine.pins import Pin
from benchkit.envelope.protections import drain_protection, gate_protection
from benchkit.errors import InstrumentError, ProtectionError
from benchkit.roles import Chamber, NetworkAnalyser, Source
from benchkit.sequence.load import Sequence

__all__ = ["Protections"]

NOTHING_ON = "Nothing was switched on: the part is unpowered"


class Protections:
    """
    Args:
        sources: Every open one: none may be on when the part is biased.
        chamber: Its limits are looked after as well.
    """

    def __init__(self, sequence: Sequence, sources: Seq[Source | NetworkAnalyser], chamber: Chamber | None) -> None:
        self._sequence = sequence
        self._sources = tuple(sources)
        self._chamber = chamber

    def before_power(self, hookup: Hookup) -> None:
        """
        Everything that will feed the part is off, and every protection is what it must be.

        Raises:
            InstrumentError: Something reads on.
            ProtectionError: A protection could not be set, or reads back otherwise.
        """
        for source in self._sources:
            if source.is_output_on():
                raise InstrumentError(
                    source.name,
                    "RF reads on before the part is biased, and this run did not switch it on. Is somebody at the bench, or "
                    "another program?",
                )
            source.check_level_limit()
        if self._chamber is not None:
            self._chamber.check_limits()
        gates = (*hookup.gates, *hookup.held_gates)
        for pin in (*hookup.drains, *gates):
            if pin.supply.is_output_on(pin.output):
                raise InstrumentError(
                    pin.supply.name,
                    f"output {pin.output} ({pin.label}) reads on before the part is biased, and this run did not switch it on. "
                    "Is somebody at the bench, or another program?",
                )
        try:
            for pin in gates:
                self._protect_gate(pin)
            for pin in hookup.drains:
                self._protect_drain(pin)
            for supply in hookup.supplies:
                supply.check_errors()
        except ProtectionError as error:
            said = str(error).removeprefix(f"{error.instrument}: ")  # which leads every such message
            raise ProtectionError(error.instrument, f"{said}. {NOTHING_ON}") from error

    def after_bias_up(self, hookup: Hookup) -> None:
        """
        Every output is on and none has tripped.

        Raises:
            InstrumentError: Says which is not.
        """
        for pin in (*hookup.gates, *hookup.held_gates, *hookup.drains):
            what = f"output {pin.output} ({pin.label})"
            if pin.supply.is_tripped(pin.output):
                raise InstrumentError(pin.supply.name, f"{what}: its protection has tripped during bias-up")
            if not pin.supply.is_output_on(pin.output):
                raise InstrumentError(pin.supply.name, f"{what} reads off after bias-up")

    def _protect_gate(self, pin: Pin) -> None:
        """A gate has no over-current trip: one that trips leaves its device without a gate, with the drain on."""
        protection = gate_protection(self._sequence.file)
        supply, output = pin.supply, pin.output
        supply.set_current_limit(output, protection.current_limit_a)
        supply.set_over_voltage(output, protection.over_voltage_v)
        supply.set_over_current(output, False)
        supply.check_protections(output)

    def _protect_drain(self, pin: Pin) -> None:
        protection = drain_protection(self._sequence.file, pin.share, pin.voltage_v)
        supply, output = pin.supply, pin.output
        # First: a supply refuses a protection below the voltage that is set.
        supply.set_voltage(output, 0.0)
        supply.set_current_limit(output, protection.current_limit_a)
        supply.set_over_voltage(output, protection.over_voltage_v)
        supply.set_over_current(output, True)
        supply.check_protections(output)
