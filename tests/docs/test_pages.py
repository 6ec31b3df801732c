"""README and guide: every code block works, every link leads somewhere, every verb and kind is there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from typer.main import get_command

from benchkit.cli.main import app
from benchkit.guide import PAGES, read_page
from tests.docs.blocks import Reader, blocks
from tests.scenario import ROOT, benchkit

README = ROOT / "README.md"
FOLDER = ROOT / "benchkit" / "guide" / "pages"
EVERY_PAGE = (README, *(FOLDER / f"{page.name}.md" for page in PAGES))


@pytest.fixture
def reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Reader]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    found = Reader(tmp_path)
    try:
        yield found
    finally:
        found.close()


@pytest.mark.parametrize("page", EVERY_PAGE, ids=lambda page: page.stem)
def test_every_code_block_does_what_the_page_says(page: Path, reader: Reader):
    for block in blocks(page):
        reader.follow(block)


def test_the_guide_lists_every_file_of_its_folder():
    assert {path.stem for path in FOLDER.glob("*.md")} == {page.name for page in PAGES}


@pytest.mark.parametrize("page", EVERY_PAGE, ids=lambda page: page.stem)
def test_every_link_leads_to_a_file(page: Path):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


def test_the_guide_is_read_offline_by_a_verb(tmp_path: Path):
    listed = benchkit("guide", cwd=tmp_path)
    shown = benchkit("guide", "safety", cwd=tmp_path)
    wrong = benchkit("guide", "salad", cwd=tmp_path)

    assert all(page.name in listed.stdout for page in PAGES)
    assert shown.stdout == read_page("safety")
    assert wrong.returncode == 2
    assert "overnight" in wrong.stderr


def test_readme_names_every_verb():
    verbs = set(get_command(app).commands)  # type: ignore[attr-defined]  # typer's own group

    said = set(re.findall(r"^\| `(?:benchkit )?(\w+)", README.read_text(encoding="utf-8"), re.MULTILINE))

    assert verbs <= said


def test_the_page_of_kinds_names_every_kind():
    kinds = {entry.name for entry in entry_points(group="benchkit.measurements") if entry.value.startswith("benchkit.")}

    assert kinds <= set(re.findall(r"^\| `(\w+)`", (FOLDER / "kinds.md").read_text(encoding="utf-8"), re.MULTILINE))


def test_readme_is_short():
    assert len(README.read_text(encoding="utf-8").splitlines()) <= 125
