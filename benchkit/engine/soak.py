"""
Waiting until the device, not the chamber's air, is at temperature.

The air must stay in tolerance for a stated time, and the case must drift slower than a stated rate, and the device itself if it
is asked (benchkit.engine.device_soak), all at once.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from benchkit.clock import Clock
from benchkit.engine.device_soak import SoakingDevice
from benchkit.engine.journalist import Progress
from benchkit.engine.thermometer import Thermometer, case_temperature_degc
from benchkit.errors import ConditionError
from benchkit.roles import Chamber, Voltmeter
from benchkit.sequence.model import SoakSettings

__all__ = ["SoakOutcome", "read_both", "soak"]

# The drift is the slope over this long: shorter, and the sensor's noise counts as drift.
DRIFT_WINDOW_S = 60.0
# A chamber that takes this many times the time its ramp should take is stuck, not slow.
RAMP_PATIENCE = 2.0
RAMP_EXTRA_S = 600.0


@dataclass(frozen=True)
class SoakOutcome:
    """How a soak ended: after how long, where the air and the case stood, how fast the case still drifted."""

    duration_s: float
    air_degc: float
    case_degc: float
    drift_k_per_min: float


def soak(
    target_degc: float,
    settings: SoakSettings,
    ramp_k_per_min: float,
    chamber: Chamber,
    case: Voltmeter | None,
    thermometer: Thermometer,
    clock: Clock,
    progress: Progress,
    source: str,
    device: SoakingDevice | None = None,
) -> SoakOutcome:
    """
    Send the chamber to `target_degc` and wait until the device is there.

    Args:
        source: File and key of the soak settings, for messages.
        device: Biased when the air is first in tolerance, and unpowered again at the end.

    Raises:
        ConditionError: The air did not arrive, or the soak took longer than `at_most`; a device that was biased still is.
        LimitError: The air left the device's limits, or the device's reading is beyond one.
    """
    begin_s = clock.monotonic()
    thermometer.hold(False)
    thermometer.set_degc = target_degc
    start_degc = chamber.measure_air()
    chamber.set_ramp(ramp_k_per_min)
    chamber.set_temperature(target_degc)
    chamber.start()
    chamber.check_errors()
    patience_s = RAMP_PATIENCE * abs(target_degc - start_degc) / ramp_k_per_min * 60 + RAMP_EXTRA_S
    arrived_s: float | None = None
    inside_since_s: float | None = None
    window: deque[tuple[float, float]] = deque()
    while True:
        case_degc = read_both(case, thermometer)
        air_degc, now_s = thermometer.air_degc, clock.monotonic()
        window.append((now_s, case_degc))
        while len(window) > 2 and now_s - window[1][0] >= DRIFT_WINDOW_S:
            window.popleft()
        drift = _slope_k_per_min(window)
        inside = abs(air_degc - target_degc) <= settings.tolerance_k
        inside_since_s = (now_s if inside_since_s is None else inside_since_s) if inside else None
        if inside and arrived_s is None:
            arrived_s = now_s
        still = settings.drift_max_k_per_min is None or abs(drift) <= settings.drift_max_k_per_min
        if device is not None and arrived_s is not None:
            device.look()
            still = still and device.is_still
        if inside_since_s is not None and now_s - inside_since_s >= settings.in_tolerance_for_s and still:
            thermometer.hold(True)
            if device is not None:
                device.end()
            return SoakOutcome(now_s - begin_s, air_degc, case_degc, drift)
        if arrived_s is None and now_s - begin_s > patience_s:
            raise ConditionError(
                f"chamber {chamber.name} stands at {air_degc:+.1f} °C {(now_s - begin_s) / 60:.0f} min after it was sent to "
                f"{target_degc:+g} °C; at {ramp_k_per_min:g} K/min it should have arrived. The part is unpowered. Is the chamber "
                "running, is its door closed, has it coolant?"
            )
        if arrived_s is not None and now_s - arrived_s > settings.at_most_s:
            raise ConditionError(
                f"soak at {target_degc:+g} °C not done after {settings.at_most_s / 60:.0f} min: "
                f"{_obstacle(target_degc, settings, air_degc, case_degc, drift, inside, device)} ({source}.at_most). The part is "
                f"{'unpowered' if device is None else 'taken down to unpowered'}. Allow more time or drift, or look after the "
                "chamber"
            )
        of_device = f", {device.shown()}" if device is not None and device.is_biased else ""
        progress.waiting(
            f"soak to {target_degc:+g} °C: air {air_degc:+.1f} °C, case {case_degc:+.1f} °C, {drift:+.2f} K/min{of_device}"
        )
        clock.sleep(settings.poll_every_s)


def read_both(case: Voltmeter | None, thermometer: Thermometer) -> float:
    """Chamber and case at one time, logged and checked; returns the case. [degC]"""
    if case is not None:
        case.arm()
    thermometer.arm_if_due(always=True)
    case_degc = math.nan if case is None else case_temperature_degc(case, case.collect())
    thermometer.collect(case_degc)
    return case_degc


def _obstacle(
    target_degc: float,
    settings: SoakSettings,
    air_degc: float,
    case_degc: float,
    drift: float,
    inside: bool,
    device: SoakingDevice | None,
) -> str:
    if not inside:
        return f"the air left {target_degc:+g} °C ± {settings.tolerance_k:g} K again and stands at {air_degc:+.2f} °C"
    limit = settings.drift_max_k_per_min
    if limit is not None and not abs(drift) <= limit:
        return f"the case ({case_degc:+.2f} °C) still drifts by {drift:+.3f} K/min, and {limit:g} K/min counts as still"
    if device is not None and not device.is_still:
        return device.obstacle()
    stay = f"within {settings.tolerance_k:g} K for {settings.in_tolerance_for_s / 60:g} min"
    return f"the air ({air_degc:+.2f} °C) did not stay {stay}"


def _slope_k_per_min(window: deque[tuple[float, float]]) -> float:
    """Drift over the window; infinite while the window is too short to tell. [K/min]"""
    (first_s, first_degc), (last_s, last_degc) = window[0], window[-1]
    if last_s - first_s < DRIFT_WINDOW_S:
        return math.inf
    return (last_degc - first_degc) / (last_s - first_s) * 60
