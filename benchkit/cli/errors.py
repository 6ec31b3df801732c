"""The one error handler: what benchkit foresaw is a message; what it did not is a message and a log to attach."""

from __future__ import annotations

import sys
import tempfile
import traceback
from pathlib import Path

from benchkit.errors import BenchkitError, Interrupted

__all__ = ["log_unforeseen", "report_error"]


def report_error(error: BaseException) -> int:
    """Print `error` for the person at the terminal and return the exit code."""
    if isinstance(error, (Interrupted, KeyboardInterrupt)):
        print("interrupted", file=sys.stderr)
        return 130
    if isinstance(error, BenchkitError):
        print(f"benchkit: {error}", file=sys.stderr)
        return error.exit_code
    if isinstance(error, BrokenPipeError):
        return 0
    if isinstance(error, OSError) and error.filename is not None:
        print(f"benchkit: {error.filename}: {error.strerror}", file=sys.stderr)
        return 2
    log = log_unforeseen(error)
    print(f"benchkit: unforeseen {type(error).__name__}: {error}", file=sys.stderr)
    print(f"benchkit: this is a fault in benchkit; please attach {log} when you report it", file=sys.stderr)
    return 3


def log_unforeseen(error: BaseException) -> Path:
    """Write the whole story of an error that nobody foresaw to a file one can attach."""
    text = "".join(traceback.format_exception(error))
    with tempfile.NamedTemporaryFile("w", prefix="benchkit-", suffix=".log", delete=False, encoding="utf-8") as file:
        file.write(text)
    return Path(file.name)
