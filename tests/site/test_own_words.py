"""Tags that would be taken for the scheme's own words are refused: two causes of one name can't be told apart."""

from pathlib import Path

import pytest

from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.site.reader import load
from sidetap.site.table import RESERVED_TAGS

YARD = Path(__file__).parents[2] / "examples" / "tarn-hollow"


def test_every_cause_that_no_tag_names_is_an_own_word() -> None:
    site = load_or_refuse(YARD / "site.toml")
    tags = {i.tag for i in site.inputs} | {r.tag for r in site.rules} | {f"{r.tag}-low" for r in site.rules}
    causes = {c.name for bay in compile_site(site).bays for v in bay.valves for c in v.causes}
    assert causes - tags <= set(RESERVED_TAGS)
    assert set(RESERVED_TAGS) - causes == {"site", "judge", "stored", "alarm"}


@pytest.mark.parametrize(("old", "new"), [('"XS-B"', '"late"'), ('"R-3"', '"trip"'), ('"T6"', '"site"')])
def test_a_tag_that_is_an_own_word(tmp_path: Path, old: str, new: str) -> None:
    for name in ("people.toml", "t2-strapping.csv"):
        (tmp_path / name).write_bytes((YARD / name).read_bytes())
    path = tmp_path / "site.toml"
    path.write_text((YARD / "site.toml").read_text().replace(old, new))
    problems = load(path).problems
    assert [p.problem for p in problems if "scheme's own" in p.problem] == [
        f"'{new.strip(chr(34))}' is a name of the scheme's own"
    ]
