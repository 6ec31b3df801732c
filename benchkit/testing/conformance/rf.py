"""Conformance of what carries or reads RF: source, power meter, analyser, switch."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchkit.errors import LimitError, MisuseError
from benchkit.roles import Analyser, PowerMeter, Source, Switch
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

__all__ = ["check_analyser", "check_power_meter", "check_source", "check_switch"]


def check_source(make: Callable[[], Source]) -> None:
    """
    Every promise of a source: limits, level limit read back, cache, output read back off, make safe, closing.

    RF comes on at the lowest level of the bench file, for a moment.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as source:
        settings = source.settings
        check_every_instrument(source)
        require(not source.is_output_on(), "after prepare() RF reads off")
        require(math.isnan(source.level_setpoint_dbm), "after prepare() no level is taken for set")

        low, high = settings.level_min_dbm, settings.level_max_dbm
        check_limits(source.set_level, source.name, "level_max", low=None, high=high, step=0.1)
        check_limits(source.set_level, source.name, "level_min", low=low, high=None, step=0.1)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        check_limits(source.set_frequency, source.name, "frequency_max", low=None, high=highest, step=1e3)
        check_limits(source.set_frequency, source.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_limits(source.set_level_limit, source.name, "level_max", low=None, high=high, step=0.1)

        check_sent_once(source, lambda: source.set_frequency((lowest + highest) / 2), "a frequency")
        check_sent_once(source, lambda: source.set_level(low), "a level")
        require(source.level_setpoint_dbm == low, "level_setpoint_dbm is what was set")
        check_sent_once(source, lambda: source.set_level_limit(high), "a level limit")
        middle = (low + high) / 2
        source.set_level_limit(middle)
        raises(LimitError, lambda: source.set_level(high), "a level above the level limit set is refused, not clamped")
        source.set_level_limit(high)
        source.set_level(low)
        source.check_errors()
        said = any("level limit" in text for text in source.missing_protections())
        require(said == settings.without_level_limit, "missing_protections() tells of a missing level limit")

        source.output_on()
        source.confirm()
        require(source.is_output_on(), "RF reads on after output_on()")
        source.output_off()
        require(not source.is_output_on(), "RF reads off after output_off()")
        source.output_on()
        source.make_safe()
        require(not source.is_output_on(), "RF reads off after make_safe()")
        check_errors_are_told(source)

        source.output_on()
        check_closing(source, lambda: source.set_level(low), source.output_on, source.is_output_on)
    with opened(make) as again:
        require(not again.is_output_on(), "close() switches RF off")
        again.check_errors()


def check_power_meter(make: Callable[[], PowerMeter]) -> None:
    """
    Every promise of a power meter. RF must be off: the meter is zeroed.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as meter:
        settings = meter.settings
        check_every_instrument(meter)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        check_limits(meter.set_frequency, meter.name, "frequency_max", low=None, high=highest, step=1e3)
        check_limits(meter.set_frequency, meter.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_sent_once(meter, lambda: meter.set_frequency((lowest + highest) / 2), "a frequency")
        check_sent_once(meter, lambda: meter.set_averages(2), "a number of averages")
        for wrong in (0, -1, 1.5, math.nan):
            raises(
                MisuseError,
                lambda wrong=wrong: meter.set_averages(wrong),  # type: ignore[misc]
                f"{wrong:g} averages are refused",
            )
        meter.zero()

        def ready() -> None:
            meter.set_frequency((lowest + highest) / 2)
            meter.set_averages(1)

        check_reading_order(meter, meter.arm, meter.collect, ready)
        meter.arm()
        level_dbm = meter.collect()
        require(math.isnan(level_dbm) or level_dbm <= settings.input_max_dbm, "a reading is a level, or NaN")
        meter.arm()
        raises(MisuseError, lambda: meter.set_averages(3), "a setting is refused while a reading is due")
        meter.make_safe()
        raises(MisuseError, meter.collect, "make_safe() drops a reading that is due")
        check_errors_are_told(meter)
        check_closing(meter, meter.arm, meter.collect, meter.zero, lambda: meter.set_frequency(lowest))


def check_analyser(make: Callable[[], Analyser]) -> None:
    """
    Every promise of an analyser.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as analyser:
        settings = analyser.settings
        check_every_instrument(analyser)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        middle = round((lowest + highest) / 2)
        for set_value in (analyser.set_center, analyser.set_marker):
            check_limits(set_value, analyser.name, "frequency_max", low=None, high=highest, step=1e3)
            check_limits(set_value, analyser.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_limits(analyser.set_span, analyser.name, "frequency_max", low=0.0, high=highest - lowest, step=1.0)
        check_limits(analyser.set_reference_level, analyser.name, "input_max", low=None, high=settings.input_max_dbm, step=0.1)
        raises(LimitError, lambda: analyser.set_attenuation(-1.0), "a negative attenuation is refused")
        raises(LimitError, lambda: analyser.set_resolution_bandwidth(0.0), "a bandwidth of zero is refused")

        check_sent_once(analyser, lambda: analyser.set_center(middle), "a centre frequency")
        check_sent_once(analyser, lambda: analyser.set_span(1e6), "a span")
        check_sent_once(analyser, lambda: analyser.set_resolution_bandwidth(10e3), "a bandwidth")
        check_sent_once(analyser, lambda: analyser.set_attenuation(20.0), "an attenuation")
        level = min(0.0, settings.input_max_dbm)
        check_sent_once(analyser, lambda: analyser.set_reference_level(level), "a reference level")
        check_sent_once(analyser, lambda: analyser.set_marker(middle), "a marker")
        require(analyser.setpoint("marker_hz") == middle, "setpoint() is what was set")
        analyser.check_errors()

        check_reading_order(analyser, analyser.arm, analyser.collect, lambda: None)
        analyser.arm()
        level_dbm = analyser.collect()
        require(math.isnan(level_dbm) or level_dbm <= settings.input_max_dbm, "a reading is a level, or NaN")
        check_errors_are_told(analyser)
        check_closing(analyser, analyser.arm, analyser.collect, lambda: analyser.set_center(middle))


def check_switch(make: Callable[[], Switch], positions: tuple[tuple[int, ...], tuple[int, ...]] = ((1,), (2,))) -> None:
    """
    Every promise of a switch. RF must be off.

    Args:
        positions: Two different sets of routes that may be closed.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    first, second = (tuple(sorted(position)) for position in positions)
    with opened(make) as switch:
        check_every_instrument(switch)
        switch.connect(first)
        require(switch.connected() == first, "the routes asked for read back closed")
        before = switch.connected()
        switch.prepare()
        switch.make_safe()
        require(switch.connected() == before, "neither prepare() nor make_safe() moves a contact")
        switch.connect(second)
        require(switch.connected() == second, "the routes before are opened")
        check_sent_once(switch, lambda: switch.connect(first), "a position")
        raises(MisuseError, lambda: switch.connect(()), "no routes at all are refused")
        raises(MisuseError, lambda: switch.connect((-1,)), "a negative route is refused")
        check_errors_are_told(switch)
        check_closing(switch, lambda: switch.connect(first), switch.connected)
