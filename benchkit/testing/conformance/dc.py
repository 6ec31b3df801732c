"""Conformance of what feeds or reads DC, and of the chamber: supply, voltmeter, chamber."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchkit.errors import LimitError, MisuseError
from benchkit.roles import Chamber, Supply, Voltmeter
from benchkit.testing.conformance.common import (
    check_closing,
    check_errors_are_told,
    check_every_instrument,
    check_limits,
    check_reading_order,
    check_sent_once,
    opened,
    raises,
    require,
)

__all__ = ["check_chamber", "check_supply", "check_voltmeter"]

_ABSOLUTE_ZERO_DEGC = -273.15


def check_supply(make: Callable[[], Supply]) -> None:
    """
    Every promise of a supply, output by output. Outputs come on at 0 V, or as near to it as they go, one at a time.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as supply:
        check_every_instrument(supply)
        for channel in supply.channels:
            require(not supply.is_output_on(channel), f"after prepare() output {channel} reads off")
            _check_output(supply, channel)
        for act in (supply.is_output_on, supply.output_on, supply.voltage_setpoint_v):
            raises(MisuseError, lambda act=act: act(9999), "an output that the bench file has not is refused")  # type: ignore[misc]
        raises(MisuseError, lambda: supply.arm(()), "reading no output is refused")

        supply.prepare()
        channels = supply.channels
        check_reading_order(supply, lambda: supply.arm(channels), supply.collect, lambda: None)
        supply.arm(channels)
        readings = supply.collect()
        require(tuple(readings) == channels, "a reading has each output asked for, and no other")
        require(all(len(pair) == 2 for pair in readings.values()), "a reading of an output is its voltage and its current")

        supply.arm(channels)
        supply.make_safe()
        raises(MisuseError, supply.collect, "make_safe() drops a reading that is due")
        require(not any(map(supply.is_output_on, channels)), "all outputs read off after make_safe()")
        check_errors_are_told(supply)
        first = channels[0]
        check_closing(supply, lambda: supply.output_on(first), lambda: supply.arm(channels), lambda: supply.is_tripped(first))


def _check_output(supply: Supply, channel: int) -> None:
    ratings = supply.settings.channels[channel]
    key = f"channels.{channel}"

    def set_voltage(voltage_v: float) -> None:
        supply.set_voltage(channel, voltage_v)

    def set_current_limit(current_a: float) -> None:
        supply.set_current_limit(channel, current_a)

    low_v, high_v = ratings.voltage_min_v, ratings.voltage_max_v
    check_limits(set_voltage, supply.name, f"{key}.voltage_max", low=None, high=high_v, step=0.01)
    check_limits(set_voltage, supply.name, f"{key}.voltage_min", low=low_v, high=None, step=0.01)
    check_limits(set_current_limit, supply.name, f"{key}.current_max", low=0.0, high=ratings.current_max_a, step=0.01)
    raises(LimitError, lambda: set_current_limit(0.0), "a current limit of zero is refused")

    near_zero_v = min(max(0.0, low_v), high_v)
    check_sent_once(supply, lambda: set_voltage(near_zero_v), "a voltage")
    require(supply.voltage_setpoint_v(channel) == near_zero_v, "voltage_setpoint_v() is what was set")
    check_sent_once(supply, lambda: set_current_limit(ratings.current_max_a), "a current limit")

    largest_v = max(abs(low_v), abs(high_v))
    for wrong in (0.0, -1.0, math.inf, math.nan):
        raises(
            LimitError,
            lambda wrong=wrong: supply.set_over_voltage(channel, wrong),  # type: ignore[misc]
            f"an over-voltage level of {wrong:g} V is refused",
        )
    check_sent_once(supply, lambda: supply.set_over_voltage(channel, largest_v), "an over-voltage level")
    supply.set_over_voltage(channel, largest_v / 2)
    far_v = high_v if abs(high_v) == largest_v else low_v
    raises(LimitError, lambda: set_voltage(far_v), "a voltage beyond the over-voltage level set is refused")
    supply.set_over_voltage(channel, largest_v)
    missing = [text for text in supply.missing_protections() if f"output {channel}:" in text]
    expected = int(ratings.without_over_voltage) + int(ratings.without_over_current)
    require(len(missing) == expected, "missing_protections() tells of each protection the output has not")
    if not ratings.without_over_current:
        check_sent_once(supply, lambda: supply.set_over_current(channel, True), "an over-current trip")
        supply.set_over_current(channel, False)

    supply.check_errors()
    set_voltage(near_zero_v)
    supply.output_on(channel)
    require(supply.is_output_on(channel), f"output {channel} reads on after output_on()")
    require(not supply.is_tripped(channel), f"output {channel} at {near_zero_v:g} V has not tripped")
    supply.output_off(channel)
    require(not supply.is_output_on(channel), f"output {channel} reads off after output_off()")
    supply.output_on(channel)
    supply.make_output_safe(channel)
    require(not supply.is_output_on(channel), f"output {channel} reads off after make_output_safe()")
    supply.clear_trip(channel)
    require(not supply.is_output_on(channel), f"output {channel} stays off when a trip is cleared")
    supply.check_errors()


