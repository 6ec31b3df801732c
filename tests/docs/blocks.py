"""Code blocks of Markdown pages, and a way to carry each kind of them out."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from ruamel.yaml import YAML

from benchkit.bench.load import load_bench
from benchkit.sequence.load import load_sequence
from tests.scenario import BENCH, OVERNIGHT, ROOT, benchkit

__all__ = ["Block", "Reader", "blocks"]

LANGUAGES = {"sh", "python", "yaml", "toml"}
_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_EXIT_CODE = re.compile(r"# exit code (\d+)")


@dataclass(frozen=True)
class Block:
    """One fenced block: its language, its text and the line it begins at."""

    language: str
    text: str
    line: int


def blocks(page: Path) -> Iterator[Block]:
    """Every fenced block of a page, in order."""
    text = page.read_text(encoding="utf-8")
    for match in _FENCE.finditer(text):
        yield Block(match.group(1), match.group(2), text[: match.start()].count("\n") + 1)


@dataclass
class Reader:
    """
    Somebody who types in what a page says, in a folder that has the shipped sequences.

    Attributes:
        names: What the page's Python blocks have defined so far.
    """

    folder: Path
    names: dict[str, object] = field(default_factory=dict)
    servers: list[subprocess.Popen[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        shutil.copytree(ROOT / "sequences", self.folder / "sequences")

    def close(self) -> None:
        """Stop every server that the page has started."""
        for server in self.servers:
            server.terminate()
            server.communicate()

    def follow(self, block: Block) -> None:
        """Carry out one block. AssertionError: it does not do what the page says."""
        assert block.language in LANGUAGES, f"line {block.line}: a block of {block.language or 'no language'} is not carried out"
        getattr(self, f"_{block.language}")(block)

    def _sh(self, block: Block) -> None:
        for line in block.text.splitlines():
            expected = int(match.group(1)) if (match := _EXIT_CODE.search(line)) else 0
            for command in " ".join(shlex.split(line, comments=True, posix=False)).split(" && "):
                if command:
                    self._command(shlex.split(command), expected)

    def _command(self, words: list[str], expected: int) -> None:
        if words[:2] == ["benchkit", "watch"]:
            words = [*words, "--once"]
        match words:
            case ["benchkit", *arguments]:
                ended = benchkit(*arguments, cwd=self.folder)
                assert ended.returncode == expected, f"{shlex.join(words)}\n{ended.stdout}{ended.stderr}"
            case ["python3", "-m", "sim_instruments", *arguments]:
                self._serve(arguments)
            case ["python3", "-m", "pip", "install", *what]:
                # `.ci/run` installs from a clean checkout; here it is enough that what is named exists.
                extras = set(re.findall(r"\[([\w,]+)\]", " ".join(what)))
                stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
                assert {extra for group in extras for extra in group.split(",")} <= set(stated), what
            case ["python3" | "python", "-m", "pytest", *_]:
                pass  # this very run
            case _:
                raise AssertionError(f"no way to carry out {shlex.join(words)}")

    def _serve(self, arguments: list[str]) -> None:
        server = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", *arguments], cwd=self.folder, stdout=subprocess.PIPE, text=True
        )
        self.servers.append(server)
        assert server.stdout is not None
        assert "ready" in (line.strip() for line in server.stdout), "the served twin says when it is ready"

    def _python(self, block: Block) -> None:
        code = "\n" * block.line + block.text
        exec(compile(code, "page", "exec"), self.names)

    def _yaml(self, block: Block) -> None:
        """Put into the shipped file of its kind, the block makes a file that loads."""
        kind = block.text.split("\n", 1)[0]
        assert kind in ("# bench", "# sequence"), f"line {block.line}: a YAML block begins with `# bench` or `# sequence`"
        shipped = BENCH if kind == "# bench" else OVERNIGHT
        yaml = YAML(typ="safe")
        merged = _merged(yaml.load(shipped.read_text(encoding="utf-8")), yaml.load(block.text))
        file = self.folder / shipped.relative_to(ROOT).with_name(f"block_{block.line}.yaml")
        with file.open("w", encoding="utf-8") as stream:
            yaml.dump(merged, stream)
        if kind == "# bench":
            load_bench(file)
        else:
            load_sequence(file)

    def _toml(self, block: Block) -> None:
        """An entry point of a group that this project has, too."""
        groups = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["entry-points"]
        assert set(tomllib.loads(block.text)["project"]["entry-points"]) <= set(groups)


def _merged(base: object, change: object) -> object:
    if isinstance(base, Mapping) and isinstance(change, Mapping):
        return {**base, **{key: _merged(base.get(key), value) for key, value in change.items()}}
    return change
