"""One HTML file that asks nothing of the network: text escaped, scripts and styles named by hash."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from densite.errors import MapError

DATA_ID = "map-data"

# A script in a page ends at `</script`, and `<!--` changes how it is read, so no `<` may stay.
# U+2028 and U+2029 end a line in older JavaScript.
_SCRIPT_ESCAPES = {ord(char): f"\\u{ord(char):04x}" for char in "<>&\u2028\u2029"}


@dataclass(frozen=True, slots=True)
class Page:
    """Everything of which a page consists.

    ``title`` and ``banner`` are plain text, ``data`` is any JSON value, ``body`` is markup that we
    wrote ourselves and that holds no text of the records.
    """

    title: str
    banner: str
    body: str
    data: Any
    styles: Sequence[str]
    scripts: Sequence[str]


def render(page: Page) -> str:
    """Return the HTML text of a page.

    Parameters
    ----------
    page : Page
        The parts of the page.

    Returns
    -------
    str
        A complete document; its Content-Security-Policy allows only the scripts and styles in it.

    Raises
    ------
    MapError
        A script or style holds its own end tag and could not be placed in a page.
    """
    styles = [_sealed(style, "style") for style in page.styles]
    scripts = [_sealed(script, "script") for script in page.scripts]
    return "\n".join(
        (
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy(scripts, styles)}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            '<meta name="robots" content="noindex, nofollow, noarchive">',
            f"<title>{html.escape(page.title)}</title>",
            *(f"<style>{style}</style>" for style in styles),
            "</head>\n<body>",
            f'<section id="banner" aria-label="Warning"><strong>{html.escape(page.banner)}</strong></section>',
            f'<header id="heading"><h1>{html.escape(page.title)}</h1></header>',
            page.body,
            f'<script type="application/json" id="{DATA_ID}">{script_json(page.data)}</script>',
            *(f"<script>{script}</script>" for script in scripts),
            "</body>\n</html>\n",
        )
    )


def policy(scripts: Sequence[str], styles: Sequence[str]) -> str:
    """Return a Content-Security-Policy that allows just these inline scripts and styles.

    Pictures may only come from the page itself (``data:``). Everything else, above all any
    request to a host, is refused.
    """
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {' '.join(digest(script) for script in scripts) or chr(39) + 'none' + chr(39)}",
            f"style-src {' '.join(digest(style) for style in styles) or chr(39) + 'none' + chr(39)}",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def digest(text: str) -> str:
    """Return the hash source of an inline script or style (W3C Content Security Policy Level 3)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def script_json(value: Any) -> str:
    """Return JSON text that can stand inside a script element whatever strings it holds."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return _encodable(text).translate(_SCRIPT_ESCAPES)


def _encodable(text: str) -> str:
    """Write lone surrogates as JSON escapes, because UTF-8 cannot hold them."""
    return re.sub("[\ud800-\udfff]", lambda match: f"\\u{ord(match[0]):04x}", text)


def _sealed(text: str, tag: str) -> str:
    """Return the text as a browser will see it, if it cannot break out of its element."""
    if re.search(rf"</{tag}|<!--", text, flags=re.IGNORECASE):
        raise MapError(f"a {tag} of the map holds '</{tag}' or '<!--' and cannot be placed in a page")
    # The HTML parser turns CR LF into LF before the hash is taken.
    return text.replace("\r\n", "\n").replace("\r", "\n")
