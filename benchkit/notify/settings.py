"""Whom to tell, as a bench file says it."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from benchkit.files.types import FileModel, Seconds

__all__ = ["EmailSettings", "NotifySettings", "Occasion", "command_target"]

Occasion = Literal["trouble", "done", "quiet hour"]


def _check_address(text: str) -> str:
    # Two header lines in one address would be two headers.
    if not re.fullmatch(r"[^\s@,;<>]+@[^\s@,;<>]+", text):
        raise ValueError(f"{text!r} is no e-mail address such as lab@example.org")
    return text


def _check_web_address(text: str) -> str:
    # urllib opens files too; a message goes to a web server only.
    if not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError(f"{text!r} is no web address; expected http:// or https://")
    return text


def _check_command(words: str | tuple[str, ...]) -> str | tuple[str, ...]:
    if not words or (isinstance(words, str) and not words.strip()) or "\0" in "".join(words):
        raise ValueError("is no command; expected a program and its arguments, as a text or as a list")
    return words


Address = Annotated[str, AfterValidator(_check_address)]


class EmailSettings(FileModel):
    """By SMTP. A password never stands in a file: it is taken from the environment."""

    to: Address
    sender: Address = Field(alias="from")
    server: str = Field(min_length=1, pattern=r"^\S+$")
    port: int = Field(default=587, ge=1, le=65535)
    encryption: Literal["starttls", "tls", "none"] = Field(
        default="starttls", description="starttls: asked for after the greeting; tls: from the first byte (port 465)"
    )
    user: str | None = Field(default=None, min_length=1)
    password_from: str | None = Field(
        default=None, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", description="Environment variable that holds the password"
    )

    @model_validator(mode="after")
    def _no_open_password(self) -> Self:
        if (self.user is None) != (self.password_from is None):
            raise ValueError("user and password_from belong together; give both, or neither")
        if self.user is not None and self.encryption == "none":
            raise ValueError("a password is not sent without encryption; use starttls or tls")
        return self


class NotifySettings(FileModel):
    """One way to tell somebody; exactly one of command, webhook and email."""

    command: str | tuple[str, ...] | None = Field(
        default=None, description="Program and arguments; gets the message as JSON on its standard input; no shell"
    )
    webhook: Annotated[str, AfterValidator(_check_web_address)] | None = Field(
        default=None, description="Web address that the message is posted to, as JSON"
    )
    email: EmailSettings | None = None
    when: tuple[Occasion, ...] = Field(
        default=("trouble", "done"),
        min_length=1,
        description="trouble: the run ended otherwise than by its plan's end; done: it got to the end; quiet hour: an hour has "
        "passed without a point (a long soak, a slow chamber), told once for each such hour",
    )
    timeout_s: Seconds = Field(alias="timeout", default=10.0, gt=0, le=60, description="Longest time that one message may take")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in ("command", "webhook", "email") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"has {' and '.join(given) or 'none'} of command, webhook and email; expected exactly one")
        if self.command is not None:
            _check_command(self.command)
        return self

    @property
    def way(self) -> str:
        """For messages: what is used, without anything secret."""
        if self.command is not None:
            return f"command {self.command if isinstance(self.command, str) else ' '.join(self.command)}"
        if self.webhook is not None:
            # What follows the host may be a token.
            return f"webhook {'/'.join(self.webhook.split('/')[:3])}"
        assert self.email is not None, "exactly one is given"
        return f"e-mail to {self.email.to}"


def command_target(command: str) -> NotifySettings:
    """
    What `--notify COMMAND` means: on trouble and when done.

    Raises:
        ValueError: No command.
    """
    return NotifySettings(command=command)
