"""The phone form for the crew."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.phoneform import FormContent


@click.command(short_help="Make the form that a crew fills in on a phone, with no signal.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path),
              help="HTML file to write.  [default: out/form.html]")  # fmt: skip
@click.option("--language", default="en", show_default=True, help="Language in which the form opens: en, es ...")
@click.option("--words", "words_file", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Words of one more language, fr.json; the file's name is its code.")  # fmt: skip
@click.option("--serve", "served", is_flag=True,
              help="Serve it to phones in the office's network instead, until Ctrl-C.")  # fmt: skip
@click.option("--address", default="127.0.0.1", show_default=True,
              help="With --serve: where to listen; 0.0.0.0 is every network of this machine.")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=8044, show_default=True, help="With --serve.")
@click.option("--certificate", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="With --serve: PEM file of a certificate, for https.")  # fmt: skip
@click.option("--key", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="PEM file of the certificate's key, where it stands in a file of its own.")  # fmt: skip
@shared.study_option
def form(
    output: Path | None, language: str, words_file: Path | None, folder: Path, served: bool, **listening: Any
) -> None:
    """For the crew: write one HTML file in which a den visit is written down on a phone, without any network.

    \b
    Example:  densite form -o form.html --study ondra-basin

    Copy the file to the phone before leaving, or open it once from the phone with --serve and let the phone keep it.
    It holds the names of crew and observers, the ids of females with a collar and the permits' numbers, but no
    den. What the crew writes stays on the phone, with the address from which it was opened, until it is
    handed over as one file, which `densite intake` takes.
    """
    from densite.phoneform import render, write_form
    from densite.pipeline import open_study

    if served and output:
        raise click.UsageError("--serve writes no file: give one of -o and --serve")
    words = _words(words_file)
    with open_study(folder) as study:
        content, out = content_of(study), study.out
    if served:
        return _serve(content, language=language, words=words, **listening)
    path = output or _in_out(out)
    write_form(render(content, language=language, words=words), path)
    return click.echo(path)


def _serve(content: FormContent, *, language: str, words: dict[str, Any], **listening: Any) -> None:
    """Answer until Ctrl-C; what a phone may do with the address is said beside it."""
    from densite.phoneform.serve import form_server, site

    with form_server(site(content, language=language, words=words), **listening) as server:
        click.echo(server.address)
        click.echo(said_of(server.address), err=True)
        with suppress(KeyboardInterrupt):
            server.serve_forever()


def said_of(address: str) -> str:
    """Say what a phone can do with a form opened from an address.

    Parameters
    ----------
    address : str
        Beginning with http or https.

    Returns
    -------
    str
    """
    if address.startswith("http://localhost"):
        return ("Only this machine can open it. For phones: --address with this machine's own, and --certificate. "
                "Ctrl-C ends.")  # fmt: skip
    known = "Anyone in its network can open it, and read the names in it; no den is in it."
    if address.startswith("https:"):
        return (f"{known} Open it once on each phone: a phone that trusts the certificate keeps the form and opens it "
                "without a network. Ctrl-C ends.")  # fmt: skip
    return (f"{known} Without --certificate a phone gets no position here and keeps no form: let it save the form as "
            "a file. Ctrl-C ends.")  # fmt: skip


def content_of(study: Any) -> FormContent:
    """Gather the study's part of its form.

    Parameters
    ----------
    study : Study
        Open.

    Returns
    -------
    FormContent
    """
    from densite.phoneform import form_content

    named = "boundary" in study.settings.layers
    middle = study.area.representative_point() if named else None  # a zone's middle would say nothing of the study
    return form_content(
        study.settings, visits=study.register.visits(), animals=study.records("animal"), marks=study.records("mark"),
        permits=study.records("permit"), middle=None if middle is None else (middle.x, middle.y), on=dt.date.today(),
    )  # fmt: skip


def _words(path: Path | None) -> dict[str, Any]:
    """Return the words by language: those shipped, and those of a file before them."""
    from densite.phoneform import lacking, read_words, shipped

    known = shipped()
    if path is None:
        return known
    code, own = read_words(path)
    known[code] = {**known.get(code, {}), **own}
    if lack := lacking(known[code]):
        click.echo(f"{path}: {len(lack)} keys are said in English, such as {', '.join(lack[:3])}", err=True)
    return known


def _in_out(out: Path) -> Path:
    out.mkdir(mode=0o700, exist_ok=True)
    return out / "form.html"


COMMANDS = (form,)
