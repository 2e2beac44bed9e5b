"""What the rules raise when a caller gives them something they cannot use."""


class RulesError(ValueError):
    """The input cannot be used; the message is one sentence that says what would be right."""
