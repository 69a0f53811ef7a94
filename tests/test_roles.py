"""Roles on PostgreSQL: what each may do, and everything a planner might try to find a den."""

# ruff: noqa: S608 - statements of our own

import datetime as dt
import re
import uuid

import psycopg
import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML, write
from test_register import den, visit

from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.cli.register import roles as roles_command
from densite.deliveries import hand_in
from densite.errors import RegisterError
from densite.register import create_register, journal, open_register, schema
from densite.register.roles import Roles, apply, default_roles, publish, statements
from densite.settings import parse

pytest_plugins = ("postgres",)
PASSWORD = "planner-may-know-this"  # noqa: S105 - of a server that lives as long as this test
HIDDEN = "-115.4871"  # a den's longitude, as far as it may never be told
TABLES = [table.name for table in schema.metadata.sorted_tables]


def seen(number, lon, lat, day, female, kind="tree"):
    """A den with a visit in which a female was there."""
    of = den(f"R-{number}", lon, lat).model_copy(update={"den_type": kind})
    was = visit(of, key=f"r{number}").model_copy(update={"observed_on": day, "female": female})
    return of, was


def day(year):
    """A day in late winter."""
    return dt.date(year, 2, 24)


@pytest.fixture(scope="module")
def study(postgres_server):
    """A register with roles in a database of its own, and a login that is a member of each role."""
    postgres_server.run("CREATE DATABASE roles_study TEMPLATE studies")
    names = Roles("basin_owner", "basin_analyst", "basin_crew", "basin_planner")
    with create_register(postgres_server.url("roles_study", schema="basin"), study_id="test") as register:
        rows = [
            *(seen(i, -115.4871 + i / 1000, 43.5123 + i / 1000, day(2024), f"OB-{i}") for i in range(3)),
            seen(3, -115.48, 43.52, day(2026), "ob-1 "),  # one of the three again: no fourth female
            seen(4, -115.48, 43.52, day(2027), "OB-9"),  # the next three winters: alone there
            *(
                seen(i, -115.45, 43.55, day(2025), who, "brush")
                for i, who in enumerate(("OB-0", "ob 0", "OB0", "Ob_0", "OB-1"), 40)
            ),  # two females, one in four spellings
            *(seen(i, -115.01, 43.01, day(2025), None) for i in range(9, 14)),  # nobody known
            *(seen(i, -114.95, 42.05, day(2025), f"OB-{i}", "rock ledge") for i in range(14, 18)),
        ]
        with register.writing(source="crew.csv") as connection:
            register.add(connection, [of for of, _ in rows], [was for _, was in rows])
        apply(register, names)
        publish(register)
        for role in ("analyst", "crew", "planner", "owner"):
            postgres_server.run(f"CREATE ROLE a_{role} LOGIN PASSWORD '{PASSWORD}' IN ROLE basin_{role}")
        yield register


@pytest.fixture
def as_role(study, postgres_server):  # noqa: ARG001 - the roles must be there
    """A function that connects as a member of a role, without densite."""
    opened = []

    def connect(role):
        opened.append(postgres_server.connect("roles_study", user=f"a_{role}", password=PASSWORD))
        return opened[-1]

    yield connect
    for connection in opened:
        connection.close()


@pytest.fixture
def register_as(study, postgres_server):  # noqa: ARG001 - the roles must be there
    """A function that opens the register as a member of a role."""
    opened = []

    def open_as(role):
        url = postgres_server.url("roles_study", user=f"a_{role}", password=PASSWORD, schema="basin")
        opened.append(open_register(url, study_id="test"))
        return opened[-1]

    yield open_as
    for register in opened:
        register.close()


TOLD = "basin_for_planners.den_types_by_cell"
NUMBERS = "west, south, cell_deg, first_winter, last_winter, den_type, dens, females"


def test_planner_reads_counts_of_three_females_and_more(as_role) -> None:
    """By cell of 0.1 degree, three winters and type: worked out by hand from the rows above."""
    rows = as_role("planner").execute(f"SELECT {NUMBERS} FROM {TOLD} ORDER BY west").fetchall()
    told = [(float(w), float(s), float(c), a, b, kind, dens, females) for w, s, c, a, b, kind, dens, females in rows]
    assert told == [
        (-115.5, 43.5, 0.1, 2022, 2024, "tree", 3, 3),
        (-115.0, 42.0, 0.1, 2025, 2027, "rock ledge", 4, 4),
    ]


