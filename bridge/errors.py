"""Errors by what the caller can do about them. One root, `DuskwardError`; data stands in attributes.

| class | what the caller can do |
|---|---|
| `ConfigurationError` | show the problems to the person; the file must change |
| `TransientError` | try again later: a controller, broker or disk that may come back |
| `PermanentError` | do not repeat it as it is: something must change first |
| `AskedWronglyError` | write the command differently; it is a `PermanentError`, and exit code 2 |

Modules derive their own classes from `TransientError` and `PermanentError`, so that `except TransientError`
catches every kind of "later" and nothing else.
"""

import os
from collections.abc import Iterable
from dataclasses import dataclass


class DuskwardError(Exception):
    """Everything this project raises on purpose. The text is one sentence for the person."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a file the person wrote.

    what: what is wrong; right: what would be right (may be empty); file: the file's name, empty where it
    came from no file; line, column: counted from 1, or 0 where there is no place; key: the path of keys,
    for example ``controllers.gable.ports.1.rating``. Never holds a secret.
    """

    what: str
    right: str = ""
    file: str = ""
    line: int = 0
    column: int = 0
    key: str = ""

    def __str__(self) -> str:
        """``file:line:column: key: what; right``."""
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part)
        head = ": ".join(part for part in (place, self.key) if part)
        text = f"{self.what}; {self.right}" if self.right else self.what
        return f"{head}: {text}" if head else text


def system_words(error: OSError) -> str:
    """Why the system refused, in its own words: libraries put theirs, about sockets, in their place."""
    if error.errno is not None and error.errno > 0:
        return os.strerror(error.errno)
    return error.strerror or str(error)


class ConfigurationError(DuskwardError):
    """The person's file says something that can't be meant. `problems`: all of them, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class TransientError(DuskwardError):
    """It may work later without anybody changing anything. `subject`: the controller, broker or file."""

    def __init__(self, message: str, *, subject: str = "") -> None:
        self.subject = subject
        super().__init__(message)


class PermanentError(DuskwardError):
    """It fails again until something is changed. `subject`: the controller, broker or file."""

    def __init__(self, message: str, *, subject: str = "") -> None:
        self.subject = subject
        super().__init__(message)


class AskedWronglyError(PermanentError):
    """What was asked for on the command line can't be meant. The text says what would be right."""
