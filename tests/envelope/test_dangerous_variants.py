"""Nothing dangerous gets past the proof, and who reads the refusal at three in the morning knows which line to change."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.envelope import prove
from benchkit.errors import FileError
from benchkit.plan.files import load_both
from tests.envelope.variants import VARIANTS, Variant, blamed_line, shipped_copy, written


def command(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    """The command as a user types it, in this process; returns its exit code."""
    monkeypatch.setattr(sys, "argv", ["benchkit", *map(str, arguments)])
    with pytest.raises(SystemExit) as leaving:
        main()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


def test_there_are_many_and_each_is_one_change() -> None:
    """A proof is as good as what it has been tried against."""
    assert len(VARIANTS) >= 50
    assert len({variant.name for variant in VARIANTS}) == len(VARIANTS)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: variant.name)
def test_a_dangerous_change_is_refused_at_the_line_that_has_to_change(variant: Variant, tmp_path: Path) -> None:
    """Not somewhere near it, and nothing else is blamed besides."""
    sequence = written(variant, tmp_path)

    with pytest.raises(FileError) as refused:
        prove(*load_both(sequence, None))

    found = {(Path(mistake.file).name, mistake.key) for mistake in refused.value.mistakes}
    assert found == {(Path(file).name, key) for file, key, _ in variant.blamed}
    for file, key, marker in variant.blamed:
        if marker:
            lines = {mistake.line for mistake in refused.value.mistakes if mistake.key == key}
            assert lines == {blamed_line(tmp_path, file, marker)}
    assert all(mistake.line is not None for mistake in refused.value.mistakes)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: variant.name)
def test_a_refused_plan_leaves_with_code_2_and_sends_nothing(
    variant: Variant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No instrument hears a word, no record is begun, and the lines to change are on the screen."""
    sequence = written(variant, tmp_path)

    code = command(monkeypatch, "rehearse", sequence, "--out", tmp_path / "out.h5", "--link-log")

    said = capsys.readouterr().err
    assert code == 2
    assert all(key in said for _, key, _ in variant.blamed)
    assert list(tmp_path.glob("out*")) == []


def test_check_and_rehearse_say_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One proof, whoever asks for it."""
    sequence = written(VARIANTS[0], tmp_path)
    said = []
    for arguments in (("check", sequence), ("rehearse", sequence, "--out", tmp_path / "out.h5")):
        assert command(monkeypatch, *arguments) == 2
        said.append(capsys.readouterr().err)

    assert said[0] == said[1] != ""


def test_the_shipped_bench_lists_its_margins_and_leaves_with_code_0(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The variants above are refused for their one change, not because everything is."""
    sequence = shipped_copy(tmp_path)
    monkeypatch.setattr(sys, "argv", ["benchkit", "check", str(sequence)])

    with pytest.raises(SystemExit) as leaving:
        main()

    assert leaving.value.code in (0, None)
    said = capsys.readouterr().out
    assert "0.50 dB  device output" in said
    assert max(map(len, said.splitlines())) <= 100
