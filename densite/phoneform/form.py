"""The phone form as one HTML file that asks nothing of any network."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from densite.animalterms import PROCEDURES
from densite.errors import DensiteError
from densite.phoneform import rules, screens
from densite.phoneform.content import FormContent
from densite.phoneform.wording import shipped
from densite.webmap.page import digest, script_json
from densite.wholefile import write_whole

SCRIPTS = (
    "store.js", "words.js", *rules.SCRIPTS,
    "entries.js", "elements.js", "fields.js", "instruments.js", "lists.js", "screens.js", "start.js",
)  # fmt: skip
DATA_ID = "form-data"
ICONS = ('<link rel="icon" href="icon.svg">', '<link rel="apple-touch-icon" href="icon-192.png">')
DATUMS = ("WGS84", "NAD83", "NAD27")


class FormError(DensiteError):
    """A form that cannot be made or written."""


def render(
    content: FormContent,
    *,
    language: str = "en",
    words: Mapping[str, Mapping[str, str]] | None = None,
    manifest: str = "",
    worker: str = "",
) -> str:
    """Return the HTML text of a form.

    Parameters
    ----------
    content : FormContent
        The study's part.
    language : str
        Code of the language in which it opens.
    words : mapping, optional
        Words by language code; those shipped by default. English must be among them.
    manifest, worker : str
        Relative addresses of a web manifest and a service worker, where the form is served.

    Returns
    -------
    str
        A complete document; its Content-Security-Policy allows only the script and style in it.

    Raises
    ------
    FormError
        There are no words in that language.
    """
    known = shipped() if words is None else words
    if language not in known:
        raise FormError(f"no words in language '{language}'; there are: {', '.join(sorted(known))}")
    data = page_data(content, language=language, words=known) | {"worker": worker}
    script, style = _script(), rules.browser_text("style.css")
    policy = _policy(script, style, served=bool(manifest or worker))
    return "\n".join((
        f'<!DOCTYPE html>\n<html lang="{html.escape(language)}" data-mode="day">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="referrer" content="no-referrer">\n<meta name="robots" content="noindex, nofollow, noarchive">',
        '<meta name="format-detection" content="telephone=no">\n<meta name="theme-color" content="#f7f4ea">',
        *([f'<link rel="manifest" href="{html.escape(manifest)}">', *ICONS] if manifest else []),
        f"<title>{html.escape(content.label)}</title>\n<style>{style}</style>\n</head>\n<body>",
        f'<header id="top"></header>\n<main id="screen"><p>{_unstarted(language, known)}</p></main>',
        '<div id="bar"></div>',
        f'<script type="application/json" id="{DATA_ID}">{script_json(data)}</script>',
        f"<script>{script}</script>\n</body>\n</html>\n",
    ))  # fmt: skip


def page_data(content: FormContent, *, language: str, words: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Return everything that the scripts read: study, screens, terms with their rules, words."""
    terms = {key: screens.term_of(key) for key in screens.all_keys()}
    return {
        "study": _study(content),
        "offers": _offers(content),
        "screens": [asdict(screen) for screen in screens.SCREENS],
        "cards": dict(screens.CARDS),
        "needed": {kind: rules.needed_of(kind) for kind in screens.RECORDS},
        "reading": dict(content.reading),
        "wanted": dict(screens.WANTED),
        "inherited": dict(screens.INHERITED),
        "terms": {key: {"heading": term.heading, **rules.rules_of(term)} for key, term in terms.items()},
        "procedures": list(PROCEDURES),
        "words": {code: dict(texts) for code, texts in words.items()},
        "language": language,
    }


def _unstarted(language: str, words: Mapping[str, Mapping[str, str]]) -> str:
    """Return what stands on the page where no script runs, as in a phone's preview of files."""
    return html.escape(words[language].get("told.no_script") or words["en"]["told.no_script"])


def _study(content: FormContent) -> dict[str, Any]:
    kept = asdict(content) | {"id": content.study_id, "made_on": content.made_on.isoformat()}
    return {
        name: value
        for name, value in kept.items()
        if name not in ("study_id", "crew", "observers", "females", "reading")
    }


def _offers(content: FormContent) -> dict[str, tuple[str, ...]]:
    """Return the texts that a field offers to be taken over by one touch."""
    return {
        "den.crew": content.crew, "den.observer": content.observers, "den.female": content.females,
        "den.datum": DATUMS, "handling.permit": tuple(permit.number for permit in content.permits),
    }  # fmt: skip


def _script() -> str:
    """Return all scripts in one strict scope, so that nothing of a page's own stands on the window."""
    body = "\n".join(f"// {name}\n{rules.browser_text(name)}" for name in SCRIPTS)
    text = f'"use strict";\n(() => {{\nconst PAGE = JSON.parse(document.getElementById("{DATA_ID}").textContent);\n'
    script = f"{text}{body}\n}})();\n"
    if re.search(r"</script|<!--", script, flags=re.IGNORECASE):
        raise FormError("a script of the form holds '</script' or '<!--' and cannot be placed in a page")
    return script


def _policy(script: str, style: str, *, served: bool) -> str:
    """Return a policy under which the page can send nothing anywhere; pictures are its own."""
    own = ["manifest-src 'self'", "worker-src 'self'"] if served else []
    pictures = "img-src blob: data:" + (" 'self'" if served else "")
    parts = ("default-src 'none'", f"script-src {digest(script)}", f"style-src {digest(style)}", pictures, *own,
             "connect-src 'none'", "base-uri 'none'", "form-action 'none'")  # fmt: skip
    return "; ".join(parts)


def write_form(text: str, path: Path) -> None:
    """Write a form to a file that only appears once it is complete.

    Parameters
    ----------
    text : str
        From :func:`render`.
    path : Path
        The file; one of that name is replaced.

    Raises
    ------
    FormError
        It cannot be written.
    """
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise FormError(f"the form cannot be written to {path}: {error.strerror or error}") from None
