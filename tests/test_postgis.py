"""The register in PostgreSQL: schemas, rights of the one who makes it, lost connections, and its password."""

import json
import logging
import sys
import traceback

import numpy as np
import pytest
from test_register import den, visit

from densite import testing
from densite.cli import main
from densite.errors import RegisterError, SettingsError
from densite.pipeline import open_study
from densite.register import create_register, journal, open_register
from densite.studyfolder import lay_out, new_study, study_text

pytest_plugins = ("postgres",)
CREW = "den_label,date,latitude,longitude,datum,uncertainty_m,den_type\nD-1,2026-02-24,43.5,-115.5,WGS84,5,tree\n"
PASSWORD = "s3cret-of-the-crew"  # noqa: S105 - of a server that lives as long as the tests


@pytest.fixture
def login(postgres_server):
    """A function that makes a login without any rights of its own, and returns its name."""
    made = []

    def make(*, owns=""):
        made.append(f"login_{id(made)}_{len(made)}")
        postgres_server.run(f"CREATE ROLE {made[-1]} LOGIN PASSWORD '{PASSWORD}'")
        if owns:
            postgres_server.run(f"ALTER DATABASE {owns} OWNER TO {made[-1]}")
        return made[-1]

    return make


def test_messages_name_the_schema(postgres_server) -> None:
    """And neither user's password nor what else the URL holds."""
    with pytest.raises(RegisterError, match=r"studies \(schema nowhere\) is no densite register"):
        open_register(postgres_server.url("studies", schema="nowhere"))


def test_registers_of_one_database_do_not_see_each_other(new_database, postgres_server) -> None:
    """Each in its schema; one in public does not stand in for one that is missing; writers do not wait."""
    name = new_database()
    with create_register(postgres_server.url(name), study_id="first") as first:
        with pytest.raises(RegisterError, match="is no densite register"):
            open_register(postgres_server.url(name, schema="second"))
        with create_register(postgres_server.url(name, schema="second"), study_id="second") as second:
            with first.writing() as one, second.writing() as two:
                first.add(one, [den()], [])
                second.add(two, [den(), den("D-2", -115, 43)], [])
            assert (first.counts()["den"], second.counts()["den"]) == (1, 2)
            for register in (first, second):
                with register.reading() as connection:
                    assert len(list(journal.entries(connection))) == register.counts()["den"]


def test_a_database_that_has_postgis_serves_its_owner(new_database, postgres_server, login) -> None:
    """No superuser is needed: the schema is made, or was made for the role."""
    name = new_database()
    user = login(owns=name)
    url = postgres_server.url(name, user=user, password=PASSWORD, schema="basin")
    with create_register(url, study_id="test") as register, register.writing() as connection:
        register.add(connection, [den()], [])
    with open_register(url, study_id="test") as register:
        assert len(register.dens()) == 1


def test_postgis_in_a_schema_of_its_own(new_database, postgres_server) -> None:
    """As some hosts have it."""
    name = new_database(postgis=False)
    postgres_server.run("CREATE SCHEMA extensions", database=name)
    postgres_server.run("CREATE EXTENSION postgis SCHEMA extensions", database=name)
    with create_register(postgres_server.url(name, schema="basin"), study_id="test") as register:
        with register.writing() as connection:
            register.add(connection, [den()], [])
        assert register.dens().geometry.iloc[0].coords[0] == (-115.5, 43.5)


def test_a_superuser_adds_postgis(new_database, postgres_server) -> None:
    """Where the server has it."""
    with create_register(postgres_server.url(new_database(postgis=False)), study_id="test") as register:
        assert register.counts() == {"den": 0, "visit": 0}


def test_who_may_not_add_postgis_is_told_what_the_owner_must_do(new_database, postgres_server, login) -> None:
    """One message, and nothing is left behind, not even the schema."""
    name = new_database(postgis=False)
    url = postgres_server.url(name, user=login(owns=name), password=PASSWORD, schema="basin")
    with pytest.raises(RegisterError, match=rf"owner of database {name} .*run once in it: CREATE EXTENSION postgis"):
        create_register(url, study_id="test")
    postgres_server.run("CREATE EXTENSION postgis", database=name)
    create_register(url, study_id="test").close()


@pytest.mark.parametrize(
    ("schema", "advice"),
    [("basin", "CREATE SCHEMA basin AUTHORIZATION"), ("", "GRANT CREATE, USAGE ON SCHEMA public TO")],
)
def test_who_may_not_make_tables_is_told_what_the_owner_must_do(
    new_database, postgres_server, login, schema, advice
) -> None:
    """The advice is SQL that does it."""
    name, user = new_database(), login()
    url = postgres_server.url(name, user=user, password=PASSWORD, schema=schema)
    with pytest.raises(RegisterError, match=f"owner of database {name} run once: {advice}") as refused:
        create_register(url, study_id="test")
    postgres_server.run(str(refused.value).partition("run once: ")[2], database=name)
    create_register(url, study_id="test").close()


def test_a_lost_connection_leaves_nothing_and_the_next_step_works(postgis_url, postgres_server) -> None:
    """The server ends the session in the middle of a step, and between two."""
    cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'studies' AND pid <> pg_backend_pid()"
    with create_register(postgis_url, study_id="test") as register:
        with pytest.raises(RegisterError, match="Nothing was changed"), register.writing() as connection:
            register.add(connection, [den()], [])
            postgres_server.run(cut)
            register.add(connection, [den("D-2", -115, 43)], [])
        assert register.counts() == {"den": 0, "visit": 0}
        postgres_server.run(cut)
        with register.writing() as connection:
            register.add(connection, [den()], [visit(den())])
        assert register.counts() == {"den": 1, "visit": 1}


