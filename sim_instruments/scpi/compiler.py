"""
Messages to steps, once per text.

A rehearsal sends the same few texts a hundred thousand times, so that what a text means is looked up, not worked out.
Parameters are read here too: nothing a parameter reads depends on the instrument's state (see AnyNumber).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from sim_instruments.scpi.faults import Fault
from sim_instruments.scpi.parameters import Many, Maybe, Parameter
from sim_instruments.scpi.tokens import Token, read_token, split_arguments, split_units
from sim_instruments.scpi.tree import Command, Handler, HeaderTree, Node

__all__ = ["Compiler", "Step"]

# Texts with numbers in them differ from point to point: an unbounded cache would grow with the campaign.
MOST_MESSAGES = 4096


class Step(NamedTuple):
    """One message unit: call `function(t, *values)`; a query (`asks`) answers a text."""

    function: Callable[..., str | None]
    values: tuple[object, ...]
    asks: bool


class Compiler:
    """Turns the messages of one device into steps. Errors become a step too: units before them are still executed."""

    def __init__(self, tree: HeaderTree) -> None:
        self._tree = tree
        self._messages: dict[bytes, tuple[Step, ...]] = {}
        self._headers: dict[tuple[str, int], tuple[Command, tuple[int, ...], Node]] = {}

    def compile(self, message: bytes) -> tuple[Step, ...]:
        """Steps of one program message, terminator taken off."""
        steps = self._messages.get(message)
        if steps is None:
            if len(self._messages) >= MOST_MESSAGES:
                self._messages.clear()
            steps = self._messages[message] = tuple(self._steps(message.decode("latin-1")))
        return steps

    def _steps(self, message: str) -> list[Step]:
        if not message.strip():
            return []
        steps: list[Step] = []
        base = self._tree.root
        closed = False
        try:
            for unit in split_units(message):
                if closed and "?" in unit:
                    raise Fault(-440, unit[:40])
                step, base, arbitrary = self._unit(unit, base)
                steps.append(step)
                closed = closed or arbitrary
        except Fault as fault:
            # What follows an error that the parser finds is thrown away with it.
            steps.append(Step(_raise, (fault.number, fault.detail), False))
        return steps

    def _unit(self, unit: str, base: Node) -> tuple[Step, Node, bool]:
        if not unit:
            raise Fault(-102, "empty message unit")
        header, _, rest = unit.partition(" ")
        if "\t" in header:
            header, _, rest = unit.replace("\t", " ").partition(" ")
        is_query = header.endswith("?")
        name = header[:-1] if is_query else header
        suffixes: tuple[int, ...] = ()
        if name.startswith("*"):
            command = self._tree.common(name)
        else:
            key = (name, id(base))
            found = self._headers.get(key)
            if found is None:
                found = self._tree.find(name, base)
                if len(self._headers) < MOST_MESSAGES:
                    self._headers[key] = found
            command, suffixes, base = found
        handler: Handler | None = command.ask if is_query else command.act
        if handler is None:
            raise Fault(-113, header)
        tokens = [read_token(part) for part in split_arguments(rest)] if rest and not rest.isspace() else []
        try:
            values = _read(tokens, command.ask_takes if is_query else command.takes)
        except Fault as fault:
            if fault.is_command_error:
                raise
            # An execution error ends its own unit only.
            return Step(_raise, (fault.number, fault.detail), False), base, False
        return Step(handler, suffixes + values, is_query), base, command.arbitrary and is_query


def _read(tokens: Sequence[Token], parameters: Sequence[Parameter | Maybe | Many]) -> tuple[object, ...]:
    values: list[object] = []
    position = 0
    for parameter in parameters:
        if isinstance(parameter, Maybe):
            if position < len(tokens) and parameter.parameter.accepts(tokens[position]):
                values.append(parameter.parameter.read(tokens[position]))
                position += 1
            else:
                values.append(None)
        elif isinstance(parameter, Many):
            if position == len(tokens):
                raise Fault(-109)
            values.append(tuple(parameter.parameter.read(token) for token in tokens[position:]))
            position = len(tokens)
        elif position < len(tokens):
            values.append(parameter.read(tokens[position]))
            position += 1
        else:
            raise Fault(-109)
    if position < len(tokens):
        raise Fault(-108, str(tokens[position][0])[:40])
    return tuple(values)


def _raise(t: float, number: int, detail: str) -> None:  # noqa: ARG001 - called like every other step
    raise Fault(number, detail)
