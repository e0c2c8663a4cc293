"""A strapping row that rises but can't be right is a warning in the table's own file; the site is still a site."""

from pathlib import Path

from yard_copy import copy_yard, planter

from sidetap.site import Severity


def test_a_wrong_row_is_a_warning_with_the_tables_file_and_line(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    loaded = planter(yard)("3,58628", "3,68000", file="t2-strapping.csv")
    assert loaded.site is not None
    (problem,) = (problem for problem in loaded.problems if problem.file.endswith("t2-strapping.csv"))
    assert problem.severity is Severity.WARNING
    line = (yard / "t2-strapping.csv").read_text().splitlines().index("3,68000") + 1
    assert (problem.line, problem.column) == (line, 1)
    assert problem.problem == "68000 gal where the rows around it tell about 58616 gal"
