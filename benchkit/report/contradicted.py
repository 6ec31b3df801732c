"""What the record's own data contradict of what the bench file states: said, and nothing is computed again by it."""

from __future__ import annotations

from collections.abc import Iterator

from benchkit.report.checks import place_text, value_text
from benchkit.report.source import Source
from benchkit.results.result import Result

__all__ = ["contradicted"]

# The result that a stated return loss of the device is held against, by port.
MEASURED = {"input": "input_return_loss", "output": "output_return_loss"}


def contradicted(source: Source) -> list[str]:
    """In words, with both numbers, file and key."""
    return [*_mismatch(source), *_noted(source)]


def _mismatch(source: Source) -> Iterator[str]:
    """The budget of a power counts mismatch by the device's return loss in the bench file; this record may know worse."""
    if source.bench is None:
        return
    for channel, wiring in source.bench.file.wiring.channels.items():
        for side, stated in (("input", wiring.input.mismatch), ("output", wiring.output.mismatch)):
            own = [
                one for one in source.results
                if one.parameter == MEASURED[side] and one.condition.channel == channel and not one.is_absent
            ]  # fmt: skip
            worst = min(own, key=lambda one: one.value, default=None)
            if stated is None or worst is None or not worst.value < stated.device_return_loss_db:
                continue
            yield (
                f"channel {channel}: U of power at the device's {side} counts a return loss of the device of "
                f"{stated.device_return_loss_db:g} dB ({source.bench.path.name}: wiring.channels.{channel}.{side}.mismatch."
                f"device_return_loss), and {worst.measurement} of this record reads {value_text(worst)} in band "
                f"({', '.join(filter(None, [place_text(worst), worst.found]))}): that U is too small; state what was "
                "measured, and run again"
            )


def _noted(source: Source) -> Iterator[str]:
    """Checks of the bench that the bench did not stand."""
    about = source.parameters_about_bench
    for one in source.results:
        if one.parameter in about and one.note:
            yield f"{about[one.parameter].label}, {_where(one)}: {value_text(one)}: {one.note}"


def _where(one: Result) -> str:
    return ", ".join(filter(None, [one.measurement, place_text(one), one.found]))
