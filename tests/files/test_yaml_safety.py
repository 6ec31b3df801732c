"""YAML 1.2, read safely: what people write by hand, and nothing of what makes YAML dangerous."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import FileError
from benchkit.files.yaml import LARGEST_FILE, load_yaml, load_yaml_text

LAUGHS = "a: &a [lol, lol]\nb: &b [*a, *a]\nc: &c [*b, *b]\nd: [*c, *c]\n"


def test_plain_data_and_every_line_come_out() -> None:
    """Messages point at lines, so each key and item must know its own."""
    document = load_yaml_text("a: 1\nb:\n  - x: 1e3\n    y: hello\n  - [1, 2]\n1: one\n", "n.yaml")

    assert document.data == {"a": 1, "b": [{"x": 1000.0, "y": "hello"}, [1, 2]], "1": "one"}
    assert [document.line_of(key) for key in ("a", "b[0].y", "b[1][0]", "1", "b[0].gone", "")] == [1, 4, 5, 6, 3, 1]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("no", "no"), ("on", "on"), ("yes", "yes"), ("12:30", "12:30"), ("2025-11-03", "2025-11-03"), ("0o17", 15),
        ("0x1F", 31), ("017", 17), ("1e3", 1000.0), ("1_000", "1_000"), ("~", None), ("", None), ("true", True),
        ("True", True), ("FALSE", False), ("'true'", "true"), ('"1"', "1"), ("-.5", -0.5), ("5 GHz", "5 GHz"), ("=", "="),
    ],
)  # fmt: skip
def test_scalars_mean_what_yaml_1_2_says(text: str, value: object) -> None:
    """YAML 1.2.2, section 10.3.2 (core schema): `no` is a text, not false; a channel called `on` stays `on`."""
    assert load_yaml_text(f"key: {text}", "n.yaml").data == {"key": value}


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("", 1, "is empty"),
        ("# only a comment\n", 1, "is empty"),
        ("- a\n", 1, "is a list"),
        ("just text", 1, "is a single value"),
        ("a: 1\nb: 2\na: 3\n", 3, "there twice, first in line 1"),
        ("a: {1: x, 0x1: y}", 1, "there twice"),
        ("a: 1\n---\nb: 2\n", 2, "a second document"),
        ("%YAML 1.1\n---\na: no\n", 2, "%YAML 1.1"),
        ("a: &x 1\n", 1, "the anchor &x"),
        ("a: *x\n", 1, "the alias *x"),
        (LAUGHS, 2, "the alias *a"),
        ("a: !!python/object/apply:os.system [echo]\n", 1, "the tag"),
        ("a: !custom 1\n", 1, "the tag"),
        ("a: ! 1\n", 1, "the tag"),
        ("a: .nan\n", 1, "not a finite number"),
        ("a: -.inf\n", 1, "not a finite number"),
        ("a: 1e999\n", 1, "too large"),
        ("a: " + "9" * 100_000 + "\n", 1, "100000 characters"),
        ("true: 1\n", 1, "write it in quotes"),
        ("1.5: 1\n", 1, "write it in quotes"),
        ("? [a]\n: 1\n", 1, "a key is a text"),
        ("{[a]: {b: c}, d: e}\n", 1, "a key is a text"),
        ("a: [\n", 2, "is not YAML"),
        ("a: b: c\n", 1, "is not YAML"),
        ("a:\n\t- b\n", 2, "is not YAML"),
        ("a: @b\n", 1, "is not YAML"),
        ('a: "\\UFFFFFFFF"\n', 1, "is not YAML"),
        ('a: "\\ud800"\n', 1, "control character"),
        ('a: "\\e[2J"\n', 1, "control character"),
        ("a: b\x00c\n", 1, "which YAML does not allow"),
        ("a: " + "[" * 1000, 1, "levels deep"),
        ("- " * 1000, 1, "levels deep"),
        ("{a: " * 1000, 1, "levels deep"),
        ("a: [" + "1, " * 60_000 + "]", 1, "more than 50000 values"),
    ],
)
def test_what_is_refused_is_refused_with_its_line(text: str, line: int, says: str) -> None:
    """No tag builds an object, no alias unfolds, no key hides another, nothing is too deep or endless."""
    with pytest.raises(FileError) as caught:
        load_yaml_text(text, "n.yaml")

    assert says in str(caught.value)
    assert line in {mistake.line for mistake in caught.value.mistakes}
    assert all(len(str(mistake)) < 500 for mistake in caught.value.mistakes)


def test_mistakes_of_this_sort_are_told_at_once() -> None:
    """One round of mending, not one a mistake."""
    with pytest.raises(FileError) as caught:
        load_yaml_text("a: &x 1\nb: [*x]\nc: !!set {}\nd: .nan\na: 2\n", "n.yaml")

    assert [(mistake.line, mistake.key) for mistake in caught.value.mistakes] == [
        (1, "a"), (2, "b[0]"), (3, "c"), (4, "d"), (5, "a"),
    ]  # fmt: skip


def test_a_file_full_of_mistakes_is_not_read_to_its_end() -> None:
    """A hundred are enough to know that it is the wrong file."""
    with pytest.raises(FileError, match="the rest was not read") as caught:
        load_yaml_text("".join(f"k{i}: !t 1\n" for i in range(5000)), "n.yaml")

    assert len(caught.value.mistakes) == 101


@pytest.mark.parametrize(
    ("content", "line", "says"),
    [
        (b"a: 1\nb: \xff\xfe\n", 2, "byte 8 (0xff) is not UTF-8"),
        ("a: 1".encode("utf-16"), 1, "is not UTF-8"),
        (bytes(range(256)), 2, "is not UTF-8"),
        (b"x" * (LARGEST_FILE + 1), None, "larger than"),
        (b"\x89HDF\r\n\x1a\n" + b"\x00" * 50, 1, "is not UTF-8"),
    ],
)
def test_a_file_that_is_not_text_is_refused(tmp_path: Path, content: bytes, line: int | None, says: str) -> None:
    """A record or a photograph given by mistake."""
    path = tmp_path / "f.yaml"
    path.write_bytes(content)

    with pytest.raises(FileError) as caught:
        load_yaml(path)

    assert says in str(caught.value)
    assert caught.value.mistakes[0].line == line
    assert caught.value.mistakes[0].file == str(path)


def test_what_cannot_be_opened_is_a_mistake_too(tmp_path: Path) -> None:
    """A missing file, a folder, a name that cannot be: all of them exit code 2, never a traceback."""
    for path, says in ((tmp_path / "gone.yaml", "no such file"), (tmp_path, "not an ordinary file"), (Path("\0"), "")):
        with pytest.raises(FileError) as caught:
            load_yaml(path)

        assert says in str(caught.value)
        assert caught.value.exit_code == 2


def test_a_byte_order_mark_and_windows_lines_are_fine(tmp_path: Path) -> None:
    """Editors add them; the text that goes into the record is still exactly the file's."""
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: two\r\n")

    document = load_yaml(path)

    assert document.data == {"a": 1, "b": "two"}
    assert document.text.encode() == path.read_bytes()
    assert document.line_of("b") == 2
