"""The rules every link keeps: the one over VISA and the scripted one, which would let wrong drivers pass otherwise."""

import threading

import pytest
from loopback_instrument import answering

from benchkit.errors import ClosedError, LinkTimeout, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.testing import ScriptedLink

ANSWERS = {"A": "1.0", "B": "2.0", "BLK": "#15a\nb\nc"}


@pytest.fixture(params=["VISA", "scripted"])
def any_link(request, instrument, link) -> Link:
    if request.param == "scripted":
        return ScriptedLink({f"{name}?": answer for name, answer in ANSWERS.items()})
    return link(instrument(answering(**{name: f"{answer}\n".encode() for name, answer in ANSWERS.items()})))


def test_one_question_one_answer(any_link):
    any_link.ask("A?")
    assert any_link.is_waiting
    assert any_link.answer(timeout_s=5) == "1.0"
    assert not any_link.is_waiting
    assert any_link.query("B?", timeout_s=5) == "2.0"
    assert any_link.query_block("BLK?", timeout_s=5) == b"a\nb\nc"


def test_nothing_is_sent_while_an_answer_is_due(any_link):
    """The device would throw that answer away (488.2 calls it INTERRUPTED), or give it to the next question."""
    any_link.ask("A?")

    with pytest.raises(MisuseError, match=r"VOLT 1.*A\?"):
        any_link.write("VOLT 1")
    with pytest.raises(MisuseError):
        any_link.ask("B?")
    assert any_link.answer(timeout_s=5) == "1.0"


def test_no_answer_can_be_read_that_was_not_asked_for(any_link):
    with pytest.raises(MisuseError):
        any_link.answer(timeout_s=5)
    with pytest.raises(MisuseError):
        any_link.answer_block(timeout_s=5)


def test_a_question_cannot_be_written_nor_a_setting_asked(any_link):
    """A question without a reader leaves its answer on the wire; a setting with one waits for nothing."""
    with pytest.raises(MisuseError):
        any_link.write("A?")
    with pytest.raises(MisuseError):
        any_link.ask("VOLT 1")
    any_link.write('DISP:TEXT "A?"')


def test_an_abandoned_answer_is_gone(any_link):
    any_link.ask("A?")
    any_link.abandon()
    any_link.abandon()

    assert not any_link.is_waiting
    assert any_link.query("B?", timeout_s=5) == "2.0"


def test_silence_is_a_timeout_and_leaves_nothing_due(any_link):
    with pytest.raises(LinkTimeout, match=r"SILENT\?"):
        any_link.query("SILENT?", timeout_s=0.02)
    assert not any_link.is_waiting
    assert any_link.query("B?", timeout_s=5) == "2.0"


def test_what_is_no_block_is_a_bad_reply(any_link):
    with pytest.raises(ReplyError):
        any_link.query_block("A?", timeout_s=5)
    assert any_link.query("B?", timeout_s=5) == "2.0"


def test_reopening_drops_what_is_due(any_link):
    any_link.ask("A?")
    any_link.reopen()

    assert any_link.query("B?", timeout_s=5) == "2.0"


def test_closing_twice_is_fine_and_nothing_works_after_it(any_link):
    any_link.ask("A?")
    any_link.close()
    any_link.close()

    assert any_link.is_closed
    assert not any_link.is_waiting
    for use in (
        lambda: any_link.write("VOLT 1"),
        lambda: any_link.ask("A?"),
        lambda: any_link.answer(timeout_s=5),
        lambda: any_link.query("A?", timeout_s=5),
        lambda: any_link.query_block("BLK?", timeout_s=5),
        any_link.abandon,
        any_link.reopen,
    ):
        with pytest.raises(ClosedError):
            use()


@pytest.mark.parametrize("message", ["VOLT 1\nCURR 2", "TEXT 'µ'"])
def test_only_one_line_of_ascii_is_sent(any_link, message):
    """Two lines are two messages, and what is not ASCII reaches each instrument as something else."""
    with pytest.raises(MisuseError):
        any_link.write(message)


def test_a_second_thread_is_refused(instrument, link):
    """Two threads on one session read each other's answers."""
    asked, release = threading.Event(), threading.Event()

    def behave(peer, _line):
        asked.set()
        release.wait(20)
        peer.send(b"1.0\n")

    ours = link(instrument(behave))
    answers = []
    first = threading.Thread(target=lambda: answers.append(ours.query("A?", timeout_s=20)))
    first.start()
    assert asked.wait(5)

    with pytest.raises(MisuseError, match="another thread"):
        ours.query("A?", timeout_s=5)
    release.set()
    first.join(20)
    assert answers == ["1.0"]


def test_a_scripted_link_keeps_what_was_sent_and_plays_lists_and_errors():
    link = ScriptedLink(
        {
            "A?": ["1", "2"],
            "B?": LinkTimeout("instrument", "gone"),
            "C?": lambda message: message.lower(),
            "D?": b"#12ab\n",
            "OUTP OFF": LinkTimeout("instrument", "gone"),
        }
    )

    assert [link.query("A?", timeout_s=1), link.query("A?", timeout_s=1)] == ["1", "2"]
    with pytest.raises(LinkTimeout, match="script"):
        link.query("A?", timeout_s=1)
    with pytest.raises(LinkTimeout, match="gone"):
        link.query("B?", timeout_s=1)
    assert link.query("C?", timeout_s=1) == "c?"
    assert link.query_block("D?", timeout_s=1) == b"ab"
    with pytest.raises(LinkTimeout):
        link.write("OUTP OFF")
    assert link.sent == ["A?", "A?", "A?", "B?", "C?", "D?", "OUTP OFF"]
