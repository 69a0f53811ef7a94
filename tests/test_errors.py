"""Problems read as what, where, expected, next step."""

from densite.errors import Level, Problem


def test_problem_reads_in_order() -> None:
    """Place first, then level, message and hint."""
    problem = Problem(Level.ERROR, "den_type 'cave'; allowed: tree", "den_type", "cave", hint="mend it")
    assert str(problem.at("crew.csv", 14)) == "crew.csv line 14: error: den_type 'cave'; allowed: tree (mend it)"


def test_only_errors_and_open_doubts_hold_back() -> None:
    """Warnings and notes let a row through."""
    assert [level.holds_back for level in Level] == [True, True, False, False]
