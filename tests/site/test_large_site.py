"""The largest yard that is spoken of, 64 vessels and 32 bays, fits into a site file and is a site."""

from pathlib import Path

from bench_site import PEOPLE, large_site

from sidetap.site import load
from sidetap.site.files import MOST_BYTES


def test_a_large_yard_is_a_site(tmp_path: Path) -> None:
    text = large_site()
    assert len(text) < MOST_BYTES / 2
    (tmp_path / "people.toml").write_text(PEOPLE)
    (tmp_path / "site.toml").write_text(text)
    loaded = load(tmp_path / "site.toml")
    assert [str(p) for p in loaded.problems] == []
    assert loaded.site is not None
    assert (len(loaded.site.vessels), len(loaded.site.bays)) == (64, 32)
