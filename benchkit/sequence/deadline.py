"""By when a run is to be done: a time of day on this computer's clock, or how long it may take."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Annotated

from pydantic import AfterValidator

from benchkit.errors import QuantityError
from benchkit.quantities import parse_quantity

__all__ = ["BeDoneBy", "check_be_done_by", "deadline_s"]

_TIME = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


def check_be_done_by(text: str) -> str:
    """
    The same text, if it is a time of day or a time above zero.

    Raises:
        ValueError: It is neither.
    """
    if _TIME.fullmatch(text):
        return text
    try:
        allowed_s = parse_quantity(text, "s")
    except QuantityError:
        raise ValueError(f"{text!r} is no time; expected a time of day such as 07:30, or how long, such as 9 h") from None
    if allowed_s <= 0:
        raise ValueError(f"{text!r} leaves no time; expected more than 0 s")
    return text


BeDoneBy = Annotated[str, AfterValidator(check_be_done_by)]


def deadline_s(text: str, now_s: float) -> float:
    """
    The moment that `text` means, counted from `now_s`; a time of day is the next one of its kind in local time. [s since
    1970-01-01T00:00:00Z]

    Raises:
        ValueError: As check_be_done_by().
    """
    check_be_done_by(text)
    match = _TIME.fullmatch(text)
    if match is None:
        return now_s + parse_quantity(text, "s")
    # Through a naive local time, so that a night in which the clocks change ends at the hour that was asked for.
    now = datetime.fromtimestamp(now_s)
    then = now.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
    if then.timestamp() <= now_s:
        then += timedelta(days=1)
    return then.timestamp()
