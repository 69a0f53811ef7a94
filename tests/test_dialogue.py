"""`densite log` as a conversation: order, corrections, the place on the maps, re-use, drafts that survive."""

import contextlib
import datetime as dt
import json
import os
import pty
import select
import signal
import stat
import subprocess
import sys

import click
import pytest

import densite
from densite.cli.draft import Answers, Draft, open_draft
from densite.cli.prompts import ORDER, chosen, columns, explained, prompt
from densite.cli.summary import log_by_asking
from densite.testing import Grid, plane, write_raster

GRID = Grid("EPSG:32611", -116.3, 42.3, 10.0)
TODAY = dt.date(2026, 2, 25)
# date, observer, crew, female, purpose
WHO = ["2026-02-24", "KR", "", "OB-031", ""]
HERE = ["42.30000 N 116.30000 W", "WGS84", "5"]
DEN = ["tree", "112", "true", "31", "", ""]


@pytest.fixture
def study(tmp_path):
    """A study on a plane of 31 deg that falls toward 112 deg; its area is a zone of UTM."""
    folder = tmp_path / "basin"
    densite.new_study(folder, name="Basin study", crs="EPSG:32611")
    heights = plane(*GRID.ground(), slope_deg=31, aspect_deg=112)
    write_raster(folder / "dem.tif", heights, crs=GRID.crs, transform=GRID.transform, unit="m")
    with (folder / "study.toml").open("a") as file:
        file.write('\n[layers.elevation]\npath = "dem.tif"\n')
    with densite.open_study(folder) as opened:
        yield opened


@pytest.fixture
def talk(study, monkeypatch, capsys):
    """Answer the questions one after the other; return what was shown. An end of answers is a dropped line."""

    def run(*answers, given=None):
        left = list(answers)

        def line(text):
            click.echo(text, err=True)
            if not left:
                raise EOFError
            return left.pop(0)

        monkeypatch.setattr("click.termui.visible_prompt_func", line)
        log_by_asking(study, dict(given or {}), lambda values: study.log(values))
        assert not left, f"not asked for: {left}"
        return capsys.readouterr().err

    return run


def test_a_visit_from_the_first_question_to_the_last(talk, study) -> None:
    """The place by the DEM, slope and aspect held against it, a summary, one yes, no draft left."""
    seen = " ".join(talk(*WHO, *HERE, "D-1", "t", *DEN[1:], "y").split())
    assert "42.30000 N, 116.30000 W (WGS 84). There: 1,000 m high by the DEM" in seen
    assert (
        "The DEM says 31 deg facing 112 deg (ESE). You read 31 deg facing 112 deg (ESE), true north. They match."
        in seen
    )
    assert "This will be saved" in seen and "Not given: Crew (3)" in seen
    den = study.dens.iloc[0]
    assert (den["label"], den["den_type"], den["aspect_deg"]) == ("D-1", "tree", 112)
    assert list(study.out.iterdir()) == []


def test_every_line_fits_80_columns(talk) -> None:
    """Also hints, reasons and the explanation of each question."""
    helped = [a for answer in [*WHO, *HERE, "D-1", *DEN] for a in ("?", answer)]
    assert max(map(len, talk(*helped, "y").splitlines())) <= 80


@pytest.mark.parametrize(
    "typed", ["116.30000 W 42.30000 N", "-116.30000 42.30000", "42.30000 116.30000", "UTM 11N 557699 4683323"]
)
def test_places_as_they_are_typed(talk, study, typed) -> None:
    """Swapped or without a sign: corrected after a question; letters and UTM need none."""
    asked = ["y"] if typed[0] in "-4" else []
    seen = talk(*WHO, typed, *asked, *HERE[1:], "D-1", *DEN, "y")
    assert ("Did you mean 42.30000 N, 116.30000 W?" in seen) == bool(asked)
    assert study.dens.geometry.iloc[0].coords[0] == pytest.approx((-116.3, 42.3), abs=2e-5)


def test_a_swap_is_never_mended_without_a_yes(talk, study) -> None:
    """After a no the place stands as typed where it can, and is asked about once more at the end."""
    seen = talk(*WHO, "42.30000 116.30000", "n", "", *HERE[1:], "D-1", *DEN, "y")
    assert "outside the area" in seen.split("look at this once more")[1]
    assert study.dens.geometry.iloc[0].x == pytest.approx(116.3)


def test_wrong_answers_are_asked_for_again_with_the_reason(talk, study) -> None:
    """By intake's own words, at once; nothing of them is kept."""
    seen = talk("2026-02-30", *WHO, "here", HERE[0], "WGS85", "WGS84", "0", "5", "D-1", "cave", "", "tree", "north-ish",
                "n", "m", "100", "100 %", "y", "-5", "", "", "y")  # fmt: skip
    for reason in ("is no day of the calendar", "are not two numbers", "WGS85", "must be over 0 m", "den_type 'cave'",
                   "den_type is empty", "north-ish", "slope_deg", "canopy_pct"):  # fmt: skip
        assert reason in seen
    den = study.dens.iloc[0]
    assert (den["aspect_read"], den["aspect_reference"], den["slope_deg"]) == ("n", "magnetic", pytest.approx(45))


