"""What a controller can do wrong, apart from its ports: data, and the bodies no JSON reader likes."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, get_args

MisbehaviourKind = Literal[
    "hang", "slow", "deaf", "claims-on", "acts-late", "loses-reply", "closes", "status", "body",
    "fewer-ports", "redirect",
]  # fmt: skip
BodyKind = Literal[
    "bom", "latin-1", "html-type", "no-type", "empty", "cut", "nan", "infinity", "text-number",
    "huge-integer", "missing-key", "endless", "not-json", "wrong-shape",
]  # fmt: skip
BODIES: tuple[str, ...] = get_args(BodyKind)


@dataclass(slots=True)
class Misbehaviour:
    """One thing a controller does wrong until told otherwise.

    | kind | what happens |
    |---|---|
    | hang | never answers |
    | slow | one byte every `gap_s` |
    | deaf | orders are answered well and not carried out |
    | claims-on | tells power on and no trip, whatever is the case |
    | acts-late | orders are carried out `delay_s` later |
    | loses-reply | orders are carried out, then the connection breaks |
    | closes | promises keep-alive, then closes after each answer |
    | status | answers with HTTP status `code` |
    | body | reads are answered with a bad `body` |
    | fewer-ports | leaves the last `ports` ports out |
    | redirect | sends the caller to `url` |

    on: which requests; times: so many requests, then it ends by itself (None: until told).
    """

    kind: MisbehaviourKind
    on: Literal["all", "read", "order"] = "all"
    times: int | None = None
    gap_s: float = 0.3
    delay_s: float = 1.0
    code: int = 503
    body: BodyKind = "cut"
    ports: int = 1
    url: str = "http://127.0.0.1:9/"

    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by pydantic from the class

    def __post_init__(self) -> None:
        for field, kinds in (("kind", MisbehaviourKind), ("body", BodyKind)):
            if getattr(self, field) not in get_args(kinds):
                raise ValueError(
                    f"{field} is {getattr(self, field)!r}, it must be one of: {', '.join(get_args(kinds))}"
                )
        if self.times is not None and self.times < 1:
            raise ValueError("times must be at least 1")


_MARK = "\u2042 value \u2042"
_LITERALS = {"nan": "NaN", "infinity": "1e400", "huge-integer": "1" + "0" * 4999}


def _without(document: Any) -> Any:  # noqa: ANN401 - any JSON document
    if isinstance(document, dict):
        return {key: _without(value) for key, value in document.items() if value != _MARK}
    if isinstance(document, list):
        return [_without(value) for value in document if value != _MARK]
    return document


def bad_body(kind: str, render: Callable[[Callable[[Any], Any]], Any]) -> tuple[bytes, str | None]:
    """Body and content type of a kind of `BODIES`.

    `render(current)` makes the document, with `current` bending each measured value.
    ``endless`` gives the start only; the server goes on with spaces.
    """
    good = json.dumps(render(lambda value: value))
    kind_json = "application/json"
    if kind in _LITERALS:
        text = json.dumps(render(lambda _: _MARK)).replace(json.dumps(_MARK), _LITERALS[kind])
        return text.encode(), kind_json
    if kind == "missing-key":
        return json.dumps(_without(render(lambda _: _MARK))).encode(), kind_json
    if kind == "text-number":
        return json.dumps(render(lambda _: "120 mA")).encode(), kind_json
    made: dict[str, tuple[bytes, str | None]] = {
        "bom": (b"\xef\xbb\xbf" + good.encode(), kind_json),
        "latin-1": (
            good.replace("{", '{"place": "Pfl\u00fcgerstra\u00dfe", ', 1).encode("latin-1"),
            kind_json,
        ),
        "html-type": (good.encode(), "text/html"),
        "no-type": (good.encode(), None),
        "empty": (b"", kind_json),
        "cut": (good[: len(good) // 2].encode(), kind_json),
        "endless": (good[:-1].encode(), kind_json),
        "not-json": (b"<html><body>Welcome</body></html>", "text/html"),
        "wrong-shape": (b'[{"surprise": 1}]', kind_json),
    }
    return made[kind]
