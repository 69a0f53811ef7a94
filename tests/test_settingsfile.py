"""Lines are added to study.toml; not one of what stands there is touched."""

import tomllib

import pytest
from conftest import STUDY_TOML
from hypothesis import given
from hypothesis import strategies as st

from densite.errors import SettingsError
from densite.settings import load
from densite.settingsfile import add_to_intake, with_additions
from densite.studyfolder import new_study, study_text

COLUMNS = {"Typ der Höhle": "den_type", "Hang": "slope_deg"}
VALUES = {"decimal": ","}


def grown(text, columns=None, values=None):
    """Add lines, and make sure that the old ones are all there in their order."""
    after = with_additions(text, columns=columns or {}, values=values or {})
    rest = iter(after.splitlines())
    assert all(line in rest for line in text.splitlines())
    return after


@pytest.mark.parametrize(
    "text",
    [
        STUDY_TOML,
        study_text(name="Ondra", crs="EPSG:32611", study_id="7e570000-0001"),
        f"{STUDY_TOML}[intake]\ndatum='WGS84' # why\n# end\n\n# about the map\n[map]\ntitle='x'",
        f"{STUDY_TOML}[intake.columns] # ours\n'a' = 'den_label'\n\n# map\n[map]\n".replace("\n", "\r\n"),
        f"{STUDY_TOML}[ intake . columns ]\n[intake]\ndatum='WGS84'",
        f"\ufeff{STUDY_TOML}[map]\ntitle='''\n[other]\n'''\n",
    ],
)
def test_lines_are_added_and_nothing_else(text) -> None:
    """What the text said stays said; comments and line ends stay; what was to be added is there."""
    after = grown(text, COLUMNS, VALUES)
    told = tomllib.loads(after.removeprefix("\ufeff"))
    assert told["intake"]["decimal"] == ","
    assert COLUMNS.items() <= told["intake"]["columns"].items()
    assert after.count("\r\n") in (0, after.count("\n"))
    assert grown(after, COLUMNS, VALUES) == after


def test_a_line_goes_below_its_own_example() -> None:
    """In the commented study.toml of `densite new` a setting stands below its switched-off line."""
    text = study_text(name="Ondra", crs="EPSG:32611", study_id="7e570000-0001")
    lines = grown(text, values=VALUES).splitlines()
    assert lines[lines.index('decimal = ","') - 1].startswith('# decimal = ","')


@pytest.mark.parametrize(
    "text",
    ["intake = {datum = 'WGS84', columns = {a = 'den_label'}}\n" + STUDY_TOML,
     f"{STUDY_TOML}[intake]\ncolumns.a = 'den_label'\n", "intake.columns.a = 'den_label'\n" + STUDY_TOML],
)  # fmt: skip
def test_a_layout_that_cannot_grow_is_told(text) -> None:
    """Inline and dotted tables: one error with the lines to add by hand."""
    with pytest.raises(SettingsError, match=r'by hand.*"Hang" = "slope_deg"'):
        with_additions(text, columns=COLUMNS, values={})


def test_a_header_inside_a_text_is_no_header() -> None:
    """The result is read again, so that a text which looks like TOML cannot mislead."""
    text = f"note = '''\n[intake]\n'''\n{STUDY_TOML}"
    with pytest.raises(SettingsError, match="by hand"):
        with_additions(text, columns={}, values=VALUES)


@pytest.mark.parametrize(
    ("columns", "values"),
    [({"HANG": "slope_pct"}, {}), ({"hang_": "slope_pct"}, {}), ({}, {"datum": "NAD27"})],
)
def test_what_is_said_is_never_overwritten(columns, values) -> None:
    """Another meaning for the same heading, in any spelling, or another value is refused."""
    text = f"{STUDY_TOML}[intake]\ndatum = 'WGS84'\n[intake.columns]\nHang = 'slope_deg'\n"
    with pytest.raises(SettingsError, match="already"):
        with_additions(text, columns=columns, values=values)
    assert with_additions(text, columns={"hang": "slope_deg"}, values={"datum": "WGS84"}) == text


@given(st.text(st.characters(codec="utf-8"), min_size=1, max_size=20))
def test_any_heading_can_be_written(heading) -> None:
    """Quotes, backslashes, control characters, scripts: it reads back as it was."""
    after = with_additions(STUDY_TOML, columns={heading: "notes"}, values={})
    assert tomllib.loads(after)["intake"]["columns"] == {heading: "notes"}


def test_the_file_is_replaced_whole(tmp_path) -> None:
    """Rights stay, nothing is left beside it, what is not valid is not written."""
    new_study(tmp_path / "s", name="Ondra", crs="EPSG:32611")
    path = tmp_path / "s" / "study.toml"
    path.chmod(0o640)
    before = path.read_bytes()
    with pytest.raises(SettingsError, match="decimal"):
        add_to_intake(tmp_path / "s", columns={}, values={"decimal": ";"})
    assert path.read_bytes() == before
    add_to_intake(tmp_path / "s", columns=COLUMNS, values=VALUES)
    assert path.stat().st_mode & 0o777 == 0o640
    assert load(tmp_path / "s").intake.columns == COLUMNS
    assert not [p for p in path.parent.iterdir() if p.name.startswith(".study")]


def test_somebody_elses_change_is_not_lost(tmp_path, monkeypatch) -> None:
    """A file that changes while lines are worked out is left as it then is."""
    new_study(tmp_path / "s", name="Ondra", crs="EPSG:32611")
    path = tmp_path / "s" / "study.toml"
    changed = path.read_bytes() + b"# mine\n"
    monkeypatch.setattr("densite.settings.parse", lambda *_, **__: path.write_bytes(changed))
    with pytest.raises(SettingsError, match="meanwhile"):
        add_to_intake(tmp_path / "s", columns=COLUMNS, values={})
    assert path.read_bytes() == changed
