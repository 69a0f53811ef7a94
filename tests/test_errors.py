"""Problems read as what, where, expected, next step."""

from densite.errors import Level, Problem, listed


def test_problem_reads_in_order() -> None:
    """Place first, then level, message and hint."""
    problem = Problem(Level.ERROR, "den_type 'cave'; allowed: tree", "den_type", "cave", hint="mend it")
    assert str(problem.at("crew.csv", 14)) == "crew.csv line 14: error: den_type 'cave'; allowed: tree (mend it)"


def test_worst_comes_first() -> None:
    """Errors stand before notes whatever their line."""
    note, error = Problem(Level.NOTE, "n", file="a", line=1), Problem(Level.ERROR, "e", file="a", line=2)
    assert listed([note, error]).splitlines()[0].endswith("error: e")


def test_only_errors_and_open_doubts_hold_back() -> None:
    """Warnings and notes let a row through."""
    assert [level.holds_back for level in Level] == [True, True, False, False]