@pytest.fixture
def counted(new_database, postgres_server):
    """A register of four dens of four females with roles, what planners read of it, and a function that adds dens."""
    name = new_database()
    with create_register(postgres_server.url(name), study_id="test") as register:
        stem = f"p{uuid.uuid4().hex[:8]}"
        apply(register, Roles(f"{stem}_o", f"{stem}_a", f"{stem}_c", f"{stem}_p"))

        def read() -> list[tuple[object, ...]]:
            with postgres_server.connect(name) as other:
                told = f"SELECT {NUMBERS}, xmin::text FROM densite_planner.den_types_by_cell ORDER BY den_type"
                return other.execute(told).fetchall()

        def add(*numbers: int, kind: str = "tree") -> None:
            rows = [seen(i, -115.45, 43.55, day(2024), f"OB-{i}", kind) for i in numbers]
            with register.writing() as connection:
                register.add(connection, [of for of, _ in rows], [was for _, was in rows])

        add(1, 2, 3, 4)
        yield register, read, add


def test_planners_are_told_by_the_owners_act_only(counted) -> None:
    """Whoever reads daily sees no den of the day: no number moves, not a row is written anew."""
    register, read, add = counted
    assert read() == []
    assert publish(register) == 1
    before = read()
    assert before[0][-3:-1] == (4, 4)
    add(5, 6, 7)
    assert read() == before
    apply(register, default_roles(register))  # rights given anew publish nothing
    assert [row[:-1] for row in read()] == [row[:-1] for row in before]


def test_two_publications_do_not_tell_one_den(counted) -> None:
    """A number is told anew when three dens and three females have come; a group of two is not told."""
    register, read, add = counted
    publish(register)
    before = read()
    for number in (5, 6):
        add(number)
        add(number + 10, kind="brush")
        assert publish(register) == 1
        assert read() == before
    add(7)
    assert publish(register) == 1
    assert [row[-3:-1] for row in read()] == [(7, 7)]


def test_a_group_that_is_too_small_now_is_taken_away(counted) -> None:
    """Two of four withdrawn."""
    register, read, _ = counted
    publish(register)
    with register.writing(reason="not dens") as connection:
        for den_id in register.dens().index[:2]:
            register.change(connection, "den", den_id, {"withdrawn": "yes"})
    assert publish(register) == 0
    assert read() == []


@pytest.mark.parametrize("role", ["crew", "analyst"])
def test_only_the_owner_publishes(register_as, role) -> None:
    """Told with where it says what each role may."""
    with pytest.raises(RegisterError, match=r"permission denied.*densite roles"):
        publish(register_as(role))


REFUSED = "permission denied|must be (owner|superuser)|must have admin option"
TRIES = [
    *(f"SELECT * FROM basin.{name}" for name in TABLES),
    *(f"EXPLAIN SELECT * FROM basin.{name}" for name in ("den", "visit", "journal")),
    "SELECT count(*) FROM basin.den",
    "SELECT den FROM basin.den den",
    "SELECT 1 FROM basin.den WHERE ST_X(geom) < -115",
    "COPY basin.den TO STDOUT",
    "TABLE basin.journal",
    "CREATE TEMP TABLE mine (LIKE basin.den)",
    "CREATE TEMP TABLE mine AS SELECT * FROM basin.den",
    "CREATE TEMP VIEW mine AS SELECT * FROM basin.den",
    "CREATE TEMP TABLE mine (den_id text REFERENCES basin.den (den_id))",
    "CREATE TEMP TABLE mine () INHERITS (basin.den)",
    "SELECT query_to_xml('SELECT * FROM basin.den', true, false, '')",
    "SELECT table_to_xml('basin.den'::regclass, true, false, '')",
    "SELECT currval('basin.den_fid_seq')",
    "BEGIN; LOCK TABLE basin.den",
    "INSERT INTO basin.den (label) VALUES ('x')",
    "UPDATE basin.den SET label = 'x'",
    "DELETE FROM basin.den",
    "TRUNCATE basin.journal",
    "SELECT basin.densite_journal()",
    "CREATE TEMP TABLE forged (x text); CREATE TRIGGER t AFTER INSERT ON forged FOR EACH ROW "
    "EXECUTE FUNCTION basin.densite_journal('x')",
    "SET ROLE basin_analyst",
    "SET ROLE basin_owner",
    "SET SESSION AUTHORIZATION postgres",
    "GRANT basin_analyst TO a_planner",
    "DELETE FROM basin_for_planners.den_types_by_cell",
    "ALTER TABLE basin_for_planners.den_types_by_cell ADD COLUMN x text",
    "SELECT basin.densite_seal()",
    "SELECT basin.densite_wait()",
    "BEGIN; LOCK TABLE basin.journal_context IN ACCESS SHARE MODE",
    "CREATE TABLE basin_for_planners.mine (x text)",
    "UPDATE basin_for_planners.den_types_by_cell SET dens = 1",
    "SELECT * FROM pg_catalog.pg_statistic",
    "SELECT pg_read_file('PG_VERSION')",
    "SELECT lo_import('PG_VERSION')",
    "COPY (SELECT 1) TO PROGRAM 'cat'",
]


