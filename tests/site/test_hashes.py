"""What changes a hash and what doesn't. The scheme's and the site's are told apart."""

import re
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, Planter, copy_yard, planter

from sidetap.site import load_or_refuse, site_hash
from sidetap.site.cause_effect import compile_site


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    return copy_yard(tmp_path)


@pytest.fixture
def planted(yard: Path) -> Planter:
    return planter(yard)


SITE = load_or_refuse(EXAMPLE / "bay-b.toml")
BEFORE = (site_hash(SITE), compile_site(SITE).digest)


def hashes(path: Path) -> tuple[str, str]:
    site = load_or_refuse(path)
    return site_hash(site), compile_site(site).digest


def test_comments_white_space_and_units_leave_no_mark(planted: Planter, yard: Path) -> None:
    path = yard / "site.toml"
    text = re.sub(r"(?m)^#.*$", "", path.read_text()).replace(" = ", "=").replace('"9 min 35 s"', '"575 s"')
    path.write_text(text.replace('"3.048 m"', '"304.8 cm"').replace('"400 gpm"', '"400.0 gpm"'))
    assert hashes(path) == BEFORE


def test_the_order_of_tables_leaves_no_mark(yard: Path) -> None:
    path = yard / "site.toml"
    head, *tables = re.split(r"(?m)^(?=\[)", path.read_text())
    permissives = '["HS-B-AUTO", "XS-B", "LSH-B", "HC-B"]'
    text = (head + "\n".join(reversed(tables))).replace(permissives, '["HC-B", "LSH-B", "XS-B", "HS-B-AUTO"]')
    assert permissives not in text
    path.write_text(text)
    assert hashes(path) == BEFORE


def test_people_and_the_folder_leave_no_mark(planted: Planter, yard: Path) -> None:
    planted('name = "Tobias Quell"', 'name = "Somebody Else"', file="people.toml")
    assert hashes(yard / "site.toml") == BEFORE


@pytest.mark.parametrize(
    ("old", "new", "changes_the_scheme"),
    [
        ('trip = { below = "0.70 m"', 'trip = { below = "0.6999 m"', True),
        ('"9 min 35 s"', '"9 min 34 s"', True),
        ('"10-34-0" = ["10-34-0"]', '"10-34-0" = ["10-34-0", "28-0-0"]', True),
        ('name = "Road"', 'name = "Roads"', False),
        ('diameter = "9.144 m"', 'diameter = "9.145 m"', False),
        ('value = "11.65 lb/gal"', 'value = "11.64 lb/gal"', False),
        ("register = 100", "register = 102", False),
        ('relay_time = "2 s"', 'relay_time = "3 s"', True),
    ],
)
def test_values_change_the_hash(planted: Planter, yard: Path, old: str, new: str, changes_the_scheme: bool) -> None:
    planted(old, new)
    after = hashes(yard / "site.toml")
    assert after[0] != BEFORE[0]
    assert (after[1] != BEFORE[1]) is changes_the_scheme


def test_strapping_rows_are_in_the_hash(planted: Planter, yard: Path) -> None:
    planted("1.5,28787", "1.5,28788", file="t2-strapping.csv")
    assert hashes(yard / "site.toml")[0] != BEFORE[0]
