"""The store: durable or not at all, append-only, and an altered byte is found and placed."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from sidetap.errors import BadInput
from sidetap.station.loads import Gauge, Load, Opening
from sidetap.station.store import Entry, Store, StoreFailed, read_journal


def entry(number: int) -> Entry:
    return Entry(10**18 + number, number, "open", "B1", "Tobias Quell", {"ticket": number, "text": "läuft"})


def filled(path: Path, records: int = 20) -> Path:
    store = Store.open(path)
    for number in range(records):
        store.write([entry(number)], {"last": number})
    store.close()
    return path


LOAD = Load(
    7,
    "B",
    "Tobias Quell",
    ("T1", "T2"),
    10**18,
    openings=(Opening("B1", 10**18, Gauge(34800, 228.5), 900, Gauge(None, None), None, "trip"),),
)


def test_what_is_written_is_there_for_the_next_run(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    store.write([entry(0), entry(1)], {"bay.B": {"ticket": 7}}, [LOAD])
    store.close()
    again = Store.open(tmp_path / "s.db")
    assert again.load(7) == LOAD
    assert again.load(8) is None
    assert again.kept()["bay.B"] == {"ticket": 7}
    assert [record.seq for record in again.journal()] == [1, 2]
    again.write([entry(2)])
    assert again.audit().ok
    again.close()


def test_a_load_record_is_replaced_by_its_next_state(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    store.write(loads=[LOAD])
    store.write(loads=[LOAD.ended(10**18 + 5)])
    assert [load.outcome for load in store.loads()] == ["trip"]
    store.close()


def test_the_chain_is_sha_256_over_the_hash_before_and_the_record(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    store.write([entry(0), entry(1)])
    store.close()
    rows = sqlite3.connect(tmp_path / "s.db").execute("SELECT * FROM journal ORDER BY seq").fetchall()
    before = "0" * 64
    for *body, prev, digest in rows:
        assert prev == before
        # reckoned from the description in the module's first lines, not with its code
        assert digest == hashlib.sha256((before + json.dumps(body)).encode()).hexdigest()
        before = digest


def test_sqlite_itself_refuses_to_change_the_journal(tmp_path: Path) -> None:
    connection = sqlite3.connect(filled(tmp_path / "s.db"))
    for change in ("UPDATE journal SET who = 'nobody' WHERE seq = 3", "DELETE FROM journal WHERE seq = 3"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(change)
    connection.close()


def test_commits_are_synchronous(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    with store._connection.begin():
        # SQLite's documentation of PRAGMA synchronous: 2 is FULL
        assert store._connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert store._connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
    store.close()


def tampered(path: Path, change: str) -> Path:
    connection = sqlite3.connect(path)
    for trigger in ("update", "delete"):
        connection.execute(f"DROP TRIGGER journal_never_{trigger}")
    connection.execute(change)
    connection.commit()
    connection.close()
    return path


@pytest.mark.parametrize(
    ("change", "first_bad"),
    [
        ("UPDATE journal SET who = 'Ines Varga' WHERE seq = 7", 7),
        ("UPDATE journal SET utc_ns = utc_ns + 1 WHERE seq = 1", 1),
        ("UPDATE journal SET mono_ns = 'x' WHERE seq = 20", 20),
        ("UPDATE journal SET what = '{}' WHERE seq = 8", 8),
        ("UPDATE journal SET hash = prev WHERE seq = 9", 9),
        ("DELETE FROM journal WHERE seq = 5", 5),
        ("DELETE FROM journal WHERE seq = 20", 20),
        ("UPDATE journal SET seq = 30 WHERE seq = 20", 20),
    ],
)
def test_acceptance_37_an_altered_record_is_located(tmp_path: Path, change: str, first_bad: int) -> None:
    _, audit = read_journal(tampered(filled(tmp_path / "s.db"), change))
    assert (audit.ok, audit.first_bad) == (False, first_bad)


def test_acceptance_37_one_altered_byte_of_a_record_is_located(tmp_path: Path) -> None:
    path = filled(tmp_path / "s.db")
    data = path.read_bytes()
    at = data.index(b'"ticket": 12')
    path.write_bytes(data[: at + 11] + b"3" + data[at + 12 :])
    _, audit = read_journal(path)
    assert (audit.ok, audit.records, audit.first_bad) == (False, 20, 13)


@given(st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_any_altered_byte_is_found_or_the_records_are_as_they_were(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "s.db"
    if not path.exists():
        filled(path)
    good = path.read_bytes()
    records, _ = read_journal(path)
    at = data.draw(st.integers(0, len(good) - 1))
    other = tmp_path / "other.db"
    other.write_bytes(good[:at] + bytes([good[at] ^ data.draw(st.integers(1, 255))]) + good[at + 1 :])
    try:
        found, audit = read_journal(other)
    except BadInput:
        return
    assert not audit.ok or found == records


def test_reading_leaves_no_trace(tmp_path: Path) -> None:
    path = filled(tmp_path / "s.db")
    before = (path.read_bytes(), sorted(os.listdir(tmp_path)))
    os.chmod(tmp_path, 0o500)
    try:
        read_journal(path)
    finally:
        os.chmod(tmp_path, 0o700)
    assert (path.read_bytes(), sorted(os.listdir(tmp_path))) == before


def test_a_journal_in_use_can_be_read(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    store.write([entry(0)])
    assert read_journal(tmp_path / "s.db")[1].records == 1
    store.write([entry(1)])
    assert read_journal(tmp_path / "s.db")[1].records == 2
    store.close()


@pytest.mark.parametrize("make", ["missing", "directory", "fifo", "text", "empty", "other"])
def test_what_is_no_store_is_refused(tmp_path: Path, make: str) -> None:
    path = tmp_path / "x"
    if make == "directory":
        path.mkdir()
    elif make == "fifo":
        os.mkfifo(path)
    elif make == "text":
        path.write_text("hello " * 1000)
    elif make == "empty":
        path.touch()
    elif make == "other":
        connection = sqlite3.connect(path)
        connection.execute("CREATE TABLE t (a)")
        connection.close()
    with pytest.raises(BadInput):
        read_journal(path)


class Fault:
    """Fails the n-th statement or commit, or it and all later ones."""

    def __init__(self, store: Store, fail_at: int, forever: bool) -> None:
        self.count, self.fail_at, self.forever, self.hit = 0, fail_at, forever, False
        event.listen(store._engine, "before_cursor_execute", lambda *_: self.step())
        event.listen(store._engine, "commit", lambda _: self.step())

    def step(self) -> None:
        self.count += 1
        if self.count == self.fail_at or (self.forever and self.count > self.fail_at):
            self.hit = True
            raise OperationalError("write", {}, sqlite3.OperationalError("disk I/O error"))


@pytest.mark.parametrize("forever", [False, True])
def test_every_write_that_fails_leaves_nothing_behind(tmp_path: Path, forever: bool) -> None:
    fail_at = 0
    while True:
        fail_at += 1
        path = tmp_path / f"{fail_at}.db"
        store = Store.open(path)
        store.write([entry(0)], {"k": 0})
        fault = Fault(store, fail_at, forever)
        failed = False
        try:
            store.write([entry(1), entry(2)], {"k": 1}, [LOAD])
        except StoreFailed:
            failed = True
        fault.fail_at, fault.forever = 0, False
        assert failed is fault.hit
        assert store.audit().ok
        assert len(store.journal()) == (1 if failed else 3)
        assert store.kept()["k"] == (0 if failed else 1)
        assert (store.load(7) is None) is failed
        store.write([entry(3)])
        assert store.audit().ok
        store.close()
        if not fault.hit:
            assert fail_at > 8  # it has gone through every statement of that write
            return


def write_until_it_fails(store: Store) -> int:
    for number in range(2000):
        try:
            store.write([entry(number)])
        except StoreFailed as problem:
            assert "full" in str(problem)  # noqa: PT017  (SQLite's own word: database or disk is full)
            return number
    return 2000


def test_a_full_disk_fails_the_write_and_keeps_the_chain(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s.db")
    with store._connection.begin():
        pages = store._connection.exec_driver_sql("PRAGMA page_count").scalar()
        store._connection.exec_driver_sql(f"PRAGMA max_page_count = {int(pages or 0) + 3}")
    written = write_until_it_fails(store)
    assert 0 < written < 2000
    assert store.audit().records == written
    assert store.audit().ok
    store.close()
