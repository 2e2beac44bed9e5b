"""Logs: events with stable dotted names and keys. Configured once, by the command line."""

import logging
import sys
from typing import TextIO

# structlog imports rich where it is installed, to colour tracebacks: 5 MB of a process that runs for weeks.
sys.modules.setdefault("rich", None)  # type: ignore[arg-type]  # as if it were not installed
import structlog  # noqa: E402

if sys.modules["rich"] is None:
    del sys.modules["rich"]

LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}


def configure(*, level: str = "info", json: bool | None = None, stream: TextIO | None = None) -> None:
    """Send logs to `stream` (standard error): lines for people on a terminal, JSON otherwise or if asked."""
    out = stream or sys.stderr
    as_json = not out.isatty() if json is None else json
    processors: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    if as_json:
        processors += [
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ]
    else:
        processors.append(structlog.dev.ConsoleRenderer(colors=out.isatty()))
    structlog.configure(
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        logger_factory=structlog.WriteLoggerFactory(file=out),
        cache_logger_on_first_use=False,
    )
    # Libraries' own words (aiohttp, asyncio) only where something is wrong.
    logging.basicConfig(level=logging.ERROR, stream=out, force=True)
