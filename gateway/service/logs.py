"""Where log lines go and what they look like: ours and those of the libraries, in one pipeline.

To a terminal one plain line an event; to anything else JSON lines with the error's trace. Refuses
to be chatty: libraries that log every hiccup of a connection are heard only where it matters,
since links, walls and outlets tell the changes themselves.
"""

import logging
import math
import sys
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any, Final

import structlog
from structlog.processors import ExceptionRenderer, JSONRenderer, TimeStamper
from structlog.tracebacks import ExceptionDictTransformer

_QUIETED: Final = (
    ("asyncua", logging.ERROR),
    ("pymodbus", logging.CRITICAL),
    ("uvicorn", logging.WARNING),
    ("uvicorn.access", logging.CRITICAL),
)
_FRAMES_OF_A_TRACE: Final = 15

_Event = MutableMapping[str, Any]


def set_up_logs(path: Path | None = None) -> None:
    """Log to stderr, or to the end of a file. Call it once, before the first process is forked.

    Raises OSError for a file that cannot be written.
    """
    handler = logging.StreamHandler() if path is None else logging.FileHandler(path)
    plain = path is None and sys.stderr.isatty()
    stdlib = structlog.stdlib
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        stdlib.add_log_level,
        stdlib.add_logger_name,
        TimeStamper(fmt="iso", utc=True),
        _error_in_a_line if plain else ExceptionRenderer(_trace()),
    ]
    last: structlog.typing.Processor = (
        _plain_line if plain else JSONRenderer(ensure_ascii=False, default=str, allow_nan=False)
    )
    handler.setFormatter(
        stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, stdlib.ExtraAdder()],
            processors=[stdlib.ProcessorFormatter.remove_processors_meta, _finite, last],
        )
    )
    logging.basicConfig(handlers=[handler], level=logging.INFO, force=True)
    logging.raiseExceptions = False  # a full disk or a closed terminal is no news for stderr
    for name, level in _QUIETED:
        logging.getLogger(name).setLevel(level)
    structlog.configure(
        processors=[stdlib.filter_by_level, *shared, stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=stdlib.LoggerFactory(),
        wrapper_class=stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )


def _trace() -> ExceptionDictTransformer:
    # Locals would log passwords.
    return ExceptionDictTransformer(show_locals=False, max_frames=_FRAMES_OF_A_TRACE)


def _finite(_: Any, __: str, event: _Event) -> _Event:
    """JSON has no NaN and no infinity: as text."""
    return {
        k: str(v) if isinstance(v, float) and not math.isfinite(v) else v for k, v in event.items()
    }


def _error_in_a_line(_: Any, __: str, event: _Event) -> _Event:
    """An exception as its name, its text and the place it came from."""
    info = event.pop("exc_info", None)
    error = sys.exc_info()[1] if info is True else info[1] if isinstance(info, tuple) else info
    if isinstance(error, BaseException):
        trace = error.__traceback__
        while trace is not None and trace.tb_next is not None:
            trace = trace.tb_next
        where = (
            f" ({Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno})" if trace else ""
        )
        event["error"] = f"{type(error).__name__}: {error}{where}"
    return event


def _plain_line(_: Any, __: str, event: _Event) -> str:
    time = str(event.pop("timestamp", ""))[11:19]
    level = str(event.pop("level", "")).upper()
    said = event.pop("event", "")
    event.pop("logger", None)
    fields = " ".join(f"{name}={value}" for name, value in event.items())
    return " ".join(f"{time} {level:<7} {said}  {fields}".splitlines()).rstrip()
