"""What the rules raise when a caller gives them something they cannot use."""


class RulesError(ValueError):
    """The input cannot be used; the message is one sentence that says what would be right."""


class CalendarError(RulesError):
    """A calendar file, or one event of it, can't be used. `line`: where in the file, from 1, or None."""

    def __init__(self, message: str, line: int | None = None) -> None:
        super().__init__(message if line is None else f"Line {line}: {message}")
        self.line = line