@pytest.mark.parametrize("statement", TRIES)
def test_planner_is_refused(as_role, statement) -> None:
    """Every way to a base table or to another role; no message tells a place."""
    with pytest.raises(psycopg.Error) as refused:
        as_role("planner").execute(statement).fetchall()
    assert re.search(REFUSED, str(refused.value)), refused.value
    assert HIDDEN not in str(refused.value)


def _oid(study, table) -> int:
    with study.reading() as connection:
        return connection.exec_driver_sql(f"SELECT 'basin.{table}'::regclass::oid").scalar_one()


POSTGIS_TELLS = [
    "SELECT ST_EstimatedExtent('basin', 'den', 'geom')::text",
    "SELECT _postgis_stats({den}::regclass, 'geom')",
    "SELECT _postgis_stats({den}::regclass, 'geom', '2')",
    "SELECT _postgis_index_extent({den}::regclass, 'geom')::text",
    "SELECT _postgis_selectivity({den}::regclass, 'geom', ST_MakeEnvelope(-115.5, 43.5, -115.45, 43.55, 4326))::text",
    "SELECT _postgis_join_selectivity({den}::regclass, 'geom', {den}::regclass, 'geom')::text",
]


@pytest.mark.parametrize("statement", POSTGIS_TELLS)
def test_postgis_has_no_extent_to_tell(study, as_role, postgres_server, statement) -> None:
    """These functions ask for no rights, and would tell the box of all dens: there is neither index nor statistics."""
    postgres_server.run("ANALYZE", database="roles_study")
    with as_role("planner") as connection:
        told = []
        connection.add_notice_handler(lambda notice: told.append(notice.message_primary))
        try:
            told += connection.execute(statement.format(den=_oid(study, "den"))).fetchone()
        except psycopg.Error as refused:
            told.append(str(refused))
    assert not re.search(r"-?\d+\.\d{2,}", " ".join(map(str, told))), told


def test_an_index_or_statistics_that_somebody_made_are_dropped(new_database, postgres_server) -> None:
    """A desktop GIS likes to add one: roles applied again take it away."""
    name = new_database()
    with create_register(postgres_server.url(name), study_id="test") as register:
        with register.writing() as connection:
            register.add(connection, [den()], [])
        for statement in ("CREATE INDEX made_elsewhere ON den USING gist (geom)",
                          "ALTER TABLE den ALTER COLUMN geom SET STATISTICS 100", "ANALYZE den"):  # fmt: skip
            postgres_server.run(statement, database=name)
        asked = "SELECT ST_EstimatedExtent('public', 'den', 'geom')::text, _postgis_index_extent('den', 'geom')::text"
        with postgres_server.connect(name) as superuser:
            assert all(text.startswith("BOX(-115.5") for text in superuser.execute(asked).fetchone())
            apply(register, default_roles(register))
            superuser.execute("ANALYZE den")
            found = "SELECT count(*) FROM pg_stats WHERE tablename = 'den' AND attname = 'geom'"
            assert superuser.execute(found).fetchone() == (0,)
            assert superuser.execute("SELECT ST_EstimatedExtent('public', 'den', 'geom')").fetchone() == (None,)
        assert len(register.dens()) == 1


def test_statistics_are_not_shown_to_a_planner(as_role, postgres_server) -> None:
    """pg_stats holds most common values of readable columns only."""
    postgres_server.run("ANALYZE", database="roles_study")
    query = "SELECT * FROM pg_stats WHERE schemaname = 'basin'"
    assert as_role("planner").execute(query).fetchall() == []
    assert as_role("planner").execute("SELECT * FROM pg_stats_ext").fetchall() == []


