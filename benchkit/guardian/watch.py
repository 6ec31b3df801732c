"""The run's side: start the guardian, beat, notice its death, say goodbye."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from types import TracebackType

from benchkit.errors import GuardianError
from benchkit.guardian.detach import detached
from benchkit.guardian.spec import GOODBYE, HEARTBEAT, HELP, READY, GuardianSpec

__all__ = ["Guardian"]

START_S = 30.0
END_S = 60.0


class Guardian:
    """A running guardian. start() returns when it watches."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process
        self._dismissed = False

    @classmethod
    def start(cls, spec: GuardianSpec) -> Guardian:
        """
        Start the second process and wait until it watches.

        Raises:
            GuardianError: It did not start; nothing must be energised then.
        """
        process = subprocess.Popen(
            [sys.executable, "-m", "benchkit.guardian"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            **detached(),
        )
        guardian = cls(process)
        try:
            guardian._send(json.dumps(spec.as_data()).encode() + b"\n")
            guardian._wait_ready()
        except BaseException:
            guardian._kill()
            raise
        return guardian

    @property
    def pid(self) -> int:
        return self._process.pid

    def __enter__(self) -> Guardian:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        # Leaving without a goodbye leaves the pipe to close: to the guardian that is a death, as it should be.
        self._close_pipe()

    def beat(self) -> None:
        """
        Say that the run is getting on. From the main thread only: another thread would beat while the run is stuck.

        Raises:
            GuardianError: The guardian is dead; the run must make safe and stop.
        """
        if self._process.poll() is not None:
            raise GuardianError(
                f"the guardian (process {self.pid}) has ended with code {self._process.returncode}; without it nobody would "
                "make the bench safe if this process died, so the run stops"
            )
        self._send(HEARTBEAT)

    def goodbye(self) -> None:
        """The run has made the bench safe and verified it; the guardian may go."""
        self._end(GOODBYE)

    def ask_for_help(self) -> int:
        """
        The run could not verify the bench safe; the guardian tries over connections of its own.

        Returns:
            The guardian's exit code: 0 made safe and verified.
        """
        return self._end(HELP)

    def _end(self, word: bytes) -> int:
        self._dismissed = True
        try:
            self._send(word)
        except GuardianError:
            return self._process.returncode if self._process.poll() is not None else 1
        self._close_pipe()
        try:
            return self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._kill()
            return 1
        finally:
            for pipe in (self._process.stdout, self._process.stderr):
                if pipe is not None:
                    pipe.close()

    def _send(self, data: bytes) -> None:
        assert self._process.stdin is not None, "started with a pipe"
        try:
            self._process.stdin.write(data)
            self._process.stdin.flush()
        except (OSError, ValueError) as error:
            raise GuardianError(f"the guardian (process {self.pid}) does not listen any more: {error}") from error

    def _close_pipe(self) -> None:
        assert self._process.stdin is not None, "started with a pipe"
        with contextlib.suppress(OSError):  # it is gone; that is what closing was for
            self._process.stdin.close()

    def _wait_ready(self) -> None:
        """One line, with a time limit that works on every system: a thread reads, we wait for the thread."""
        assert self._process.stdout is not None, "started with a pipe"
        lines: list[bytes] = []
        stdout = self._process.stdout
        reader = threading.Thread(target=lambda: lines.append(stdout.readline()), daemon=True)
        reader.start()
        reader.join(START_S)
        if lines and lines[0].decode(errors="replace").strip() == READY:
            return
        self._kill()
        stderr = b"" if self._process.stderr is None else self._process.stderr.read()
        said = stderr.decode(errors="replace").strip().splitlines()
        raise GuardianError(
            f"the guardian did not start within {START_S:g} s"
            + (f": {said[-1]}" if said else "")
            + "; nothing was energised"
        )

    def _kill(self) -> None:
        self._process.kill()
        self._process.wait()
