"""study.toml: everything wrong is told at once, and nothing unknown is passed over."""

import pytest
from conftest import STUDY_TOML, write

from densite.errors import SettingsError
from densite.settings import load, parse


def test_defaults_are_as_documented() -> None:
    """The radii and the gradient of a bare study."""
    chosen = parse(STUDY_TOML)
    assert chosen.cover.radii_m == (30.0, 100.0, 500.0, 1000.0)
    assert (chosen.gradient.measure, chosen.gradient.radius_m) == ("housing", 1000.0)


def test_unknown_keys_are_named_with_the_nearest_known_one() -> None:
    """A slip of the pen in a key or table is pointed at."""
    with pytest.raises(SettingsError) as told:
        parse(STUDY_TOML + "[terrian]\nmethod='horn'\n[terrain]\nmethdo='horn'\n[layers.elevaton]\npath='a'\n")
    message = str(told.value)
    assert "did you mean 'terrain'?" in message
    assert "did you mean 'method'?" in message
    assert "did you mean 'elevation'?" in message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[gradient]\nscheme='breaks'\nbreaks=[5, 2]\nnames=['a','b','c']", "rising order"),
        ("[gradient]\nscheme='breaks'\nbreaks=[2, 5]\nnames=['a','b']", "3 classes"),
        ("[gradient]\nbreaks=[2, 5]", "only used with"),
        ("[cover]\nradii_m=[]", "at least one radius"),
        ("[cover]\nradii_m=[30, 30]", "each given once"),
        ("[terrain]\nposition_radius_m=-1", "greater than 0"),
    ],
)
def test_impossible_choices_are_refused(text: str, said: str) -> None:
    """Each with the reason."""
    with pytest.raises(SettingsError, match=said):
        parse(STUDY_TOML + text)


def test_time_zone_must_exist() -> None:
    """A day in GPX depends on it."""
    with pytest.raises(SettingsError, match="no time zone"):
        parse(STUDY_TOML + 'time_zone = "Mars/Base"')


@pytest.mark.parametrize(
    "path", ["../r.gpkg", "a/../../r", "/etc/r", "C:/r", "..\\\\r", "\\\\\\\\share\\\\r", "a\\u0000b", ""]
)
@pytest.mark.parametrize("key", ["[register]\npath", "[animals]\nprotocol", "[animals]\ncalibration"])
def test_paths_stay_in_the_study_folder(key: str, path: str) -> None:
    """A study.toml from somebody else cannot make densite write or trust a file elsewhere."""
    with pytest.raises(SettingsError, match="leads out of the study folder"):
        parse(STUDY_TOML + f'{key} = "{path}"\n')


def test_layers_may_lie_elsewhere() -> None:
    """They are only read, and often shared by several studies."""
    parse(STUDY_TOML + '[layers.elevation]\npath = "../shared/dem.tif"\n[layers.canopy]\npath = "/data/canopy.tif"\n')


def test_missing_file_says_how_to_make_one(tmp_path) -> None:
    """A folder that is no study."""
    with pytest.raises(SettingsError, match="densite new"):
        load(tmp_path)


def test_broken_toml_and_bytes(tmp_path) -> None:
    """Neither ends in a traceback of another kind."""
    (tmp_path / "study.toml").write_bytes(b"[study\n")
    with pytest.raises(SettingsError, match="not valid TOML"):
        load(tmp_path)
    (tmp_path / "study.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="cannot be read"):
        load(tmp_path)


def test_links_of_the_study_stay_within_it(tmp_path) -> None:
    """The register, the protocol and the folder for output; also links that go round in a circle or lead to nothing."""
    home = tmp_path / "basin"
    (home / "inside").mkdir(parents=True)
    write(home / "study.toml", STUDY_TOML)
    for name, told in (("out", "out is a link"), ("register.gpkg", "register.path"), ("protocol.toml", "protocol")):
        link = home / name
        link.symlink_to(home / "inside")
        load(home)
        link.unlink()
        for target in (tmp_path, tmp_path / "none", "../x"):
            link.symlink_to(target)
            with pytest.raises(SettingsError, match=f"{told}.* leads out of the study folder"):
                load(home)
            link.unlink()
        link.symlink_to(link)
        load(home)
        link.unlink()
    (tmp_path / "link").symlink_to(home)
    load(tmp_path / "link")
    load(home / ".." / "basin")


@pytest.mark.parametrize("value", ["1" * 5000, "[" * 5000, "1979-99-99", "nan\x7f", "1e99999"])
def test_values_that_no_program_can_hold(value) -> None:
    """One message, whatever the reader of TOML stumbles over."""
    with pytest.raises(SettingsError):
        parse(f"{STUDY_TOML}[terrain]\nslope_tolerance_deg = {value}\n")


@pytest.mark.parametrize(("text", "said"), [
    ('season = ["11-31-1", "05-15"]', "no day of a year"), ('season = ["13-01", "05-15"]', "no day of a year"),
    ('expected = ["slopedeg"]', "did you mean 'slope_deg'"),
    ('expected = ["cub.weight"]', "unknown column 'cub.weight'"),
    ("same_day_m = 0", "same_day_m"),
])  # fmt: skip
def test_what_check_cannot_ask(text, said) -> None:
    """A day that is none, a column that is none; nothing is set by itself."""
    with pytest.raises(SettingsError, match=said):
        parse(f"{STUDY_TOML}[check]\n{text}\n")
    chosen = parse(STUDY_TOML).check
    assert (chosen.season, chosen.same_day_m, chosen.expected) == (None, None, None)
