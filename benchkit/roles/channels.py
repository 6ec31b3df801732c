"""Channel lists in replies: SCPI-1999 Vol 1, 8 (expressions), e.g. `(@101,103:105)`."""

from __future__ import annotations

import re

__all__ = ["parse_channel_list"]

_LIST = re.compile(r"\(@\s*(.*?)\s*\)", re.ASCII)
_ITEM = re.compile(r"(\d{1,6})(?:\s*:\s*(\d{1,6}))?", re.ASCII)
_MOST = 10_000


def parse_channel_list(reply: str) -> tuple[int, ...]:
    """
    Read a list of plain channel numbers and ascending ranges; `(@)` is the empty list.

    Raises:
        ValueError: Anything else, or more than 10000 channels.
    """
    match = _LIST.fullmatch(reply.strip().strip('"'))
    if match is None:
        raise ValueError("expected a channel list such as (@101,103:105)")
    channels: list[int] = []
    for item in match[1].split(",") if match[1] else ():
        found = _ITEM.fullmatch(item.strip())
        if found is None:
            raise ValueError(f"{item!r} is not a channel or a range of channels")
        first, last = int(found[1]), int(found[2] or found[1])
        if last < first or last - first >= _MOST - len(channels):
            raise ValueError(f"{item!r} is not an ascending range of at most {_MOST} channels")
        channels.extend(range(first, last + 1))
    return tuple(channels)