def test_an_unusual_answer_is_kept_by_enter(talk, study) -> None:
    """And confirmed by the one yes at the end, which says so."""
    seen = " ".join(talk(*WHO, *HERE, "D-1", "tree", "", "75", "", "y", "", "", "y").split())
    assert "slope_deg 75 deg is unusual" in seen and "type it with %" in seen
    assert "Yes also says that the points above are right" in seen
    assert study.register.visits().iloc[0]["settled"].startswith("slope_deg")


def test_a_slip_of_the_compass_is_seen(talk, study) -> None:
    """A bearing that looks the wrong way: no, and it is read again."""
    seen = " ".join(talk(*WHO, *HERE, "D-1", "tree", "292", "true", "31", "n", "112", "", "", "", "y").split())
    assert "They differ: the aspect by 180 deg (the study allows 45)." in seen
    assert study.dens.iloc[0]["aspect_deg"] == 112


def test_a_known_den_takes_its_label(talk, study) -> None:
    """Re-use: another visit to the same den; another den stays apart by a yes."""
    talk(*WHO, *HERE, "D-1", *DEN, "y")
    seen = talk("2026-02-26", *WHO[1:], "42.30010 N 116.30000 W", *HERE[1:], "y", *DEN, "y")
    assert "Nearest known den: D-1 (tree), 11 m to the S (180 deg), last visit 2026-02-24." in " ".join(seen.split())
    assert (len(study.dens), len(study.register.visits())) == (1, 2)
    talk("2026-02-26", *WHO[1:], "42.30005 N 116.30000 W", *HERE[1:], "n", "D-2", *DEN, "y")
    assert sorted(study.dens["label"]) == ["D-1", "D-2"]


def test_going_back_changes_an_answer(talk, study) -> None:
    """Enter keeps the others, a dash empties one, a number goes there from the end."""
    talk(
        "<",
        "2026-02-24",
        "KL",
        "",
        "<",
        "<",
        "KR",
        "ML",
        "OB-031",
        "trial",
        *HERE,
        "D-1",
        *DEN,
        "5",
        "-",
        "10",
        "brush",
        "y",
    )
    visit = study.register.visits().iloc[0]
    assert (visit["observer"], visit["crew"], visit["purpose"]) == ("KR", "ML", None)
    assert study.dens.iloc[0]["den_type"] == "brush"


def test_going_back_to_the_place_gives_up_the_label_that_came_with_it(talk, study) -> None:
    """Another place, another den."""
    talk(*WHO, *HERE, "D-1", *DEN, "y")
    talk(*WHO, *HERE, "y", *DEN, "6", "42.30150 N 116.30000 W", "D-2", "y")
    assert sorted(study.dens["label"]) == ["D-1", "D-2"]


def test_a_dropped_line_loses_nothing(talk, study, capsys) -> None:
    """What was answered is kept for its owner only, offered at the next start, and gone once saved."""
    with pytest.raises(SystemExit) as left:
        talk(*WHO, HERE[0])
    assert left.value.code == 130
    assert "Answers are kept in" in capsys.readouterr().err
    path = study.out / "log-draft.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert json.loads(path.read_text())["values"]["female"] == "OB-031"
    seen = talk("y", *HERE[1:], "D-1", *DEN, "y")
    assert "6 questions done" in " ".join(seen.split())
    assert study.register.visits().iloc[0]["female"] == "OB-031"
    assert not path.exists()


def test_a_draft_is_thrown_away_only_after_two_questions(talk, study) -> None:
    """No and no leaves it."""
    open_draft(study.out).keep(Answers({"female": "OB-031"}, ["female"]))
    with pytest.raises(SystemExit):
        talk("n", "n")
    assert (study.out / "log-draft.json").exists()
    talk("n", "y", *WHO[:3], "", "", *HERE, "D-1", *DEN, "y")
    assert study.register.visits().iloc[0]["female"] is None


@pytest.mark.parametrize("text", ["", "[", "[" * 100_000, "{}", '{"densite_log_draft": 1, "values": [], "done": 3}'])
def test_a_draft_that_cannot_be_read_is_kept_aside(talk, study, text) -> None:
    """Told, never thrown away, never a traceback."""
    study.out.mkdir(exist_ok=True)
    (study.out / "log-draft.json").write_text(text)
    assert "could not be read" in talk(*WHO, *HERE, "D-1", *DEN, "y")
    assert [path.read_text() for path in study.out.glob("log-draft-unreadable-*.json")] == [text]


