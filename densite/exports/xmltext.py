"""Text as XML 1.0 can hold it."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape, quoteattr

DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>'
_FORBIDDEN = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2


def held(text: str) -> str:
    """Replace what XML 1.0 cannot hold by the replacement character U+FFFD.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Not escaped yet.
    """
    return _FORBIDDEN.sub("\ufffd", text)


def element(name: str, text: str, **attributes: str) -> str:
    """Write an element that holds nothing but text.

    Parameters
    ----------
    name : str
        Its name, of ours.
    text : str
        Any text.
    **attributes : str
        Any texts by names of ours.

    Returns
    -------
    str
    """
    told = "".join(f" {key}={quoteattr(held(value))}" for key, value in attributes.items())
    return f"<{name}{told}>{escape(held(text), {chr(13): '&#13;'})}</{name}>"