def test_nothing_a_planner_asks_reaches_a_den(as_role) -> None:
    """Neither a cheap function of his own, nor a cast that fails, nor a plan: there is only the table of counts."""
    connection, told = as_role("planner"), []
    connection.add_notice_handler(lambda notice: told.append(f"{notice.message_primary} {notice.message_detail}"))
    connection.execute(
        "CREATE FUNCTION pg_temp.peep(x text) RETURNS boolean LANGUAGE plpgsql COST 0.0000001 AS "
        "$$ BEGIN RAISE NOTICE '%', x; RETURN true; END $$"
    )
    connection.execute("SET debug_print_plan = on; SET debug_print_rewritten = on; SET client_min_messages = debug5")
    query = f"SELECT * FROM {TOLD} t WHERE pg_temp.peep(t::text)"
    connection.execute(query)
    plan = connection.execute(f"EXPLAIN (ANALYZE, VERBOSE, BUFFERS) {query}").fetchall()
    with pytest.raises(psycopg.Error) as refused:
        connection.execute(f"SELECT * FROM {TOLD} WHERE den_type::int = 1")
    everything = "\n".join([*told, *(row[0] for row in plan), str(refused.value)])
    assert "rock ledge" in everything
    assert not re.search(rf"brush|{HIDDEN}|\bvisit\b|Aggregate", everything)


def test_a_temporary_table_does_not_stand_in_for_ours(as_role) -> None:
    """What the owner's functions read and write is named with its schema, pg_temp last."""
    crew = as_role("crew")
    crew.execute("CREATE TEMP TABLE journal (LIKE basin.journal); CREATE TEMP TABLE journal_seal (seq int, hash text)")
    crew.execute("SET search_path = pg_temp, basin, public")
    crew.execute("UPDATE basin.den SET notes = 'by hand' WHERE label = 'R-17' AND notes IS NULL")
    assert crew.execute("SELECT count(*) FROM pg_temp.journal").fetchone() == (0,)
    assert crew.execute("SELECT after FROM basin.journal ORDER BY seq DESC LIMIT 1").fetchone()[0].count("by hand") == 1
    assert crew.execute("SELECT basin.densite_seal()").fetchone() == (1,)
    assert crew.execute("SELECT count(*) FROM pg_temp.journal_seal").fetchone() == (0,)


def test_a_function_of_ones_own_does_not_stand_in_for_ours(as_role, postgres_server) -> None:
    """A crew's schema in front of the catalogue: the guard of what is recorded asks the catalogue all the same."""
    postgres_server.run("CREATE SCHEMA mine AUTHORIZATION a_crew", database="roles_study")
    crew = as_role("crew")
    crew.execute("SET search_path = mine, pg_catalog, basin, public")
    crew.execute(
        "CREATE FUNCTION mine.has_column_privilege(name, oid, text, text) RETURNS boolean LANGUAGE sql AS 'SELECT true'"
    )
    assert crew.execute("SELECT has_column_privilege(current_user, 'den'::regclass, 'geom', 'UPDATE')").fetchone()[0]
    with pytest.raises(psycopg.Error, match="fills in blanks only"):
        crew.execute("UPDATE basin.den SET den_type = 'snow' WHERE label = 'R-17'")
    postgres_server.run("DROP SCHEMA mine CASCADE", database="roles_study")


def test_planner_cannot_open_the_register(register_as) -> None:
    """Told in one message."""
    with pytest.raises(RegisterError, match=r"permission denied.*densite roles"):
        register_as("planner")


CREW = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,slope_deg\n"