@pytest.fixture
def study(tmp_path, postgis_url):
    """A study on PostgreSQL with a DEM, whose study.toml holds the password: the worst habit."""
    layer = '[layers.elevation]\npath = "layers/dem.tif"\n'
    text = study_text(name="n", crs="EPSG:32611", layers=layer, study_id="secret-study")
    text = text.replace('path = "register.gpkg"', f'url = "{postgis_url}"')
    folder = lay_out(tmp_path / "study", text)
    grid = testing.Grid("EPSG:32611", -115.5, 43.5, 10.0, size=61)
    plane = testing.plane(*grid.ground(), slope_deg=20, aspect_deg=112)
    testing.write_raster(folder / "layers/dem.tif", np.asarray(plane), crs="EPSG:32611", transform=grid.transform)
    (folder / "crew.csv").write_text(CREW, encoding="utf-8")
    return folder


def test_the_password_shows_nowhere(study, postgres_server, caplog, capsys, monkeypatch) -> None:
    """Not in what is written, said, logged, journaled or kept by the server, with every logger at its loudest."""
    caplog.set_level(logging.DEBUG)
    for name in ("sqlalchemy", "sqlalchemy.engine", "sqlalchemy.pool", "psycopg", "psycopg.pool"):
        caplog.set_level(logging.DEBUG, logger=name)
    with open_study(study) as opened:
        opened.intake([study / "crew.csv"])
        opened.derive()
        backend = opened.register.backend
        said = [repr(x) for x in (opened, opened.register, backend, backend.engine, backend.engine.url, backend.url,
                                  opened.settings, backend.engine.pool)]  # fmt: skip
        said += [opened.register.where, str(opened.settings.model_dump()), opened.settings.model_dump_json()]
        with opened.register.reading() as connection:
            entries = [repr(entry) for entry in journal.entries(connection)]
            said.append(repr(connection))
        with pytest.raises(RegisterError) as refused, opened.register.writing() as connection:
            opened.register.add(connection, [], [visit(den("none"))])
        said += traceback.format_exception(refused.value)
    monkeypatch.setattr(sys, "argv", ["densite", "check", "--study", str(study)])
    with pytest.raises(SystemExit):
        main()
    said += [*capsys.readouterr(), caplog.text, postgres_server.log.read_text(encoding="utf-8", errors="replace")]
    said += [path.read_text(errors="replace") for path in (study / "out").rglob("*") if path.is_file()]
    assert "postgresql+psycopg" in "".join(said)
    assert json.loads((study / "out/manifest.json").read_text())["settings"]["register"]["url"] == "*" * 10
    assert len(entries) == 2
    assert not [text for text in (*said, *entries) if postgres_server.password in text]


@pytest.mark.parametrize("broken", ["port", "password", "database", "user"])
def test_no_error_shows_the_password(postgres_server, broken) -> None:
    """Server down, wrong password, no such database or user: one message with what to look at."""
    url = postgres_server.url("studies", password=PASSWORD)
    if broken != "password":
        url = postgres_server.url(
            "none" if broken == "database" else "studies", user="none" if broken == "user" else "postgres"
        )
    if broken == "port":
        url = url.replace(f":{postgres_server.port}/", ":1/")
    with pytest.raises(RegisterError, match="are host, port, user and password right") as refused:
        open_register(url)
    told = "".join(traceback.format_exception(refused.value, chain=True)) + repr(refused.value.__context__)
    assert PASSWORD not in told
    assert postgres_server.password not in told


def test_new_study_writes_no_password(tmp_path, postgis_url, postgres_server, monkeypatch) -> None:
    """The register is made; study.toml holds the URL without its password and says how to give it."""
    folder = new_study(tmp_path / "basin", name="n", crs="EPSG:32611", register=postgis_url)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert not [p for p in folder.rglob("*") if p.is_file() and postgres_server.password in p.read_text()]
    assert not (folder / "register.gpkg").exists()
    assert f'url = "{postgis_url.replace(f":{postgres_server.password}@", "@")}"' in text
    assert "DENSITE_REGISTER in the environment" in text
    monkeypatch.setenv("PGPASSWORD", postgres_server.password)
    with open_study(folder) as study:
        assert study.dens.empty
        assert study.register.backend.kind == "PostgreSQL"


def test_new_study_takes_the_password_from_the_environment(tmp_path, postgis_url, postgres_server, monkeypatch) -> None:
    """Where it names the same place; else nothing is made."""
    bare = postgis_url.replace(f":{postgres_server.password}@", "@")
    monkeypatch.setenv("DENSITE_REGISTER", postgis_url.replace("search_path=", "search_path=other_"))
    with pytest.raises(RegisterError, match="DENSITE_REGISTER names another register") as refused:
        new_study(tmp_path / "basin", name="n", crs="EPSG:32611", register=bare)
    assert postgres_server.password not in str(refused.value)
    assert not (tmp_path / "basin").exists()
    monkeypatch.setenv("DENSITE_REGISTER", postgis_url)
    new_study(tmp_path / "basin", name="n", crs="EPSG:32611", register=bare)
    with pytest.raises(SettingsError, match="is a study already"):
        new_study(tmp_path / "basin", name="n", crs="EPSG:32611", register=bare)


def test_new_by_command(tmp_path, postgis_url, postgres_server, monkeypatch, capsys) -> None:
    """`densite new --register URL`."""
    words = ["new", str(tmp_path / "b"), "--name", "n", "--crs", "EPSG:32611", "--register", postgis_url]
    monkeypatch.setattr(sys, "argv", ["densite", *words])
    with pytest.raises(SystemExit) as left:
        main()
    printed = capsys.readouterr()
    assert not left.value.code, printed.err
    assert postgres_server.password not in printed.out + printed.err
    open_register(postgis_url).close()
