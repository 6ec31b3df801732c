"""
Other people's errors, translated at the border with their cause.

pyvisa raises VisaIOError and InvalidSession, its backends let OSError, RuntimeError, struct.error and what else
happens pass through; a session closed under a reader shows as AttributeError. None of them may reach a role: to the
caller they all say that this connection can no longer be trusted. What is not an Exception (Ctrl-C, our Interrupted)
is not touched.
"""

from __future__ import annotations

import sys

from benchkit.errors import BenchkitError, BrokenLinkError, LinkTimeout, ReplyError
from benchkit.scpi import ScpiSyntaxError

__all__ = ["is_timeout", "translated"]

_VI_ERROR_TMO = -1073807339  # VPP-4.3: 0xBFFF0015, timeout expired before the operation completed


def translated(error: Exception, name: str, doing: str) -> BenchkitError:
    """
    Our error for theirs; the most specific match wins. The caller raises it `from` the original.

    Args:
        error: What was raised below the link.
        name: The instrument's name in the bench file.
        doing: What was going on, e.g. "reading the answer to 'MEAS:VOLT?'".
    """
    if isinstance(error, BenchkitError):
        return error
    if isinstance(error, ScpiSyntaxError):
        return ReplyError(name, f"{doing}: {error}")
    if is_timeout(error):
        return LinkTimeout(name, f"{doing}: {_said(error)}")
    return BrokenLinkError(name, f"{doing}: {_said(error)}")


def is_timeout(error: BaseException) -> bool:
    """Whether the time was up, in Python's words or in VISA's."""
    errors = sys.modules.get("pyvisa.errors")  # not imported to find out: without it nobody can have raised its errors
    if errors is not None and isinstance(error, errors.VisaIOError):
        return int(error.error_code) == _VI_ERROR_TMO
    return isinstance(error, TimeoutError)


def _said(error: Exception) -> str:
    text = str(error)
    if isinstance(error, TimeoutError | ConnectionError) and text:
        return text  # these speak for themselves: "Connection refused", "no complete answer within 2 s"
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