def test_crew_hands_in_files(register_as, tmp_path) -> None:
    """Dens, a blank filled, animals, a correction of a record; the chain is whole."""
    register, chosen = register_as("crew"), parse(STUDY_TOML)
    given = {"register": register, "settings": chosen, "out": tmp_path / "out"}
    first = f"{CREW}C-1,2026-03-07,OB-001,43.9,-115.9,WGS84,5,tree,\n"
    later = f"{CREW}C-1,2026-03-08,OB-001,43.9,-115.9,WGS84,5,tree,20\n"
    assert hand_in(write(tmp_path / "a.csv", first), **given).dens == 1
    assert hand_in(write(tmp_path / "b.csv", later), **given).visits == 1
    assert register.dens().set_index("label").loc["C-1", "slope_deg"] == 20
    head = "animal,date,den,darted,mass,permit"
    hand_in_records(
        write(tmp_path / "h.csv", f"{head}\nOB-001,2026-03-07,C-1,10:40,82 kg,P-1\n"), KINDS["handling"], **given
    )
    record = register.records("handling").index[0]
    corrected = f"{head},corrects,correction reason\nOB-001,2026-03-07,C-1,10:40,28 kg,P-1,{record},swapped\n"
    hand_in_records(write(tmp_path / "c.csv", corrected), KINDS["handling"], **given)
    assert register.records("handling")["mass_kg"].tolist() == [28]
    with register.reading() as connection:
        assert journal.broken(connection) is None


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"den_type": "brush"}, "fills in blanks only; recorded already: den_type"),
        ({"first_found": None}, "fills in blanks only; recorded already: first_found"),
        ({"withdrawn": "yes"}, "permission denied"),
        ({"label": "other"}, "permission denied"),
        ({"source_file": "x"}, "permission denied"),
    ],
)
def test_crew_overwrites_nothing(register_as, values, said) -> None:
    """Corrections and withdrawals are the owner's."""
    register = register_as("crew")
    before = register.dens().to_csv()
    first = seen(0, -115.4871, 43.5123, day(2024), "OB-0")[0]
    with pytest.raises(RegisterError, match=said), register.writing(reason="x") as connection:
        register.change(connection, "den", str(first.den_id), values)
    assert register.dens().to_csv() == before


@pytest.mark.parametrize(
    "statement",
    ["UPDATE basin.visit SET crew = 'x'", "UPDATE basin.den SET geom = NULL", "DELETE FROM basin.den",
     "UPDATE basin.cub_record SET mass_g = 1", "INSERT INTO basin.journal (at) VALUES ('x')",
     "INSERT INTO basin.journal_seal VALUES (1000000, 'x')", "SELECT setval('basin.journal_seq_seq', 1000000)",
     "INSERT INTO basin.den (fid) VALUES (1000000)", "INSERT INTO basin.visit (withdrawn) VALUES ('yes')",
     f"SELECT * FROM {TOLD}", f"DELETE FROM {TOLD}",
     "CREATE FUNCTION basin.to_jsonb(basin.den) RETURNS jsonb LANGUAGE sql AS 'SELECT NULL::jsonb'",
     "CREATE FUNCTION public.to_jsonb(basin.den) RETURNS jsonb LANGUAGE sql AS 'SELECT NULL::jsonb'",
     "UPDATE basin.journal SET who = 'x'", "DROP TRIGGER den_journal ON basin.den", "DROP TABLE basin.visit",
     "ALTER TABLE basin.den DISABLE TRIGGER ALL", "SET session_replication_role = replica", "DROP SCHEMA basin CASCADE",
     "INSERT INTO basin.study_info (key, value) VALUES ('a', 'b')", "SELECT * FROM basin.derived_value"],
)  # fmt: skip
def test_crew_is_refused(as_role, statement) -> None:
    """No change of what is recorded, none of the journal, none of the tables."""
    with pytest.raises(psycopg.Error, match=r"permission denied|must be owner"):
        as_role("crew").execute(statement).fetchall()


CLAIMED = [
    ("densite_owner", "densite_owner (a_crew)"), ("", "a_crew"), ("a_crew", "a_crew"), (" a\n b ", "a b (a_crew)"),
    ("x" * 200, "x" * 100 + " (a_crew)"),
]  # fmt: skip


@pytest.mark.parametrize(("claimed", "kept"), CLAIMED)
def test_the_journal_keeps_who_logged_in(as_role, claimed, kept) -> None:
    """Whatever name a session claims."""
    crew = as_role("crew")
    crew.execute("SELECT set_config('densite.who', %s, false)", [claimed])
    of = den(f"W-{uuid.uuid4()}", -115, 43)
    crew.execute(
        "INSERT INTO basin.den (geom, den_id, label, den_type) VALUES ('SRID=4326;POINT(-115 43)', %s, %s, 'tree')",
        [str(of.den_id), of.label],
    )
    assert crew.execute("SELECT who FROM basin.journal ORDER BY seq DESC LIMIT 1").fetchone() == (kept,)


