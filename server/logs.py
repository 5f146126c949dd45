"""The server's log: plain or JSON lines, with nothing in it that opens anything."""

from __future__ import annotations

import json
import logging
import re
import time

# A token is 43 letters of base64url, a session's address 32, an authentication header anything:
# none of them may get into a log, whichever library writes it.
_SECRETS = (
    (re.compile(r"(?i)(bearer\s+)\S+"), r"\1…"),
    (re.compile(r"(/whip/)[\w-]{16,}"), r"\1…"),
    (re.compile(r"(#t=)[\w-]+"), r"\1…"),
    (re.compile(r"(?<![\w/.-])[\w-]{43}(?![\w-])"), "…"),
    (re.compile(r"(a=ice-pwd:)\S+"), r"\1…"),
)


def scrubbed(text: str) -> str:
    """The text without tokens, session addresses and passwords of ICE."""
    for pattern, instead in _SECRETS:
        text = pattern.sub(instead, text)
    return text


class Plain(logging.Formatter):
    """`name: message`, and the traceback where there is one."""

    def __init__(self) -> None:
        super().__init__("%(name)s: %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """One record as text."""
        return scrubbed(super().format(record))


class Json(logging.Formatter):
    """One JSON object a line: `at` (UTC, ISO 8601), `level`, `logger`, `message`, `error`."""

    def format(self, record: logging.LogRecord) -> str:
        """One record as one line."""
        at = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
        line = {
            "at": f"{at}.{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": scrubbed(record.getMessage()),
        }
        if record.exc_info:
            line["error"] = scrubbed(self.formatException(record.exc_info))
        return json.dumps(line, ensure_ascii=False)


def set_up(level: int, as_json: bool) -> None:
    """Let the whole process log to the standard error stream."""
    handler = logging.StreamHandler()
    handler.setFormatter(Json() if as_json else Plain())
    logging.basicConfig(level=level, handlers=[handler], force=True)
