"""Starting a process that outlives the terminal and its Ctrl-C: the one place where systems differ."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

__all__ = ["detached"]


def detached() -> dict[str, Any]:
    """Arguments for subprocess.Popen: own session (POSIX) or own process group without a console (Windows)."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS}
    return {"start_new_session": True}
