"""benchkit with a guardian that does nothing: what would happen without that wall. Started by a test, never by hand."""

from __future__ import annotations

import importlib

from benchkit.guardian import GuardianSpec


class NoGuardian:
    """Everything the run asks of a guardian, and nobody behind it."""

    @classmethod
    def start(cls, _: GuardianSpec) -> NoGuardian:
        return cls()

    def beat(self) -> None: ...

    def goodbye(self) -> None: ...

    def ask_for_help(self) -> int:
        return 1


if __name__ == "__main__":
    importlib.import_module("benchkit.campaign.run").Guardian = NoGuardian
    from benchkit.cli.main import main

    main()