@pytest.mark.parametrize("role", ["crew", "analyst"])
def test_a_role_seals_the_journal_as_densite_does(study, as_role, postgres_server, role) -> None:
    """The database's chain is that of journal.Entry.hashed, for every kind of sign that JSON escapes."""
    odd = "".join(map(chr, [*range(1, 0x80), 0x85, 0xA0, 0x2028, 0xFEFF, 0x1F43B]))
    postgres_server.run("UPDATE basin.den SET notes = %s WHERE label = 'R-16'", f"{odd}{role}", database="roles_study")
    assert as_role(role).execute("SELECT basin.densite_seal()").fetchone()[0] >= 1
    with study.reading() as connection:
        assert journal.broken(connection) is None
        assert journal.unsealed(connection) == 0


def test_no_seal_is_made_from_an_older_state(study, as_role) -> None:
    """It would stand on an older last seal, and fork the chain."""
    crew = as_role("crew")
    crew.execute("BEGIN ISOLATION LEVEL REPEATABLE READ; SELECT count(*) FROM basin.den")
    with study.writing(reason="x") as connection:
        study.change(connection, "den", study.dens().index[0], {"notes": "meanwhile"})
    with pytest.raises(psycopg.Error, match="reads what is committed meanwhile"):
        crew.execute("SELECT basin.densite_seal()")


def test_only_who_writes_can_hold_writers_up(register_as, as_role) -> None:
    """A crew waits for a crew; an analyst's read of every table keeps nobody waiting, nor does an advisory lock."""
    other, planner, analyst = as_role("crew"), as_role("planner"), as_role("analyst")
    planner.execute("SELECT pg_advisory_lock(1684369011, hashtext('basin'))")  # the lock there was once
    analyst.execute("BEGIN; SELECT * FROM basin.journal_context; SELECT * FROM basin.den")
    with register_as("crew").writing():
        other.execute("SET lock_timeout = 50")
        with pytest.raises(psycopg.Error, match="lock timeout"):
            other.execute("INSERT INTO basin.den (label) VALUES ('x')")


def test_analyst_reads_all_and_stores_derived_values_only(register_as) -> None:
    """Every table can be read; no record can be written."""
    import pandas as pd

    from densite.register.store import Provenance

    register = register_as("analyst")
    index = register.dens().index
    values, reasons = pd.DataFrame({"a": [1.0] * len(index)}, index), pd.DataFrame({"a": [""] * len(index)}, index)
    for _ in range(2):
        register.replace_derived(values, reasons, [Provenance("a", "l", "m")])
    assert register.derived()["a"].tolist() == [1.0] * len(index)
    with register.reading() as connection:
        for table in schema.metadata.sorted_tables:
            connection.execute(table.select()).fetchall()
    with pytest.raises(RegisterError, match="permission denied"), register.writing() as connection:
        register.add(connection, [den("A-1", -115, 43)], [])
    with pytest.raises(RegisterError, match="permission denied"), register.writing() as connection:
        register.change(connection, "den", index[0], {"notes": "x"})


def test_owner_corrects_and_changes_the_tables(register_as, as_role) -> None:
    """What a migration does, in the owner's name."""
    register = register_as("owner")
    with register.writing(reason="typed twice") as connection:
        register.change(connection, "den", register.dens().index[-1], {"den_type": "unknown"})
        register.change(connection, "den", register.dens().index[-1], {"den_type": "rock ledge"})
    owner = as_role("owner")
    owner.execute("ALTER TABLE basin.den ADD COLUMN trial text; ALTER TABLE basin.den DROP COLUMN trial")
    owner.execute("CREATE TABLE basin.more (x text); DROP TABLE basin.more")


