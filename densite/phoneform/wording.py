"""The words of the phone form, one flat file a language."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from pathlib import Path

from densite.animalterms import PROCEDURES
from densite.errors import DensiteError
from densite.phoneform import screens

ENGLISH = "en"
_CODE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*")  # BCP 47, as far as a file's name needs it


class WordsError(DensiteError):
    """A file of words that cannot be used."""


def shipped() -> dict[str, dict[str, str]]:
    """Return the words that come with densite, by language code."""
    folder = resources.files("densite.phoneform").joinpath("words")
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".json")), key=lambda f: f.name)
    return {file.name.removesuffix(".json"): json.loads(file.read_text(encoding="utf-8")) for file in files}


def read_words(path: Path) -> tuple[str, Mapping[str, str]]:
    """Read a file of words.

    Parameters
    ----------
    path : Path
        ``fr.json``: the name is the language's code.

    Returns
    -------
    tuple
        Code and words by key; what is missing (see :func:`lacking`) is said in English.

    Raises
    ------
    WordsError
        It cannot be read, is no flat table of texts, or has a key or placeholder that the form does not know.
    """
    if not _CODE.fullmatch(path.stem) or path.stem == ENGLISH:
        raise WordsError(f"{path}: the file's name must be the code of another language: fr.json, pt-BR.json")
    try:
        words = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise WordsError(f"{path}: cannot be read as JSON in UTF-8 ({error})") from None
    if not isinstance(words, dict) or not all(isinstance(text, str) for text in words.values()):
        raise WordsError(f'{path}: expected one object of texts: {{"do.done": "..."}}')
    if slips := list(_slips(words)):
        raise WordsError("\n".join(f"{path}: {slip}" for slip in slips))
    return path.stem, words


def lacking(words: Mapping[str, str]) -> list[str]:
    """Return the keys that a language would have to say everything, and has not.

    Parameters
    ----------
    words : mapping of str to str
        Of that language.

    Returns
    -------
    list of str
        Interface words, headings of the fields shown, their choices and units.
    """
    return [key for key in _wanted() if key not in words]


@cache
def _wanted() -> tuple[str, ...]:
    terms = [screens.term_of(key) for key in screens.shown_keys()]
    keys = [*shipped()[ENGLISH], *(f"term.{key}" for key in screens.shown_keys())]
    keys += [f"choice.{value}" for term in terms for value in term.choices]
    return tuple(dict.fromkeys((*keys, *(f"choice.{value}" for value in PROCEDURES))))


def _slips(words: Mapping[str, str]) -> Iterator[str]:
    """Say what a translator mistyped: a number that a message does not show is a number that the crew never sees."""
    english = shipped()[ENGLISH]
    known = {
        *_wanted(),
        *(f"term.{key}" for key in screens.all_keys()),
        *(key for w in shipped().values() for key in w),
    }
    for key, text in words.items():
        if key not in known and not key.startswith("hint."):
            yield f"{key}: no such key"
            continue
        own, wanted = _placeholders(text), _placeholders(english.get(key, ""))
        yield from (f"{key}: {{{name}}} is missing" for name in sorted(wanted - own))
        yield from (f"{key}: {{{name}}} is not filled in by the form" for name in sorted(own - wanted))


def _placeholders(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))