def test_two_people_log_at_once(tmp_path) -> None:
    """Neither writes over the other's answers, whoever began or wrote first."""
    first, second = open_draft(tmp_path), open_draft(tmp_path)
    first.keep(Answers({"female": "OB-031"}))
    second.keep(Answers({"female": "OB-032"}))
    first.keep(Answers({"female": "OB-033"}))
    third = open_draft(tmp_path)
    assert third.path.name == "log-draft-3.json"
    assert [draft.read().values["female"] for draft in (first, second)] == ["OB-033", "OB-032"]
    first.let_go()
    assert open_draft(tmp_path).path == first.path


def test_a_draft_follows_no_link(tmp_path) -> None:
    """Written beside and put in place, so that a link there is replaced, and what it leads to left alone."""
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "log-draft.part").symlink_to(tmp_path / "mine.txt")
    draft = Draft(tmp_path / "log-draft.json", None)
    draft.keep(Answers({"female": "OB-031"}))
    draft.let_go()
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_options_are_not_asked_for_again_but_where_they_are_wrong(talk, study) -> None:
    """Also a column that has no question of its own."""
    given = {"date": "2026-02-24", "den_type": "cave", "concealment_pct": "400", "coordinates": HERE[0]}
    seen = talk(*WHO[1:], *HERE[1:], "D-1", *DEN, "40", "y", given=given)
    assert "16/16  Concealment" in seen
    assert study.dens.iloc[0]["concealment_pct"] == 40


def test_what_answers_stand_for() -> None:
    """Days in words, slopes in percent, UTM, grid references, first letters."""
    assert columns("date", "Yesterday", today=TODAY) == {"date": "2026-02-24"}
    assert columns("slope_deg", "40 %", today=TODAY) == {"slope_pct": "40 %"}
    utm = {"utm_zone": "11N", "easting": "378125", "northing": "4818231"}
    assert columns("coordinates", "utm 11n 378125 E, 4818231 N", today=TODAY) == utm
    assert columns("coordinates", "11TMJ 78125 18231", today=TODAY) == {"mgrs": "11TMJ 78125 18231"}
    assert columns("coordinates", "44 30 36 N 118 13 12 W", today=TODAY) == {"coordinates": "44 30 36 N 118 13 12 W"}
    assert chosen("M", ("true", "magnetic")) == "magnetic"
    assert chosen("b", ("brush", "bank")) == "b"


def test_each_question_says_what_it_takes() -> None:
    """With its unit; '?' says whether it may be skipped."""
    for name in ORDER:
        assert prompt(name, number="1/15").startswith("1/15  ")
        said = " ".join(explained(name).split())
        assert ("It must be answered." in said) != ("Enter skips it." in said)
    assert "0 to 90 deg" in prompt("slope_deg", number="1/15")
    assert "Usual: 1 to 300 m" in " ".join(explained("uncertainty_m").split())


def test_one_line_about_the_place_without_a_terminal(study) -> None:
    """Only when it is asked for; the record is the same."""
    given = {"date": "2026-02-24", "coordinates": HERE[0], "datum": "WGS84", "den-type": "tree", "den-label": "D-1"}
    words = [sys.executable, "-m", "densite", "log", "--look", "--study", str(study.folder)]
    words += [word for name, text in given.items() for word in (f"--{name}", text)]
    done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=True)
    assert done.stdout == "Recorded: D-1.\n"
    assert done.stderr.splitlines()[0] == (
        "1,000 m high by the DEM; 31 deg facing 112 deg (ESE); no other den is known"
    )


@pytest.mark.parametrize("blow", [signal.SIGINT, signal.SIGKILL])
def test_a_session_that_ends_in_the_middle_leaves_its_answers(study, blow) -> None:
    """On a real terminal: Ctrl-C, and a process that is killed."""
    main, side = pty.openpty()
    heard = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "  # a job may begin deaf to it
    )
    words = [sys.executable, "-c", f"{heard}from densite.cli import main; main()", "log", "--study", str(study.folder)]
    with subprocess.Popen(words, stdin=side, stdout=side, stderr=side, start_new_session=True) as process:
        os.close(side)
        os.write(main, b"2026-02-24\nKR\n")
        seen = b""
        while b"3/15" not in seen:
            assert select.select([main], [], [], 60)[0], seen
            seen += os.read(main, 4096)
        for strength in (
            *[blow] * 10,
            signal.SIGKILL,
        ):  # a Ctrl-C between two lines of Python's input() may pass unseen
            process.send_signal(strength)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(2)
                break
    assert process.returncode != 0 and (blow is signal.SIGKILL or process.returncode > 0)
    os.close(main)
    assert open_draft(study.out).read().values == {"date": "2026-02-24", "observer": "KR"}
