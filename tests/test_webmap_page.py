"""The page: what its text may hold, which scripts may run, and that nothing points outside."""

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from densite.errors import MapError
from densite.webmap import assets
from densite.webmap.page import Page, render, script_json

HOSTILE = "</script><script>alert(1)</script><!--<script> & \u2028\u2029 `${x}` {{ 7*7 }}"


class Reader(HTMLParser):
    """Collects what a browser would find: elements, attributes, and the text of each."""

    def __init__(self, text: str) -> None:
        """Read a whole document."""
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[list[str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        """Note an element and begin its text."""
        self.elements.append((tag, dict(attrs)))
        self.texts.append([tag, ""])

    def handle_endtag(self, tag):  # noqa: ARG002 - the parser passes it by position
        """End the text of an element; what follows belongs to none."""
        self.texts.append(["", ""])

    def handle_data(self, data):
        """Add to the text that is open; the parser hands long ones over in pieces."""
        if self.texts:
            self.texts[-1][1] += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Return the attributes of every element of a kind."""
        return [attributes for name, attributes in self.elements if name == tag]

    def inside(self, tag: str) -> list[str]:
        """Return the texts inside elements of a kind."""
        return [text for name, text in self.texts if name == tag and text.strip()]


def page(**changes) -> Page:
    """Make a small page."""
    parts = {
        "title": "Ondra Basin", "banner": "a banner", "body": "<main></main>", "data": {"a": 1},
        "styles": ["p { color: red }"], "scripts": ["let a = 1;", "let b = 2;"],
    }  # fmt: skip
    return Page(**(parts | changes))


def policy_of(reader: Reader) -> dict[str, list[str]]:
    """Return the directives of a page's Content-Security-Policy."""
    metas = [m["content"] for m in reader.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert len(metas) == 1
    words = [part.split() for part in metas[0].split(";")]
    return {word[0]: word[1:] for word in words}


def sha256(text: str) -> str:
    """Hash as CSP Level 3 section 2.3.1 writes it."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


@given(st.text())
@example(HOSTILE)
@example("\ud800")
def test_script_json_comes_back_and_cannot_leave_its_element(text):
    """Any text survives JSON and holds nothing that ends or changes a script element."""
    written = script_json({"note": [text]})
    assert not set(written) & set("<>&\u2028\u2029")
    assert json.loads(written)["note"] == [text]
    written.encode("utf-8")


def test_script_json_refuses_numbers_that_json_lacks():
    """NaN is no JSON and must not reach a page."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        script_json(float("nan"))


def test_policy_names_every_script_and_style_by_its_hash():
    """Hashes computed here, from what stands in the page, equal those in the policy."""
    reader = Reader(render(page(scripts=assets.scripts(), styles=assets.styles())))
    policy = policy_of(reader)
    scripts = [text for name, text in reader.texts if name == "script" and not text.startswith('{"a"')]
    assert [sha256(text) for text in scripts] == policy["script-src"]
    assert [sha256(text) for name, text in reader.texts if name == "style"] == policy["style-src"]


def test_policy_stands_before_anything_it_should_govern():
    """Only the character set comes before the policy; hosts, eval and inline extras are refused."""
    reader = Reader(render(page()))
    assert [name for name, _ in reader.elements][:4] == ["html", "head", "meta", "meta"]
    policy = policy_of(reader)
    assert policy["default-src"] == ["'none'"]
    assert policy["img-src"] == ["data:"]
    assert "unsafe" not in str(policy)


def test_page_without_scripts_allows_none():
    """An empty list of scripts means no script."""
    assert policy_of(Reader(render(page(scripts=[], styles=[]))))["script-src"] == ["'none'"]


@given(st.text(alphabet=st.characters(exclude_categories=["Cs", "Cc"])))
@example(HOSTILE)
@example('"><img src=x onerror=alert(1)>')
def test_title_and_banner_are_text(text):
    """No title makes an element, an attribute or another script."""
    plain, named = Reader(render(page())), Reader(render(page(title=text, banner=text)))
    assert [name for name, _ in named.elements] == [name for name, _ in plain.elements]
    assert named.all("script") == plain.all("script")


def test_title_is_shown_as_typed():
    """Markup in a title comes back as text."""
    title = "<b>Bold</b> & {{ 1 }} `x`"
    assert Reader(render(page(title=title))).inside("h1") == [title]


@pytest.mark.parametrize("script", ["x = '</script>'", "x = '<!--'", "</SCRIPT >"])
def test_script_that_ends_itself_is_refused(script):
    """A script that would end early is an error, not a broken page."""
    with pytest.raises(MapError, match="cannot be placed"):
        render(page(scripts=[script]))


def test_line_ends_are_those_that_a_browser_hashes():
    """HTML parsers turn CR LF into LF before a script is hashed."""
    reader = Reader(render(page(scripts=["let a;\r\nlet b;\r"])))
    assert policy_of(reader)["script-src"] == [sha256("let a;\nlet b;\n")]


def test_libraries_carry_their_licences_and_point_nowhere():
    """Notices stay, source maps and picture files are gone."""
    scripts, styles = assets.scripts(), assets.styles()
    assert "BSD 2-Clause" in scripts[0]
    assert "CloudMade" in scripts[0]
    assert "MIT License" in scripts[1]
    assert not any("sourceMappingURL" in text for text in [*scripts, *styles])
    assert re.findall(r"url\((?!data:)", "".join(styles)) == []
    assert "@import" not in "".join(styles)


def test_missing_library_is_told_with_the_way_out(monkeypatch):
    """Without the package that carries Leaflet the user learns what to install."""
    monkeypatch.setattr(assets, "_LEAFLET", "xstatic.pkg.leaflet_absent")
    with pytest.raises(MapError, match="pip install xstatic-leaflet-absent"):
        assets.scripts()