def check_voltmeter(make: Callable[[], Voltmeter], functions: tuple[str, ...] = ("voltage",)) -> None:
    """
    Every promise of a voltmeter.

    Args:
        functions: What to read; "resistance" only where there is something to read.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as meter:
        check_every_instrument(meter)
        raises(MisuseError, meter.arm, "reading before it is known what is refused")
        raises(MisuseError, lambda: meter.set_function("volts"), "a function it has not is refused")
        for function in functions:

            def ready(function: str = function) -> None:
                meter.set_function(function)

            check_sent_once(meter, ready, f"the function {function}")
            require(meter.function == function, "function is what was set")
            check_reading_order(meter, meter.arm, meter.collect, ready)
            meter.arm()
            require(not math.isinf(meter.collect()), f"{function} is a number, or NaN")
        check_errors_are_told(meter)
        check_closing(meter, meter.arm, meter.collect, lambda: meter.set_function(functions[0]))


def check_chamber(make: Callable[[], Chamber]) -> None:
    """
    Every promise of a chamber. It conditions for a moment, towards 25 degC or the nearest it can.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as chamber:
        settings = chamber.settings
        low, high = settings.temperature_min_degc, settings.temperature_max_degc
        middle, target = (low + high) / 2, min(max(25.0, low), high)
        check_every_instrument(chamber)
        require(not chamber.is_running(), "prepare() does not start a chamber")
        check_limits(chamber.set_temperature, chamber.name, "temperature_max", low=None, high=high, step=0.5)
        check_limits(chamber.set_temperature, chamber.name, "temperature_min", low=low, high=None, step=0.5)
        check_limits(chamber.set_ramp, chamber.name, "ramp", low=0.0, high=settings.ramp_k_per_min, step=0.1)
        raises(LimitError, lambda: chamber.set_limits(low - 1, high), "a low limit below the bench file's is refused")
        raises(LimitError, lambda: chamber.set_limits(low, high + 1), "a high limit above the bench file's is refused")
        raises(LimitError, lambda: chamber.set_limits(middle, middle), "limits that leave nothing are refused")
        raises(LimitError, lambda: chamber.set_limits(math.nan, high), "a limit that is not a number is refused")

        check_sent_once(chamber, lambda: chamber.set_ramp(settings.ramp_k_per_min / 2), "a ramp")
        check_sent_once(chamber, lambda: chamber.set_temperature(middle), "a temperature")
        require(chamber.temperature_setpoint_degc == middle, "temperature_setpoint_degc is what was set")
        check_sent_once(chamber, lambda: chamber.set_limits(low, high), "temperature limits")
        chamber.set_limits(low, (middle + high) / 2)
        raises(LimitError, lambda: chamber.set_temperature(high), "a temperature beyond the limits set is refused")
        chamber.set_limits(low, high)
        said = any("temperature limits" in text for text in chamber.missing_protections())
        require(said == settings.without_temperature_limits, "missing_protections() tells of missing limits")

        chamber.set_temperature(target)
        chamber.start()
        require(chamber.is_running(), "it reads as conditioning after start()")
        require(chamber.measure_air() > _ABSOLUTE_ZERO_DEGC, "the air's temperature is one, in degrees Celsius")
        chamber.prepare()
        require(chamber.is_running(), "prepare() does not stop a chamber that may be holding a part")
        chamber.stop()
        require(not chamber.is_running(), "it reads as stopped after stop()")
        check_reading_order(chamber, chamber.arm, chamber.collect, lambda: None)
        chamber.start()
        chamber.make_safe()
        require(not chamber.is_running(), "it reads as stopped after make_safe()")
        check_errors_are_told(chamber)
        check_closing(chamber, chamber.arm, chamber.start, lambda: chamber.set_temperature(target))
