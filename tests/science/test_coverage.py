"""A fixed subset of `python -m tests.science.coverage`: whole simulated jobs against truth."""

from tests.science.coverage import collect, misses, tabulate

#: Jobs in CI; the table of 200 is one command (see DEVELOPERS.md).
JOBS = 10


def test_simulated_jobs_are_right_and_say_how_sure_they_are() -> None:
    table = tabulate(collect(JOBS))
    assert table.valid == table.replayed == JOBS
    assert table.worst_error_from_marks_deg[0] <= 0.05
    # Of 10 jobs at a true coverage of 95 %, 7 or fewer are covered in 1.2 % of all tables (binomial).
    assert table.covered >= 8 / JOBS
    assert table.false_inside["2"] == 0
    assert not [m for m in misses(table) if "replays" in m or "valid" in m]
