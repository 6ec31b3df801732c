"""What kinds do at each channel before anything is biased, in their order: paths, a thru, calibrations."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from benchkit.bench.open import OpenBench
from benchkit.engine.facilities import Facilities
from benchkit.engine.hookup import Hookup, hook_up
from benchkit.engine.journalist import Events, Placed, Progress
from benchkit.engine.recovery import Recovery
from benchkit.engine.standing import DONE_BEFORE, Standing, done_before_text
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.power_before import PowerBefore
from benchkit.plan.plan import Plan

__all__ = ["Before"]


class Before:
    """
    Of one run.

    Args:
        standing: What is done already; a calibration does not outlive the run that made it.
        placed: Told where the rows of kinds' own streams belong.
    """

    def __init__(
        self, bench: OpenBench, plan: Plan, standing: Standing, facilities: Facilities, placed: Placed, recovery: Recovery,
        events: Events, progress: Progress,
    ) -> None:  # fmt: skip
        self._bench, self._plan, self._standing = bench, plan, standing
        self._facilities, self._placed, self._recovery = facilities, placed, recovery
        self._events, self._progress = events, progress

    def carry_out(self) -> None:
        """All of it that is to be done in this run."""
        calibrates, power_left = self._calibrates(), set(self._standing.power_left(self._plan))
        for measurement, block in enumerate(self._plan.measurements):
            power, sweep = block.power_before(), block.network_sweep()
            calibrated = calibrates and sweep is not None and sweep.readings_before > 0
            for channel in self._plan.channels:
                has_power = power is not None and (measurement, channel) in power_left
                if not has_power and not calibrated:
                    continue
                self._progress.stage(f"{block.title}, channel {channel}")
                attempt = self._standing.calibrations.get(measurement, 0) + 1
                self._placed.where = {
                    "measurement": measurement,
                    "ladder": -1,
                    "attempt": attempt,
                    "channel": channel,
                    "temperature_set_degc": math.nan,
                    "supply_voltage_set_v": math.nan,
                }
                hookup, what = hook_up(self._bench, channel), f"{block.title}, channel {channel}"
                if power is not None and has_power:
                    self._from_its_start(what, partial(self._power_before, block, hookup, power))
                    self._events.note(DONE_BEFORE, done_before_text(measurement, int(self._placed.where["attempt"]), channel))
                if calibrated:
                    self._from_its_start(what, partial(self._network_before, block, hookup))

    def _power_before(self, block: MeasurementBlock, hookup: Hookup, asked: PowerBefore) -> None:
        block.before_power(self._facilities.power(hookup, asked))

    def _network_before(self, block: MeasurementBlock, hookup: Hookup) -> None:
        block.before(self._facilities.network(hookup, None))

    def _from_its_start(self, what: str, act: Callable[[], None]) -> None:
        """Begun again after transient trouble, hands included; the rows of each attempt are kept under its number."""

        def again(_: bool) -> None:
            self._placed.where = {**self._placed.where, "attempt": int(self._placed.where["attempt"]) + 1}

        def whole() -> None:
            act()
            # On a wire that does not break nothing else tells that an instrument began anew half-way.
            for one in self._bench.instruments.values():
                one.check_power()

        self._recovery.repeat(what, whole, lambda: None, again)

    def _calibrates(self) -> bool:
        """Whether calibrations are made: in a run that goes on only if something is left that uses one."""
        left = self._standing.left(self._plan)
        networked = [block.network_sweep() is not None for block in self._plan.measurements]
        is_first = not any(networked[measurement] for measurement in self._standing.calibrations)
        return is_first or any(count and uses for count, uses in zip(left, networked, strict=True))
