"""A file of the first proposal of the format is brought up to today's: what is built in goes, nothing is guessed at.

The old file is today's example with what was written then: the example of the first proposal, by hand.
"""

import time
import tomllib
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, copy_yard

from sidetap.site import Severity, load
from sidetap.site.keys import FORMAT
from sidetap.site.migrating import format_of, migrate

TODAY = (EXAMPLE / "bay-b.toml").read_text()
SELECTOR = 'selector = { auto = "HS-B-AUTO", hand = "HS-B-HAND" }\n'
STOP = 'stop_input = "XS-B"\n'
RUN = 'run_permissives = ["HS-B-AUTO", "XS-B", "LSH-B", "HC-B"]'
OLD_RUN = RUN.replace('"HC-B"]', '"HC-B", "level-not-old", "other-valves-closed"]  # why')
START = 'start_permissives = ["ticket-open", "level-good", "valves-closed"]\n'


def proposal(start: str = START) -> str:
    """Today's example as the first proposal had it, its number included."""
    text = TODAY
    for old, new in ((SELECTOR, start), (STOP, ""), (RUN, OLD_RUN)):
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


PROPOSED = (
    '# selector = { auto = "HS-B-AUTO", hand = "HS-B-HAND" }  # ? which inputs show AUTO and HAND\n'
    '# stop_input = "?"  # ? the input that sees the stop circuit whole; of the permissives, XS-B, LSH-B may be it\n'
)


def test_a_file_of_the_first_proposal() -> None:
    new = migrate(proposal())
    panel = 'panel = { lost_after = "5 s", screen = "15.6 in" }\n'
    expected = TODAY.replace(SELECTOR, "").replace(STOP, "").replace(RUN, f"{RUN}  # why")
    assert new.text == expected.replace(panel, panel + PROPOSED)
    assert [line.split(":")[0] for line in new.changes] == [
        "bay.B.start_permissives",
        "bay.B.run_permissives",
        "bay.B.run_permissives",
        "bay.B.selector",
        "bay.B.stop_input",
    ]
    assert [line.split(":")[0] for line in new.left] == ["bay.B.selector", "bay.B.stop_input"]


def test_filled_in_it_is_todays_example(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    text = migrate(proposal()).text
    (yard / "site.toml").write_text(text)
    assert {p.where for p in load(yard / "site.toml").problems} >= {"bay.B.selector", "bay.B.stop_input"}
    (yard / "site.toml").write_text(
        text.replace("# selector =", "selector =").replace('# stop_input = "?"', STOP.strip())
    )
    assert load(yard / "site.toml").problems == ()
    assert tomllib.loads((yard / "site.toml").read_text()) == tomllib.loads(TODAY)


def test_a_file_without_a_number_gets_one() -> None:
    for head in ("", "format = 0\n"):
        text = TODAY.replace("format = 1\n", head)
        new = migrate(text)
        assert tomllib.loads(new.text) == tomllib.loads(TODAY)
        assert (new.changes, new.left) == (("format: 1 entered",), ())
        assert set(new.text.splitlines()) == set(TODAY.splitlines())


def test_todays_file_is_left_alone() -> None:
    assert migrate(TODAY) == type(migrate(TODAY))(TODAY, (), ())
    once = migrate(proposal()).text
    assert migrate(once).text == once


def test_a_condition_that_has_no_place_any_more_is_not_dropped_in_silence() -> None:
    new = migrate(proposal('start_permissives = ["ticket-open", "GATE-1"]\n'))
    assert '\n# start_permissives = ["GATE-1"]  # ?\n' in new.text
    assert "start_permissives" not in tomllib.loads(new.text)["bay"][0]
    assert any("GATE-1" in line and "run_permissives" in line for line in new.left)


def test_every_bay_is_looked_at_and_ends_of_lines_stay() -> None:
    old = (
        '[[bay]]\r\nrun_permissives = [\r\n  "A-AUTO",\r\n  "level-not-old",  # gone\r\n  "X"\r\n]\r\n\r\n'
        '[[bay]]\r\ntag = "C"\r\nstart_permissives = []\r\nselector = {}\r\nstop_input = "S"\r\n'
    )
    new = migrate(old)
    assert new.text == (
        'format = 1\r\n[[bay]]\r\nrun_permissives = [\r\n  "A-AUTO",\r\n  "X"\r\n]\r\n'
        '# selector = { auto = "A-AUTO", hand = "?" }  # ? which inputs show AUTO and HAND\r\n'
        '# stop_input = "X"  # ? the input that sees the stop circuit whole\r\n\r\n'
        '[[bay]]\r\ntag = "C"\r\nselector = {}\r\nstop_input = "S"\r\n'
    )
    assert [line.split(":")[0] for line in new.changes][:3] == [
        "bay 1.run_permissives",
        "bay 1.selector",
        "bay 1.stop_input",
    ]


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("", None),
        ("x = 1", None),
        ("format = 1", 1),
        ("format = 7", 7),
        ("format = true", None),
        ("format = '1'\n[site]", None),
        ("[site]", 0),
        ("bay = 3", 0),
        ("format = 1\n[[bay]]\nrun_permissives = 3", 1),
        ("format = 1\n[[bay]]\nrun_permissives = ['level-not-old']", 0),
        ("format = 1\n[[bay]]\nstart_permissives = 3", 0),
    ],
)
def test_which_format_a_file_has(text: str, number: int | None) -> None:
    assert format_of(tomllib.loads(text)) == number


@pytest.mark.parametrize("text", ["", f"format = {FORMAT + 1}\n[site]", "format = 'a'\n[site]"])
def test_what_is_no_older_site_file_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=f"format {FORMAT + 1}" if "2" in text else "no site file"):
        migrate(text)


def test_a_start_permissive_of_another_form_is_left_for_check() -> None:
    text = "format = 1\n[[bay]]\nstart_permissives = 3\n"
    with pytest.raises(ValueError, match="start_permissives"):
        migrate(text)


def test_check_names_the_verb(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    for text, line in (
        (proposal(), 3),
        (TODAY.replace("format = 1\n", ""), 1),
        (TODAY.replace("format = 1", "format = 0"), 3),
    ):
        (yard / "site.toml").write_text(text)
        problem = next(p for p in load(yard / "site.toml").problems if p.where == "format")
        assert problem.severity is Severity.ERROR
        assert "sidetap site migrate" in problem.remedy
        assert problem.line == line


def test_many_bays_are_brought_up_to_date_in_one_go() -> None:
    bays = 200
    text = "".join(
        f'[[bay]]\ntag = "B{number}"\n{OLD_RUN}\n{START}' + 'note = "' + "x" * 200 + '"\n' for number in range(bays)
    )
    started = time.process_time()
    new = migrate(text)
    assert time.process_time() - started < 5
    assert len(new.left) == 2 * bays
    assert len(tomllib.loads(new.text)["bay"]) == bays
    with pytest.raises(ValueError, match="over 1000 tables"):
        migrate("[[bay]]\n" * 1001)


def test_a_word_that_is_there_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="has level-not-old twice"):
        migrate('[[bay]]\nrun_permissives = ["level-not-old", "level-not-old"]\n')
