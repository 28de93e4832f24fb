"""Says who we are to the destination: not at all, by a password or token in a file, or by SMART Backend Services.

No secret is in a repr or in the text of an error.
"""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Protocol

from service.settings import WrongSettings


class NotAuthorisedError(Exception):
    """We cannot say who we are in a way that is accepted; the message says why, without the secret."""


class Authorisation(Protocol):
    """Gives the value of the header Authorization."""

    async def header(self) -> str | None:
        """Return the value to send, None for none.

        Raises NotAuthorisedError where there is no usable one, UnreachableError where it cannot be fetched now.
        """

    async def renew(self, refused: str | None) -> bool:
        """Look for another value after `refused` was answered with 401; return whether there is one."""

    async def close(self) -> None:
        """Let go of what was opened."""


class NoAuthorisation:
    """Says nothing; for a destination that asks nobody, or behind a proxy that adds it."""

    async def header(self) -> str | None:
        """Return None."""
        return None

    async def renew(self, refused: str | None) -> bool:  # noqa: ARG002 - there is never another.
        """Return False."""
        return False

    async def close(self) -> None:
        """Have nothing to close."""


class FixedAuthorisation(NoAuthorisation):
    """Says the same value each time; for the embedded endpoint, whose token this process made."""

    def __init__(self, value: str) -> None:
        self._value = value

    async def header(self) -> str | None:
        """Return the value."""
        return self._value


class SecretFile:
    """The text of a file without the white space around it, read again when the file has changed."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._read_as: tuple[int, int, int] | None = None
        self._text = ""

    def text(self, *, again: bool = False) -> str:
        """Return the text; NotAuthorisedError where the file cannot be read, is empty or holds several lines."""
        try:
            found = self._file.stat()
            state = (found.st_mtime_ns, found.st_size, found.st_ino)
            if again or state != self._read_as:
                self._text = self._file.read_text(encoding="utf-8").strip()
                self._read_as = state
        except (OSError, UnicodeDecodeError) as error:
            self._read_as = None
            raise NotAuthorisedError(f"{self._file} cannot be read: {type(error).__name__}") from None
        if not self._text or not self._text.isprintable():
            raise NotAuthorisedError(f"{self._file} does not hold one line of text")
        return self._text


class BasicAuthorisation:
    """Says a user and the password that is in a file (RFC 7617)."""

    def __init__(self, user: str, password: SecretFile) -> None:
        self._user = user
        self._password = password

    def _value(self, *, again: bool) -> str:
        pair = f"{self._user}:{self._password.text(again=again)}"
        return "Basic " + base64.b64encode(pair.encode()).decode()

    async def header(self) -> str | None:
        """Return the value with the password as the file holds it now."""
        return self._value(again=False)

    async def renew(self, refused: str | None) -> bool:
        """Read the file again; return whether the password is another one."""
        return self._value(again=True) != refused

    async def close(self) -> None:
        """Have nothing to close."""


class BearerAuthorisation:
    """Says a token that is in a file and that somebody else renews (RFC 6750)."""

    def __init__(self, token: SecretFile) -> None:
        self._token = token

    async def header(self) -> str | None:
        """Return the value with the token as the file holds it now."""
        return f"Bearer {self._token.text()}"

    async def renew(self, refused: str | None) -> bool:
        """Read the file again; return whether the token is another one."""
        return f"Bearer {self._token.text(again=True)}" != refused

    async def close(self) -> None:
        """Have nothing to close."""


def readable(secret: SecretFile, setting: str) -> SecretFile:
    """Return the secret; WrongSettings, naming the setting, where it cannot be used at the start."""
    try:
        secret.text()
    except NotAuthorisedError as error:
        raise WrongSettings(f"{setting}: {error}") from None
    return secret