def test_applied_again_changes_nothing(study, as_role) -> None:
    """The same rights, the same rows."""
    query = "SELECT relname, relacl FROM pg_class WHERE relnamespace = 'basin'::regnamespace ORDER BY relname"
    with study.reading() as connection:
        before = connection.exec_driver_sql(query).all()
    apply(study, Roles("basin_owner", "basin_analyst", "basin_crew", "basin_planner"))
    with study.reading() as connection:
        assert [(n, sorted(a or ())) for n, a in connection.exec_driver_sql(query)] == [
            (n, sorted(a or ())) for n, a in before
        ]
    assert len(as_role("planner").execute(f"SELECT * FROM {TOLD}").fetchall()) == 2


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("GRANT SELECT (geom) ON den TO {planner}", None),
        ("GRANT {analyst} TO {planner}", "{planner} has rights on"),
        ("ALTER ROLE {planner} SUPERUSER", "above others"),
        ("GRANT pg_read_all_data TO {planner}", "above others"),
        ("GRANT {owner} TO {crew}", "{crew} may make functions in schema public.*{crew} has rights on"),
        ("GRANT CREATE ON SCHEMA public TO PUBLIC", "{planner} may make functions in schema public"),
    ],
)
def test_rights_from_elsewhere_are_taken_or_told(new_database, postgres_server, given, said) -> None:
    """A role that can read all some other way is refused, and nothing is changed."""
    name, stem = new_database(), f"r{uuid.uuid4().hex[:8]}"
    names = {role: f"{stem}_{role}" for role in ("owner", "analyst", "crew", "planner")}
    with create_register(postgres_server.url(name), study_id="test") as register:
        for role in names.values():
            postgres_server.run(f"CREATE ROLE {role}")
        postgres_server.run(given.format(**names), database=name)
        if said is None:
            apply(register, Roles(**names))
            asked = "SELECT has_any_column_privilege(%s, 'den', 'SELECT')"
            with postgres_server.connect(name) as superuser:
                assert superuser.execute(asked, [names["planner"]]).fetchone() == (False,)
            return
        with pytest.raises(RegisterError, match=said.format(**names)):
            apply(register, Roles(**names))
        with postgres_server.connect(name) as superuser:
            left = "SELECT count(*) FROM pg_namespace WHERE nspname = 'densite_planner'"
            assert superuser.execute(left).fetchone() == (0,)


@pytest.mark.parametrize("name", ["x; DROP TABLE den", 'a"b', "Crew", "pg_crew", "public", "", "a" * 64])
def test_names_that_would_need_quoting_are_refused(name) -> None:
    """A role's name is never more than a word."""
    with pytest.raises(RegisterError, match="role name"):
        Roles("a", "b", name, "d")
    with pytest.raises(RegisterError, match="name of its own"):
        Roles("a", "a", "b", "c")


def test_a_file_has_no_roles(tmp_path) -> None:
    """Told, with what roles need."""
    with create_register(tmp_path / "r.gpkg", study_id="test") as register:
        with pytest.raises(RegisterError, match="is a file, which has no roles"):
            default_roles(register)
        with pytest.raises(RegisterError, match="is a file, which has no roles"):
            statements(register, Roles("a", "b", "c", "d"))


def test_command_prints_first_and_runs_only_when_told(new_database, postgres_server, tmp_path, monkeypatch) -> None:
    """SQL on stdout; nothing runs without --apply, nor after a no; names can be chosen."""
    name, stem = new_database(), f"c{uuid.uuid4().hex[:8]}"
    url = postgres_server.url(name)
    create_register(url, study_id="7e570000-0000-4000-8000-000000000001").close()
    bare = url.replace(f":{postgres_server.password}@", "@")
    write(tmp_path / "study.toml", f'{STUDY_TOML}[register]\nurl = "{bare}"\n')
    monkeypatch.setenv("DENSITE_REGISTER", url)
    words = ["--study", str(tmp_path), "--crew", f"{stem}_c", "--planner", f"{stem}_p", "--owner", f"{stem}_o",
             "--analyst", f"{stem}_a"]  # fmt: skip

    def made() -> int:
        with postgres_server.connect(name) as other:
            return other.execute("SELECT count(*) FROM pg_roles WHERE rolname LIKE %s", [f"{stem}%"]).fetchone()[0]

    printed = CliRunner().invoke(roles_command, words, catch_exceptions=False)
    assert printed.exit_code == 0
    assert f"CREATE ROLE {stem}_p NOLOGIN" in printed.stdout
    assert "PASSWORD" not in printed.stdout
    assert postgres_server.password not in printed.output
    assert "Nothing was run" in printed.stderr
    refused = CliRunner().invoke(roles_command, [*words, "--apply"], input="n\n")
    assert (refused.exit_code, made()) == (1, 0)
    assert f"CREATE ROLE {stem}_p NOLOGIN" in refused.stdout
    done = CliRunner().invoke(roles_command, [*words, "--apply", "--yes"], catch_exceptions=False)
    assert (done.exit_code, made()) == (0, 4)
    with postgres_server.connect(name) as other:
        other.execute(printed.stdout)  # as another program runs the script
    assert made() == 4
    told = CliRunner().invoke(roles_command, ["--study", str(tmp_path), "--publish"], input="y\n")
    assert told.stdout.startswith("WITH now_counted")
    assert "planners are told 0 groups" in told.stderr
